"""What to spoil so that one rule, and as far as possible no other, is broken."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

from synthetic_data.faulty_case import FaultyCase, Row, Spot

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy as np

    from pipelines.contract.contract import Contract, ContractColumn
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


def _twice(table: str) -> Plant:
    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        copy = dict(case.rows[table][-1])
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


def in_cells(table: str, cells: Mapping[str, str | None], *, at: str = "") -> Plant:
    """Set cells of the case, of its first phase or of a visit; the last of them is the spoilt one."""

    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        row: Row = case.visit(at) if table == "visits" else case.rows[table][0]
        row.update(cells)
        return [Spot(table, row, list(cells)[-1])]

    return plant


def in_values(timepoint: str, /, *, incisors: str = "", **values: str) -> Plant:
    """Set values of one reading; the last of them is the spoilt one."""

    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        if incisors:
            case.case["incisor_class"] = incisors
        return [Spot("measurements", case.read(timepoint, **values), "value")]

    return plant
