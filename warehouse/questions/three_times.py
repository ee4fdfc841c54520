"""A measure at the start, on the way and at the finish, case by case: front teeth forward first, lower jaw after."""

from dataclasses import dataclass

import polars as pl

from warehouse.analysis.change import mean_change
from warehouse.analysis.proportion import proportion
from warehouse.marts.reader import Reader
from warehouse.measures.catalogue import CATALOGUE
from warehouse.plans.question import Question, Stamped, stamp_of
from warehouse.questions.case_table import Measured, measured, measures_read
from warehouse.results import Estimate
from warehouse.store.quoting import name, statement

USUAL_MEASURE = "overjet_mm"
LEAST = 1.0
"""Least change that counts as a rise or a fall, in the measure's unit (common practice, no source)."""

_USUAL = Measured(code=USUAL_MEASURE, label=CATALOGUE[USUAL_MEASURE].label, unit="mm", up_means="")
TIMES = ("at_start", "at_progress", "at_finish")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThreeTimes(Stamped):
    """The paired picture of one measure over three times."""

    measure: Measured
    frame: pl.DataFrame  # One row a case read at all three: case_no, at_start, at_progress, at_finish
    medians: tuple[float, ...]  # Median at each time; empty without a case
    first: Estimate  # Mean change from the start to the records on the way
    then: Estimate  # Mean change from there to the finish
    rose_then_fell: Estimate  # Share of cases that rose by `LEAST` at first and fell by as much after


def three_times(reader: Reader, question: Question) -> ThreeTimes:
    """The cases with the measure at all three times; overjet where none is named.

    Raises RequestError: there is no such measure.
    """
    stamp = stamp_of(reader, question)
    is_read = question.measure or USUAL_MEASURE in measures_read(reader)
    what = measured(reader, question.measure or USUAL_MEASURE, stamp.definition) if is_read else _USUAL
    condition, values = stamp.selection.where()
    query = statement(__package__, "three_times.sql", code=name(what.code), condition=condition)
    schema = {"case_no": pl.Int32, **dict.fromkeys(TIMES, pl.Float64)}
    frame = reader.connection.frame(query, values) if is_read else pl.DataFrame(schema=schema)
    first = (frame["at_progress"] - frame["at_start"]).round(6)
    then = (frame["at_finish"] - frame["at_progress"]).round(6)
    n_both = int(((first >= LEAST) & (then <= -LEAST)).sum())
    return ThreeTimes(
        stamp=stamp,
        measure=what,
        frame=frame,
        medians=tuple(float(frame[time].quantile(0.5, "linear") or 0.0) for time in TIMES) if frame.height else (),
        first=mean_change(first.to_numpy(), unit=what.unit, level=question.level),
        then=mean_change(then.to_numpy(), unit=what.unit, level=question.level),
        rose_then_fell=proportion(
            n_both, frame.height, level=question.level, estimand="share that rose first and fell after"
        ),
    )
