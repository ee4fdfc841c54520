"""How surely a case went adverse: beside the plain yes or no, the probability that it truly passed the threshold.

A reading has an error, and a child's own growth is not exactly that of the reference. For a definition made of one
change, every counted case gets the probability that its true change, less what ordinary growth would have done for
that child, exceeds the threshold. The error of one reading is that of the practice's own repeats where there are
enough, else the catalogue's; where the definition takes growth off, the spread between children and the doubt about the
mean of the reference come on top. What reading error does to a share is in :mod:`warehouse.questions.beside`.
"""

from __future__ import annotations

import polars as pl

from warehouse.analysis.misclassification import exceedance
from warehouse.marts.reader import Reader
from warehouse.measures.catalogue import CATALOGUE
from warehouse.outcomes.definition import ChangePart, Definition
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
    frame = _with_errors(_changes(reader, chosen, part), reader)
    found = exceedance(
        frame["change"].to_numpy(),
        part.threshold,
        method_error_sd=frame["error_sd"].fill_null(float("nan")).to_numpy(),
        reference_sd=frame["growth_sd"].fill_null(0.0).to_numpy(),
    )
    probability = pl.Series("probability", found).fill_nan(None)
    return frame.with_columns(probability).select(pl.col(column).cast(kind) for column, kind in _FRAME.items())


def _changes(reader: Reader, definition: Definition, part: ChangePart) -> pl.DataFrame:
    """The value of every counted case, the measure it was taken from, and the spread of growth."""
    columns = set(reader.connection.columns("mart_spans"))
    measures = [code for code in part.measures if f"{code}__after" in columns]
    spans = "".join(_span_columns(code, columns) for code in measures)
    query = statement(__package__, "misclassified.sql", spans=spans)
    frame = reader.connection.frame(query, [part.span, definition.id])
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
