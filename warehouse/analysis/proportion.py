"""The share of cases that went adverse, with an interval that holds up in small groups.

The estimand is the long-run share in cases like these; the model is ``x`` ~ binomial(n, p).
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, log, sqrt
from typing import Final, Literal

from warehouse.analysis.inputs import check_counts, check_level, check_method, z_value
from warehouse.analysis.roots import crossing
from warehouse.results import Caution, Estimate, Interval, no_estimate

ProportionMethod = Literal["wilson", "wilson_corrected", "clopper_pearson", "mid_p", "jeffreys"]

#: Below this many cases a result carries a warning (common practice, no source).
FEW_CASES: Final = 10

_NAMES: Final = {
    "wilson": "Wilson score interval",
    "wilson_corrected": "Wilson score interval with continuity correction",
    "clopper_pearson": "Clopper-Pearson exact interval",
    "mid_p": "mid-P exact interval",
    "jeffreys": "Jeffreys interval (beta(1/2, 1/2) prior, equal tails)",
}


def wilson_interval(share: float, n: float, *, level: float = 0.95) -> Interval:
    """Wilson's score interval for an observed share of ``n`` cases; neither need be whole.

    Formula: (p + z2/2n +- z sqrt(p(1-p)/n + z2/4n2)) / (1 + z2/n), z2 = z squared. At a share of 0 or 1 the
    closed end is exactly 0 or 1; with n = 0 nothing is known and it runs from 0 to 1.
    Source: Wilson 1927, JASA 22:209; Newcombe 1998, Stat Med 17:857, method 3.
    """
    z = z_value(level)
    if n <= 0:
        return Interval(0.0, 1.0, level)
    centre = share + z * z / (2.0 * n)
    spread = z * sqrt(share * (1.0 - share) / n + z * z / (4.0 * n * n))
    scale = 1.0 + z * z / n
    low = 0.0 if share <= 0.0 else min(share, (centre - spread) / scale)
    high = 1.0 if share >= 1.0 else max(share, (centre + spread) / scale)
    return Interval(low, high, level)


def wilson_half_width(share: float, n: float, *, level: float = 0.95) -> float:
    """Half the width of Wilson's interval: the precision to expect from ``n`` cases at that share."""
    interval = wilson_interval(share, n, level=level)
    return (interval.high - interval.low) / 2.0


def _wilson(x: int, n: int, level: float) -> Interval:
    return wilson_interval(x / n, n, level=level)


def _upper_corrected(x: int, n: int, z: float) -> float:
    """Newcombe 1998 method 4, upper limit; the lower one is its mirror image."""
    if x == n:
        return 1.0
    p = x / n
    root = sqrt(z * z + 2.0 - 1.0 / n + 4.0 * p * (n * (1.0 - p) - 1.0))
    return min(1.0, (2.0 * n * p + z * z + 1.0 + z * root) / (2.0 * (n + z * z)))


def _wilson_corrected(x: int, n: int, level: float) -> Interval:
    z = z_value(level)
    return Interval(1.0 - _upper_corrected(n - x, n, z), _upper_corrected(x, n, z), level)


def _clopper_pearson(x: int, n: int, level: float) -> Interval:
    from scipy.special import betaincinv

    tail = (1.0 - level) / 2.0
    low = 0.0 if x == 0 else float(betaincinv(x, n - x + 1, tail))
    high = 1.0 if x == n else float(betaincinv(x + 1, n - x, 1.0 - tail))
    return Interval(low, high, level)


def _upper_mid_p(x: int, n: int, tail: float) -> float:
    """The share at which P(fewer than x) + P(exactly x)/2 falls to ``tail``."""
    from scipy.special import betainc, gammaln

    if x == 0:
        return 1.0 - float((2.0 * tail) ** (1.0 / n))
    log_ways = float(gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1))

    def excess(p: float) -> float:
        exactly = exp(log_ways + x * log(p) + (n - x) * log(1.0 - p))
        return float(betainc(n - x + 1, x, 1.0 - p)) + exactly / 2.0 - tail

    if x == n:  # P(fewer than n) + P(n)/2 = 1 - p^n / 2 stays above every tail below one half
        return 1.0
    return crossing(excess, 1e-15, 1.0 - 1e-15, within=1e-14)


def _mid_p(x: int, n: int, level: float) -> Interval:
    tail = (1.0 - level) / 2.0
    return Interval(1.0 - _upper_mid_p(n - x, n, tail), _upper_mid_p(x, n, tail), level)


def _jeffreys(x: int, n: int, level: float) -> Interval:
    from scipy.special import betaincinv

    tail = (1.0 - level) / 2.0
    low = 0.0 if x == 0 else float(betaincinv(x + 0.5, n - x + 0.5, tail))
    high = 1.0 if x == n else float(betaincinv(x + 0.5, n - x + 0.5, 1.0 - tail))
    return Interval(low, high, level)


_METHODS: Final[dict[str, Callable[[int, int, float], Interval]]] = {
    "wilson": _wilson,
    "wilson_corrected": _wilson_corrected,
    "clopper_pearson": _clopper_pearson,
    "mid_p": _mid_p,
    "jeffreys": _jeffreys,
}


def proportion(
    x: int, n: int, *, method: ProportionMethod = "wilson", level: float = 0.95, estimand: str = "share adverse"
) -> Estimate:
    """The share ``x / n`` with its interval.

    ``x``: cases that went adverse. ``method``: ``wilson`` (default), ``wilson_corrected``, ``clopper_pearson``,
    ``mid_p`` or ``jeffreys``. ``estimand``: what the share is a share of, in words. Gives an estimate in the unit
    ``proportion``. With n = 0 its value is None and its warning says so; with x = 0 or x = n a warning words the open
    end; below ten cases a warning says that the interval is wide. The Jeffreys limit at x = 0 (x = n) is set to 0 (1),
    as Brown, Cai & DasGupta advise. Raises RequestError where ``x`` and ``n`` are not counts, or the method or level
    does not exist.

    Source: Newcombe 1998, Stat Med 17:857 (methods 3, 4, 5, 6); Brown, Cai & DasGupta 2001, Stat Sci 16:101.
    The closed forms are written out here because every number on a screen needs one and the quantile functions
    of SciPy they rest on load several times faster than its statistics module.
    """
    check_counts(x, n)
    check_level(level)
    check_method(method, _METHODS)
    if n == 0:
        reason = Caution("no_data", "none_assessed")
        return no_estimate(estimand=estimand, method=_NAMES[method], n=0, reason=reason)
    return Estimate(
        estimand=estimand,
        value=x / n,
        interval=_METHODS[method](x, n, level),
        method=_NAMES[method],
        n=n,
        warnings=_cautions(x, n, level),
    )


def _cautions(x: int, n: int, level: float) -> tuple[Caution, ...]:
    found = []
    if x == 0:
        numbers = {"n": n, "bound": zero_events_bound(n, level=level), "level": level}
        found.append(Caution("small_sample", "none_adverse", numbers))
    elif x == n:
        numbers = {"n": n, "bound": 1.0 - zero_events_bound(n, level=level), "level": level}
        found.append(Caution("small_sample", "all_adverse", numbers))
    if n < FEW_CASES:
        found.append(Caution("small_sample", "few_assessed", {"n": n}))
    return tuple(found)


def zero_events_bound(n: int, *, level: float = 0.95) -> float:
    """How high the share may still be when none of ``n`` cases went adverse: the upper Wilson limit, 1.0 when n = 0."""
    check_counts(0, n)
    z = z_value(level)
    return z * z / (n + z * z)


@dataclass(frozen=True, slots=True, kw_only=True)
class MissingBounds:
    """The share as observed and at the two extremes of what the missing cases may hold."""

    observed: Estimate  # Among the assessed only: right only if the missing are like the assessed
    none_adverse: Estimate  # As if none of the missing had gone adverse
    all_adverse: Estimate  # As if every one of the missing had gone adverse
    n_missing: int  # Cases that could not be assessed


def missing_bounds(x: int, n_assessed: int, n_missing: int, *, level: float = 0.95) -> MissingBounds:
    """Worst-case bounds on the share when ``n_missing`` cases could not be assessed.

    The two extremes need no assumption about the missing (Manski's bounds), and each has its own Wilson
    interval for sampling. With nobody missing all three agree; with nobody at all their values are None.

    Raises RequestError where the counts are not counts.

    Source: Manski 2003, Partial Identification of Probability Distributions, ch. 1 (from memory).
    """
    check_counts(0, n_missing, where="cases that could not be assessed")
    total = n_assessed + n_missing
    return MissingBounds(
        observed=proportion(x, n_assessed, level=level),
        none_adverse=proportion(x, total, level=level, estimand="share adverse, none of the missing adverse"),
        all_adverse=proportion(x + n_missing, total, level=level, estimand="share adverse, all of the missing adverse"),
        n_missing=n_missing,
    )
