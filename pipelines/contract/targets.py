"""Where a column of a file may go: every contract name that a layout knows, with its table, type and codes."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from pipelines.contract.contract import MAX_PHASES, ColumnType, Contract, ContractColumn
from pipelines.contract.delivery import Layout
from warehouse.errors import near_names
from warehouse.measures.landmarks import ALIASES, LANDMARKS
from warehouse.measures.measure import Measure

MEASURE_CODES = "measure"

IN_TURN = "phases_in_turn"
"""Contract name of a column whose cells hold the appliances of all phases in order (``RPE then braces``)."""

RULER = ("ruler_1", "ruler_2")  # two points of a picture, no landmarks, whose distance the mapping states

_WIDE_POINT = re.compile(r"([xy])_(.+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One contract name in one layout."""

    name: str  # The name, such as `sn_gogn_deg_start` or `phase_2_arch`
    table: str  # Contract table it belongs to
    field: str  # Column of that table, or the code of a measure
    type: ColumnType  # Type of the column
    codes: str | None = None  # Name of its code list, or None
    unit: str | None = None  # Unit its numbers are kept in, or None
    required: bool = False  # Whether a file must have it (or the mapping a constant for it)
    timepoint: str | None = None  # For a column of one visit
    phase_no: int | None = None  # For a column of one phase
    measure: bool = False  # Whether it holds readings of the measure `field`
    repeat_no: int = 1  # Which reading of it
    whole: bool = False  # Whether only whole numbers make sense


class Targets:
    """The contract names that a file of one layout may use; ``table`` is for a tabular file."""

    def __init__(
        self, layout: Layout, table: str | None, *, contract: Contract, measures: Mapping[str, Measure]
    ) -> None:
        self.layout = layout
        self.table = "landmarks" if layout == "points" else table
        by_case = layout in ("wide", "long")
        made = _wide(contract, measures) if by_case else _tabular(contract, str(self.table))
        rows = _of_rows(contract, measures) if layout == "long" else ()
        self._by_name: dict[str, Target] = {target.name: target for target in (*made, *rows)}
        self._other_names = _other_names(contract) if by_case else {}

    def find(self, name: str) -> Target | None:
        """The target called ``name``, by its own or its other name, or None."""
        found = self._by_name.get(self._other_names.get(name, name))
        return found or self._repeat(name) or self._point(name)

    def _point(self, name: str) -> Target | None:
        """``x_S`` and ``y_S`` of a file of points that has a column a coordinate."""
        match = _WIDE_POINT.fullmatch(name) if self.layout == "points" else None
        code = ALIASES.get(match[2], match[2]) if match else ""
        if match is None or (code not in LANDMARKS and code not in RULER):
            return None
        return replace(self._by_name[match[1]], name=f"{match[1]}_{code}")

    def _repeat(self, name: str) -> Target | None:
        match = re.fullmatch(r"(.+)_repeat([2-9])", name, flags=re.ASCII)
        first = self._by_name.get(match[1]) if match else None
        if match is None or first is None or not first.measure:
            return None
        return replace(first, name=name, repeat_no=int(match[2]))

    def near(self, name: str) -> str:
        """A phrase offering names close to ``name``, or the empty string."""
        return near_names(name, self._by_name)

    def required(self) -> tuple[Target, ...]:
        """The targets that a file must fill."""
        return tuple(target for target in self if target.required)

    def __iter__(self) -> Iterator[Target]:
        """Every target but those of repeated readings, which add ``_repeat2`` to ``_repeat9``."""
        return iter(self._by_name.values())

    def __contains__(self, name: object) -> bool:
        return isinstance(name, str) and self.find(name) is not None


def date_name(timepoint: str) -> str:
    """The name, in a wide file, of the date of records at a timepoint: ``finish_date``."""
    return f"{timepoint}_date"


def _other_names(contract: Contract) -> dict[str, str]:
    return {f"date_{timepoint}": date_name(timepoint) for timepoint in contract.timepoints} | {
        "age_start": "age_at_start"
    }


def _target(name: str, table: str, column: ContractColumn, *, required: bool = False) -> Target:
    return Target(
        name=name,
        table=table,
        field=column.name,
        type=column.type,
        codes=column.codes,
        unit=column.unit,
        required=required,
        whole=column.type == "integer",
    )


def _wide(contract: Contract, measures: Mapping[str, Measure]) -> Iterator[Target]:
    for column in contract.table("cases").columns:
        yield _target(column.name, "cases", column, required=column.required)
    for column in contract.table("visits").columns:
        if column.wide == "visit":
            yield from _at_timepoints(contract, column)
    for phase_no in range(1, MAX_PHASES + 1):
        for column in contract.table("phases").columns:
            if column.wide == "phase":
                yield replace(_target(f"phase_{phase_no}_{column.name}", "phases", column), phase_no=phase_no)
    yield replace(_target(IN_TURN, "phases", contract.table("phases").column("appliance_category")), field=IN_TURN)
    for measure in measures.values():
        for timepoint in contract.timepoints:
            yield _reading(measure, timepoint)


def _at_timepoints(contract: Contract, column: ContractColumn) -> Iterator[Target]:
    for timepoint in contract.timepoints:
        if column.name == "age" and timepoint == "start":
            continue  # age_at_start is a column of cases
        if column.type != "date":
            yield replace(_target(f"{column.name}_{timepoint}", "visits", column), timepoint=timepoint)
        elif timepoint != "start":  # start_date is a column of cases
            yield replace(_target(date_name(timepoint), "visits", column), timepoint=timepoint)


def _reading(measure: Measure, timepoint: str) -> Target:
    return Target(
        name=f"{measure.code}_{timepoint}",
        table="measurements",
        field=measure.code,
        type="number",
        unit=measure.unit,
        timepoint=timepoint,
        measure=True,
        whole=measure.integer_valued,
    )


def _of_rows(contract: Contract, measures: Mapping[str, Measure]) -> Iterator[Target]:
    """What the rows of a file of several rows a case add: the time, what was recorded then, a measure and its value."""
    for column in contract.table("visits").columns:
        if column.wide or column.name == "timepoint":
            yield _target(column.name, "visits", column)
    for column in contract.table("measurements").columns:
        if column.name in ("measure", "value", "unit", "repeat_no"):
            yield _target(column.name, "measurements", column)
    for measure in measures.values():
        yield replace(_reading(measure, ""), name=measure.code, timepoint=None)


def _tabular(contract: Contract, table: str) -> Iterator[Target]:
    for column in contract.table(table).columns:
        yield _target(column.name, table, column, required=column.required and column.default is None)
