"""From files to the store: one transaction a load, the rows turned away kept with their reasons."""
