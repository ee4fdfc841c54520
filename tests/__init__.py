"""Tests, mirroring the folders of the source."""
