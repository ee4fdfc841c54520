"""Keeping a warehouse whole: backup, verification, change of key, and how complete the data are."""
