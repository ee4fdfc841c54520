"""Teeth improved or not, by the PAR score, against face adverse or not."""

from dataclasses import dataclass

import polars as pl

from warehouse.analysis.corners import FourCorners, four_corners
from warehouse.marts.grouping import NOT_KNOWN, Grouping, group_label, in_order
from warehouse.marts.reader import Reader
from warehouse.measures.published_bands import (
    GREATLY_IMPROVED_FROM_POINTS,
    IMPROVED_FROM_PERCENT,
    NOT_IMPROVED,
    par_improvement,
)
from warehouse.plans.question import Question, Stamp, Stamped, stamp_of
from warehouse.questions.case_table import case_table

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
class CornersResult(Stamped):
    """The four corners, for all cases and by group."""

    improved_means: str  # What "teeth improved" means here, in a sentence
    corners: FourCorners  # Over all the cases
    by: Grouping | None  # The grouping; None without
    groups: tuple[GroupCorners, ...]  # One a group, in order
    nothing_to_improve: int  # Cases left out because they scored 0 at the start
    mean_fall: float | None  # Mean fall of the score among cases scored twice, points; None without one


def teeth_and_face(reader: Reader, question: Question) -> CornersResult:
    """Cross the improvement of the teeth with the outcome of the face.

    Raises RequestError: a case can be in several groups.
    """
    stamp, way = stamp_of(reader, question), question.single_way
    frame = _frame(reader, stamp, way)
    fall = (frame["par_start"] - frame["par_finish"]).drop_nulls().mean()
    return CornersResult(
        stamp=stamp,
        improved_means=IMPROVED_MEANS,
        corners=_corners(frame, stamp.level),
        by=way,
        groups=_groups(reader, frame, way, stamp.level) if way else (),
        nothing_to_improve=frame.filter((frame["par_start"] == 0.0) & frame["par_finish"].is_not_null()).height,
        mean_fall=fall if isinstance(fall, float) else None,
    )


def corners_of_cases(reader: Reader, question: Question) -> FourCorners | None:
    """The four corners of all the cases together; None where teeth were never scored."""
    return teeth_and_face(reader, question).corners if _is_scored(reader) else None


def _corners(frame: pl.DataFrame, level: float) -> FourCorners:
    return four_corners(frame, improved="improved", adverse="adverse", level=level)


def _frame(reader: Reader, stamp: Stamp, way: Grouping | None) -> pl.DataFrame:
    cases = case_table(reader, stamp.definition, stamp.selection, columns=[way.name] if way else [])
    judged = pl.when(pl.col("par_start") > 0.0)  # where nothing can improve, "not improved" would say something false
    improved = judged.then(par_improvement("par_start", "par_finish") != pl.lit(NOT_IMPROVED))
    return cases.join(_scores(reader), on="case_no", how="left").with_columns(improved.alias("improved"))


def _is_scored(reader: Reader) -> bool:
    return PAR in reader.connection.columns("mart_timeline")


def _scores(reader: Reader) -> pl.DataFrame:
    """PAR at start and finish of every case; null where it was not scored, also where nobody ever was."""
    score = f"mart_timeline.{PAR}" if _is_scored(reader) else "cast(null as double)"
    return reader.connection.frame(
        f"select case_no, max(case when timepoint = 'start' then {score} end) as par_start,"
        f" max(case when timepoint = 'finish' then {score} end) as par_finish from mart_timeline group by case_no"
    )


def _groups(reader: Reader, frame: pl.DataFrame, way: Grouping, level: float) -> tuple[GroupCorners, ...]:
    column = pl.col(way.name).cast(pl.String).fill_null(NOT_KNOWN)
    named = frame.with_columns(column.alias("group"))
    sizes = dict(named.group_by("group").len().iter_rows())
    return tuple(
        GroupCorners(
            group=code,
            label=group_label(reader, way, code),
            corners=_corners(named.filter(pl.col("group") == code), level),
        )
        for code in in_order(way, sizes)
    )
