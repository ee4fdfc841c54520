"""Method error for people: how far two readings of the same records lie apart, by practice, measure and examiner.

Within an examiner: the first and the second reading of the same records by the same examiner. Between examiners: the
first readings of the same records by two of them. An examiner is known by practice and pseudonym only. Lengths of
films are compared as on the film.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import polars as pl

from warehouse.analysis.agreement import BlandAltman, bland_altman
from warehouse.analysis.intraclass import Intraclass, intraclass
from warehouse.analysis.method_error import MethodError, method_error
from warehouse.errors import RequestError, near_names

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from warehouse.marts.reader import Reader
    from warehouse.results import Estimate

EVERY_EXAMINER = "all"
_RECORD = ["practice", "case_no", "timepoint"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeated:
    """Two readings of the same records, compared."""

    practice: str  # Pseudonym of the practice
    measure: str  # Code; `label` and `unit` describe it
    label: str
    unit: str
    examiner: str  # Pseudonym, or `all`; for two examiners `E1 and E2`, E1 being the first
    between: bool  # Whether two examiners are compared; else one reads twice
    n: int  # Records compared
    error: MethodError  # Dahlberg's error, error free of bias, bias with paired t, repeatability, MDC95, reliability
    agreement: BlandAltman  # Bias and limits of agreement with their intervals
    correlation: Intraclass  # The six forms of intraclass correlation


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """All comparisons of a warehouse."""

    # One examiner twice; for every practice and measure all examiners together first, then each
    within: tuple[Repeated, ...]
    between: tuple[Repeated, ...]  # Two examiners
    build: str  # The build they were read from


def repeatability(
    reader: Reader, *, practice: str | None = None, measure: str | None = None, level: float = 0.95
) -> Repeatability:
    """Compare the repeated readings of a warehouse.

    ``practice``: pseudonym of a practice; all where None. ``measure``: code of a measure; all with repeats where None.
    Gives the comparisons, by practice and then in the order of the catalogue; none where nothing was read twice. Raises
    RequestError where there is no such practice or measure.
    """
    described = reader.connection.rows("select measure, label, unit from mart_measures")
    _refuse_unknown(reader, practice, measure, [code for code, _, _ in described])
    readings = reader.connection.frame("select * from mart_repeats")
    wanted = [row for row in described if row[0] in readings.columns and measure in (None, row[0])]
    within: list[Repeated] = []
    between: list[Repeated] = []
    for pseudonym in [practice] if practice else sorted(readings["practice"].cast(pl.String).unique()):
        mine = readings.filter(pl.col("practice").cast(pl.String) == pseudonym)
        for code, label, unit in wanted:
            known = mine.select(*_RECORD, pl.col("examiner").cast(pl.String), "repeat_no", value=code).drop_nulls()
            named = {"practice": pseudonym, "measure": code, "label": label, "unit": unit}
            within += [_compared(pairs, examiner, named, level) for examiner, pairs in _twice(known)]
            between += [_compared(pairs, two, named, level, between=True) for two, pairs in _by_two(known)]
    return Repeatability(within=tuple(within), between=tuple(between), build=reader.snapshot.build_id)


def _refuse_unknown(reader: Reader, practice: str | None, measure: str | None, codes: Sequence[str]) -> None:
    if practice is not None and practice not in reader.practices:
        found = f"there is no practice {practice!r} here"
        raise RequestError(
            found, expected=", ".join(reader.practices), remedy=near_names(practice, reader.practices) or "choose one"
        )
    if measure is not None and measure not in codes:
        found = f"there is no measure {measure!r}"
        raise RequestError(found, remedy=near_names(measure, codes) or "see `menton measures`")


def _twice(known: pl.DataFrame) -> Iterator[tuple[str, pl.DataFrame]]:
    """Pairs of first and second reading: of all examiners together, then of each where there are several."""
    first, second = (known.filter(pl.col("repeat_no") == number).drop("repeat_no") for number in (1, 2))
    pairs = first.join(second, on=[*_RECORD, "examiner"], suffix="_second").sort("examiner", *_RECORD)
    if pairs.is_empty():
        return
    yield EVERY_EXAMINER, pairs
    parts = pairs.partition_by("examiner", as_dict=True, maintain_order=True)
    if len(parts) > 1:
        yield from ((str(examiner), part) for (examiner,), part in parts.items())


def _by_two(known: pl.DataFrame) -> Iterator[tuple[str, pl.DataFrame]]:
    first = known.filter(pl.col("repeat_no") == 1)
    parts = {str(name): part for (name,), part in first.partition_by("examiner", as_dict=True).items()}
    for one, other in combinations(sorted(parts), 2):
        pairs = parts[one].join(parts[other], on=_RECORD, suffix="_second").sort(*_RECORD)
        if pairs.height:
            yield f"{one} and {other}", pairs


def _compared(
    pairs: pl.DataFrame, examiner: str, named: dict[str, str], level: float, *, between: bool = False
) -> Repeated:
    first, second = pairs["value"].to_numpy(), pairs["value_second"].to_numpy()
    return Repeated(
        **named,
        examiner=examiner,
        between=between,
        n=pairs.height,
        error=method_error(first, second, level=level),
        agreement=bland_altman(first, second, level=level),
        correlation=intraclass(pairs.select("value", "value_second").to_numpy(), level=level),
    )


def repeatability_as_data(found: Repeatability) -> dict[str, Any]:
    """The comparisons as plain data, for ``--json``; what cannot be told is null, with the reason in ``warnings``."""
    return {
        "build": found.build,
        "within_examiner": [_as_data(one) for one in found.within],
        "between_examiners": [_as_data(one) for one in found.between],
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
        **{name: _estimate(estimate) for name, estimate in estimates.items()},
        "mdc95": one.error.mdc,
        "reliability": one.error.reliability,
    }


def _estimate(estimate: Estimate) -> dict[str, Any]:
    return {
        "value": estimate.value,
        "interval": [estimate.interval.low, estimate.interval.high] if estimate.interval else None,
        "p_value": estimate.p_value,
        "warnings": [caution.text for caution in estimate.warnings],
    }
