"""What was taken to be so while a file was interpreted, for the user and the load record."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from pipelines.contract.delivery import ReadingAssumption

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pipelines.cells.understood import Understood
    from pipelines.interpreting.derived import DerivedValue
    from pipelines.mapping.column_mapping import ColumnMapping


def remarks_on(
    mapping: ColumnMapping, read: Mapping[str, Understood], derived: DerivedValue
) -> Iterator[ReadingAssumption]:
    """Columns left out, constants, units, spellings for "not known", and what became of dates and old ages."""
    stated = "the mapping file says so"
    if mapping.ignored:
        n = len(mapping.ignored)
        yield ReadingAssumption("columns left out", f"{n} {'column' if n == 1 else 'columns'}", stated)
    for name, constant in mapping.constants.items():
        yield ReadingAssumption(f"{name} of every row", str(constant.value), stated)
    for column, unit in mapping.units.items():
        yield ReadingAssumption(f'unit of "{column}"', unit, stated)
    yield from _blanks(read)
    if "start_date" in read:
        yield ReadingAssumption("dates", "an age, a quarter and months from start", "full dates are not kept")
    if derived.n_capped:
        yield ReadingAssumption(
            "age at start", f"{derived.n_capped} above 90 kept as 90", "older ages single out a person"
        )


def _blanks(read: Mapping[str, Understood]) -> Iterator[ReadingAssumption]:
    counts: Counter[str] = Counter()
    for understood in read.values():
        counts.update(understood.blanks)
    for spelling, count in sorted(counts.items()):
        cells = "cell" if count == 1 else "cells"
        yield ReadingAssumption(
            f'"{spelling}" in {count} {cells}', "not known", "the contract or the mapping lists it as missing"
        )
