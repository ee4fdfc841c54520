"""The talk: slides with native charts."""
