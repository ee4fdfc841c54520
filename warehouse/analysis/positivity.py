"""Whether there is anyone to compare with: overlap of the propensity and extreme weights.

Positivity means that every kind of case had some chance of either group. Where it fails, no weighting can compare:
the numbers there are extrapolation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from warehouse.analysis.group_pair import GroupPair
from warehouse.analysis.weighting import WeightedComparison, effective_size
from warehouse.results import Caution

NEAR_CERTAIN = 0.05  # a propensity below this or above one minus this (common practice, no source)
_HEAVY = 0.05  # one case carrying more than this share of its group's weight (common practice, no source)
_MUCH_OUTSIDE = 0.10  # share of cases without a counterpart that is worth a word (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Positivity:
    """Overlap of two groups on the propensity scale."""

    # Lowest and highest propensity found in both groups, or None if the ranges do not meet
    common: tuple[float, float] | None = None
    # Share of all cases with a propensity that the other group never reaches; None without cases
    share_outside: float | None = None
    near_certain: int = 0  # Cases whose propensity is below 0.05 or above 0.95
    # Largest share of its group's weight that a single case carries, first and second group
    largest_weight_share: tuple[float, float] = (0.0, 0.0)
    effective_sizes: tuple[float, float] = (
        0.0,
        0.0,
    )  # Effective number of cases after weighting, first and second group
    picture: pl.DataFrame  # Histogram of the propensity: `low`, `high`, `first`, `second` (counts), 20 rows
    warnings: tuple[Caution, ...]  # Plain-words cautions


def positivity(pair: GroupPair, weighted: WeightedComparison) -> Positivity:
    """Judge the overlap behind a weighted comparison.

    ``weighted``: their weighted comparison, for its propensity and weights. Gives the overlap; if there was no
    propensity to judge (empty group, separation) a warning says so.
    """
    first, e = pair.first, weighted.propensity
    if e.size == 0:
        return _unjudged(weighted)
    common = _common_range(e[first].min(), e[first].max(), e[~first].min(), e[~first].max())
    inside = (e >= common[0]) & (e <= common[1]) if common else np.zeros(e.size, dtype=bool)
    outside = 1.0 - float(inside.mean())
    shares = tuple(float(w.max() / w.sum()) for w in (weighted.weights[first], weighted.weights[~first]))
    near = int(((e < NEAR_CERTAIN) | (e > 1.0 - NEAR_CERTAIN)).sum())
    heaviest = (shares[0], shares[1])
    return Positivity(
        common=common,
        share_outside=outside,
        near_certain=near,
        largest_weight_share=heaviest,
        effective_sizes=(effective_size(weighted.weights[first]), effective_size(weighted.weights[~first])),
        picture=_histogram(pair, weighted),
        warnings=_cautions(pair, outside, near, heaviest),
    )


def _common_range(low_a: float, high_a: float, low_b: float, high_b: float) -> tuple[float, float] | None:
    low, high = float(max(low_a, low_b)), float(min(high_a, high_b))
    return (low, high) if low <= high else None


def _histogram(pair: GroupPair, weighted: WeightedComparison) -> pl.DataFrame:
    edges = np.linspace(0.0, 1.0, 21)
    firm = np.minimum(weighted.propensity + 1e-9, 1.0)  # on an edge, rounding of the model would pick the bar
    counts = [np.histogram(firm[side], bins=edges)[0] for side in (pair.first, ~pair.first)]
    return pl.DataFrame({"low": edges[:-1], "high": edges[1:], "first": counts[0], "second": counts[1]})


def _cautions(pair: GroupPair, outside: float, near: int, heaviest: tuple[float, float]) -> tuple[Caution, ...]:
    cautions = []
    if outside > _MUCH_OUTSIDE:
        cautions.append(Caution("positivity", "no_counterpart", {"share": outside}))
    if near:
        cautions.append(Caution("positivity", "almost_certain_group", {"n": near, "n_all": pair.n}))
    for label, share, size in zip(pair.labels, heaviest, pair.sizes, strict=True):
        if share > _HEAVY and share * size > 2.0:
            cautions.append(Caution("positivity", "one_case_heavy", {"share": share, "label": label}))
    return tuple(cautions)


def _unjudged(weighted: WeightedComparison) -> Positivity:
    empty = pl.DataFrame(schema={"low": pl.Float64, "high": pl.Float64, "first": pl.Int64, "second": pl.Int64})
    return Positivity(
        picture=empty,
        warnings=weighted.contrast.difference.warnings,
    )
