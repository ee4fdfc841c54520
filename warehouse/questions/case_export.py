"""The case mart with every definition's result beside it: one row a case, for anyone who wants to recount."""

from __future__ import annotations

import polars as pl

from warehouse.cases.case_results import case_results
from warehouse.marts.reader import Reader
from warehouse.questions.misclassified import case_sureties

_LEFT_OUT = ("case_no", "load_id")


def case_frame(reader: Reader) -> pl.DataFrame:
    """One row a case: mart_cases, changes, what follows from the measures, and what each definition says.

    What follows from the measures is in `warehouse/cases/case_results.py`; each definition has outcome, step and value.
    A definition made of one change has a column ``probability_<id>`` too: how surely the true change passed the
    threshold (see :mod:`warehouse.questions.misclassified`).
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
