"""Names by which the reader knows a workbook made by ``menton template`` and the row in it that is only an example."""

from __future__ import annotations

EXAMPLE_CASE = "EXAMPLE"
"""``case_id`` of the template's example row."""

TEMPLATE_MARK = "menton_template"
"""Defined name that the template carries."""

TEMPLATE_HELP = ("Read me", "Dictionary", "Measures", "Codes")
"""Sheets of the template that explain and hold no cases."""
