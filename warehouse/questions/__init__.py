"""One question a file: a snapshot and a question in, an answer out. Nothing here writes a sentence."""
