"""Mantel-Haenszel results as they may be shown: without an interval where the usual one would be far too narrow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from warehouse.analysis.stratified import Measure, Stratum, mantel_haenszel
from warehouse.results import Caution, Estimate


def stratified_estimate(
    strata: Sequence[Stratum], *, measure: Measure, level: float, adjusted_for: tuple[str, ...]
) -> Estimate:
    """The Mantel-Haenszel estimate over the strata.

    The variance of the difference is made of the events seen in the strata. With no event in a whole group (or nothing
    but events) that group adds next to nothing to it, and the interval would claim what ten cases cannot show; then it
    is left out, and the p value with it.
    """
    found = mantel_haenszel(strata, measure=measure, level=level, adjusted_for=adjusted_for)
    if found.interval is None or not _at_the_edge(strata):
        return found
    return replace(
        found,
        interval=None,
        p_value=None,
        warnings=(Caution("small_sample", "interval_far_too_narrow"), *found.warnings),
    )


def _at_the_edge(strata: Sequence[Stratum]) -> bool:
    """Whether a group has no event, or only events, in the strata that hold both groups."""
    used = [stratum for stratum in strata if stratum.informative]
    first = sum(stratum.x1 for stratum in used), sum(stratum.n1 for stratum in used)
    second = sum(stratum.x2 for stratum in used), sum(stratum.n2 for stratum in used)
    return any(x in {0, n} for x, n in (first, second))
