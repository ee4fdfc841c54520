"""The same answers for readers outside the practice: small counts hidden."""
