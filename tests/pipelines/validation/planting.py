"""Planting faults in clean files: at least one for every rule, with a key of what was planted where.

Faults stand in cases of their own that are added to the files, so that every row that was there before is known to be
clean. Rows are put in a random order.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Literal, NamedTuple, TypeAlias

import numpy as np
import polars as pl

from pipelines.contract.contract import Contract, ContractColumn
from warehouse.measures.measure import Measure

Row: TypeAlias = dict[str, str | None]

VALUES = {
    "start": {"sna_deg": "82", "snb_deg": "79", "anb_deg": "3", "sn_gogn_deg": "32"},
    "finish": {"sna_deg": "81.6", "snb_deg": "78.9", "anb_deg": "2.7", "sn_gogn_deg": "31.6"},
}
POINTS = {
    "S": ("0", "0"),
    "N": ("70", "8"),
    "Me": ("46", "-106"),
    "N'": ("76", "6"),
    "Prn": ("95", "-40"),
    "Sn": ("80", "-52"),
    "Gn'": ("50", "-112"),
}
"""A face that looks right, in millimetres, y upwards; invented."""


class Spot(NamedTuple):
    """Where a fault was planted: contract table, the row, the column."""

    table: str
    row: Row
    column: str


@dataclass(slots=True)
class FaultyCase:
    """A case that is right in everything until a fault is planted in it."""

    case_id: str  # Its number in the file
    # Table -> its rows. `singles` are values that stand in a file of single values beside a file of one row a
    # case.
    rows: dict[str, list[Row]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        case: Row = {"case_id": self.case_id, "sex": "female", "age_at_start": "12.5", "start_quarter": "2018-Q2"}
        case |= {"selection": "consecutive", "status": "finished", "comparison": "treated"}
        phase: Row = {"case_id": self.case_id, "phase_no": "1", "appliance_category": "fixed_labial"}
        phase |= {"months_from_start": "0", "months_duration": "24"}
        self.rows = {
            "cases": [case],
            "phases": [phase],
            "visits": [],
            "measurements": [],
            "landmarks": [],
            "singles": [],
        }
        self.add_visit("start", "0")
        self.add_visit("finish", "25")
        for timepoint, values in VALUES.items():
            self.read(timepoint, **values)

    @property
    def case(self) -> Row:
        """The row of the case itself."""
        return self.rows["cases"][0]

    @property
    def phase(self) -> Row:
        """The first phase."""
        return self.rows["phases"][0]

    def add_visit(self, timepoint: str, months: str) -> Row:
        """A further visit."""
        visit: Row = {"case_id": self.case_id, "timepoint": timepoint, "months_from_start": months}
        self.rows["visits"].append(visit)
        return visit

    def visit(self, timepoint: str) -> Row:
        """The visit at one time."""
        return next(visit for visit in self.rows["visits"] if visit["timepoint"] == timepoint)

    def add_phase(self, number: str, begin: str, months: str) -> Row:
        """A further phase."""
        phase: Row = {"case_id": self.case_id, "phase_no": number, "appliance_category": "clear_aligner"}
        phase |= {"months_from_start": begin, "months_duration": months}
        self.rows["phases"].append(phase)
        return phase

    def read(self, timepoint: str, *, repeat_no: str = "1", **values: str) -> Row:
        """Values of a reading, added or replaced; gives the row of the last."""
        row: Row = {}
        for measure, value in values.items():
            row = self._value(timepoint, repeat_no, measure)
            row["value"] = value
        return row

    def _value(self, timepoint: str, repeat_no: str, measure: str) -> Row:
        key: Row = {"case_id": self.case_id, "timepoint": timepoint, "measure": measure, "repeat_no": repeat_no}
        for row in self.rows["measurements"]:
            if key.items() <= row.items():
                return row
        self.rows["measurements"].append(key)
        return key

    def trace(self) -> list[Row]:
        """The points of a lateral radiograph at start, as rows."""
        words: Row = {"view": "lateral_radiograph", "unit": "mm", "y_axis": "up", "faces": "right"}
        words |= {"case_id": self.case_id, "timepoint": "start"}
        self.rows["landmarks"] = [words | {"landmark": code, "x": x, "y": y} for code, (x, y) in POINTS.items()]
        return self.rows["landmarks"]

    def point(self, code: str) -> Row:
        """One of the points."""
        return next(row for row in self.rows["landmarks"] if row["landmark"] == code)

    def untold(self, timepoint: str) -> None:
        """Take out everything known of one time."""
        for table in ("visits", "measurements"):
            self.rows[table] = [row for row in self.rows[table] if row["timepoint"] != timepoint]


def wide_name(table: str, row: Row, column: str) -> str:
    """The column of a file of one row a case that holds a cell of a contract table."""
    if table == "phases":
        return f"phase_{row['phase_no']}_{column}"
    if table == "visits":
        return f"{'' if column == 'date' else column + '_'}{row['timepoint']}{'_date' if column == 'date' else ''}"
    if table == "measurements":
        again = "" if row["repeat_no"] == "1" else f"_repeat{row['repeat_no']}"
        return f"{row['measure']}_{row['timepoint']}{again}"
    return column


OF_THE_NAME = {
    "phases": ("case_id", "phase_no"),
    "visits": ("case_id", "timepoint"),
    "measurements": ("case_id", "timepoint", "measure", "repeat_no"),
}
"""Columns that a wide file tells by the name of another column."""


def wide_rows(case: FaultyCase) -> list[Row]:
    """The case as rows of a file of one row a case: one, or one for each row it has in ``cases``."""
    cells: Row = {}
    for table, told in OF_THE_NAME.items():
        for row in case.rows[table]:
            cells |= {wide_name(table, row, name): value for name, value in row.items() if name not in told}
    return [one | cells for one in case.rows["cases"]]


Layout: TypeAlias = Literal["tabular", "wide", "dated", "mixed"]
"""Files a fault can stand in: one file a table; one row a case; the same with dates in place of ages and months; one
row a case with a file of single values beside it."""

Plant: TypeAlias = Callable[[FaultyCase, "np.random.Generator"], list[Spot]]


@dataclass(frozen=True, slots=True)
class PlantedFault:
    """How to break one rule."""

    rule: str  # Id of the rule
    plant: Plant  # Spoils a case and says where
    layouts: tuple[Layout, ...] = ("tabular", "wide")  # Where it can be planted
    measures: tuple[str, ...] = ()  # Measures the catalogue must have
    traced: bool = False  # Whether it stands among the points of a tracing


Edit: TypeAlias = Mapping[str, Any]
"""One change to a case, in the words of ``faults.toml``."""

TABULAR: tuple[Layout, ...] = ("tabular",)
LETTERS = {"cases": "C", "phases": "P", "visits": "V", "measurements": "M", "landmarks": "L"}
ONLY_TABULAR = frozenset({"case_id", "timepoint", "phase_no", "repeat_no", "value"})
"""Columns that a file of one row a case tells by the names of its columns."""


def faults_of_contract(contract: Contract, catalogue: Mapping[str, Measure]) -> Iterator[PlantedFault]:
    """Faults against the rules that follow from the contract and the catalogue."""
    for table in contract.tables:
        for column in table.columns:
            yield from _faults_of_column(table.name, column)
        yield from _faults_of_key(table.name)
    for measure in catalogue.values():
        yield _out_of(measure, "plausible")
        if measure.usual != measure.plausible:
            yield _out_of(measure, "usual")


def _faults_of_column(table: str, column: ContractColumn) -> Iterator[PlantedFault]:
    stem, traced = f"{LETTERS[table]}-{column.name}", table == "landmarks"
    told_by_name = table != "cases" and column.name in ONLY_TABULAR
    layouts: tuple[Layout, ...] = TABULAR if traced or told_by_name or table == "measurements" else ("tabular", "wide")
    if column.required:
        yield PlantedFault(f"{stem}-required", _blank(table, column.name), layouts, traced=traced)
    if column.min is not None and column.max is not None:
        yield PlantedFault(f"{stem}-range", _outside(table, column), layouts, traced=traced)


def _blank(table: str, column: str) -> Plant:
    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        row = case.rows[table][-1]
        row[column] = None
        if table == "phases":
            row["arch"] = "upper"  # so that a phase is still told of in a file of one row a case
        return [Spot(table, row, column)]

    return plant


def _outside(table: str, column: ContractColumn) -> Plant:
    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        low, high = float(column.min or 0.0), float(column.max or 0.0)
        row = case.rows[table][-1]
        row[column.name] = _text(_beyond(low, high, rng))
        return [Spot(table, row, column.name)]

    return plant


def _beyond(low: float, high: float, rng: np.random.Generator) -> float:
    """A whole number outside a range, below or above it."""
    return float(low // 1 - rng.integers(1, 9)) if rng.random() < 0.5 else float(high // 1 + rng.integers(1, 99))


def _text(number: float) -> str:
    return f"{number:g}"


def _faults_of_key(table: str) -> Iterator[PlantedFault]:
    traced = table == "landmarks"
    yield PlantedFault(
        f"X-{table}-key", _twice(table), ("tabular", "wide") if table == "cases" else TABULAR, traced=traced
    )
    if table != "cases":
        yield PlantedFault(f"X-{table}-case", _without_case(table), TABULAR, traced=traced)
        yield PlantedFault(f"X-{table}-case-refused", _with_refused_case(table), TABULAR, traced=traced)


_NUMBERS = ("age_at_start", "months_duration", "months_from_start", "value", "x")


def _twice(table: str) -> Plant:
    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        copy = dict(case.rows[table][-1])
        number = next(name for name in _NUMBERS if copy.get(name))
        copy[number] = (
            f"{float(str(copy[number])):.4f}"  # written otherwise: rows that are the same throughout count once
        )
        case.rows[table].append(copy)
        return [Spot(table, row, "case_id") for row in case.rows[table][-2:]]

    return plant


def _without_case(table: str) -> Plant:
    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        case.rows["cases"] = []
        return [Spot(table, case.rows[table][0], "case_id")]

    return plant


def _with_refused_case(table: str) -> Plant:
    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        case.case["selection"] = None
        return [Spot(table, case.rows[table][0], "case_id")]

    return plant


def _out_of(measure: Measure, kind: Literal["plausible", "usual"]) -> PlantedFault:
    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        # At a time of its own, where nothing else is measured that the value could contradict.
        case.add_visit("follow_up", "50")
        value = _beyond(*measure.plausible, rng) if kind == "plausible" else _unusual(measure, rng)
        return [Spot("measurements", case.read("follow_up", **{measure.code: _text(value)}), "value")]

    return PlantedFault(f"M-{measure.code}-{kind}", plant, measures=(measure.code,))


def _unusual(measure: Measure, rng: np.random.Generator) -> float:
    """A value outside the usual and inside the plausible range."""
    (low, high), (least, most) = measure.usual, measure.plausible
    sides = [(least + low) / 2.0] if least < low else []
    sides += [(most + high) / 2.0] if high < most else []
    value = float(rng.choice(sides))
    return value // 1 if measure.integer_valued else value


def written_faults() -> tuple[PlantedFault, ...]:
    """The faults of ``faults.toml``: one for each rule that is written out."""
    return tuple(
        PlantedFault(
            one["rule"],
            _edited(one["edits"], one.get("spot")),
            one.get("layouts", ("tabular", "wide")),
            tuple(code for edit in one["edits"] for code in edit.get("values", ())),
            traced=one.get("traced", False),
        )
        for one in tomllib.loads(Path(__file__).with_name("faults.toml").read_text(encoding="utf-8"))["fault"]
    )


def _edited(edits: Sequence[Edit], spot: Edit | None) -> Plant:
    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        for edit in edits:
            table, rows = _rows_of(case, edit)
            cells = {name: _drawn(value, rng) for name, value in edit.get("set", {}).items()}
            for row in rows:
                row.update(cells)
            column = edit.get("column") or (list(cells)[-1] if cells else "value")
            if "copy" in edit:
                rows = case.rows[table]
            spots = [Spot(table, row, column) for row in rows]
        if spot is not None:
            table, rows = _rows_of(case, spot)
            spots = [Spot(table, rows[0], spot["column"])]
        return spots

    return plant


def _drawn(value: str | list[str], rng: np.random.Generator) -> str | None:
    if isinstance(value, list):
        value = value[0] if rng.random() < 0.5 else value[1]
    return value or None


def _rows_of(case: FaultyCase, edit: Edit) -> tuple[str, list[Row]]:
    """Makes the change of an edit other than ``set``; gives the table and the rows it is about."""
    match edit:
        case {"table": "visits"}:
            return "visits", [case.visit(edit["at"])]
        case {"table": table}:
            return table, case.rows[table][:1]
        case {"copy": table}:
            case.rows[table].append(dict(case.rows[table][0]))
            return table, case.rows[table][-1:]
        case {"drop": table}:
            case.rows[table] = []
            return table, []
        case {"untold": timepoint}:
            case.untold(timepoint)
            return "visits", []
        case {"visit": (timepoint, months)}:
            return "visits", [case.add_visit(timepoint, months)]
        case {"phase": (number, begin, months)}:
            return "phases", [case.add_phase(number, begin, months)]
        case {"read": timepoint}:
            row = case.read(timepoint, repeat_no=edit.get("repeat_no", "1"), **edit["values"])
            case.rows["singles"] += [dict(row)] if "single" in edit else []
            return "measurements", [row]
        case _:
            return "landmarks", _points_of(case, edit)


def _points_of(case: FaultyCase, edit: Edit) -> list[Row]:
    match edit:
        case {"point": code}:
            return [case.point(code)]
        case {"exchange": (one, other)}:
            rows = [case.point(one), case.point(other)]
            rows[0]["landmark"], rows[1]["landmark"] = other, one
            return rows
        case {"grown": digit}:
            for row in case.rows["landmarks"]:
                row.update(x=f"{row['x']}{digit}", y=f"{row['y']}{digit}")
    return case.rows["landmarks"]


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
