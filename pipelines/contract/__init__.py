"""The case-export contract as data."""
