"""Teeth against face in the cases selected: improved or not by the peer assessment rating, adverse or not."""

from __future__ import annotations

from typing import TYPE_CHECKING

from warehouse.analysis.corners import FourCorners, four_corners

if TYPE_CHECKING:
    from warehouse.reader import Reader
    from warehouse.selection import Selection

SCORE = "par_uk_points"
IMPROVED = 0.30
"""Teeth count as improved when the weighted score fell by at least 30 % (Richmond et al. 1992, Eur J Orthod 14:180)."""


def corners_of_cases(reader: Reader, *, selection: Selection, definition: str | None = None) -> FourCorners | None:
    """The four corners; None where the score was never read. A score of 0 at the start cannot improve: left out."""
    columns = reader.connection.rows("select column_name from duckdb_columns() where table_name = 'mart_spans'")
    if (f"{SCORE}__before",) not in columns:
        return None
    condition, values = selection.where()
    before, after = f"nullif(mart_spans.{SCORE}__before, 0)", f"mart_spans.{SCORE}__after"
    frame = reader.connection.frame(
        f"select {after} <= {1 - IMPROVED} * {before} + 1e-9 as improved,"
        " case when mart_outcomes.step = 'counted' then mart_outcomes.status = 'adverse' end as adverse"
        " from mart_outcomes inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no"
        " inner join mart_spans on mart_spans.case_no = mart_outcomes.case_no"
        " and mart_spans.span = 'start_to_finish'"
        f" where mart_outcomes.definition_id = ? and {condition}",
        [reader.definition(definition).id, *values],
    )
    return four_corners(frame, improved="improved", adverse="adverse")
