"""Invented cohorts with a known truth, and planted faults with their key."""
