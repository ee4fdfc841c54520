"""Making text harmless that a spreadsheet program would take for a formula: as every package does it."""

from __future__ import annotations

from warehouse.export_safety import neutralise, neutralise_formulas

__all__ = ["neutralise", "neutralise_formulas"]
