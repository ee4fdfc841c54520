"""The truth behind an invented cohort, case by case and in sum. It lies beside the files and is never ingested."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from synthetic_data.appliances import CATEGORIES
from synthetic_data.arrays import coded
from synthetic_data.persons import DAYS_PER_YEAR, KINDS
from synthetic_data.records import Scene
from synthetic_data.settings import Settings
from synthetic_data.treatment import EXTRACTIONS
from synthetic_data.visits import FINISH, FINISHED, START, STATUSES

COUNTED = "counted"
HIDDEN = (
    COUNTED,
    *STATUSES[1:],
    "no start radiograph",
    "no finish radiograph",
    "mandibular plane unreadable",
)
"""Why the outcome of a case cannot be seen in the files; ``counted`` where it can."""


@dataclass(frozen=True, slots=True)
class AnswerKey:
    """The truth."""

    # One row a case: who it was, what was done, the true change of the mandibular plane from start to planned
    # finish and its parts (degrees), `true_adverse`, and `hidden`
    cases: pl.DataFrame
    summary: dict[str, Any]  # Shares and effects, ready to be written as JSON

    def write(self, folder: Path) -> tuple[Path, Path]:
        """Write ``cases.parquet`` and ``summary.json`` into a folder, which is made if it is not there."""
        folder.mkdir(parents=True, exist_ok=True)
        cases, summary = folder / "cases.parquet", folder / "summary.json"
        self.cases.write_parquet(cases)
        summary.write_text(json.dumps(self.summary, indent=2) + "\n", encoding="utf-8")
        return cases, summary


def make_key(scene: Scene, cases: pl.DataFrame, readings: pl.DataFrame) -> AnswerKey:
    """The key of a cohort."""
    truth, course, persons = scene.truth, scene.course, scene.persons
    frame = cases.select("practice", "case_id").with_columns(
        coded(KINDS, persons.kind, "kind"),
        coded(CATEGORIES, course.first, "appliance_first"),
        coded(CATEGORIES, course.second, "appliance_second"),
        coded(EXTRACTIONS, course.extraction, "extracted_teeth"),
        pl.Series("type_z", persons.type_z),
        pl.Series("sn_gogn_at_start_deg", persons.plane - scene.anatomy.chin),
        pl.Series("years", course.days / DAYS_PER_YEAR),
        pl.Series("true_change_deg", truth.change),
        pl.Series("expected_growth_deg", truth.expected),
        pl.Series("own_growth_deg", truth.own_growth),
        pl.Series("appliance_effect_deg", course.effect),
        pl.Series("extraction_effect_deg", course.extraction_effect),
        pl.Series("response_deg", course.response),
        pl.Series("true_adjusted_deg", truth.adjusted),
        pl.Series("true_adverse", truth.adjusted >= scene.settings.adverse_at),
        pl.Series("overjet_raised", scene.occlusion.raised),
        _hidden(scene, cases, readings),
    )
    return AnswerKey(frame, _summary(frame, scene.settings))


def _hidden(scene: Scene, cases: pl.DataFrame, readings: pl.DataFrame) -> pl.Series:
    visits = scene.visits
    readable = _plane_readable(cases, readings)
    reason = np.select(
        [
            visits.status != FINISHED,
            ~visits.film[:, START],
            ~visits.film[:, FINISH],
            ~readable,
        ],
        [visits.status, HIDDEN.index("no start radiograph"), HIDDEN.index("no finish radiograph"), len(HIDDEN) - 1],
        HIDDEN.index(COUNTED),
    )
    return coded(HIDDEN, reason.astype(np.int64), "hidden")


def _plane_readable(cases: pl.DataFrame, readings: pl.DataFrame) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Whether the mandibular plane was read at start and at finish."""
    if "sn_gogn_deg" not in readings.columns:
        return np.zeros(cases.height, dtype=np.bool_)
    read = readings.filter(pl.col("sn_gogn_deg").is_not_null(), pl.col("timepoint").is_in(["start", "finish"]))
    twice = read.group_by("case_id").agg(pl.col("timepoint").n_unique()).filter(pl.col("timepoint") == 2)
    readable: np.ndarray[tuple[int], np.dtype[np.bool_]] = cases["case_id"].is_in(twice["case_id"].implode()).to_numpy()
    return readable


def _summary(frame: pl.DataFrame, settings: Settings) -> dict[str, Any]:
    """Counts and true shares: of all consecutive treated cases, and of those whose outcome can be seen."""
    started = frame.filter(pl.col("kind") == "consecutive")
    counted = started.filter(pl.col("hidden") == COUNTED)
    used = started["appliance_first"].unique().to_list()
    return {
        "adverse_at_deg": settings.adverse_at,
        "n_cases": frame.height,
        "n_by_kind": _counts(frame, "kind"),
        "n_hidden": _counts(started, "hidden"),
        "true_effects_deg": {c: settings.effects.get(c, 0.0) for c in CATEGORIES if c in used},
        "true_extraction_effect_deg": settings.extraction_effect,
        "started": _share(started),
        "counted": _share(counted),
        "counted_by_appliance": _shares(counted, "appliance_first"),
        "counted_by_practice": _shares(counted, "practice"),
        "counted_by_extraction": _shares(
            counted.with_columns(extraction=pl.col("extracted_teeth") != "none"), "extraction"
        ),
        "selected": _share(frame.filter(pl.col("kind") == "selected")),
        "untreated": _share(frame.filter(pl.col("kind") == "untreated")),
    }


def _counts(frame: pl.DataFrame, column: str) -> dict[str, int]:
    return dict(frame.group_by(column).len().sort(column).iter_rows())


def _share(frame: pl.DataFrame) -> dict[str, float | int | None]:
    n, adverse = frame.height, int(frame["true_adverse"].sum())
    mean = frame["true_adjusted_deg"].mean()
    return {
        "n": n,
        "true_adverse": adverse,
        "true_share": adverse / n if n else None,
        "mean_true_adjusted_deg": mean if isinstance(mean, float) else None,
    }


def _shares(frame: pl.DataFrame, column: str) -> dict[str, dict[str, float | int | None]]:
    return {str(name): _share(part) for (name,), part in sorted(frame.group_by(column), key=lambda item: str(item[0]))}
