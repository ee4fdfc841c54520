"""How exact the readings are: the same records read twice by one examiner, and once by each of two.

All readings of the practices looked at count, whatever became of the cases: measuring error is a matter of the
records. Examiners are named by practice and pseudonym, since E1 of one practice is not E1 of another.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import polars as pl

from warehouse.analysis.agreement import BlandAltman, bland_altman
from warehouse.analysis.method_error import MethodError, method_error

if TYPE_CHECKING:
    from warehouse.marts.reader import Reader
    from warehouse.selection import Selection

_RECORD = ("practice", "case_no", "timepoint")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureError:
    """What second readings say about one measure."""

    measure: str  # Its code; `label`, `unit` and `family` describe it
    label: str
    unit: str
    family: str
    error: MethodError  # Random and systematic error, repeatability, least real change, reliability


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Repeats:
    """Second readings of one measure, to be looked at."""

    measure: str  # Its code; `label` and `unit` describe it
    label: str
    unit: str
    frame: pl.DataFrame  # One row a record read twice: examiner, first, second
    agreement: BlandAltman  # First against second reading, over all examiners kept
    by_examiner: dict[str, MethodError]  # Examiner -> method error
    between: dict[str, BlandAltman]  # Pair of examiners -> agreement of their first readings of the same records


def measure_errors(reader: Reader, *, selection: Selection) -> tuple[MeasureError, ...]:
    """Method error of every measure with a record read twice, in the order of the catalogue."""
    readings = _readings(reader, selection)
    rows = reader.connection.rows("select measure, label, unit, family from mart_measures")
    found = []
    for measure, label, unit, family in rows:
        pairs = _pairs(readings, measure) if measure in readings.columns else None
        if pairs is not None and pairs.height:
            error = method_error(pairs["first"].to_numpy(), pairs["second"].to_numpy())
            found.append(MeasureError(measure=measure, label=label, unit=unit, family=family, error=error))
    return tuple(found)


def repeats(reader: Reader, *, selection: Selection, measure: str) -> Repeats:
    """Second readings of one measure; empty where there are none."""
    readings = _readings(reader, selection)
    rows = reader.connection.rows("select label, unit from mart_measures where measure = ?", [measure])
    label, unit = rows[0] if rows else (measure, "")
    pairs = _pairs(readings, measure) if measure in readings.columns else _no_pairs()
    return Repeats(
        measure=measure,
        label=label,
        unit=unit,
        frame=pairs,
        agreement=bland_altman(pairs["first"].to_numpy(), pairs["second"].to_numpy()),
        by_examiner={
            str(examiner): method_error(part["first"].to_numpy(), part["second"].to_numpy())
            for (examiner,), part in pairs.sort("examiner").group_by("examiner", maintain_order=True)
        },
        between=_between(readings, measure) if measure in readings.columns else {},
    )


def _readings(reader: Reader, selection: Selection) -> pl.DataFrame:
    practices = selection.filters.get("practice", ())
    marks = ", ".join("?" for _ in practices)
    condition = f" where practice in ({marks})" if practices else ""
    return reader.connection.frame(f"select * from mart_repeats{condition}", list(practices)).with_columns(
        examiner=pl.format("{} {}", "practice", "examiner")
    )


def _pairs(readings: pl.DataFrame, measure: str) -> pl.DataFrame:
    """First and second reading of the same records by the same examiner."""
    known = readings.select(*_RECORD, "examiner", "repeat_no", measure).drop_nulls(measure)
    first, second = (
        known.filter(pl.col("repeat_no") == number).rename({measure: name}).drop("repeat_no")
        for number, name in ((1, "first"), (2, "second"))
    )
    joined = first.join(second, on=[*_RECORD, "examiner"], how="inner")
    return joined.sort(*_RECORD, "examiner").select("examiner", "first", "second")


def _no_pairs() -> pl.DataFrame:
    return pl.DataFrame(schema={"examiner": pl.String, "first": pl.Float64, "second": pl.Float64})


def _between(readings: pl.DataFrame, measure: str) -> dict[str, BlandAltman]:
    """Agreement of the first readings of every two examiners who read the same records."""
    known = readings.filter(pl.col("repeat_no") == 1).select(*_RECORD, "examiner", measure).drop_nulls(measure)
    names = known["examiner"].unique().sort().to_list()
    found = {}
    for one, other in combinations(names, 2):
        both = known.filter(pl.col("examiner") == one).join(
            known.filter(pl.col("examiner") == other), on=list(_RECORD), how="inner"
        )
        if both.height:
            found[f"{one} and {other}"] = bland_altman(both[measure].to_numpy(), both[f"{measure}_right"].to_numpy())
    return found
