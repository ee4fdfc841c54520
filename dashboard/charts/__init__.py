"""Charts: pure functions from a frame to an Altair chart."""
