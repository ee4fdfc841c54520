"""Types of face: facial index classes, vertical type by measure, and the nose-tip rule of thumb.

Every function gives a Polars expression; a missing input gives null. "(from memory)" in a source means that the
value was recalled and not read in the named work.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TypeAlias

import polars as pl

from warehouse.errors import RequestError

Column: TypeAlias = pl.Expr | str

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
_NOSE_TIP_BASE_MM = 23.0


@dataclass(frozen=True, slots=True)
class TypeBand:
    """Cut points of the vertical type for one measure."""

    average: tuple[float, float]  # (lower, upper) end of the average band, in the measure's unit
    ends_are_average: bool  # Whether the ends themselves are average
    rises_with_length: bool  # True where a larger value is the longer face
    source: str  # Where the cut points come from


_CHUNG = "Chung and Mongiovi 2003 (abstract): low up to 27, high from 37"
VERTICAL_TYPES: Mapping[str, TypeBand] = MappingProxyType(
    {
        "sn_gogn_deg": TypeBand((27.0, 37.0), False, True, f"{_CHUNG}; applied to SN-GoGn (from memory)"),
        "sn_gome_deg": TypeBand((27.0, 37.0), False, True, f"{_CHUNG}, for MP-SN"),
        "fma_deg": TypeBand((20.0, 30.0), False, True, "low up to 20, high from 30 (weak secondary source)"),
        "mmpa_deg": TypeBand((23.0, 31.0), True, True, "27 +- 4, Eastman, Mills 1982 (from memory)"),
        "bjork_sum_deg": TypeBand((390.0, 402.0), True, True, "396 +- 6, Björk-Jarabak (from memory)"),
        "jarabak_pct": TypeBand((62.0, 65.0), True, False, "Jarabak and Fizzell 1972 (from memory)"),
        "facial_axis_deg": TypeBand((86.5, 93.5), True, False, "90 +- 3.5, Ricketts (from memory)"),
    }
)


def _expr(column: Column) -> pl.Expr:
    return pl.col(column) if isinstance(column, str) else column


def _number(column: Column) -> pl.Expr:
    return _expr(column).cast(pl.Float64)


def vertical_type(measure: str, value: Column | None = None) -> pl.Expr:
    """Vertical type of a face, ``low``, ``average`` or ``high``, by one measure.

    A value of exactly 27 degrees is low and of 37 high (SN planes); the cut points and which side their ends
    belong to are in ``VERTICAL_TYPES``.

    Args:
        measure: A measure code of ``VERTICAL_TYPES``.
        value: The column; by default the one called like the measure.

    Raises:
        RequestError: No cut points are known for the measure.
    """
    if measure not in VERTICAL_TYPES:
        message = f"No vertical type is defined by {measure!r}."
        expected = f"one of {', '.join(VERTICAL_TYPES)}"
        raise RequestError(message, where="vertical type", expected=expected, remedy="choose one of these measures")
    band = VERTICAL_TYPES[measure]
    read = _number(measure if value is None else value)
    low_end, high_end = band.average
    below = read < low_end if band.ends_are_average else read <= low_end
    above = read > high_end if band.ends_are_average else read >= high_end
    short, long = (below, above) if band.rises_with_length else (above, below)
    label = pl.when(short).then(pl.lit("low")).when(long).then(pl.lit("high")).otherwise(pl.lit("average"))
    return pl.when(read.is_finite()).then(label)


def facial_index_class(index_pct: Column, sex: Column) -> pl.Expr:
    """Class of the facial index, on the scale for the person's sex.

    The index is rounded to one decimal first, since the printed bands leave gaps of 0.1. Where the sex is neither
    male nor female the class is given only if both scales agree.

    Args:
        index_pct: Facial index in percent.
        sex: ``male``, ``female``, ``other``, ``unknown`` or null.
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


def nose_tip_unfavourable(distance_mm: Column) -> pl.Expr:
    """Whether the rule of thumb calls the distance unfavourable (above 42 mm; some say 43).

    Common practice, no source; never a norm.
    """
    return _number(distance_mm) > NOSE_TIP_UNFAVOURABLE_MM
