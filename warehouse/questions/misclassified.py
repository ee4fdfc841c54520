"""How surely a case went adverse: beside the plain yes or no, the probability that it truly passed the threshold.

A reading has an error, and a child's own growth is not exactly that of the reference. For a definition made of one
change, every counted case gets the probability that its true change, less what ordinary growth would have done for
that child, exceeds the threshold. The error of one reading is that of the practice's own repeats where there are
enough, else the catalogue's; where the definition takes growth off, the spread between children and the doubt about the
mean of the reference come on top. What reading error does to a share is in :mod:`warehouse.questions.beside`.
"""

from __future__ import annotations

from math import sqrt

import polars as pl

from warehouse.analysis.misclassification import exceedance
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import Definition
from warehouse.questions.beside import BesideShares, change_columns
from warehouse.selection import Selection
from warehouse.store.quoting import statement

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
    columns = change_columns(reader, part)
    listed = ",\n    ".join(f"{column} as {named}" for named, column in columns.items())
    frame = reader.connection.frame(statement(__package__, "misclassified.sql", columns=listed), [part.span, chosen.id])
    shares, read = BesideShares(reader, chosen, Selection(), 0.95), frame.select("practice", "measure").unique()
    errors = {key: shares.error(*key) for key in read.iter_rows()}
    known = [(*key, sqrt(one.value / 2.0)) for key, one in errors.items() if one is not None]
    sems = pl.DataFrame(
        known, schema={"practice": pl.String, "measure": pl.String, "error_sd": pl.Float64}, orient="row"
    )
    frame = frame.join(sems, on=["practice", "measure"], how="left", maintain_order="left").rename({"value": "change"})
    if part.basis == "raw":
        frame = frame.with_columns(growth_sd=pl.lit(0.0))
    found = exceedance(
        frame["change"].to_numpy(),
        part.threshold,
        method_error_sd=frame["error_sd"].fill_null(float("nan")).to_numpy(),
        reference_sd=frame["growth_sd"].fill_null(0.0).to_numpy(),
    )
    probability = pl.Series("probability", found).fill_nan(None)
    return frame.with_columns(probability).select(pl.col(column).cast(kind) for column, kind in _FRAME.items())
