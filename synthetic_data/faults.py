"""Planting faults in clean files: at least one for every rule, with a key of what was planted where.

Faults stand in cases of their own that are added to the files, so that every row that was there before is known to be
clean. Rows are put in a random order.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from pipelines.contract.contract import Contract
from synthetic_data.fault_kinds import Layout, PlantedFault, faults_of_contract, written_faults
from synthetic_data.faulty_case import FaultyCase, Row, Spot, wide_name, wide_rows
from warehouse.measures.measure import Measure

WIDE = "wide"
FILE_FAULTS = ("F001", "F002", "F003", "F004", "F005")
FIRST_ROW = 2
"""Row, in a file with one line of headings, of the first row of data."""
START = date(2016, 3, 7)
DAYS_PER_MONTH = 30.4375


@dataclass(frozen=True, slots=True)
class Planted:
    """Files with faults."""

    # File -> text as a file would hold it. The name is that of the contract table, or `wide`.
    frames: Mapping[str, pl.DataFrame]
    # One row a planted fault and place: `rule`, `file`, `table`, `row` (in the file, 2 is the first below the
    # headings), `column` (contract name in that file's layout), `case_id`
    key: pl.DataFrame
    clean: Mapping[str, frozenset[int]]  # File -> rows that hold no fault and belong to no case with one


def faults_for(layout: Layout, contract: Contract, catalogue: Mapping[str, Measure]) -> list[PlantedFault]:
    """The faults that can stand in files of one layout."""
    known = [*faults_of_contract(contract, catalogue), *written_faults()]
    return [one for one in known if layout in one.layouts and set(one.measures) <= set(catalogue)]


def plant_faults(
    frames: Mapping[str, pl.DataFrame],
    rng: np.random.Generator,
    *,
    contract: Contract,
    catalogue: Mapping[str, Measure],
) -> Planted:
    """Add to clean files a case for every fault that can stand in them.

    ``frames``: Clean files with contract names: a file a table, or ``wide`` alone (with ``start_date`` it takes the
    faults of dates, without it all others), or ``wide`` with ``measurements`` (the fault of a value in both).
    """
    layout = _layout(frames)
    faults = [one for one in faults_for(layout, contract, catalogue) if not one.traced or "landmarks" in frames]
    added: dict[str, list[Row]] = {name: [] for name in frames}
    spots: list[tuple[str, str, Spot, list[tuple[str, Row]]]] = []
    for number, fault in enumerate(faults, start=1):
        case = FaultyCase(f"FAULT-{number:04d}")
        if fault.traced:
            case.trace()
        planted = fault.plant(case, rng)
        rows = _rendered(case, layout)
        for file, row in rows:
            added[file].append(row)
        spots += [(fault.rule, case.case_id, spot, rows) for spot in planted]
    return _planted(frames, added, spots, rng, layout)


def _layout(frames: Mapping[str, pl.DataFrame]) -> Layout:
    if WIDE not in frames:
        return "tabular"
    if len(frames) > 1:
        return "mixed"
    return "dated" if "start_date" in frames[WIDE].columns else "wide"


def _rendered(case: FaultyCase, layout: Layout) -> list[tuple[str, Row]]:
    """The rows of a case with the file each stands in."""
    if layout == "tabular":
        return [(table, row) for table, rows in case.rows.items() if table != "singles" for row in rows]
    if layout == "dated":
        _put_dates(case)
    return [(WIDE, row) for row in wide_rows(case)] + [("measurements", row) for row in case.rows["singles"]]


def _put_dates(case: FaultyCase) -> None:
    """Dates in place of age, quarter and months, where a fault has not put one already."""
    row = case.case
    for name in ("age_at_start", "start_quarter"):
        row.pop(name, None)
    row.setdefault("start_date", START.isoformat())
    row.setdefault("birth_date", START.replace(year=START.year - 12).isoformat())
    case.visit("start").pop("months_from_start")
    finish = case.visit("finish")
    months = float(finish.pop("months_from_start") or 0.0)
    finish.setdefault("date", (START + timedelta(days=round(months * DAYS_PER_MONTH))).isoformat())


def _planted(
    frames: Mapping[str, pl.DataFrame],
    added: Mapping[str, list[Row]],
    spots: list[tuple[str, str, Spot, list[tuple[str, Row]]]],
    rng: np.random.Generator,
    layout: Layout,
) -> Planted:
    files: dict[str, pl.DataFrame] = {}
    places: dict[int, int] = {}
    clean: dict[str, frozenset[int]] = {}
    for file, frame in frames.items():
        text = frame.select(pl.all().cast(pl.String))
        more = pl.DataFrame([dict(row) for row in added[file]], infer_schema_length=None)
        together = pl.concat([text, more.cast(pl.String)], how="diagonal") if added[file] else text
        order = rng.permutation(together.height)
        files[file] = together[order]
        row_of = {int(old): new + FIRST_ROW for new, old in enumerate(order)}
        clean[file] = frozenset(row_of[old] for old in range(frame.height))
        places |= {id(row): row_of[frame.height + at] for at, row in enumerate(added[file])}
    key = [_entry(rule, case_id, spot, rows, places, layout) for rule, case_id, spot, rows in spots]
    return Planted(files, pl.DataFrame(key), clean)


def _entry(
    rule: str, case_id: str, spot: Spot, rows: list[tuple[str, Row]], places: Mapping[int, int], layout: Layout
) -> dict[str, str | int]:
    in_singles = spot.table == "singles"
    if layout == "tabular" or in_singles:
        table = "measurements" if in_singles else spot.table
        place, file, column = places[id(spot.row)], table, spot.column
    else:
        table, file = spot.table, WIDE
        place = places[id(_wide_row(spot, rows))]
        column = wide_name(spot.table, spot.row, spot.column)
    return {"rule": rule, "file": file, "table": table, "row": place, "column": column, "case_id": case_id}


def _wide_row(spot: Spot, rows: list[tuple[str, Row]]) -> Row:
    """The row of the wide file made from the spot: by its own cells for a row of ``cases``, else the first."""
    wide = [row for file, row in rows if file == WIDE]
    if spot.table == "cases":
        return next((row for row in wide if spot.row.items() <= row.items()), wide[0])
    return wide[0]


def plant_file_fault(frames: Mapping[str, pl.DataFrame], rule: str) -> dict[str, pl.DataFrame]:
    """Clean files of which one breaks a rule on whole files.

    ``frames``: files with contract names, ``cases`` and ``measurements`` among them, or ``wide``.
    ``rule``: one of ``FILE_FAULTS``.
    """
    spoilt = dict(frames)
    file = WIDE if WIDE in frames else "cases"
    frame = frames[file]
    nothing = pl.lit(None, dtype=pl.String)
    spoilt[file] = {
        "F001": lambda: frame.drop("selection"),
        "F002": lambda: frame.with_columns(nothing.alias("selection")),
        "F003": lambda: frame.with_columns(pl.lit("31").alias("sn_goge_deg_start")),
        "F004": lambda: frame.clear(),
        "F005": lambda: frame.with_columns(pl.lit("1").alias("shoe_size")),
    }[rule]()
    return spoilt
