"""The case mart with every definition's result beside it: one row a case, for anyone who wants to recount."""

from math import sqrt

import polars as pl

from warehouse.analysis.misclassification import exceedance
from warehouse.cases.case_results import case_results
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

    Gives one row a case: case_no, case_key, practice, measure (the one used), change (signed so that more is worse;
    less expected growth where the definition takes it off), error_sd (one reading), growth_sd (reference), is_adverse
    and probability: P(true change > threshold), knowing nothing of true changes beforehand; null where the error of the
    readings is not known. No rows for a definition of several parts.
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


_LEFT_OUT = ("case_no", "load_id")


def case_frame(reader: Reader) -> pl.DataFrame:
    """One row a case: mart_cases, changes, what follows from the measures, and what each definition says.

    What follows from the measures is in `warehouse/cases/case_results.py`; each definition has outcome, step and value.
    A definition made of one change has a column ``probability_<id>`` too: how surely the true change passed the
    threshold (see :mod:`warehouse.questions.case_export`).
    """
    cases = reader.connection.frame("select * from mart_cases")
    changes = reader.connection.frame(
        "select * exclude (sex, span, age_before, age_after, is_gonion_different, is_porion_different,"
        " is_size_different, months)"
        " from mart_spans where span = 'start_to_finish'"
    )
    frame = cases.join(changes, on="case_no", how="left")
    frame = frame.join(case_results(reader), on="case_no", how="left")
    for definition in reader.registry:
        outcome = reader.connection.frame(
            "select case_no, status, step, value from mart_outcomes where definition_id = ?", [definition.id]
        )
        renamed = outcome.rename(
            {"status": f"outcome_{definition.id}", "step": f"step_{definition.id}", "value": f"value_{definition.id}"}
        )
        frame = frame.join(renamed, on="case_no", how="left")
        if definition.single_change is not None:
            sure = case_sureties(reader, definition)
            sure = sure.select("case_no", pl.col("probability").alias(f"probability_{definition.id}"))
            frame = frame.join(sure.cast({"case_no": frame.schema["case_no"]}), on="case_no", how="left")
    return frame.drop(_LEFT_OUT).sort("practice", "case_key")
