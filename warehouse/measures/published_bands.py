"""Classes by published bands: improvement, crowding, treatment need by overjet, facial index, the nose-tip rule.

Every function gives a Polars expression, so that all cases are classed at once; a missing input gives null.
"(from memory)" marks what was recalled and not read in the named work.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import TypeAlias

import polars as pl

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

FACIAL_INDEX_CLASSES = ("hypereuryprosopic", "euryprosopic", "mesoprosopic", "leptoprosopic", "hyperleptoprosopic")
#: First value of the second to the fifth class. The general scale (living, used for males) was read in a table
#: (Anat Res Int 2015, 780756, table 1); the scale for females is Martin-Saller's (from memory).
FACIAL_INDEX_STARTS: Mapping[str, tuple[float, float, float, float]] = MappingProxyType(
    {"male": (79.0, 84.0, 88.0, 93.0), "female": (77.0, 81.0, 85.0, 90.0)}
)

#: Rule of thumb for nose tip to upper incisor edge, mm (common practice, no source; never a norm).
NOSE_TIP_ADULT_MM: Mapping[str, float] = MappingProxyType({"male": 38.0, "female": 36.0})
NOSE_TIP_UNFAVOURABLE_MM = 42.0
NOSE_TIP_SOURCE = "common practice, no source; a rule of thumb and never a norm"
_NOSE_TIP_BASE_MM, OLDEST_GUIDED = 23.0, 99.0


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


def par_improvement(start: Column, finish: Column) -> pl.Expr:
    """The improvement category of a finished case.

    Order of the rules: "greatly improved" needs a fall of at least 22 points *and* of at least 30 %; "improved"
    needs at least 30 %; all else is "worse or no different". (The source gives both limits and no order. A start
    of 90 and finish of 66 falls by 24 points but by 26.7 %: here it is not improved.) A start of 0 leaves nothing
    to improve. The nomogram was not seen.
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


def irregularity_class(irregularity_mm: Column) -> pl.Expr:
    """Little's class of lower front crowding; see ``LITTLE_BANDS`` for how its gaps are closed."""
    value = _number(irregularity_mm)
    return pl.when(value >= 0.0).then(_banded(value, LITTLE_BANDS, LITTLE_ABOVE))


def iotn_overjet_grade(overjet_mm: Column, *, lips_competent: Column | None = None) -> pl.Expr:
    """Dental health grade by overjet alone; the grade of a case is the highest of all its features.

    Above 3.5 to 6 mm 2a with competent lips, 3a without (unknown counts as not competent, the rule for casts);
    above 6 to 9 mm 4a; above 9 mm 5a. Reverse overjet (negative): to 1 mm 2b; above 1 to 3.5 mm 3b; above 3.5 mm
    4b (a chewing or speech problem, which would raise the last two, is not asked for). A borderline value gets the
    lower grade. All else is grade 1.
    """
    overjet = _number(overjet_mm)
    competent = pl.lit(False) if lips_competent is None else _expr(lips_competent).cast(pl.Boolean).fill_null(False)
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
    reverse = pl.when(overjet < -3.5).then(pl.lit("4b")).when(overjet < -1.0).then(pl.lit("3b")).otherwise(pl.lit("2b"))
    return pl.when(overjet.is_finite()).then(pl.when(overjet < 0.0).then(reverse).otherwise(ahead))


def facial_index_class(index_pct: Column, sex: Column) -> pl.Expr:
    """Class of the facial index, on the scale for the person's sex.

    The index is rounded to one decimal first, since the printed bands leave gaps of 0.1. Where the sex is neither
    male nor female the class is given only if both scales agree.
    """
    index, stated = _number(index_pct), _expr(sex)
    by_male, by_female = (_index_class(index, FACIAL_INDEX_STARTS[scale]) for scale in ("male", "female"))
    label = (
        pl.when(stated == "male")
        .then(by_male)
        .when(stated == "female")
        .then(by_female)
        .when(by_male == by_female)
        .then(by_male)
    )
    return pl.when(index.is_finite()).then(label)


def _index_class(index: pl.Expr, starts: tuple[float, ...]) -> pl.Expr:
    rounded = index.round(1, mode="half_away_from_zero")
    label = pl.lit(FACIAL_INDEX_CLASSES[0])
    for start, name in zip(starts, FACIAL_INDEX_CLASSES[1:], strict=True):
        label = pl.when(rounded >= start).then(pl.lit(name)).otherwise(label)
    return label


def nose_tip_guide_mm(age_years: Column, sex: Column) -> pl.Expr:
    """The distance a rule of thumb expects: 23 mm plus 1 mm a year of age, up to 38 mm (men) or 36 mm (women).

    Common practice, no source; never a norm. Null where age or sex is not known.
    """
    age, stated = _number(age_years), _expr(sex)
    adult = (
        pl.when(stated == "male")
        .then(NOSE_TIP_ADULT_MM["male"])
        .when(stated == "female")
        .then(NOSE_TIP_ADULT_MM["female"])
        .otherwise(None)
    )
    child = _NOSE_TIP_BASE_MM + age
    return pl.when(adult.is_not_null() & age.is_not_null()).then(pl.min_horizontal(child, adult))


def nose_tip_unfavourable(distance_mm: Column, age_years: Column, sex: Column) -> pl.Expr:
    """Whether the rule of thumb calls the distance unfavourable: above 42 mm (some say 43) once the nose has grown.

    Before, the limit lies as far above the guide of the age as 42 mm above the adult's. Common practice, no source;
    never a norm. Null where age or sex is not known.
    """
    grown = nose_tip_guide_mm(pl.lit(OLDEST_GUIDED), sex)
    return _number(distance_mm) - nose_tip_guide_mm(age_years, sex) > NOSE_TIP_UNFAVOURABLE_MM - grown
