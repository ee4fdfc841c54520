"""The registry of outcome definitions."""
