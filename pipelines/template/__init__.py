"""The workbook a practice fills in, with its dictionary and codes."""
