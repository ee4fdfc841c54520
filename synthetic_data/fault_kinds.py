"""What to spoil so that one rule, and as far as possible no other, is broken."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np

from pipelines.contract.contract import Contract, ContractColumn
from synthetic_data.faulty_case import FaultyCase, Row, Spot
from synthetic_data.stated import stated
from warehouse.measures.measure import Measure

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
        for one in stated("faults.toml")["fault"]
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


def _drawn(value: str | tuple[str, str], rng: np.random.Generator) -> str | None:
    if isinstance(value, tuple):
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
