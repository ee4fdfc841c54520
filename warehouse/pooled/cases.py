"""The cases of one practice as a group knows them: agreed variables and agreed outcomes, nothing else."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import polars as pl

from warehouse.disclosure.hierarchy import MISSING, Hierarchy
from warehouse.errors import GroupError
from warehouse.marts.grouping import GROUPINGS
from warehouse.marts.reader import Reader
from warehouse.marts.steps import STEPS
from warehouse.outcomes.definition import Definition
from warehouse.outcomes.registry import definition_to_dict
from warehouse.pooled.agreement import Agreement, growth_digest
from warehouse.pooled.variables import ADVERSE, KNOWN_VARIABLES, NOT_ADVERSE, NOT_DUE, NOT_KNOWN, year_group
from warehouse.selection import Selection
from warehouse.store.quoting import statement

CASE_KEY = "case_key"


def result_column(outcome: str) -> str:
    """The column that holds what a case has under a definition."""
    return f"result_{outcome}"


def columns_of(agreement: Agreement) -> tuple[str, ...]:
    """Columns of a case-level contribution: the variables, then the results."""
    return (*(one.name for one in agreement.variables), *(result_column(one) for one in agreement.outcomes))


@dataclass(frozen=True, slots=True, eq=False)
class GroupCases:
    """The cases of a practice."""

    # One case a row: the variables at their finest and the results, all texts; nothing names a case
    frame: pl.DataFrame
    # Outcome -> case key -> digest of all that any group could know of the case and of its result. Two that
    # differ are two versions of a case. It does not depend on the agreement.
    versions: Mapping[str, Mapping[str, str]]
    # Outcome -> case key -> change, of the cases counted under a definition that looks at a single change; more
    # is worse. Only their number, mean and variance ever leave.
    values: Mapping[str, Mapping[str, float]] = field(default_factory=lambda: MappingProxyType({}))


def group_cases(reader: Reader, agreement: Agreement, *, practice: str) -> GroupCases:
    """The consecutive treated cases of a practice, by the very methods the group agreed on."""
    check_same_methods(reader, agreement)
    frame = known_cases(reader, agreement.outcomes, Selection(filters={"practice": (practice,)}))
    versions = {outcome: versions_in(frame, outcome) for outcome in agreement.outcomes}
    made = [_values(frame[one.name], one) for one in agreement.variables]
    changes = {outcome: _changes(reader, agreement.definition(outcome), practice) for outcome in agreement.outcomes}
    return GroupCases(
        frame.with_columns(made).select(columns_of(agreement)), MappingProxyType(versions), MappingProxyType(changes)
    )


def known_cases(reader: Reader, outcomes: Sequence[str], selection: Selection) -> pl.DataFrame:
    """The cases selected with ``KNOWN_VARIABLES``, a result and a step under each outcome, sorted by case key."""
    condition, values = selection.where()
    listed = "".join(f", mart_cases.{GROUPINGS[name].column} as {name}" for name in KNOWN_VARIABLES)
    frame = reader.connection.frame(
        f"select mart_cases.case_no, mart_cases.case_key{listed} from mart_cases where {condition}", values
    )
    for outcome in outcomes:
        frame = frame.join(_results(reader, outcome), on="case_no", how="left")
    return frame.sort(CASE_KEY)


def _changes(reader: Reader, definition: Definition, practice: str) -> dict[str, float]:
    """Case key -> change, of the cases counted; rounded to what can be told from noise of the arithmetic."""
    part = definition.single_change
    if part is None:
        return {}
    condition, values = Selection(filters={"practice": (practice,)}).where()
    rows = reader.connection.rows(statement(__package__, "changes.sql", where=condition), [definition.id, *values])
    sign = -1.0 if part.direction == "fall" else 1.0
    return {str(key): round(sign * float(value), 6) for key, value in rows}


def versions_in(frame: pl.DataFrame, outcome: str) -> dict[str, str]:
    """Case key -> digest of the case as it stands."""
    parts = [pl.col(name).cast(pl.String).fill_null("") for name in (*KNOWN_VARIABLES, result_column(outcome))]
    texts = frame.select(pl.concat_str(parts, separator="\x1f").alias("text"))["text"].to_list()
    keys = frame[CASE_KEY].to_list()
    digests = {text: hashlib.sha256(text.encode()).hexdigest()[:12] for text in set(texts)}  # few differ
    return dict(zip(keys, map(digests.__getitem__, texts), strict=True))


def _results(reader: Reader, outcome: str) -> pl.DataFrame:
    not_due = [step for step, meaning in STEPS.items() if not meaning.is_due]
    frame = reader.connection.frame(
        "select case_no, cast(status as varchar) as status, cast(step as varchar) as step"
        " from mart_outcomes where definition_id = ?",
        [outcome],
    )
    result = (
        pl.when(pl.col("status").is_in([ADVERSE, NOT_ADVERSE]))
        .then("status")
        .when(pl.col("step").is_in(not_due))
        .then(pl.lit(NOT_DUE))
        .otherwise(pl.lit(NOT_KNOWN))
    )
    return frame.select("case_no", result.alias(result_column(outcome)), pl.col("step").alias(f"step_{outcome}"))


def _values(column: pl.Series, hierarchy: Hierarchy) -> pl.Series:
    if hierarchy.name == "start_year":
        known = {year: year_group(year, hierarchy.base) for year in column.unique().to_list()}
        return pl.Series(column.name, [known[year] for year in column.to_list()], dtype=pl.String)
    text = column.cast(pl.String).fill_null(MISSING)
    return text.to_frame().select(
        pl.when(pl.col(column.name).is_in(list(hierarchy.base))).then(column.name).otherwise(pl.lit(MISSING))
    )[column.name]


def check_same_methods(reader: Reader, agreement: Agreement) -> None:
    """Refuse a warehouse that counts by other definitions or another growth reference than the group agreed on."""
    mine = {one.id: one for one in reader.registry.definitions}
    for agreed in agreement.definitions:
        own = mine.get(agreed.id)
        if own is None or definition_to_dict(own) != definition_to_dict(agreed):
            found = f"the group agreed on {agreed.name}; this warehouse has {own.name if own else 'no such definition'}"
            raise GroupError(
                found if own is None or own.name != agreed.name else f"{found}, worded differently",
                expected="the same definitions in every practice",
                remedy="add the group's definition with `menton definitions --add`, or ask for a new agreement",
            )
    rows = reader.connection.rows(
        "select measure, sex, ages, means, slope_sd, slope_se, reference_id, version from mart_growth"
    )
    names = {f"{row[6]} v{row[7]}" for row in rows}
    name = " and ".join(sorted(names)) or "none"
    if growth_digest(name, [row[:6] for row in rows]) != agreement.growth_digest:
        found = f"the group agreed on the growth reference {agreement.growth_name}; this warehouse uses {name}"
        if name == agreement.growth_name:
            found += " with other values"
        raise GroupError(found, remedy="choose the group's reference with `menton growth`, or ask for a new agreement")
