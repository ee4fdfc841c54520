"""The sections of a report, the same for every format."""
