"""How much faces changed, group by group, as a number beside any share adverse; and the course over several times."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import polars as pl

from warehouse.analysis.ancova import Ancova, ancova
from warehouse.analysis.change import mean_change, median_change, quantile_picture
from warehouse.analysis.design import numbers
from warehouse.analysis.longitudinal import MixedModel, mixed_model
from warehouse.analysis.multiplicity import Comparisons, adjust_p_values
from warehouse.marts.grouping import Grouping, check_group, group_label, in_order
from warehouse.marts.reader import Reader
from warehouse.plans.covariates import Adjustable, adjustables
from warehouse.plans.planned_or_explored import Standing, stand
from warehouse.plans.question import Question, Stamped, stamp_of
from warehouse.questions.beside import ALL
from warehouse.questions.case_table import Measured, change_table, column_of, measured
from warehouse.questions.contrast import model_covariates, one_thread
from warehouse.results import Caution, Estimate
from warehouse.selection import Selection
from warehouse.store.quoting import name, statement

USUAL_ADJUSTMENT = ("age_at_start", "sex")
"""What a comparison of changes is adjusted for besides the start, unless something else is asked for."""

GROUP = "group"
MONTHS = "months"

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
class ChangeComparison(Stamped):
    """Changes of one measure by group."""

    measure: Measured
    span: str  # The two times
    by: Grouping | None  # The grouping; None for all cases together
    groups: tuple[GroupChange, ...]  # One a group, in order
    reference: str | None  # Label of the reference group; None without a case or without groups
    covariance: Ancova | None  # Groups compared at the later time given the earlier one; None likewise
    corrected: Comparisons  # P values of these comparisons, corrected for their number
    adjusted_for: tuple[str, ...]  # What that is adjusted for, in words
    picture: pl.DataFrame  # Deciles of the change in every group (by label), as `quantile_picture` gives them
    without_group: int  # Cases read at both times whose group is not known
    standing: Standing  # Planned or explored
    cautions: tuple[Caution, ...]  # What to keep in mind


def compare_changes(reader: Reader, question: Question) -> ChangeComparison:
    """Mean, median and deciles of a change in every group, and the groups compared by analysis of covariance.

    The definition serves only to choose the measure where none is named. Raises RequestError: the measure or the
    reference does not exist, or a case can be in several groups.
    """
    stamp, way, level = stamp_of(reader, question), question.single_way, question.level
    what = measured(reader, question.measure, stamp.definition)
    items = _adjusted_for(question)
    columns = [*([way.name] if way else []), *(item.name for item in items)]
    table = change_table(reader, measure=what.code, span=question.span, selection=stamp.selection, columns=columns)
    labels, frame = _labelled(reader, table, way)
    base = _reference(question, frame, labels) if way else None
    compared = [code for code in labels if base is not None and code != base]
    asked = replace(question, measure=what.code, adjust=_adjust(question))
    covariance = _covariance(frame, labels[base], items, level) if base else None
    differences = covariance.differences if covariance else ()
    return ChangeComparison(
        stamp=stamp,
        measure=what,
        span=question.span,
        by=way,
        groups=tuple(_group_change(frame, code, label, what.unit, level) for code, label in labels.items()),
        reference=labels[base] if base else None,
        covariance=covariance,
        corrected=adjust_p_values(
            [one.p_value for one in differences], names=list(covariance.groups[1:]) if covariance else []
        ),
        adjusted_for=tuple(item.title for item in items),
        picture=quantile_picture(frame, change="change", group=GROUP, level=level),
        without_group=table.height - frame.height,
        standing=stand(reader, [replace(asked, first=code, second=str(base)) for code in compared]),
        cautions=_cautions(what, frame),
    )


def _adjust(question: Question) -> tuple[str, ...]:
    return USUAL_ADJUSTMENT if question.adjust is None else question.adjust


def _adjusted_for(question: Question) -> tuple[Adjustable, ...]:
    return adjustables(column for column in _adjust(question) if column != question.by)


def _labelled(reader: Reader, table: pl.DataFrame, way: Grouping | None) -> tuple[dict[str, str], pl.DataFrame]:
    """Code -> label of the groups with a case, in order; and the cases whose group is known, with their label."""
    if way is None:
        return {ALL: ALL}, table.with_columns(pl.lit(ALL).alias(GROUP))
    table = table.with_columns(pl.col(way.name).cast(pl.String))
    column = pl.col(way.name)
    frame = table.filter(column.is_not_null())
    sizes = dict(frame.group_by(column.alias(GROUP)).len().iter_rows())
    labels = {code: group_label(reader, way, code) for code in in_order(way, sizes)}
    named = column.replace_strict(list(labels), list(labels.values()), default=None, return_dtype=pl.String)
    return labels, frame.with_columns(named.alias(GROUP))


def _reference(question: Question, frame: pl.DataFrame, labels: Mapping[str, str]) -> str | None:
    if question.reference:
        check_group(question.by, question.reference, present=labels)
        return question.reference if question.reference in labels else None
    sizes = dict(frame.group_by(GROUP).len().iter_rows())
    return max(labels, key=lambda code: sizes[labels[code]], default=None)


def _group_change(frame: pl.DataFrame, code: str, label: str, unit: str, level: float) -> GroupChange:
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
    titles = {item.name: item.title for item in items}
    with one_thread():
        return ancova(
            frame.rename({**titles, "before": _START, "after": _FINISH}),
            before=_START,
            after=_FINISH,
            group=GROUP,
            reference=reference,
            covariates=model_covariates([item.name for item in items]),
            level=level,
        )


def _cautions(what: Measured, frame: pl.DataFrame) -> tuple[Caution, ...]:
    found = [Caution("approximation", "compared_from_same_start")] if frame[GROUP].n_unique() > 1 else []
    if frame.height and frame["expected"].null_count() == frame.height:
        found.append(Caution("approximation", "no_growth_curve", {"label": what.label}))
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course(Stamped):
    """The course of a measure over the months of treatment."""

    measure: Measured
    by: Grouping | None  # The grouping; None for one course for all
    reference: str  # Label of the reference group; empty without groups
    model: MixedModel  # Linear mixed model over months; rates are per month
    adjusted_for: tuple[str, ...]  # What the level is adjusted for, in words
    after: ChangeComparison  # Change from finish to follow-up


def course_of_measure(reader: Reader, question: Question) -> Course:
    """Fit the course from start over progress to finish, and compare what happened from finish to follow-up.

    The definition serves only to choose the measure where none is named. Raises RequestError: the measure does not
    exist, or a case can be in several groups.
    """
    stamp, way = stamp_of(reader, question), question.single_way
    what = measured(reader, question.measure, stamp.definition)
    items = _adjusted_for(question)
    frame = _values(reader, what, stamp.selection, way, [item.name for item in items])
    reference = _largest(frame) if way else ""
    with one_thread():
        model = mixed_model(
            frame.rename({item.name: item.title for item in items}),
            value=what.label,
            time=MONTHS,
            case="case_no",
            group=GROUP if way else None,
            reference=reference or None,
            covariates=model_covariates([item.name for item in items]),
            level=stamp.level,
        )
    after = replace(question, measure=what.code, span="finish_to_follow_up", definition="", reference="")
    return Course(
        stamp=stamp,
        measure=what,
        by=way,
        reference=reference,
        model=model,
        adjusted_for=tuple(item.title for item in items),
        after=compare_changes(reader, after),
    )


def _values(
    reader: Reader, what: Measured, selection: Selection, way: Grouping | None, columns: Sequence[str]
) -> pl.DataFrame:
    """One row a value until the finish, after which a measure may turn; the value is called as the measure is."""
    condition, values = selection.where()
    wanted = dict.fromkeys([*([way.name] if way else []), *columns])
    listed = "".join(f", {column_of(column)} as {name(column)}" for column in wanted)
    query = statement(__package__, "course.sql", code=name(what.code), columns=listed, condition=condition)
    frame = reader.connection.frame(query, values).rename({"value": what.label})
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
    sizes = frame.filter(pl.col(GROUP).is_not_null()).group_by(GROUP).agg(pl.col("case_no").n_unique().alias("n"))
    ordered = sizes.sort(["n", GROUP], descending=[True, False])
    return str(ordered[GROUP][0]) if ordered.height else ""
