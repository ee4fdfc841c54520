"""The case mart with every definition's result beside it: one row a case, for anyone who wants to recount."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

    from warehouse.reader import Reader

_LEFT_OUT = ("case_no", "load_id")


def case_frame(reader: Reader) -> pl.DataFrame:
    """One row a case: mart_cases, the change of each measure, and outcome, step and value of each definition."""
    cases = reader.connection.frame("select * from mart_cases")
    changes = reader.connection.frame(
        "select * exclude (sex, span, age_before, age_after, is_gonion_different, is_porion_different,"
        " is_size_different, months)"
        " from mart_spans where span = 'start_to_finish'"
    )
    frame = cases.join(changes, on="case_no", how="left")
    for definition in reader.registry:
        outcome = reader.connection.frame(
            "select case_no, status, step, value from mart_outcomes where definition_id = ?", [definition.id]
        )
        renamed = outcome.rename(
            {"status": f"outcome_{definition.id}", "step": f"step_{definition.id}", "value": f"value_{definition.id}"}
        )
        frame = frame.join(renamed, on="case_no", how="left")
    return frame.drop(_LEFT_OUT).sort("practice", "case_key")
