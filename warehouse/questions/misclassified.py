"""How surely a case went adverse: beside the plain yes or no, the probability that it truly passed the threshold.

A reading has an error, and a child's own growth is not exactly that of the reference. For a definition made of one
change, every counted case gets the probability that its true change, less what ordinary growth would have done for
that child, exceeds the threshold. The probabilities of a group add up to the share adverse to expect once
misclassification is allowed for (``warehouse.analysis.misclassification``).

The error of one reading is that of the practice's own repeats where there are enough, else the catalogue's. Where the
definition takes growth off, two questions differ. Did the change truly go beyond the threshold by more than the mean
growth of the reference? Then only measuring error counts. Did it go beyond by more than this child would have grown
anyway? Then the spread between children and the doubt about the mean of the reference come on top. Both are answered.
A case whose error is not known by either way is left out and counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from warehouse.analysis.misclassification import ExpectedShare, exceedance, expected_share
from warehouse.marts.grouping import Grouping, group_expression, in_order, membership_join
from warehouse.marts.reader import Reader
from warehouse.measures.catalogue import CATALOGUE
from warehouse.outcomes.definition import ChangePart, Definition
from warehouse.plans.question import Question, Stamped, stamp_of
from warehouse.questions.shares import ALL
from warehouse.results import Caution
from warehouse.selection import Selection
from warehouse.store.quoting import SETTLED_DIGITS, name, statement

_FRAME = {
    "case_no": pl.Int64,
    "case_key": pl.String,
    "practice": pl.String,
    "measure": pl.String,
    "change": pl.Float64,
    "error_sd": pl.Float64,
    "growth_sd": pl.Float64,
    "is_adverse": pl.Boolean,
    "probability": pl.Float64,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupSurety:
    """One group: the share to expect, beside the share counted by the definition."""

    group: str  # Code of the group; `label` is its name on screens
    label: str
    n_adverse: int  # Cases adverse by the definition, as in the rate
    n: int  # Cases counted
    # What the probabilities add up to, measuring error and growth of single children allowed for. Its own
    # `counted` compares with the threshold alone; a margin for measuring error that the definition asks for is
    # not in it.
    share: ExpectedShare
    by_error_alone: ExpectedShare  # The same with measuring error alone, growth taken to be the reference's mean


@dataclass(frozen=True, slots=True)
class ErrorSources:
    """Cases by where the error of one reading comes from."""

    own: int  # The practice's own repeats
    catalogue: int  # The catalogue: read in publications or from memory
    unknown: int  # Nowhere: such a case is left out


@dataclass(frozen=True, slots=True, kw_only=True)
class Surety(Stamped):
    """How surely cases went adverse under one definition."""

    part: ChangePart | None  # The definition's change part; None where it has several, and then there are no groups
    groups: tuple[GroupSurety, ...]  # The groups, in the order of the rates
    reason: Caution | None  # Why there are none
    errors: ErrorSources  # Where the error of readings comes from
    cautions: tuple[Caution, ...]  # What to keep in mind


def case_sureties(reader: Reader, chosen: Definition) -> pl.DataFrame:
    """Every counted case, treated or not, of a definition made of one change, with its probability.

    Returns:
        One row a case: case_no, case_key, practice, measure (the one used), change (signed so that more is worse; less
        expected growth where the definition takes it off), error_sd (one reading), growth_sd (reference), is_adverse
        and probability: P(true change > threshold), knowing nothing of true changes beforehand; null where the error
        of the readings is not known. No rows for a definition of several parts.
    """
    part = chosen.single_change
    if part is None:
        return pl.DataFrame(schema=_FRAME)
    frame = _with_errors(_changes(reader, chosen, part, None), reader)
    found = exceedance(
        frame["change"].to_numpy(),
        part.threshold,
        method_error_sd=frame["error_sd"].fill_null(float("nan")).to_numpy(),
        reference_sd=frame["growth_sd"].fill_null(0.0).to_numpy(),
    )
    probability = pl.Series("probability", found.probability).fill_nan(None)
    return frame.with_columns(probability).select(pl.col(column).cast(kind) for column, kind in _FRAME.items())


def _changes(reader: Reader, definition: Definition, part: ChangePart, selection: Selection | None) -> pl.DataFrame:
    """The value of every counted case, the measure it was taken from, and the spread of growth."""
    condition, values = (selection.where()) if selection else ("true", [])
    columns = set(reader.connection.columns("mart_spans"))
    measures = [code for code in part.measures if f"{code}__after" in columns]
    spans = "".join(_span_columns(code, columns) for code in measures)
    query = statement(__package__, "misclassified.sql", spans=spans, condition=condition)
    frame = reader.connection.frame(query, [part.span, definition.id, *values])
    adjusted = part.basis == "growth_adjusted"
    used: pl.Expr = pl.lit(None, pl.String)
    for code in reversed(measures):
        used = pl.when(_gives_the_value(code, adjusted=adjusted)).then(pl.lit(code)).otherwise(used)
    spread = pl.lit(0.0)
    for code in reversed(measures if adjusted else []):
        spread = pl.when(pl.col("measure") == code).then(pl.col(f"{code}__expected_sd")).otherwise(spread)
    sign = 1.0 if part.direction == "rise" else -1.0
    return frame.with_columns(measure=used, change=sign * pl.col("value")).with_columns(growth_sd=spread)


def _span_columns(code: str, columns: set[str]) -> str:
    parts = [f"mart_spans.{name(code)}__before", f"mart_spans.{code}__after"]
    for ending in ("expected", "expected_sd"):
        column = f"{code}__{ending}"
        parts.append(f"mart_spans.{column}" if column in columns else f"cast(null as double) as {column}")
    return ", " + ", ".join(parts)


def _gives_the_value(code: str, *, adjusted: bool) -> pl.Expr:
    """Whether the change of this measure is the value the definition settled on: the first that could be used is."""
    change = pl.col(f"{code}__after") - pl.col(f"{code}__before")
    taken = change - pl.col(f"{code}__expected") if adjusted else change
    return (taken - pl.col("value")).abs() <= 10.0 ** (1 - SETTLED_DIGITS)


def _with_errors(frame: pl.DataFrame, reader: Reader) -> pl.DataFrame:
    """The error of one reading: the practice's own where it rests on enough pairs, else the catalogue's."""
    own = reader.connection.frame(
        "select cast(practice as varchar) as practice, cast(measure as varchar) as measure, sem as own_sem"
        " from mart_method_errors where is_used"
    )
    listed = [(code, one.method_error.sem) for code, one in CATALOGUE.items() if one.method_error is not None]
    default = pl.DataFrame(listed, schema={"measure": pl.String, "default_sem": pl.Float64}, orient="row")
    joined = frame.join(own, on=["practice", "measure"], how="left", maintain_order="left")
    joined = joined.join(default, on="measure", how="left", maintain_order="left")
    return joined.with_columns(error_sd=pl.coalesce("own_sem", "default_sem"), is_own=pl.col("own_sem").is_not_null())


def surety(reader: Reader, question: Question) -> Surety:
    """The share adverse to expect, overall or in each group, once misclassification is allowed for.

    The true changes of a group are taken as normal about its mean (empirical Bayes), so that single cases are drawn
    towards it; see :func:`warehouse.analysis.misclassification.expected_share`.
    """
    stamp, way, level = stamp_of(reader, question), question.way, question.level
    chosen = stamp.definition
    part = chosen.single_change
    if part is None:
        reason = Caution("no_data", "no_single_change", {"name": chosen.name})
        return Surety(stamp=stamp, part=None, groups=(), reason=reason, errors=ErrorSources(0, 0, 0), cautions=())
    frame = _with_errors(_changes(reader, chosen, part, stamp.selection), reader)
    members = _members(reader, way, frame["case_no"].to_list()) if way else {ALL: frame["case_no"].to_list()}
    order = in_order(way, {group: len(cases) for group, cases in members.items()}) if way else [ALL]
    groups = tuple(_group(reader, way, group, _of_group(frame, members[group]), part, level) for group in order)
    return Surety(
        stamp=stamp,
        part=part,
        groups=groups,
        reason=None,
        errors=_errors(frame),
        cautions=tuple(_cautions(frame, part)),
    )


def _of_group(frame: pl.DataFrame, cases: Sequence[int]) -> pl.DataFrame:
    return frame.filter(pl.col("case_no").is_in(pl.Series(cases, dtype=frame.schema["case_no"]).implode()))


def _members(reader: Reader, way: Grouping, cases: Sequence[int]) -> dict[str, list[int]]:
    rows = reader.connection.rows(
        f"select cast({group_expression(way)} as varchar), mart_cases.case_no from mart_cases{membership_join(way)}"
    )
    wanted = set(cases)
    found: dict[str, list[int]] = {}
    for group, case in rows:
        if case in wanted:
            found.setdefault(group, []).append(case)
    return found


def _group(
    reader: Reader, way: Grouping | None, group: str, frame: pl.DataFrame, part: ChangePart, level: float
) -> GroupSurety:
    share, by_error_alone = (
        expected_share(
            frame["change"].to_numpy(),
            part.threshold,
            method_error_sd=frame["error_sd"].fill_null(float("nan")).to_numpy(),
            reference_sd=spread.to_numpy(),
            level=level,
        )
        for spread in (frame["growth_sd"].fill_null(0.0), frame["growth_sd"].fill_null(0.0) * 0.0)
    )
    return GroupSurety(
        group=group,
        label=reader.label(way.codes, group) if way and way.codes else group,
        n_adverse=int(frame["is_adverse"].sum()),
        n=frame.height,
        share=share,
        by_error_alone=by_error_alone,
    )


def _errors(frame: pl.DataFrame) -> ErrorSources:
    own, unknown = int(frame["is_own"].sum()), frame["error_sd"].null_count()
    return ErrorSources(own=own, catalogue=frame.height - own - unknown, unknown=unknown)


def _cautions(frame: pl.DataFrame, part: ChangePart) -> list[Caution]:
    found = []
    unknown = int((frame["growth_sd"].is_null()).sum())
    if unknown:
        found.append(Caution("approximation", "growth_spread_unknown", {"n": unknown}))
    if part.basis == "raw":
        found.append(Caution("approximation", "growth_not_taken_off"))
    return found
