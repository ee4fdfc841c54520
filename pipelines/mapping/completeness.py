"""Whether what a mapping fills is enough, and whether anything is filled from two sources."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from pipelines.contract.targets import Target, Targets

_LEAVE_OUT = "map one of them and put the other in [ignored]"


def missing_required(filled: Iterable[Target], targets: Targets) -> list[Target]:
    """The required targets that nothing fills."""
    names = {target.name for target in filled}
    return [target for target in targets.required() if target.name not in names]


def check_sources(filled: Sequence[Target]) -> Iterator[tuple[str, str, str]]:
    """(name, what is wrong, what to do) for values that come from two sources, or from a date that cannot be used."""
    names = {target.name for target in filled}
    if {"age_at_start", "birth_date"} <= names:
        yield "birth_date", "the age at start would come from two columns, age_at_start and birth_date", _LEAVE_OUT
    if {"start_quarter", "start_date"} <= names:
        yield (
            "start_date",
            "the quarter of the start would come from two columns, start_quarter and start_date",
            _LEAVE_OUT,
        )
    if "birth_date" in names and "start_date" not in names:
        remedy = "map the date of the start records as start_date, or give age_at_start"
        yield "birth_date", "a date of birth is turned into an age by start_date, and nothing goes to that", remedy
    for target in filled:
        if target.type == "date" and target.table == "visits":
            yield from _visit_date(target, names)


def _visit_date(target: Target, names: set[str]) -> Iterator[tuple[str, str, str]]:
    months = f"months_from_start_{target.timepoint}" if target.timepoint else "months_from_start"
    if months in names:
        yield target.name, f"the time would come from two columns, {target.name} and {months}", _LEAVE_OUT
    if target.timepoint and "start_date" not in names:
        remedy = f"map the date of the start records as start_date, or give {months}"
        yield target.name, "this date is turned into months by start_date, and nothing goes to that", remedy
