"""Second readings of the same records: which to read again, how far two lie apart, and the band that follows."""
