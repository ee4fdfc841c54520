"""Second readings of the same records: method error and agreement by practice, measure and examiner.

Within an examiner: the first and the second reading of the same records by the same examiner; taken again: the first
reading of the records and of others of the same time, another film or photograph. Between examiners: the
first readings of the same records by two of them. All readings count, whatever became of the cases: measuring error is
a matter of the records. Lengths of films are compared as on the film.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import polars as pl

from warehouse.analysis.intraclass import Intraclass, intraclass, kappa
from warehouse.analysis.method_error import BlandAltman, MethodError, bland_altman, method_error
from warehouse.errors import RequestError, near_names
from warehouse.marts.method_errors import READ_AGAIN, TAKEN_AGAIN
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import SPANS
from warehouse.results import Estimate
from warehouse.selection import Selection
from warehouse.store.quoting import SETTLED_DIGITS

EVERY_EXAMINER = "all"
PLANE, TYPES = "sn_gogn_deg", ("low", "average", "high")
LOW_TO, HIGH_FROM = 27.0, 37.0  # cut points of the plane, as in ``variables.toml``
_RECORD = ["practice", "case_no", "timepoint"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeated:
    """Two readings of the same records, compared."""

    practice: str  # Pseudonym of the practice
    measure: str  # Code; `label` and `unit` describe it
    label: str
    unit: str
    examiner: str  # Pseudonym, or `all`; for two examiners `E1 and E2`, E1 being the first
    n: int  # Records compared
    error: MethodError  # Dahlberg's error, error free of bias, bias with paired t, MDC95, reliability
    pairs: tuple[pl.Series, pl.Series]  # The first and the second readings
    agreement: BlandAltman  # Bias and limits of agreement with their intervals
    correlation: Intraclass  # The six forms of intraclass correlation


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """All comparisons of a warehouse."""

    # One examiner twice; for every practice and measure all examiners together first, then each
    within: tuple[Repeated, ...]
    taken_again: tuple[Repeated, ...]  # The same of records taken twice, each read once
    between: tuple[Repeated, ...]  # Two examiners
    # Practice, examiner (or two) -> weighted kappa of the vertical type that the readings of the plane give
    types: tuple[tuple[str, str, Estimate], ...]
    # The same of adverse, yes or no, by the change of the headline definition, each reading of both times for itself
    adverse: tuple[tuple[str, str, Estimate], ...]
    build: str  # The build they were read from


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureError:
    """What second readings say about one measure."""

    measure: str  # Its code; `label` and `unit` describe it
    label: str
    unit: str
    is_taken_again: bool  # Whether the records were taken twice, not read twice
    error: MethodError  # Random and systematic error, least real change, reliability


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Repeats:
    """Second readings of one measure, to be looked at; examiners are named by practice and pseudonym."""

    measure: str  # Its code; `label` and `unit` describe it
    label: str
    unit: str
    frame: pl.DataFrame  # One row a record read twice: examiner, first, second
    agreement: BlandAltman  # First against second reading, over all examiners kept
    by_examiner: dict[str, MethodError]  # Examiner -> method error
    between: dict[str, BlandAltman]  # Pair of examiners -> agreement of their first readings of the same records


def repeatability(
    reader: Reader, *, practice: str | None = None, measure: str | None = None, level: float = 0.95
) -> Repeatability:
    """Compare repeated readings by practice and measure, in the catalogue's order, or one (else RequestError) alone."""
    described = reader.connection.rows("select measure, label, unit from mart_measures")
    _refuse_unknown(reader, practice, measure, [code for code, _, _ in described])
    readings = _readings(reader, [practice] if practice else ())
    wanted = [row for row in described if row[0] in readings.columns and measure in (None, row[0])]
    within: list[Repeated] = []
    taken_again: list[Repeated] = []
    between: list[Repeated] = []
    for (pseudonym,), mine in readings.sort("practice").group_by("practice", maintain_order=True):
        for code, label, unit in wanted:
            named = {"practice": str(pseudonym), "measure": code, "label": label, "unit": unit}
            known = _known(mine, code)
            for rows, second in ((within, READ_AGAIN), (taken_again, TAKEN_AGAIN)):
                pairs = _twice(known, second)
                examiners = list(_each(pairs))
                parts = [(EVERY_EXAMINER, pairs), *(examiners if len(examiners) > 1 else ())]
                rows += [_compared(part, examiner, named, level) for examiner, part in parts if part.height]
            between += [_compared(both, f"{one} and {two}", named, level) for one, two, both in _by_two(known)]
    types = [
        (one.practice, one.examiner, kappa(*map(_types, one.pairs), order=TYPES, level=level))
        for one in (*within, *between)
        if one.measure == PLANE
    ]
    adverse: list[tuple[str, str, Estimate]] = []
    for (pseudonym,), mine in _verdicts(reader, readings).sort("practice").group_by("practice", maintain_order=True):
        pairs = _twice(mine)
        examiners = [(EVERY_EXAMINER, pairs), *_each(pairs)] if pairs.height else []
        both = [(f"{one} and {two}", shared) for one, two, shared in _by_two(mine)]
        for examiner, shared in (*examiners, *both):
            agreed = kappa(shared["first"].to_list(), shared["second"].to_list(), level=level)
            adverse.append((str(pseudonym), examiner, agreed))
    return Repeatability(
        within=tuple(within),
        taken_again=tuple(taken_again),
        between=tuple(between),
        types=tuple(types),
        adverse=tuple(adverse),
        build=reader.snapshot.build_id,
    )


def _verdicts(reader: Reader, readings: pl.DataFrame) -> pl.DataFrame:
    """Adverse or not by each reading of both times, as :func:`_known`; empty where the headline asks for no change."""
    part = reader.definition().single_change
    code = next((one for one in part.measures if one in readings.columns), None) if part else None
    if part is None or code is None:
        return readings.select(*_RECORD, "examiner", "repeat_no", value=pl.lit("")).clear()
    spans = reader.connection.frame("select * from mart_spans where span = ?", [part.span])
    grown, is_raw = f"{code}__expected", part.basis == "raw"
    expected = pl.col(grown) if grown in spans.columns and not is_raw else pl.lit(0.0 if is_raw else None, pl.Float64)
    known = _known(readings, code)
    same = ["practice", "case_no", "examiner", "repeat_no"]
    earlier, later = (known.filter(pl.col("timepoint").cast(pl.String) == time) for time in SPANS[part.span])
    both = later.join(earlier.select(*same, before="value"), on=same)
    both = both.join(spans.select("case_no", expected=expected).drop_nulls(), on="case_no")
    moved = (pl.col("value") - pl.col("before") - pl.col("expected")) * (1.0 if part.direction == "rise" else -1.0)
    is_adverse = moved.round(SETTLED_DIGITS) >= part.threshold
    return both.select(
        *_RECORD, "examiner", "repeat_no", value=pl.when(is_adverse).then(pl.lit("yes")).otherwise(pl.lit("no"))
    )


def _types(plane: pl.Series) -> list[str]:
    """The vertical type that each reading of the plane gives, by the bands of the variable."""
    return [TYPES[int(angle > LOW_TO) + int(angle >= HIGH_FROM)] for angle in plane]


def measure_errors(reader: Reader, *, selection: Selection) -> tuple[MeasureError, ...]:
    """Method error of every measure with a record read or taken twice, in the order of the catalogue."""
    readings = _readings(reader, selection.filters.get("practice", ()))
    found = []
    for measure, label, unit in reader.connection.rows("select measure, label, unit from mart_measures"):
        for second in (READ_AGAIN, TAKEN_AGAIN) if measure in readings.columns else ():
            pairs = _twice(_known(readings, measure), second)
            if pairs.height:
                of = {"label": label, "unit": unit, "is_taken_again": second == TAKEN_AGAIN}
                found.append(MeasureError(measure=measure, error=_error(pairs), **of))
    return tuple(found)


def repeats(reader: Reader, *, selection: Selection, measure: str) -> Repeats:
    """Second readings of one measure; empty where there are none."""
    readings = _readings(reader, selection.filters.get("practice", ()))
    readings = readings.with_columns(examiner=pl.format("{} {}", "practice", "examiner"))
    rows = reader.connection.rows("select label, unit from mart_measures where measure = ?", [measure])
    label, unit = rows[0] if rows else (measure, "")
    if measure not in readings.columns:
        readings = readings.clear().with_columns(pl.lit(None, pl.Float64).alias(measure))
    known = _known(readings, measure)
    pairs = _twice(known).sort(*_RECORD, "examiner")
    return Repeats(
        measure=measure,
        label=label,
        unit=unit,
        frame=pairs.select("examiner", "first", "second"),
        agreement=bland_altman(pairs["first"].to_numpy(), pairs["second"].to_numpy()),
        by_examiner={examiner: _error(part) for examiner, part in _each(pairs.sort("examiner", maintain_order=True))},
        between={
            f"{one} and {two}": bland_altman(both["first"].to_numpy(), both["second"].to_numpy())
            for one, two, both in _by_two(known)
        },
    )


def _readings(reader: Reader, practices: Sequence[str]) -> pl.DataFrame:
    """The repeats of the practices named, of all where none is; practice and examiner as text."""
    marks = ", ".join("?" for _ in practices)
    condition = f" where practice in ({marks})" if practices else ""
    frame = reader.connection.frame(f"select * from mart_repeats{condition}", list(practices))
    return frame.with_columns(pl.col("practice", "examiner").cast(pl.String))


def _refuse_unknown(reader: Reader, practice: str | None, measure: str | None, codes: Sequence[str]) -> None:
    if practice is not None and practice not in reader.practices:
        found = f"there is no practice {practice!r} here"
        raise RequestError(
            found, expected=", ".join(reader.practices), remedy=near_names(practice, reader.practices) or "choose one"
        )
    if measure is not None and measure not in codes:
        found = f"there is no measure {measure!r}"
        raise RequestError(found, remedy=near_names(measure, codes) or "see `menton measures`")


def _known(readings: pl.DataFrame, measure: str) -> pl.DataFrame:
    """The readings that hold a measure: record, examiner, repeat_no and value."""
    return readings.select(*_RECORD, "examiner", "repeat_no", value=measure).drop_nulls()


def _twice(known: pl.DataFrame, second_no: int = READ_AGAIN) -> pl.DataFrame:
    """First and second reading of the same records by the same examiner, or first readings of records taken twice."""
    first, second = (
        known.filter(pl.col("repeat_no") == number).drop("repeat_no").rename({"value": name})
        for number, name in ((1, "first"), (second_no, "second"))
    )
    return first.join(second, on=[*_RECORD, "examiner"]).sort("examiner", *_RECORD)


def _each(pairs: pl.DataFrame) -> Iterator[tuple[str, pl.DataFrame]]:
    return ((str(examiner), part) for (examiner,), part in pairs.group_by("examiner", maintain_order=True))


def _by_two(known: pl.DataFrame) -> Iterator[tuple[str, str, pl.DataFrame]]:
    """The first readings of the same records by every two examiners who share some."""
    parts = dict(_each(known.filter(pl.col("repeat_no") == 1)))
    for one, two in combinations(sorted(parts), 2):
        both = parts[one].join(parts[two], on=_RECORD, suffix="_second").sort(*_RECORD)
        if both.height:
            yield one, two, both.rename({"value": "first", "value_second": "second"})


def _error(pairs: pl.DataFrame, level: float = 0.95) -> MethodError:
    return method_error(pairs["first"].to_numpy(), pairs["second"].to_numpy(), level=level)


def _compared(pairs: pl.DataFrame, examiner: str, named: dict[str, str], level: float) -> Repeated:
    return Repeated(
        **named,
        examiner=examiner,
        n=pairs.height,
        error=_error(pairs, level),
        pairs=(pairs["first"], pairs["second"]),
        agreement=bland_altman(pairs["first"].to_numpy(), pairs["second"].to_numpy(), level=level),
        correlation=intraclass(pairs.select("first", "second").to_numpy(), level=level),
    )


def repeatability_as_data(found: Repeatability) -> dict[str, Any]:
    """The comparisons as plain data, for ``--json``; what cannot be told is null, with the reason in ``warnings``."""
    return {
        "build": found.build,
        "within_examiner": [_as_data(one) for one in found.within],
        "taken_again": [_as_data(one) for one in found.taken_again],
        "between_examiners": [_as_data(one) for one in found.between],
        "vertical_type": [
            {"practice": practice, "examiner": examiner, "kappa": one} for practice, examiner, one in found.types
        ],
        "adverse": [
            {"practice": practice, "examiner": examiner, "kappa": one} for practice, examiner, one in found.adverse
        ],
    }


def _as_data(one: Repeated) -> dict[str, Any]:
    estimates = {
        "dahlberg": one.error.dahlberg,
        "random_error": one.error.random,
        "bias": one.error.bias,
        "lower_limit": one.agreement.lower,
        "upper_limit": one.agreement.upper,
        **one.correlation.forms,
    }
    return {
        "practice": one.practice,
        "measure": one.measure,
        "unit": one.unit,
        "examiner": one.examiner,
        "n": one.n,
        **estimates,
        "mdc95": one.error.mdc,
        "reliability": one.error.reliability,
    }
