"""A proposal for a mapping file, made from a file that nobody has mapped yet; what is unsure is left to the user."""
