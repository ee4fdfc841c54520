"""Names by which the reader knows a workbook made by ``menton template`` and the row in it that is only an example."""

EXAMPLE_CASE = "EXAMPLE"  # ``case_id`` of the template's example row
TEMPLATE_MARK = "menton_template"  # defined name that the template carries

REASONS = "Reasons"
"""Sheet of the reasons in a workbook of rows that were turned away; its other sheets are to be corrected."""

FROM_ROW, WHY = "menton row", "menton reasons"
"""Columns of such a sheet that Menton put before those of the file: load and row, and what was wrong."""

TEMPLATE_HELP = ("Read me", "Dictionary", "Measures", "Codes")  # sheets of the template that explain and hold no cases
