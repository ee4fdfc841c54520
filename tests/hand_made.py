"""Tiny hand-written warehouses: cases given as rows, loaded through the same loader as any file."""

from __future__ import annotations

import hashlib
import os
import shutil
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.contract.delivery import PROBLEM_COLUMNS, Delivery, FileSource, Sorted
from pipelines.ingest.loading import LoadRecord, load
from warehouse.marts.publish import publish
from warehouse.marts.reader import Reader
from warehouse.store.store import open_store

CASE_DEFAULTS: dict[str, Any] = {
    "sex": "female",
    "age_at_start": 11.0,
    "cvm_stage": None,
    "incisor_class": None,
    "molar_class": None,
    "extracted_teeth": "none",
    "absent_teeth": None,
    "start_quarter": "2021-Q1",
    "selection": "consecutive",
    "status": "finished",
    "comparison": "treated",
    "clinician": None,
    "wear_reported": None,
    "dentition_stage": None,
    "earlier_treatment": None,
    "habits": None,
    "retention_regime": None,
    "cleft_or_syndrome": None,
}
VISIT_DEFAULTS: dict[str, Any] = {
    "months_from_start": None,
    "magnification_pct": None,
    "porion_kind": None,
    "gonion_kind": None,
    "image_scale_mm_per_px": None,
    "records_taken": None,
    "mouth_posture": None,
    "joint_symptoms": None,
    "sleep_breathing_concern": None,
    "breathing": None,
    "head_pose": None,
    "camera_distance_m": None,
    "photo_lips": None,
    "teeth_together": None,
}
MONTHS = {"start": 0.0, "progress": 12.0, "finish": 24.0, "follow_up": 48.0}


def key(case: str) -> str:
    """The key a hand-made case gets: a plain hash, since nothing here is real."""
    return hashlib.sha256(case.encode()).hexdigest()[:24]


def made_case(case: str, *, appliance: str | None = "fixed_labial", **fields: Any) -> dict[str, Any]:
    """One case as a wide row: measures as ``sn_gogn_deg_start``, visit fields as ``months_from_start_finish``."""
    return {"case_id": key(case), "appliance": appliance, **fields}


def sorted_delivery(
    rows: list[dict[str, Any]], *, practice: str = "HARBOUR", source: str = "cases.csv", salt: str = ""
) -> Sorted:
    """A validated delivery of one wide file, made of hand-written rows."""
    cases, phases, visits, readings = [], [], [], []
    for number, row in enumerate(rows, start=2):
        base = {"row": number, "case_id": row["case_id"]}
        cases.append({**base, **{name: row.get(name, default) for name, default in CASE_DEFAULTS.items()}})
        listed = row["appliance"] if isinstance(row["appliance"], list) else [row["appliance"]]
        for phase_no, appliance in enumerate([one for one in listed if one], start=1):
            begins = row.get("phases_begin", {}).get(phase_no)
            held = {"phase_no": phase_no, "appliance_category": appliance, "months_from_start": begins}
            phases.append({**base, **held})
        for time, months in MONTHS.items():
            _add_time(row, base, time, months, visits, readings)
    tables = {
        "cases": pl.DataFrame(cases, schema_overrides=dict.fromkeys(CASE_DEFAULTS, None) and _case_types()),
        "phases": pl.DataFrame(
            phases, schema_overrides={"row": pl.Int32, "phase_no": pl.Int32, "months_from_start": pl.Float64}
        ),
        "visits": pl.DataFrame(visits, schema_overrides=_visit_types()),
        "readings": pl.DataFrame(readings, infer_schema_length=None),
    }
    good = {name: frame for name, frame in tables.items() if frame.height}
    digest = hashlib.sha256(f"{source}{salt}{rows}".encode()).hexdigest()
    none = pl.DataFrame(schema=dict.fromkeys((*PROBLEM_COLUMNS, "case_id"), pl.String)).with_columns(
        pl.col("row").cast(pl.UInt32)
    )
    delivery = Delivery(
        source=FileSource(source, digest, 100),
        layout="wide",
        practice=practice,
        n_read=len(rows),
        tables=good,
        columns={},
        problems=none.drop("case_id"),
    )
    return Sorted(delivery=delivery, good=good, turned_away=none, remarks=none, n_good=len(rows), n_turned_away=0)


def _add_time(
    row: dict[str, Any], base: dict[str, Any], time: str, months: float, visits: list[Any], readings: list[Any]
) -> None:
    suffix = f"_{time}"
    given = {name.removesuffix(suffix): value for name, value in row.items() if name.endswith(suffix)}
    given.pop("age_at", None)
    if not given:
        return
    visit = {name: given.get(name, default) for name, default in VISIT_DEFAULTS.items()}
    if "months_from_start" not in given:
        visit["months_from_start"] = months
    visits.append({**base, "timepoint": time, **visit})
    measures = {name: value for name, value in given.items() if name not in VISIT_DEFAULTS}
    if measures:
        readings.append({**base, "timepoint": time, "examiner": "E1", "repeat_no": 1, **measures})


def _case_types() -> dict[str, Any]:
    types: dict[str, Any] = dict.fromkeys(CASE_DEFAULTS, pl.String)
    return {**types, "age_at_start": pl.Float64, "row": pl.Int32}


def _visit_types() -> dict[str, Any]:
    types: dict[str, Any] = dict.fromkeys(VISIT_DEFAULTS, pl.String)
    numbers = ("months_from_start", "magnification_pct", "image_scale_mm_per_px")
    return {**types, **dict.fromkeys(numbers, pl.Float64), "row": pl.Int32}


@dataclass
class Copies:
    """Warehouses of hand-written rows as they were made, so that the same one need not be made again for every test.

    A test that puts something in the place of a part of the program (``monkeypatch``) neither gets nor leaves one, and
    two warehouses of one test are never copies of each other.
    """

    place: Path | None = None  # None: all are made
    is_used: bool = False
    made: dict[str, list[LoadRecord]] = field(default_factory=dict)
    last: dict[str, str] = field(default_factory=dict)  # What one is made of -> the test that made it or had it last

    def got(self, made_of: str, folder: Path, test: str) -> list[LoadRecord] | None:
        if self.place is None or made_of not in self.made or self.last[made_of] == test:
            return None
        shutil.copytree(self.place / made_of, folder, dirs_exist_ok=True)
        self.last[made_of] = test
        return list(self.made[made_of])

    def keep(self, made_of: str, folder: Path, test: str, records: list[LoadRecord]) -> None:
        self.last[made_of] = test
        if self.place is not None and made_of not in self.made:
            shutil.copytree(folder, self.place / made_of)
            self.made[made_of] = list(records)


copies = Copies()
"""Those of this process; tests/conftest.py says where they lie and which tests use them."""


def load_rows(folder: Path, rows: list[dict[str, Any]], **options: Any) -> list[LoadRecord]:
    """Load hand-written rows into the warehouse at ``folder`` and publish it; a new one may be a copy (``Copies``)."""
    test = os.environ.get("PYTEST_CURRENT_TEST", "").rpartition(" ")[0]
    is_shared = copies.is_used and not (folder.exists() and any(folder.iterdir()))
    made_of = hashlib.sha256(repr((rows, options)).encode()).hexdigest()
    if is_shared and (kept := copies.got(made_of, folder, test)) is not None:
        return kept
    with open_store(folder, create=True) as store:
        records = load(store, [(sorted_delivery(rows, **options), "r" + str(options))], contract_version="1.0.0")
        publish(folder, store)
    if is_shared:
        copies.keep(made_of, folder, test, records)
    return records


def reader_of(folder: Path, rows: list[dict[str, Any]], **options: Any) -> Reader:
    """Load hand-written rows into a fresh warehouse and open its snapshot."""
    load_rows(folder, rows, **options)
    return Reader.open(folder)
