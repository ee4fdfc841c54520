"""How much faces changed, group by group: the change as a number beside any share adverse."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from warehouse.analysis.ancova import ancova
from warehouse.analysis.change import mean_change, median_change, quantile_picture
from warehouse.analysis.design import numbers
from warehouse.marts.grouping import in_order
from warehouse.plans.planned_or_explored import stand
from warehouse.plans.question import Question
from warehouse.questions.contrast import one_thread
from warehouse.questions.covariates import adjustables
from warehouse.questions.group_names import check_group, group_label, single_grouping
from warehouse.questions.measured import change_table, measured
from warehouse.questions.shares import ALL
from warehouse.results import Caution
from warehouse.selection import Selection

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import polars as pl

    from warehouse.analysis.ancova import Ancova
    from warehouse.marts.grouping import Grouping
    from warehouse.marts.reader import Reader
    from warehouse.plans.planned_or_explored import Standing
    from warehouse.questions.covariates import Adjustable
    from warehouse.questions.measured import Measured
    from warehouse.results import Estimate

USUAL_ADJUSTMENT = ("age_at_start", "sex")
"""What a comparison of changes is adjusted for besides the start, unless something else is asked for."""

GROUP = "group"
_START, _FINISH = "value at the start", "value at the finish"


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupChange:
    """The changes in one group."""

    group: str  # Code of the group; `label` is its name
    label: str
    n: int  # Cases read at both times
    mean_start: float | None  # Mean at the earlier time; None without a case
    mean_months: float | None  # Mean time between the two; None where no time is known
    mean: Estimate  # Mean change
    median: Estimate  # Median change
    # Mean change beyond that expected of an untreated child; value None where the growth reference has no curve
    beyond_growth: Estimate


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChangeComparison:
    """Changes of one measure by group."""

    measure: Measured
    span: str  # The two times
    by: Grouping | None  # The grouping; None for all cases together
    selection: Selection  # Which cases
    build: str  # The build read
    growth_reference: str  # Name and provenance of the growth reference in force
    groups: tuple[GroupChange, ...]  # One a group, in order
    reference: str | None  # Label of the reference group; None without a case or without groups
    covariance: Ancova | None  # Groups compared at the later time given the earlier one; None likewise
    adjusted_for: tuple[str, ...]  # What that is adjusted for, in words
    picture: pl.DataFrame  # Deciles of the change in every group (by label), as `quantile_picture` gives them
    without_group: int  # Cases read at both times whose group is not known
    standing: Standing  # Planned or explored
    cautions: tuple[Caution, ...]  # What to keep in mind
    level: float  # Level of the intervals


def compare_changes(
    reader: Reader,
    *,
    by: str | None,
    measure: str | None = None,
    span: str = "start_to_finish",
    definition: str | None = None,
    selection: Selection | None = None,
    adjust: Sequence[str] = USUAL_ADJUSTMENT,
    reference: str | None = None,
    level: float = 0.95,
) -> ChangeComparison:
    """Mean, median and deciles of a change in every group, and the groups compared by analysis of covariance.

    Args:
        reader: An open snapshot.
        by: Name of a grouping in which a case has one group; None for all cases together.
        measure: Code of a measure; the definition's own where None.
        span: Which two times.
        definition: Id of an outcome definition, used only to choose the measure; the headline one where None.
        selection: Which cases; consecutive treated ones where None.
        adjust: Variables the covariance analysis is adjusted for besides the earlier value.
        reference: Code of the reference group; the largest where None.
        level: Level of the intervals.

    Raises:
        RequestError: A name does not exist.
    """
    way, selection = single_grouping(by) if by else None, selection or Selection()
    what = measured(reader, measure, reader.definition(definition))
    items = adjustables(column for column in adjust if column != by)
    columns = [*([by] if by else []), *(item.name for item in items)]
    table = change_table(reader, measure=what.code, span=span, selection=selection, columns=columns)
    labels, frame = _labelled(reader, table, way)
    base = _reference(by, frame, labels, reference) if by else None
    compared = [code for code in labels if base is not None and code != base]
    renamed = frame.rename({item.name: item.title for item in items})
    return ChangeComparison(
        measure=what,
        span=span,
        by=way,
        selection=selection,
        build=reader.snapshot.build_id,
        growth_reference=reader.growth_reference,
        groups=tuple(_group_change(frame, code, label, what.unit, level) for code, label in labels.items()),
        reference=labels[base] if base else None,
        covariance=_covariance(renamed, labels[base], items, level) if base else None,
        adjusted_for=tuple(item.title for item in items),
        picture=quantile_picture(frame, change="change", group=GROUP, level=level),
        without_group=table.height - frame.height,
        standing=stand(reader, _questions(what, span, by or "", compared, str(base), selection, adjust)),
        cautions=_cautions(what, frame),
        level=level,
    )


def _labelled(reader: Reader, table: pl.DataFrame, way: Grouping | None) -> tuple[dict[str, str], pl.DataFrame]:
    """Code -> label of the groups with a case, in order; and the cases whose group is known, with their label."""
    import polars as pl

    if way is None:
        return {ALL: ALL}, table.with_columns(pl.lit(ALL).alias(GROUP))
    table = table.with_columns(pl.col(way.name).cast(pl.String))
    column = pl.col(way.name)
    frame = table.filter(column.is_not_null())
    sizes = dict(frame.group_by(column.alias(GROUP)).len().iter_rows())
    labels = {code: group_label(reader, way, code) for code in in_order(way, sizes)}
    named = column.replace_strict(list(labels), list(labels.values()), default=None, return_dtype=pl.String)
    return labels, frame.with_columns(named.alias(GROUP))


def _reference(by: str, frame: pl.DataFrame, labels: Mapping[str, str], wanted: str | None) -> str | None:
    if wanted is not None:
        check_group(by, wanted, present=labels)
        return wanted if wanted in labels else None
    sizes = dict(frame.group_by(GROUP).len().iter_rows())
    return max(labels, key=lambda code: sizes[labels[code]], default=None)


def _group_change(frame: pl.DataFrame, code: str, label: str, unit: str, level: float) -> GroupChange:
    import polars as pl

    part = frame.filter(pl.col(GROUP) == label)
    changes = numbers(part["change"])
    return GroupChange(
        group=code,
        label=label,
        n=part.height,
        mean_start=_mean(part["before"]),
        mean_months=_mean(part["months"]),
        mean=mean_change(changes, unit=unit, level=level),
        median=median_change(changes, unit=unit, level=level),
        beyond_growth=mean_change(changes - numbers(part["expected"]), unit=unit, level=level),
    )


def _mean(column: pl.Series) -> float | None:
    found = column.drop_nulls().mean()
    return found if isinstance(found, float) else None


def _covariance(frame: pl.DataFrame, reference: str, items: Sequence[Adjustable], level: float) -> Ancova:
    covariates = [replace(item.covariate, name=item.title) for item in items]
    with one_thread():
        return ancova(
            frame.rename({"before": _START, "after": _FINISH}),
            before=_START,
            after=_FINISH,
            group=GROUP,
            reference=reference,
            covariates=covariates,
            level=level,
        )


def _questions(
    what: Measured, span: str, by: str, compared: Sequence[str], base: str, selection: Selection, adjust: Sequence[str]
) -> list[Question]:
    outcome = f"change of {what.code}, {span}"
    return [
        Question(outcome=outcome, by=by, first=code, second=base, selection=selection, adjust=tuple(adjust))
        for code in compared
    ]


def _cautions(what: Measured, frame: pl.DataFrame) -> tuple[Caution, ...]:
    found = [Caution("approximation", "compared_from_same_start")] if frame[GROUP].n_unique() > 1 else []
    if frame.height and frame["expected"].null_count() == frame.height:
        found.append(Caution("approximation", "no_growth_curve", {"label": what.label}))
    return tuple(found)
