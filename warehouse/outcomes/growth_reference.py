"""A growth reference: the course of a measure in untreated children, as straight pieces between ages.

Every kind of reference (constant slopes, a fit to the user's own untreated cases, an imported table) comes down to
the same thing: a curve of means by age for each measure and sex. The expected change of a case is the difference
between the curve at the age of the second record and at the age of the first.
"""

from __future__ import annotations

import tomllib
from bisect import bisect_left
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from math import sqrt
from typing import Any, Literal

from warehouse.errors import DefinitionError, near_names

GROWTH_OVER_AT = 18.0
"""A flat piece that ends by this age is a growing child whose measure happens not to change; later it is an adult."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowthCurve:
    """The mean course of one measure in one sex."""

    measure: str  # Measure code
    sex: Literal["male", "female", "any"]  # `male`, `female`, or `any` for both and for sex not known
    ages: tuple[float, ...]  # Knots in years, ascending, `(k,)` with k >= 2
    means: tuple[float, ...]  # Mean at each knot in the measure's unit, `(k,)`
    # Standard deviation between children of the annual change, in the unit per year; None if unknown
    slope_sd: float | None
    slope_se: float | None  # Standard error of the mean annual change; None if unknown
    source: str  # Where it comes from
    sds: tuple[float, ...] = ()  # Spread between children at each knot, in the measure's unit, `(k,)`; empty if unknown
    # L, M and S at each knot, `(k,)` triples, `means` being M; empty if the spread is not given so
    lms: tuple[tuple[float, float, float], ...] = ()

    def __post_init__(self) -> None:
        """Refuse knots that do not make a curve."""
        ordered = all(a < b for a, b in zip(self.ages, self.ages[1:], strict=False))
        if len(self.ages) < 2 or len(self.ages) != len(self.means) or not ordered:
            found = f"the growth curve of {self.measure} ({self.sex}) has knots that do not make a curve"
            raise DefinitionError(found, expected="two or more ages, ascending, each with a mean")
        if any(len(given) not in (0, len(self.ages)) for given in (self.sds, self.lms)):
            found = f"the growth curve of {self.measure} ({self.sex}) gives its spread at some of its ages only"
            raise DefinitionError(found, expected="a spread at every age, or at none")

    def at(self, age: float) -> float | None:
        """The curve at an age, by straight lines between the knots; None outside its ages."""
        if not self.ages[0] <= age <= self.ages[-1]:
            return None
        left = max(0, bisect_left(self.ages, age) - 1)
        share = (age - self.ages[left]) / (self.ages[left + 1] - self.ages[left])
        return self.means[left] + share * (self.means[left + 1] - self.means[left])

    def expected_change(self, age_from: float, age_to: float) -> float | None:
        """Mean change between two ages, or None where either lies outside the curve."""
        before, after = self.at(age_from), self.at(age_to)
        return None if before is None or after is None else after - before

    @property
    def yearly_spread(self) -> float | None:
        """Spread of the annual change of single children about the curve: sqrt(slope_sd^2 + slope_se^2).

        None where the reference does not say how much children differ. A standard error not known counts as none.
        """
        return None if self.slope_sd is None else sqrt(self.slope_sd**2 + (self.slope_se or 0.0) ** 2)


@dataclass(frozen=True, slots=True)
class GrowthReference:
    """A set of curves under one id, version and provenance."""

    id: str
    version: str
    label: str
    provenance: str
    curves: tuple[GrowthCurve, ...]

    @property
    def name(self) -> str:
        """As shown beside a figure, e.g. ``R1 v1.0.0``."""
        return f"{self.id} v{self.version}"

    def curve(self, measure: str, sex: str) -> GrowthCurve | None:
        """The curve for a measure and sex; ``any`` serves a sex that has none of its own."""
        matching: dict[str, GrowthCurve] = {curve.sex: curve for curve in self.curves if curve.measure == measure}
        return matching.get(sex) or matching.get("any")

    @property
    def measures(self) -> tuple[str, ...]:
        """Measures that have a curve, each once."""
        return tuple(dict.fromkeys(curve.measure for curve in self.curves))


@lru_cache(maxsize=1)
def constant_slopes() -> GrowthReference:
    """R1: constant annual slopes, from memory, flat after growth is taken to end."""
    text = files("warehouse.outcomes").joinpath("constant_slopes.toml").read_text(encoding="utf-8")
    data = tomllib.loads(text)
    curves = tuple(_slope_curve(code, body, data["growth_ends_at"]) for code, body in data["slopes"].items())
    return GrowthReference(data["id"], data["version"], data["label"], data["provenance"], curves)


def _slope_curve(code: str, body: dict[str, Any], ends: float) -> GrowthCurve:
    end = float(body.get("growth_ends_at", ends))
    slope = float(body["per_year"])
    return GrowthCurve(
        measure=code,
        sex="any",
        ages=(0.0, end, 130.0),
        means=(0.0, slope * end, slope * end),
        slope_sd=float(body["between_children_sd"]),
        slope_se=None,
        source=body["source"],
    )


def choose(references: dict[str, GrowthReference], wanted: str) -> GrowthReference:
    """The reference with this id.

    Raises:
        DefinitionError: There is none; those at hand are listed.
    """
    found = references.get(wanted.strip().upper())
    if found is None:
        message = f"there is no growth reference {wanted!r}"
        remedy = near_names(wanted.upper(), references) or "see `menton growth`"
        raise DefinitionError(message, expected=f"one of {', '.join(references)}", remedy=remedy)
    return found
