"""The commands of the command line, one family a file."""
