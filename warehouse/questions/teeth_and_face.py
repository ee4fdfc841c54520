"""Teeth improved or not, by the PAR score, against face adverse or not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.analysis.corners import four_corners
from warehouse.marts.grouping import NOT_KNOWN, in_order
from warehouse.measures.published_bands import (
    GREATLY_IMPROVED_FROM_POINTS,
    IMPROVED_FROM_PERCENT,
    NOT_IMPROVED,
    par_improvement,
)
from warehouse.questions.case_table import case_table
from warehouse.questions.group_names import group_label, single_grouping
from warehouse.selection import Selection

if TYPE_CHECKING:
    import polars as pl

    from warehouse.analysis.corners import FourCorners
    from warehouse.marts.grouping import Grouping
    from warehouse.marts.reader import Reader
    from warehouse.outcomes.definition import Definition

PAR = "par_uk_points"
IMPROVED_MEANS = (
    f"Teeth improved: the weighted PAR score (UK weights) fell by at least {IMPROVED_FROM_PERCENT:g}%; a fall of"
    f" {GREATLY_IMPROVED_FROM_POINTS:g} points that is less than that does not count. A score of 0 at the start leaves"
    " nothing to improve: such a case is left out."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupCorners:
    """The corners of one group."""

    group: str
    label: str
    corners: FourCorners


@dataclass(frozen=True, slots=True, kw_only=True)
class CornersResult:
    """The four corners, for all cases and by group."""

    definition: Definition  # The outcome definition
    growth_reference: str  # Name and provenance of the growth reference in force
    build: str  # The build read
    selection: Selection  # Which cases
    improved_means: str  # What "teeth improved" means here, in a sentence
    corners: FourCorners  # Over all the cases
    by: Grouping | None  # The grouping; None without
    groups: tuple[GroupCorners, ...]  # One a group, in order
    nothing_to_improve: int  # Cases left out because they scored 0 at the start
    mean_fall: float | None  # Mean fall of the score among cases scored twice, points; None without one


def corners_of_cases(
    reader: Reader,
    *,
    by: str | None = None,
    definition: str | None = None,
    selection: Selection | None = None,
    level: float = 0.95,
) -> CornersResult:
    """Cross the improvement of the teeth with the outcome of the face.

    Args:
        reader: An open snapshot.
        by: Name of a grouping in which a case has one group; None for all cases together.
        definition: Id of an outcome definition; the headline one where None.
        selection: Which cases; consecutive treated ones where None.
        level: Level of the intervals.

    Raises:
        RequestError: A name does not exist.
    """
    chosen, selection = reader.definition(definition), selection or Selection()
    way = single_grouping(by) if by else None
    frame = _frame(reader, chosen, selection, way)
    fall = (frame["par_start"] - frame["par_finish"]).drop_nulls().mean()
    return CornersResult(
        definition=chosen,
        growth_reference=reader.growth_reference,
        build=reader.snapshot.build_id,
        selection=selection,
        improved_means=IMPROVED_MEANS,
        corners=four_corners(frame, improved="improved", adverse="adverse", level=level),
        by=way,
        groups=_groups(reader, frame, way, level) if way else (),
        nothing_to_improve=frame.filter((frame["par_start"] == 0.0) & frame["par_finish"].is_not_null()).height,
        mean_fall=fall if isinstance(fall, float) else None,
    )


def _frame(reader: Reader, definition: Definition, selection: Selection, way: Grouping | None) -> pl.DataFrame:
    import polars as pl

    cases = case_table(reader, definition, selection, columns=[way.name] if way else [])
    scores = _scores(reader)
    judged = pl.when(pl.col("par_start") > 0.0)  # where nothing can improve, "not improved" would say something false
    improved = judged.then(par_improvement("par_start", "par_finish") != pl.lit(NOT_IMPROVED))
    return cases.join(scores, on="case_no", how="left").with_columns(improved.alias("improved"))


def _scores(reader: Reader) -> pl.DataFrame:
    """PAR at start and finish of every case; null where it was not scored, also where nobody ever was."""
    present = reader.connection.value(
        "select count(*) from duckdb_columns() where table_name = 'mart_timeline' and column_name = ?", [PAR]
    )
    score = f"mart_timeline.{PAR}" if present else "cast(null as double)"
    return reader.connection.frame(
        f"select case_no, max(case when timepoint = 'start' then {score} end) as par_start,"
        f" max(case when timepoint = 'finish' then {score} end) as par_finish from mart_timeline group by case_no"
    )


def _groups(reader: Reader, frame: pl.DataFrame, way: Grouping, level: float) -> tuple[GroupCorners, ...]:
    import polars as pl

    column = pl.col(way.name).cast(pl.String).fill_null(NOT_KNOWN)
    named = frame.with_columns(column.alias("group"))
    sizes = dict(named.group_by("group").len().iter_rows())
    return tuple(
        GroupCorners(
            group=code,
            label=group_label(reader, way, code),
            corners=four_corners(
                named.filter(pl.col("group") == code), improved="improved", adverse="adverse", level=level
            ),
        )
        for code in in_order(way, sizes)
    )
