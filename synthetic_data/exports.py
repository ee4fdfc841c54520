"""What the seven practices of the invented study group hand over, and the key that stays behind."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from synthetic_data.cohort import Cohort, make_cohort
from synthetic_data.large_file import large_wide_csv
from synthetic_data.layouts import wide_frame, write_tabular, write_workbook
from synthetic_data.own_spreadsheet import clean_frame, mapping_text, write_own_spreadsheet
from synthetic_data.practices import InventedPractice
from synthetic_data.settings import Settings

__all__ = ["DEMO_SEED", "KEY_FOLDER", "Handover", "large_wide_csv", "write_demo", "write_practices"]

DEMO_SEED = 20
KEY_FOLDER = "answer-key"


@dataclass(frozen=True, slots=True)
class Handover:
    """What one practice hands over."""

    practice: str  # Its pseudonym
    files: tuple[Path, ...]  # Files to load, all in one folder of their own
    mapping: Path | None = None  # The mapping file they need, or None where they use contract names


def write_demo(
    folder: Path,
    *,
    seed: int = DEMO_SEED,
    settings: Settings | None = None,
    progress: Callable[[str], None] | None = None,
) -> list[Handover]:
    """Invent the study group and write one folder a practice, and the answer key into a folder of its own.

    Gives one handover a practice, in the order of the settings. The folder ``answer-key`` is not among them: it holds
    ``cases.parquet``, ``summary.json`` and, for spreadsheets of a practice's own making, the same content with contract
    names. ``progress`` is called with a sentence before each step.
    """
    tell = progress or _silent
    rng = np.random.default_rng(seed)
    tell("inventing the cases of the Lantern Bay study group")
    cohort = make_cohort(settings or Settings(), rng)
    handovers = write_practices(cohort, folder, rng, progress=tell)
    cohort.key.write(folder / KEY_FOLDER)
    return handovers


def write_practices(
    cohort: Cohort, folder: Path, rng: np.random.Generator, *, progress: Callable[[str], None] | None = None
) -> list[Handover]:
    """Write one folder a practice, each in the layout it keeps to."""
    tell = progress or _silent
    handovers = []
    for practice in cohort.settings.practices:
        tell(f"writing the files of {practice.code}")
        handovers.append(_handover(cohort.of_practice(practice.code), practice, folder, rng))
    return handovers


def _handover(cohort: Cohort, practice: InventedPractice, folder: Path, rng: np.random.Generator) -> Handover:
    place = folder / practice.code
    place.mkdir(parents=True, exist_ok=True)
    if practice.layout == "tabular":
        return Handover(practice.code, write_tabular(cohort, place))
    name = practice.code.lower()
    if practice.layout == "template":
        return Handover(practice.code, (write_workbook(wide_frame(cohort), place / f"{name}.xlsx"),))
    mapping = place / f"{name}.mapping.toml"
    mapping.write_text(mapping_text(practice.code), encoding="utf-8")
    clean = folder / KEY_FOLDER / f"{name}-clean.csv"
    clean.parent.mkdir(parents=True, exist_ok=True)
    clean_frame(cohort).write_csv(clean)
    return Handover(practice.code, (write_own_spreadsheet(cohort, place / f"{name}.csv", rng),), mapping)


def _silent(_: str) -> None:
    return None
