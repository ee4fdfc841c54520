"""A growth reference: the course of a measure in untreated children, as straight pieces between ages.

Every kind of reference (constant slopes, the printed atlas, a fit to the user's own untreated cases, an imported table)
comes down to the same thing: a curve of means by age for each measure and sex. The expected change of a case is the
difference between the curve at the age of the second record and at the age of the first. Which reference is used is
chosen for each measure (``warehouse.marts.catalogues``).
"""

import csv
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from math import sqrt
from typing import Any, Literal, TypeAlias

from warehouse.errors import DefinitionError, near_names

_SHIPPED = tomllib.loads(files("warehouse.outcomes").joinpath("growth_references.toml").read_text(encoding="utf-8"))
GROWTH_OVER_AT: float = _SHIPPED["adults"]["age_from"]
"""A flat piece that ends by this age is a growing child whose measure happens not to change; later it is an adult."""
OLDEST = 130.0  # last age of a curve that speaks of adults too, years
ADULTS: str = _SHIPPED["adults"]["source"]  # what is taken of adults, and where it comes from

Sex: TypeAlias = Literal["male", "female", "any"]
Evidence: TypeAlias = Literal[
    "published", "abstract", "common practice", "from memory", "own cases", "imported", "not stated"
]
"""How far a figure may be trusted; ``growth_references.toml`` says what each means."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowthCurve:
    """The mean course of one measure in one sex."""

    measure: str  # Measure code
    sex: Sex  # `male`, `female`, or `any` for both and for sex not known
    ages: tuple[float, ...]  # Knots in years, ascending, `(k,)` with k >= 2
    means: tuple[float, ...]  # Mean at each knot in the measure's unit, `(k,)`
    # Standard deviation between children of the annual change, in the unit per year; None if unknown
    slope_sd: float | None
    slope_se: float | None  # Standard error of the mean annual change; None if unknown
    source: str  # Where it comes from
    sds: tuple[float, ...] = ()  # Spread between children at each knot, in the measure's unit, `(k,)`; empty if unknown
    # L, M and S at each knot, `(k,)` triples, `means` being M; empty if the spread is not given so
    lms: tuple[tuple[float, float, float], ...] = ()
    evidence: Evidence = "not stated"  # Of the means
    spread_evidence: Evidence = "not stated"  # Of `slope_sd`, as `spread_source`
    spread_source: str = ""
    spread_children: int | None = None  # Children `slope_sd` rests on; None where that is not known
    # Vertical type at start (low, average, high) -> `slope_sd` of such faces, where it is known to differ
    spread_by_type: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        """Refuse knots that do not make a curve."""
        ordered = all(a < b for a, b in zip(self.ages, self.ages[1:], strict=False))
        if len(self.ages) < 2 or len(self.ages) != len(self.means) or not ordered:
            found = f"the growth curve of {self.measure} ({self.sex}) has knots that do not make a curve"
            raise DefinitionError(found, expected="two or more ages, ascending, each with a mean")
        if any(len(given) not in (0, len(self.ages)) for given in (self.sds, self.lms)):
            found = f"the growth curve of {self.measure} ({self.sex}) gives its spread at some of its ages only"
            raise DefinitionError(found, expected="a spread at every age, or at none")

    @property
    def trust(self) -> str:
        """The evidence for the means and, where it is another, for the spread."""
        differs = self.slope_sd is not None and self.spread_evidence not in {"not stated", self.evidence}
        return f"{self.evidence}; spread: {self.spread_evidence}" if differs else self.evidence

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
        """As shown beside a figure, e.g. ``R1 v2.0.0``."""
        return f"{self.id} v{self.version}" if self.version else self.id

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
    """R1: constant annual slopes, flat after growth is taken to end."""
    data = _SHIPPED["R1"]
    curves = tuple(
        curve for code, body in data["slopes"].items() for curve in _slope_curves(code, body, data["growth_ends_at"])
    )
    return GrowthReference("R1", data["version"], data["label"], data["provenance"], curves)


def _slope_curves(code: str, body: dict[str, Any], ends: float) -> list[GrowthCurve]:
    stated = body.get("growth_ends_at", ends)
    by_sex: dict[Sex, float] = stated if isinstance(stated, dict) else {"any": stated}
    slope = float(body["per_year"])
    return [
        GrowthCurve(
            measure=code,
            sex=sex,
            ages=(0.0, end, OLDEST),
            means=(0.0, slope * end, slope * end),
            slope_sd=float(body["between_children_sd"]),
            slope_se=None,
            source=body["source"],
            evidence=body.get("evidence", "from memory"),
            spread_evidence=body.get("spread_evidence", "from memory"),
            spread_source=body.get("spread_source", "from memory"),
            spread_children=body.get("spread_children"),
        )
        for sex, end in by_sex.items()
    ]


def atlas(enlargement_pct: float | None = None, *, version: str = "", said: str = "") -> GrowthReference:
    """The printed face heights by sex and age, at true size, and the ratios of the printed means.

    ``enlargement_pct``: enlargement of the films, of which ``said`` tells where it was read; the shipped one without.
    ``version``: where the reference is another than the shipped one.
    """
    data = _SHIPPED["ATLAS"]
    enlargement = data["enlargement_pct"] if enlargement_pct is None else enlargement_pct
    printed: dict[tuple[str, Sex], dict[float, tuple[float, float]]] = {}
    text = files("warehouse.outcomes").joinpath("atlas_1974.csv").read_text(encoding="utf-8")
    for row in csv.DictReader(text.splitlines()):
        sex: Sex = "male" if row["sex"] == "male" else "female"
        values = (float(row["mean_mm_as_printed"]), float(row["sd_mm"]))
        printed.setdefault((row["variable"], sex), {})[float(row["age"])] = values
    size = 1.0 + enlargement / 100.0
    divided = f"divided by {size:g} for the enlargement of the films ({said or data['enlargement_evidence']})"
    curves = []
    for sex in ("male", "female"):
        for code, length in data["lengths"].items():
            means = {age: mean / size for age, (mean, _) in printed[length, sex].items()}
            sds = tuple(sd / size for _, sd in printed[length, sex].values())
            curves.append(_atlas_curve(code, sex, means, f"{length}, {divided}", sds))
        for code, (part, whole) in data["ratios"].items():
            wholes = printed[whole, sex]
            shares = {age: 100.0 * mean / wholes[age][0] for age, (mean, _) in printed[part, sex].items()}
            curves.append(
                _atlas_curve(code, sex, shares, f"{part} over {whole}, ratio of the printed means (computed)")
            )
    provenance = f"published: {data['source']}, {divided}; {data['note']}"
    return GrowthReference("ATLAS", version or data["version"], data["label"], provenance, tuple(curves))


def _atlas_curve(code: str, sex: Sex, means: dict[float, float], what: str, sds: tuple[float, ...] = ()) -> GrowthCurve:
    return GrowthCurve(
        measure=code,
        sex=sex,
        ages=tuple(means),
        means=tuple(means.values()),
        slope_sd=None,
        slope_se=None,
        source=f"{what}: Riolo et al. 1974",
        sds=sds,
        evidence="published",
    )


@lru_cache(maxsize=1)
def shipped_references() -> dict[str, GrowthReference]:
    """The references shipped, by id; of two that have a measure the first serves it until another is chosen."""
    return {one.id: one for one in (atlas(), constant_slopes())}


def choose(references: dict[str, GrowthReference], wanted: str) -> GrowthReference:
    """The reference with this id. Raises DefinitionError: there is none; those at hand are listed."""
    found = references.get(wanted.strip().upper())
    if found is None:
        message = f"there is no growth reference {wanted!r}"
        remedy = near_names(wanted.upper(), references) or "see `menton growth`"
        raise DefinitionError(message, expected=f"one of {', '.join(references)}", remedy=remedy)
    return found
