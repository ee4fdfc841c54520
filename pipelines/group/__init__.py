"""Study groups: keys, files that practices send, and the coordinator's folder. What it keeps out: ``threats.md``.

Whatever is refused or cannot be read raises ``GroupError``; a key that cannot be used, ``KeyProblemError``.
"""
