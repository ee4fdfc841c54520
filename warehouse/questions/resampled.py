"""Intervals of the modelled and weighted comparisons by drawing the cases again and again (bootstrap)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from warehouse.analysis.standardise import bootstrap_standardised
from warehouse.analysis.weighting import bootstrap_weighted
from warehouse.errors import RequestError
from warehouse.questions.methods import TITLES, MethodResult, PreparedPair, of_contrast

FEWEST, MOST = 100, 20_000
SEED = 20_250_101


@dataclass(frozen=True, slots=True, kw_only=True)
class Resampling:
    """How the cases are drawn again."""

    n: int  # Resamples for each method
    seed: int = SEED  # Where the draws begin; the same seed on the same build gives the same intervals
    progress: Callable[[str], None] = lambda _: None  # Told in words how far it is

    def __post_init__(self) -> None:
        """Refuse what gives no interval, or takes for ever."""
        if not FEWEST <= self.n <= MOST:
            found = f"{self.n:,} resamples were asked for"
            raise RequestError(found, expected=f"{FEWEST:,} to {MOST:,}", remedy="2,000 are usual for an interval")
        if self.seed < 0:
            found = f"a seed of {self.seed}"
            raise RequestError(found, expected="0 or more", remedy="give another number")


def resampled_methods(prepared: PreparedPair, how: Resampling) -> dict[str, MethodResult]:
    """Standardised, overlap-weighted and inverse-probability-weighted comparisons with percentile intervals.

    Models are fitted anew in every resample, so that the intervals hold what estimating them adds. Every method draws
    from a stream of its own: asking for one more method changes no other.

    Returns:
        Method -> result; a comparison that has no value keeps its reason, one that never varies its analytic interval.
    """
    streams = dict(zip(TITLES, np.random.default_rng(how.seed).spawn(len(TITLES)), strict=True))
    pair, level = prepared.pair, prepared.level

    def told(name: str) -> Callable[[int, int], None]:
        def tell(done: int, wanted: int) -> None:
            if done % max(1, wanted // 10) == 0:
                how.progress(f"{TITLES[name]}: {done:,} of {wanted:,} resamples")

        return tell

    standardised = bootstrap_standardised(
        pair,
        rng=streams["standardised"],
        n_resamples=how.n,
        level=level,
        progress=told("standardised"),
    )
    found = {"standardised": of_contrast("standardised", standardised)}
    for name in ("overlap", "inverse"):
        weighted = bootstrap_weighted(
            pair,
            rng=streams[name],
            target="overlap" if name == "overlap" else "everyone",
            n_resamples=how.n,
            level=level,
            progress=told(name),
        )
        found[name] = of_contrast(name, weighted.contrast)
    return found
