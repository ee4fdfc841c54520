"""Starts the server once the pages' modules are imported, so that the first page opens as soon as any other.

``python -m dashboard.entry.serve run ...`` takes the words that ``python -m streamlit run ...`` takes.
"""

from __future__ import annotations

import pkgutil
from importlib import import_module

from streamlit.web.cli import main

import dashboard.charts

SLOW = (
    "altair",
    "pandas",
    "scipy.stats",
    "warehouse.questions.answer",
    "dashboard.access.ask",
    "dashboard.parts.filters",
)
"""What takes longest of what the first page imports, beside the charts."""


def import_pages_modules() -> None:
    """Import what the pages will ask for; the pages themselves are scripts, which draw when they are run."""
    charts = pkgutil.iter_modules(dashboard.charts.__path__, f"{dashboard.charts.__name__}.")
    for name in (*SLOW, *(chart.name for chart in charts)):
        import_module(name)


if __name__ == "__main__":
    import_pages_modules()
    main(prog_name="streamlit")
