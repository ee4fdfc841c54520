"""Occlusal results: weighted PAR, its improvement, crowding classes, treatment need by overjet, incisor class.

Every function gives a Polars expression, so that all cases are scored at once; a missing input gives null.
Bounds marked "(from memory)" were recalled and not read in the named work.
"""

from __future__ import annotations

from typing import TypeAlias

import polars as pl

from warehouse.errors import RequestError, near_names
from warehouse.measures.occlusal_and_photo_measures import PAR_WEIGHTS

Column: TypeAlias = pl.Expr | str

GREATLY_IMPROVED = "greatly improved"
IMPROVED = "improved"
NOT_IMPROVED = "worse or no different"
#: Richmond 1992 (abstract): "improved" from a reduction of 30 %, "greatly improved" from a change of 22 points.
IMPROVED_FROM_PERCENT = 30.0
GREATLY_IMPROVED_FROM_POINTS = 22.0

#: Little 1975 prints 0, 1-3, 4-6, 7-9, 10 and more; the gaps are closed upwards: (0, 3], (3, 6], (6, 9], over 9.
LITTLE_BANDS = ((0.0, "perfect"), (3.0, "minimal"), (6.0, "moderate"), (9.0, "severe"))
LITTLE_ABOVE = "very severe"
#: Upper ends in mm of the contact displacement scores 0 to 3; more is 4, an impacted tooth 5.
DISPLACEMENT_ENDS = (1.0, 2.0, 4.0, 8.0)
#: Upper incisor to palatal plane below which it is called retroclined: 109 less one SD of 6, Eastman (from memory).
RETROCLINED_BELOW_DEG = 103.0
#: Overjet in mm taken as reduced (class III) below the first, increased (class II) above the second
#: (common practice, no source).
OVERJET_USUAL_MM = (1.0, 4.0)


def _expr(column: Column) -> pl.Expr:
    return pl.col(column) if isinstance(column, str) else column


def _number(column: Column) -> pl.Expr:
    return _expr(column).cast(pl.Float64)


def _banded(value: pl.Expr, bands: tuple[tuple[float, str], ...], above: str) -> pl.Expr:
    """The label of the first band whose upper end is not passed."""
    label = pl.lit(above)
    for end, name in reversed(bands):
        label = pl.when(value <= end).then(pl.lit(name)).otherwise(label)
    return pl.when(value.is_not_null() & value.is_not_nan()).then(label)


def weighted_par(weights: str = "uk") -> pl.Expr:
    """The weighted PAR score from its component columns (``par_upper_anterior_points`` and so on).

    Args:
        weights: ``uk`` or ``us``; the weights are data in ``PAR_WEIGHTS``.

    Returns:
        The weighted sum; null if a component that carries weight is null.

    Raises:
        RequestError: There are no such weights.
    """
    if weights not in PAR_WEIGHTS:
        message = f"There are no PAR weights called {weights!r}."
        expected = f"one of {', '.join(PAR_WEIGHTS)}"
        raise RequestError(
            message, where="PAR weights", expected=expected, remedy=near_names(weights, PAR_WEIGHTS) or expected
        )
    carried = [pl.col(code) * weight for code, weight in PAR_WEIGHTS[weights].terms if weight]
    total = carried[0]
    for term in carried[1:]:
        total = total + term
    return total


def par_improvement(start: Column, finish: Column) -> pl.Expr:
    """The improvement category of a finished case.

    Order of the rules: "greatly improved" needs a fall of at least 22 points *and* of at least 30 %; "improved"
    needs at least 30 %; all else is "worse or no different". (The source gives both limits and no order. A start
    of 90 and finish of 66 falls by 24 points but by 26.7 %: here it is not improved.) A start of 0 leaves nothing
    to improve. The nomogram was not seen.

    Args:
        start: Weighted score at start.
        finish: Weighted score at finish.
    """
    before, after = _number(start), _number(finish)
    fall = before - after
    enough = (100.0 * fall >= IMPROVED_FROM_PERCENT * before) & (fall > 0.0)
    label = (
        pl.when(enough & (fall >= GREATLY_IMPROVED_FROM_POINTS))
        .then(pl.lit(GREATLY_IMPROVED))
        .when(enough)
        .then(pl.lit(IMPROVED))
        .otherwise(pl.lit(NOT_IMPROVED))
    )
    return pl.when(fall.is_not_null()).then(label)


def par_percent_reduction(start: Column, finish: Column) -> pl.Expr:
    """Fall of the score in percent of the start; null where the start is 0 or a score is missing."""
    before, after = _number(start), _number(finish)
    return pl.when(before > 0.0).then(100.0 * (before - after) / before)


def contact_displacement_score(displacement_mm: Column, *, impacted: Column | None = None) -> pl.Expr:
    """PAR score of one contact: 0 to 1 mm 0, to 2 mm 1, to 4 mm 2, to 8 mm 3, more 4, impacted tooth 5.

    Args:
        displacement_mm: Distance between the contact points, not negative.
        impacted: True where the tooth is impacted (space of 4 mm or less); null counts as not impacted.
    """
    displacement = _number(displacement_mm)
    score = pl.sum_horizontal((displacement > end).cast(pl.Int64) for end in DISPLACEMENT_ENDS)
    scored = pl.when(displacement.is_not_null() & (displacement >= 0.0)).then(score)
    return (
        scored
        if impacted is None
        else pl.when(_expr(impacted).cast(pl.Boolean)).then(pl.lit(5, pl.Int64)).otherwise(scored)
    )


def irregularity_class(irregularity_mm: Column) -> pl.Expr:
    """Little's class of lower front crowding; see ``LITTLE_BANDS`` for how its gaps are closed."""
    value = _number(irregularity_mm)
    return pl.when(value >= 0.0).then(_banded(value, LITTLE_BANDS, LITTLE_ABOVE))


def iotn_overjet_grade(
    overjet_mm: Column, *, lips_competent: Column | None = None, functional_problem: Column | None = None
) -> pl.Expr:
    """Dental health grade by overjet alone; the grade of a case is the highest of all its features.

    Above 3.5 to 6 mm 2a with competent lips, 3a without (unknown counts as not competent, the rule for casts);
    above 6 to 9 mm 4a; above 9 mm 5a. Reverse overjet: to 1 mm 2b; above 1 to 3.5 mm 3b, or 4m with a chewing or
    speech problem; above 3.5 mm 4b, or 5m with a problem (unknown counts as none). A borderline value gets the
    lower grade. All else is grade 1.

    Args:
        overjet_mm: Overjet, negative where reversed.
        lips_competent: True where the lips meet at rest.
        functional_problem: True where chewing or speech is troubled.
    """
    overjet = _number(overjet_mm)
    competent = pl.lit(False) if lips_competent is None else _expr(lips_competent).cast(pl.Boolean).fill_null(False)
    problem = (
        pl.lit(False) if functional_problem is None else _expr(functional_problem).cast(pl.Boolean).fill_null(False)
    )
    ahead = (
        pl.when(overjet > 9.0)
        .then(pl.lit("5a"))
        .when(overjet > 6.0)
        .then(pl.lit("4a"))
        .when((overjet > 3.5) & competent)
        .then(pl.lit("2a"))
        .when(overjet > 3.5)
        .then(pl.lit("3a"))
        .otherwise(pl.lit("1"))
    )
    reverse = (
        pl.when(overjet < -3.5)
        .then(pl.when(problem).then(pl.lit("5m")).otherwise(pl.lit("4b")))
        .when(overjet < -1.0)
        .then(pl.when(problem).then(pl.lit("4m")).otherwise(pl.lit("3b")))
        .otherwise(pl.lit("2b"))
    )
    return pl.when(overjet.is_finite()).then(pl.when(overjet < 0.0).then(reverse).otherwise(ahead))


def suggested_incisor_class(overjet_mm: Column, u1_pp_deg: Column) -> pl.Expr:
    """The incisor class that overjet and upper incisor inclination point to.

    The class is defined by where the lower edges meet the upper incisors; this is only what usually goes with it
    (common practice, no source): overjet below 1 mm III; else upper incisors below 103 degrees to the palatal
    plane II/2; else overjet above 4 mm II/1; else I. Never a replacement for the recorded class.
    """
    overjet, inclination = _number(overjet_mm), _number(u1_pp_deg)
    reduced_below, increased_above = OVERJET_USUAL_MM
    label = (
        pl.when(overjet < reduced_below)
        .then(pl.lit("III"))
        .when(inclination < RETROCLINED_BELOW_DEG)
        .then(pl.lit("II/2"))
        .when(overjet > increased_above)
        .then(pl.lit("II/1"))
        .otherwise(pl.lit("I"))
    )
    return pl.when(overjet.is_finite() & inclination.is_finite()).then(label)


def incisor_class_doubt(incisor_class: Column, overjet_mm: Column, u1_pp_deg: Column) -> pl.Expr:
    """A sentence where the recorded incisor class and the measures hardly go together, else null.

    Bounds are wide, to catch slips of the pen only (common practice, no source).
    """
    recorded, overjet, inclination = _expr(incisor_class), _number(overjet_mm), _number(u1_pp_deg)
    return (
        pl.when((recorded == "I") & ((overjet > 6.0) | (overjet < 0.0)))
        .then(pl.lit("class I is recorded with an overjet outside 0 to 6 mm"))
        .when((recorded == "II/1") & (overjet < 1.0))
        .then(pl.lit("class II/1 is recorded with an overjet below 1 mm"))
        .when((recorded == "II/1") & (inclination < RETROCLINED_BELOW_DEG - 6.0))
        .then(pl.lit("class II/1 is recorded with retroclined upper incisors"))
        .when((recorded == "II/2") & (inclination > 115.0))
        .then(pl.lit("class II/2 is recorded with proclined upper incisors"))
        .when((recorded == "III") & (overjet > 4.0))
        .then(pl.lit("class III is recorded with an overjet above 4 mm"))
        .otherwise(pl.lit(None, pl.String))
    )
