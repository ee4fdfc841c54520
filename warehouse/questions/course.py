"""More than two times: the course of a measure over the months of treatment, and what happens after it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from warehouse.analysis.longitudinal import mixed_model
from warehouse.questions.case_table import column_of
from warehouse.questions.changes import compare_changes
from warehouse.questions.contrast import one_thread
from warehouse.questions.covariates import adjustables
from warehouse.questions.group_names import group_label, single_grouping
from warehouse.questions.measured import measured
from warehouse.selection import Selection
from warehouse.store.quoting import name

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

    from warehouse.analysis.longitudinal import MixedModel
    from warehouse.marts.grouping import Grouping
    from warehouse.marts.reader import Reader
    from warehouse.questions.changes import ChangeComparison
    from warehouse.questions.measured import Measured

GROUP = "group"
MONTHS = "months"
DURING = ("start", "progress", "finish")
"""Times of treatment: after the finish a measure may turn, so one straight line does not serve both."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """The course of a measure over the months of treatment."""

    measure: Measured
    by: Grouping | None  # The grouping; None for one course for all
    selection: Selection  # Which cases
    build: str  # The build read
    growth_reference: str  # Name and provenance of the growth reference in force
    reference: str  # Label of the reference group; empty without groups
    model: MixedModel  # Linear mixed model over months; rates are per month
    adjusted_for: tuple[str, ...]  # What the level is adjusted for, in words
    after: ChangeComparison  # Change from finish to follow-up


def course_of_measure(
    reader: Reader,
    *,
    by: str | None = None,
    measure: str | None = None,
    definition: str | None = None,
    selection: Selection | None = None,
    adjust: Sequence[str] = ("age_at_start", "sex"),
    level: float = 0.95,
) -> Course:
    """Fit the course from start over progress to finish, and compare what happened from finish to follow-up.

    Args:
        reader: An open snapshot.
        by: Name of a grouping in which a case has one group; None for all cases together.
        measure: Code of a measure; the definition's own where None.
        definition: Id of an outcome definition, used only to choose the measure; the headline one where None.
        selection: Which cases; consecutive treated ones where None.
        adjust: Variables that may shift the level.
        level: Level of the intervals.

    Raises:
        RequestError: A name does not exist.
    """
    way, selection = single_grouping(by) if by else None, selection or Selection()
    what = measured(reader, measure, reader.definition(definition))
    items = adjustables(column for column in adjust if column != by)
    frame = _values(reader, what.code, selection, way, [item.name for item in items])
    reference = _largest(frame) if way else ""
    with one_thread():
        model = mixed_model(
            frame.rename({item.name: item.title for item in items}),
            value=what.label,
            time=MONTHS,
            case="case_no",
            group=GROUP if way else None,
            reference=reference or None,
            covariates=[replace(item.covariate, name=item.title) for item in items],
            level=level,
        )
    return Course(
        measure=what,
        by=way,
        selection=selection,
        build=reader.snapshot.build_id,
        growth_reference=reader.growth_reference,
        reference=reference,
        model=model,
        adjusted_for=tuple(item.title for item in items),
        after=_after(reader, by, what.code, selection, adjust, level),
    )


def _after(
    reader: Reader, by: str | None, measure: str, selection: Selection, adjust: Sequence[str], level: float
) -> ChangeComparison:
    return compare_changes(
        reader, by=by, measure=measure, span="finish_to_follow_up", selection=selection, adjust=adjust, level=level
    )


def _values(
    reader: Reader, code: str, selection: Selection, way: Grouping | None, columns: Sequence[str]
) -> pl.DataFrame:
    """One row a value: case_no, months, the value under the measure's label, group label and covariates."""
    import polars as pl

    condition, values = selection.where()
    wanted = dict.fromkeys([*([way.name] if way else []), *columns])
    listed = "".join(f", {column_of(column)} as {name(column)}" for column in wanted)
    times = ", ".join(f"'{time}'" for time in DURING)
    label = reader.connection.value("select label from mart_measures where measure = ?", [code]) or code
    frame = reader.connection.frame(
        f"select mart_cases.case_no, mart_timeline.months_from_start as {MONTHS}, mart_timeline.{name(code)} as value"
        f"{listed} from mart_timeline inner join mart_cases on mart_cases.case_no = mart_timeline.case_no"
        f" where mart_timeline.timepoint in ({times}) and mart_timeline.{name(code)} is not null and {condition}"
        " order by mart_cases.case_no, mart_timeline.months_from_start",
        values,
    ).rename({"value": label})
    if way is None:
        return frame
    codes = frame[way.name].cast(pl.String).drop_nulls().unique().to_list()
    labels = [group_label(reader, way, group) for group in codes]
    named = pl.col(way.name).cast(pl.String)
    if codes:
        named = named.replace_strict(codes, labels, default=None, return_dtype=pl.String)
    return frame.with_columns(named.alias(GROUP))


def _largest(frame: pl.DataFrame) -> str:
    """The group with most cases, the first alphabetically among equals; empty without one."""
    import polars as pl

    sizes = frame.filter(pl.col(GROUP).is_not_null()).group_by(GROUP).agg(pl.col("case_no").n_unique().alias("n"))
    ordered = sizes.sort(["n", GROUP], descending=[True, False])
    return str(ordered[GROUP][0]) if ordered.height else ""
