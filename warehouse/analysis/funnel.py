"""Practices against the group: a funnel, so that chance is allowed for according to size.

Estimand: each practice's share with the outcome against one stated target, with the range that chance alone
would give a practice of that size at that target. The result is ordered by size and holds no rank: a funnel asks
"further out than chance explains?", never "who is best?".

Source: Spiegelhalter 2005, Stat Med 24:1185, appendix A.1.1 (exact limits) and the section on over-dispersion
(formulae from memory; check figures computed independently).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

import numpy as np

from warehouse.analysis.funnel_limits import between_variance, overdispersion_factor, widened_limits
from warehouse.errors import RequestError
from warehouse.plural import number_of
from warehouse.results import Caution, Interval

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

Overdispersion = Literal["none", "multiplicative", "additive"]

_FEW = 10  # practices below which the spread between them is not worth estimating


@dataclass(frozen=True, slots=True, kw_only=True)
class FunnelPoint:
    """One practice."""

    label: str  # Its (pseudonymous) label
    events: int  # Cases with the outcome
    n: int  # Cases assessed
    share: float  # `events / n`
    z: float | None  # `(share - target) / sqrt(target (1 - target) / n)`; None where the target is 0 or 1
    z_adjusted: float | None  # The same with the over-dispersion asked for
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

    points: tuple[FunnelPoint, ...]  # One a practice, by size and then label, never by rate
    lines: tuple[FunnelLine, ...]  # Limits over the range of sizes
    target: float | None  # The share all are held against, or None when no case was assessed
    target_source: str  # Where it comes from, in words
    levels: tuple[float, ...]  # Levels of the limits
    overdispersion: Overdispersion  # The adjustment asked for
    phi: float | None  # Winsorised over-dispersion factor `mean(z**2)`, or None
    phi_raw: float | None  # The same without winsorising
    tau2: float  # Added between-practice variance of the share (additive), else 0
    expected_outside: Mapping[float, float]  # Level -> practices expected outside by chance alone
    left_out: Mapping[str, int]  # Reason -> number of practices not shown
    warnings: tuple[Caution, ...]  # Cautions to show beside the funnel


def funnel(
    events: Sequence[int],
    totals: Sequence[int],
    labels: Sequence[str],
    *,
    target: float | None = None,
    levels: tuple[float, ...] = (0.95, 0.998),
    overdispersion: Overdispersion = "none",
    winsorise: float = 0.1,
) -> Funnel:
    """Practices against a target, with exact limits and, if asked, room for over-dispersion.

    ``multiplicative`` widens the exact limits about the target by ``sqrt(phi)`` where ``phi > 1``; ``additive``
    by ``sqrt((s**2 + tau2) / s**2)`` with ``s**2 = target (1 - target) / n`` and, from the winsorised z-scores,
    ``tau2 = max(0, (k phi - (k - 1)) / (sum w - sum w**2 / sum w))``, ``w = 1 / s**2``. Both are the exact limits
    again when there is no over-dispersion; widening the exact limits rather than normal ones is our choice.

    ``events``: cases with the outcome, shape ``(k,)``. ``totals``: cases assessed, shape ``(k,)``; practices with none
    are left out. ``labels``: names of the practices, shape ``(k,)``. ``target``: share to hold against; the pooled
    share of all practices when not given. ``levels``: levels of the limits, each in (0, 1). ``overdispersion``: the
    adjustment wanted. ``winsorise``: share of z-scores pulled in at each end before ``phi`` is taken (numpy's linear
    quantiles).
    """
    _check(events, totals, labels, target)
    rows = sorted(
        ((n, label, x) for x, n, label in zip(events, totals, labels, strict=True) if n > 0),
        key=lambda row: (-row[0], row[1]),
    )
    empty = len(labels) - len(rows)
    left_out = {"no case assessed": empty} if empty else {}
    if not rows:
        return _empty(levels, overdispersion, left_out)
    n = np.array([row[0] for row in rows], dtype=np.float64)
    x = np.array([row[2] for row in rows], dtype=np.float64)
    held = float(np.sum(x) / np.sum(n)) if target is None else target
    source = "pooled share of the practices shown" if target is None else "stated beforehand"
    if not 0 < held < 1:
        return _flat(rows, held, source, levels, overdispersion, left_out)
    s2 = held * (1 - held) / n
    z = (x / n - held) / np.sqrt(s2)
    phi = overdispersion_factor(z, winsorise=winsorise)
    tau2 = between_variance(phi, s2) if overdispersion == "additive" else 0.0
    factor = max(1.0, phi) if overdispersion == "multiplicative" else 1.0
    points = [
        _point(row, held, levels, float(z[i]), math.sqrt(factor * (1 + tau2 / float(s2[i]))))
        for i, row in enumerate(rows)
    ]
    return Funnel(
        points=tuple(points),
        lines=_lines(n, held, levels, tau2, factor),
        target=held,
        target_source=source,
        levels=levels,
        overdispersion=overdispersion,
        phi=phi,
        phi_raw=float(np.mean(z**2)),
        tau2=tau2,
        expected_outside=MappingProxyType({level: len(rows) * (1 - level) for level in levels}),
        left_out=MappingProxyType(left_out),
        warnings=_cautions(len(rows), phi, overdispersion),
    )


def _point(
    row: tuple[int, str, int], target: float, levels: tuple[float, ...], z: float, widening: float
) -> FunnelPoint:
    n, label, x = row
    limits = {}
    for level in levels:
        low, high = widened_limits(n, target, level, widening)
        limits[level] = Interval(float(low), float(high), level)
    return FunnelPoint(
        label=label,
        events=x,
        n=n,
        share=x / n,
        z=z,
        z_adjusted=z / widening,
        limits=MappingProxyType(limits),
        position=_position(x / n, limits),
    )


def _position(share: float, limits: Mapping[float, Interval]) -> str:
    for level in sorted(limits, reverse=True):
        if share > limits[level].high:
            return f"above the {100 * level:g}% limit"
        if share < limits[level].low:
            return f"below the {100 * level:g}% limit"
    return "inside"


def _lines(
    n: NDArray[np.float64], target: float, levels: tuple[float, ...], tau2: float, factor: float
) -> tuple[FunnelLine, ...]:
    sizes = np.unique(np.round(np.geomspace(1, 1.1 * float(np.max(n)) + 1, 120)))
    s2 = target * (1 - target) / sizes
    widening = np.sqrt(factor * (1 + tau2 / s2))
    lines = []
    for level in levels:
        low, high = widened_limits(sizes, target, level, widening)
        lines += [
            FunnelLine(int(size), level, float(under), float(over))
            for size, under, over in zip(sizes, low, high, strict=True)
        ]
    return tuple(lines)


def _cautions(k: int, phi: float, overdispersion: Overdispersion) -> tuple[Caution, ...]:
    found = []
    if overdispersion != "none" and k < _FEW:
        text = (
            f"With {number_of(k, 'practice')}, spread beyond chance is estimated from too few; read the limits loosely."
        )
        found.append(Caution("small_sample", text))
    if overdispersion == "none" and k >= _FEW and phi > 1 + 2 * math.sqrt(2 / k):
        text = (
            "The practices differ from each other more than chance explains, so limits for chance alone single "
            "out too many; differences in case mix are the usual reason."
        )
        found.append(Caution("approximation", text))
    return tuple(found)


def _flat(
    rows: list[tuple[int, str, int]],
    target: float,
    source: str,
    levels: tuple[float, ...],
    overdispersion: Overdispersion,
    left_out: dict[str, int],
) -> Funnel:
    """No case, or every case, has the outcome: the limits close on the target and no z-score exists."""
    which = "No case" if target == 0 else "Every case"
    text = f"{which} has the outcome in any practice, so there is no spread to draw limits from."
    points = tuple(
        FunnelPoint(
            label=label,
            events=x,
            n=n,
            share=x / n,
            z=None,
            z_adjusted=None,
            limits=MappingProxyType({}),
            position="inside",
        )
        for n, label, x in rows
    )
    return Funnel(
        points=points,
        lines=(),
        target=target,
        target_source=source,
        levels=levels,
        overdispersion=overdispersion,
        phi=None,
        phi_raw=None,
        tau2=0.0,
        expected_outside=MappingProxyType(dict.fromkeys(levels, 0.0)),
        left_out=MappingProxyType(left_out),
        warnings=(Caution("no_data", text),),
    )


def _empty(levels: tuple[float, ...], overdispersion: Overdispersion, left_out: dict[str, int]) -> Funnel:
    return Funnel(
        points=(),
        lines=(),
        target=None,
        target_source="none",
        levels=levels,
        overdispersion=overdispersion,
        phi=None,
        phi_raw=None,
        tau2=0.0,
        expected_outside=MappingProxyType(dict.fromkeys(levels, 0.0)),
        left_out=MappingProxyType(left_out),
        warnings=(Caution("no_data", "No case was assessed in any practice."),),
    )


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
