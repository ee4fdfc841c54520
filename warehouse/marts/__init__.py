"""SQL of the published tables, and the code that fills in measures, definitions and growth."""
