"""Study groups: keys, files that practices send, and the coordinator's folder. What it keeps out: ``threats.md``."""
