"""Making text harmless that a spreadsheet program would take for a formula: as every package does it."""

from __future__ import annotations

from warehouse.export_safety import PLAIN_CELLS, neutralise, neutralise_formulas

__all__ = ["PLAIN_CELLS", "neutralise", "neutralise_formulas"]
