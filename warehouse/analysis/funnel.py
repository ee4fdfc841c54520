"""Practices against the group: a funnel, so that chance is allowed for according to size.

Estimand: each practice's share with the outcome against one stated target, with the range that chance alone
would give a practice of that size at that target. The result is ordered by size and holds no rank: a funnel asks
"further out than chance explains?", never "who is best?".

Source: Spiegelhalter 2005, Stat Med 24:1185, appendix A.1.1 (exact limits) and the section on over-dispersion
(formulae from memory; check figures computed independently).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from warehouse.analysis.spline import FloatArray
from warehouse.errors import RequestError
from warehouse.results import Caution, Interval

Overdispersion = Literal["none", "additive"]
_FEW = 10  # practices below which the spread between them is not worth estimating
_LEVELS = (0.95, 0.998)
_WINSORISED = 0.1  # share of z-scores pulled in at each end before the over-dispersion is taken


@dataclass(frozen=True, slots=True, kw_only=True)
class FunnelPoint:
    """One practice."""

    label: str  # Its (pseudonymous) label
    events: int  # Cases with the outcome
    n: int  # Cases assessed
    share: float  # `events / n`
    limits: Mapping[float, Interval]  # Level -> limits for a practice of this size
    position: str  # `inside`, or beyond which of the limits and on which side, in words


@dataclass(frozen=True, slots=True)
class FunnelLine:
    """Limits at one size and level: one vertex of the drawn funnel."""

    n: int
    level: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Funnel:
    """A funnel, practices from largest to smallest."""

    points: tuple[FunnelPoint, ...] = ()  # One a practice, by size and then label, never by rate
    lines: tuple[FunnelLine, ...] = ()  # Limits over the range of sizes
    target: float | None = None  # The share all are held against, or None when no case was assessed
    phi: float | None = None  # Winsorised over-dispersion factor `mean(z**2)`, or None
    tau2: float = 0.0  # Added between-practice variance of the share (additive), else 0
    left_out: Mapping[str, int]  # Reason -> number of practices not shown
    warnings: tuple[Caution, ...]  # Cautions to show beside the funnel


def funnel(
    events: Sequence[int],
    totals: Sequence[int],
    labels: Sequence[str],
    *,
    target: float | None = None,
    overdispersion: Overdispersion = "none",
) -> Funnel:
    """Practices, shape ``(k,)``, against a target with exact limits and, if asked, room for over-dispersion.

    ``additive`` widens the exact limits about the target by ``sqrt((s**2 + tau2) / s**2)`` with
    ``s**2 = target (1 - target) / n`` and, from the winsorised z-scores,
    ``tau2 = max(0, (k phi - (k - 1)) / (sum w - sum w**2 / sum w))``, ``w = 1 / s**2``: the exact limits again when
    there is no over-dispersion. Widening exact limits, not normal ones, is our choice. ``target``: the pooled share of
    all practices when not given. Practices without an assessed case are left out.
    """
    _check(events, totals, labels, target)
    rows = sorted(
        ((n, label, x) for x, n, label in zip(events, totals, labels, strict=True) if n > 0),
        key=lambda row: (-row[0], row[1]),
    )
    left_out = MappingProxyType({"no case assessed": len(labels) - len(rows)} if len(rows) < len(labels) else {})
    if not rows:
        nothing = Caution("no_data", "none_assessed_in_any_practice")
        return Funnel(left_out=left_out, warnings=(nothing,))
    n = np.array([row[0] for row in rows], dtype=np.float64)
    x = np.array([row[2] for row in rows], dtype=np.float64)
    held = float(np.sum(x) / np.sum(n)) if target is None else target
    if not 0 < held < 1:
        nothing = Caution("no_data", "no_practice_adverse" if held == 0 else "every_practice_adverse")
        points = tuple(_point(row, {}) for row in rows)
        return Funnel(points=points, target=held, left_out=left_out, warnings=(nothing,))
    s2 = held * (1 - held) / n
    phi = overdispersion_factor((x / n - held) / np.sqrt(s2), winsorise=_WINSORISED)
    tau2 = between_variance(phi, s2) if overdispersion == "additive" else 0.0
    return Funnel(
        points=tuple(_point(row, _limits(row[0], held, tau2, float(s2[i]))) for i, row in enumerate(rows)),
        lines=_lines(n, held, tau2),
        target=held,
        phi=phi,
        tau2=tau2,
        left_out=left_out,
        warnings=_cautions(len(rows), phi, overdispersion),
    )


def _limits(n: int, target: float, tau2: float, s2: float) -> dict[float, Interval]:
    widening = math.sqrt(1 + tau2 / s2)
    ends = {level: widened_limits(n, target, level, widening) for level in _LEVELS}
    return {level: Interval(float(low), float(high), level) for level, (low, high) in ends.items()}


def _point(row: tuple[int, str, int], limits: dict[float, Interval]) -> FunnelPoint:
    n, label, x = row
    position = _position(x / n, limits)
    return FunnelPoint(label=label, events=x, n=n, share=x / n, limits=MappingProxyType(limits), position=position)


def _position(share: float, limits: Mapping[float, Interval]) -> str:
    for level in sorted(limits, reverse=True):
        if share > limits[level].high:
            return f"above the {100 * level:g}% limit"
        if share < limits[level].low:
            return f"below the {100 * level:g}% limit"
    return "inside"


def _lines(n: FloatArray, target: float, tau2: float) -> tuple[FunnelLine, ...]:
    sizes = np.unique(np.round(np.geomspace(1, 1.1 * float(np.max(n)) + 1, 120)))
    widening = np.sqrt(1 + tau2 / (target * (1 - target) / sizes))
    ends = {level: widened_limits(sizes, target, level, widening) for level in _LEVELS}
    return tuple(
        FunnelLine(int(size), level, float(under), float(over))
        for level, (low, high) in ends.items()
        for size, under, over in zip(sizes, low, high, strict=True)
    )


def _cautions(k: int, phi: float, overdispersion: Overdispersion) -> tuple[Caution, ...]:
    found = []
    if overdispersion != "none" and k < _FEW:
        found.append(Caution("small_sample", "few_practices_for_spread", {"n": k}))
    if overdispersion == "none" and k >= _FEW and phi > 1 + 2 * math.sqrt(2 / k):
        found.append(Caution("approximation", "practices_differ_beyond_chance"))
    return tuple(found)


def _check(events: Sequence[int], totals: Sequence[int], labels: Sequence[str], target: float | None) -> None:
    if not len(events) == len(totals) == len(labels):
        found = f"Columns of different length: {len(events)}, {len(totals)} and {len(labels)}."
        raise RequestError(found, expected="one value a practice in every column", remedy="check the input")
    if any(not 0 <= x <= n for x, n in zip(events, totals, strict=True)):
        found = "A practice with a count below zero or above its total."
        raise RequestError(found, expected="0 <= count <= total", remedy="check the input")
    if target is not None and not 0 < target < 1:
        found = f"A target of {target:g}."
        raise RequestError(found, expected="a share strictly between 0 and 1", remedy="state another target")


def exact_limit(n: ArrayLike, target: float, p: float) -> FloatArray:
    """Binomial limit of ``n`` cases, a number or shape ``(m,)``, interpolated so that it moves smoothly with size.

    With ``r`` the smallest count for which ``P(R <= r) >= p``,
    ``alpha = (P(R <= r) - p) / (P(R <= r) - P(R <= r - 1))`` and the limit is ``(r - alpha) / n``. It can be slightly
    below 0 or above 1 in small practices.
    """
    from scipy.special import bdtr, bdtrik

    size = np.asarray(n, dtype=np.int64)
    above = np.ceil(bdtrik(p, size, target))
    below = np.maximum(above - 1, 0)
    r = np.where(bdtr(below, size, target) >= p, below, above)
    upto = bdtr(r, size, target)
    before = np.where(r > 0, bdtr(np.maximum(r - 1, 0), size, target), 0.0)
    return np.asarray((r - (upto - p) / (upto - before)) / size, dtype=np.float64)


def overdispersion_factor(z: ArrayLike, *, winsorise: float) -> float:
    """Mean of the squared z-scores after the outer ``winsorise`` of each end is pulled in to its quantile.

    1 on average when practices differ by chance alone; ``winsorise = 0`` uses the scores as they are.
    """
    scores = np.asarray(z, dtype=np.float64)
    low, high = np.quantile(scores, [winsorise, 1 - winsorise])
    return float(np.mean(np.clip(scores, low, high) ** 2))


def between_variance(phi: float, s2: FloatArray) -> float:
    """Variance between practices from over-dispersion ``phi`` and sampling variances ``s2``; 0 with one practice."""
    w = 1 / s2
    spread = float(np.sum(w) - np.sum(w**2) / np.sum(w))
    if spread <= 0:
        return 0.0
    return max(0.0, (s2.size * phi - (s2.size - 1)) / spread)


def widened_limits(n: ArrayLike, target: float, level: float, widening: ArrayLike) -> FloatArray:
    """Lower and upper limits, moved away from the target by the factor ``widening`` and cut to [0, 1]; ``(2, m)``."""
    tails = [exact_limit(n, target, p) for p in ((1 - level) / 2, (1 + level) / 2)]
    limits: FloatArray = np.clip(target + (np.array(tails) - target) * np.asarray(widening), 0.0, 1.0)
    return limits
