"""Invented cohorts with a known truth."""
