"""Pooling over a study group: what a practice hands over, and what the group may see of it together."""
