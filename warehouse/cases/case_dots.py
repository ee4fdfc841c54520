"""Every counted case as a dot: the measure at the start and at the finish, and what became of it."""

from collections.abc import Callable, Container, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

import polars as pl

from warehouse.marts.outcome_sql import COUNTED, outcomes_of
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import SPANS, ChangePart, Definition
from warehouse.repeats.error_band import ErrorBand, error_band
from warehouse.selection import Selection
from warehouse.store.quoting import name as checked
from warehouse.store.quoting import statement

MOST_DOTS = 2_000
"""Dots drawn at most. Beyond that, the cases with the lowest keyed hash are drawn: a random choice that stays."""

WHOLE = "all counted"
SHOWN_KEY = 10  # characters of a case's keyed hash shown on screens: enough to tell a hundred thousand cases apart


@dataclass(frozen=True, slots=True)
class CoursePart:
    """Means of some cases at the two times, in the unit of the measure."""

    name: str  # Which cases: all counted, adverse, not adverse
    n: int
    start: float
    finish: float
    expected: float | None  # At the finish, had ordinary growth alone been at work; None without a growth curve


@dataclass(frozen=True, slots=True)
class MeanCourse:
    """The measure of a definition from start to finish: all counted cases first, then by class or practice."""

    label: str
    unit: str
    rows: tuple[CoursePart, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaseDots:
    """Cases to draw."""

    definition: Definition  # The definition that calls them adverse or not
    part: ChangePart  # Its change part
    measure: str  # Code of the measure drawn; `label` and `unit` name it
    label: str
    unit: str
    # One row a case: case (shortened hash), practice, sex, age_at_start, appliance, months, before, after,
    # expected (null without a growth curve), beyond (change beyond expectation, more is worse), status
    frame: pl.DataFrame
    n: int  # Cases counted; `n_drawn` of them are in the frame
    n_other: int  # Cases counted by an alternative measure, which is not drawn
    expected: float | None  # Middle expected change of the cases that have one; None without growth curve
    band: ErrorBand  # Measuring error
    course: MeanCourse | None  # Their means from start to finish, of all and by class

    @property
    def n_drawn(self) -> int:
        """Cases drawn."""
        return self.frame.height

    @property
    def times(self) -> tuple[str, str]:
        """The two times compared, as named on screens."""
        first, second = SPANS[self.part.span]
        return first.replace("_", "-"), second.replace("_", "-")


def mean_course(
    reader: Reader, *, selection: Selection, definition: str | None = None, by: Literal["status", "practice"] = "status"
) -> MeanCourse | None:
    """Mean start, finish and expected finish; None where :func:`case_dots` has nothing to draw, or nobody."""
    chosen = reader.definition(definition)
    found = _measured(reader, chosen)
    if found is None:
        return None
    label, unit = reader.connection.rows("select label, unit from mart_measures where measure = ?", [found[1]])[0]
    return _course(label, unit, _classes(reader, *_counted(chosen, *found, selection), by))


def _classes(reader: Reader, source: str, values: list[object], by: str) -> list[tuple[Any, ...]]:
    """The classes of the cases counted, all together first."""
    query = statement(__package__, "case_classes.sql", source=source, by=by, whole=WHOLE)
    return sorted(reader.connection.rows(query, values), key=lambda row: row[0] != WHOLE)


def _course(label: str, unit: str, classes: Sequence[tuple[Any, ...]]) -> MeanCourse | None:
    rows = tuple(CoursePart(name, int(n), *means) for name, n, *means, _, _ in classes if n)
    return MeanCourse(label, unit, rows) if rows else None


def _measured(reader: Reader, chosen: Definition) -> tuple[ChangePart, str, set[str]] | None:
    """The change of a definition and the first of its measures that was ever read."""
    part = chosen.single_change
    columns = set(reader.connection.columns("mart_spans"))
    measure = next((one for one in part.measures if f"{one}__before" in columns), None) if part else None
    return None if part is None or measure is None else (part, measure, columns)


def case_dots(
    reader: Reader, *, selection: Selection, definition: str | None = None, most: int = MOST_DOTS
) -> CaseDots | None:
    """The cases counted under a definition; None where it has no single change, or its measure was never read."""
    chosen = reader.definition(definition)
    measured = _measured(reader, chosen)
    if measured is None:
        return None
    part, measure, _ = measured
    counted = partial(_counted, chosen, *measured, selection)
    (_, n_with, *_, n, middle), *_ = classes = _classes(reader, *counted(), "status")
    label, unit = reader.connection.rows("select label, unit from mart_measures where measure = ?", [measure])[0]
    return CaseDots(
        definition=chosen,
        part=part,
        measure=measure,
        label=label,
        unit=unit,
        frame=_drawn(reader, counted, most, of=int(n_with or 0)),
        n=n,
        n_other=n - int(n_with or 0),
        expected=middle,
        band=error_band(reader, measure=measure, selection=selection),
        course=_course(label, unit, classes),
    )


def _counted(
    definition: Definition, part: ChangePart, measure: str, columns: Container[str], selection: Selection, few: str = ""
) -> tuple[str, list[object]]:
    """SQL of the cases counted, and its parameters; ``columns`` are those of ``mart_spans``.

    With ``few`` (SQL of which cases) DuckDB is told to find these first, and looks up their spans alone.
    """
    condition, values = selection.where()
    sign = 1 if part.direction == "rise" else -1
    code = checked(measure)
    expected = f"mart_spans.{code}__expected" if f"{code}__expected" in columns else "cast(null as double)"
    source = statement(
        __package__,
        "case_dots.sql",
        code=code,
        expected=expected,
        cases=f"(select * from mart_cases where {condition} and {few}) as mart_cases" if few else "mart_cases",
        counted=str(COUNTED),
        sign=str(sign),
        outcomes=outcomes_of(definition),
        condition=condition,
    )
    return source, [*(values if few else []), part.span, *values]


def _drawn(reader: Reader, counted: Callable[..., tuple[str, list[object]]], most: int, *, of: int) -> pl.DataFrame:
    """The cases to draw, those of the lowest keyed hash.

    Hashes are spread evenly: looked at are those below a bound that leaves half as many again, or all if too few.
    """
    frame = pl.DataFrame()
    if of > 2 * most:
        below = f"case_key < '{int(1.5 * most / of * 16**8):08x}' order by case_key limit {10 * most}"
        frame = _lowest(reader, *counted(few=below), most)
    if frame.height < most:
        frame = _lowest(reader, *counted(), most)
    labels = {code: reader.label("appliance_category", code) for code in frame["appliance"].drop_nulls().unique()}
    return frame.with_columns(frame["appliance"].replace(labels))


def _lowest(reader: Reader, source: str, values: list[object], most: int) -> pl.DataFrame:
    return reader.connection.frame(
        f"select substring(case_key, 1, {SHOWN_KEY}) as case, * exclude (case_key, is_drawn)"
        f" from ({source}) as counted where is_drawn order by case_key limit {int(most)}",
        values,
    )
