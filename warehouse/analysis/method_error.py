"""Tracing error from repeated readings: random and systematic error, limits of agreement, least change that is real.

All take two readings of the same records, shape ``(n,)`` each; a pair with a missing reading is left out and counted.
Errors are taken as normal and of one size whatever the value measured. The unit is that of the readings.
Source: Dahlberg 1940, Statistical Methods for Medical and Biological Students; Houston 1983, Am J Orthod 83:382 (both
from memory); Bland & Altman 1986, Lancet i:307; 1996, BMJ 312:1654; 1999, Stat Methods Med Res 8:135.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np

from warehouse.analysis.inputs import check_length, z_value
from warehouse.results import Caution, Estimate, Interval, no_estimate

if TYPE_CHECKING:
    import polars as pl
    from numpy.typing import ArrayLike

    from warehouse.analysis.spline import FloatArray

#: Houston (1983) asks for at least this many repeated records (from memory).
FEW_PAIRS: Final = 25
#: Pairs below which a practice's own error is not used (common practice asks for 25; fewer than 10 say too little).
MINIMUM_PAIRS: Final = 10
#: Standard deviations from bias to limit of agreement: the customary 1.96, not the normal quantile 1.959964.
MULTIPLIER: Final = 1.96
#: Least change between two readings beyond their error (MDC95) over the error of one: 2.77 (Bland & Altman 1999).
MDC95_FACTOR: Final = MULTIPLIER * sqrt(2.0)

#: Of trial runs, those in which Dahlberg's interval held with errors of heavier tails than normal, at its worst.
HELD_WITH_HEAVY_TAILS: Final = 0.859

Number = TypeVar("Number", float, "pl.Expr")


def error_of_one(squares: Number, df: Number) -> Number:
    """Dahlberg's error of one reading: sqrt(sum d^2 / 2n) of ``squares`` = sum d^2 and ``df`` = n pairs."""
    error: Number = (squares / (2 * df)) ** 0.5
    return error


def least_change(error: Number) -> Number:
    """Least change between two readings beyond the ``error`` of one, in 95% (MDC95)."""
    return error * MDC95_FACTOR


def pooled_error(errors: Sequence[tuple[int, float]]) -> tuple[int, float] | None:
    """Pairs and error of several practices together, of (pairs, error) of each; None without pairs."""
    n = sum(pairs for pairs, _ in errors)
    return (n, sqrt(sum(pairs * error * error for pairs, error in errors) / n)) if n else None


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Complete pairs of readings and how many were not complete."""

    first: FloatArray
    second: FloatArray
    incomplete: int

    @property
    def n(self) -> int:
        """Complete pairs."""
        return int(self.first.size)

    @property
    def difference(self) -> FloatArray:
        """First reading minus second."""
        return self.first - self.second

    @property
    def left_out(self) -> dict[str, int]:
        """Incomplete pairs by reason."""
        return {"a reading missing": self.incomplete} if self.incomplete else {}


def complete_pairs(first: ArrayLike, second: ArrayLike) -> Pairs:
    """The pairs with both readings.

    Raises RequestError where the lengths differ.
    """
    one, two = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    check_length(two.size, one.size, what="the list of second readings")
    kept = np.isfinite(one) & np.isfinite(two)
    return Pairs(one[kept], two[kept], int((~kept).sum()))


def few_pairs_cautions(n: int) -> tuple[Caution, ...]:
    """A warning below the customary number of repeated records."""
    if n >= FEW_PAIRS:
        return ()
    return (Caution("small_sample", "few_repeats", {"n": n, "customary": FEW_PAIRS}),)


def _error_sd(pairs: Pairs, sum_of_squares: float, df: int, level: float, *, estimand: str, method: str) -> Estimate:
    """An error of one reading from a sum of squares with ``df`` degrees of freedom, chi-squared interval."""
    from scipy.special import chdtri

    tail = (1.0 - level) / 2.0
    low, high = (error_of_one(sum_of_squares, float(chdtri(df, p))) for p in (tail, 1.0 - tail))
    return Estimate(
        estimand=estimand,
        value=error_of_one(sum_of_squares, float(df)),
        interval=Interval(low, high, level),
        method=method,
        n=pairs.n,
        left_out=pairs.left_out,
        unit="unit of the readings",
        warnings=few_pairs_cautions(pairs.n),
    )


def _too_few(pairs: Pairs, estimand: str, method: str, needed: str) -> Estimate:
    reason = Caution("no_data", "no_repeats" if pairs.n == 0 else "one_repeat", {"needed": needed})
    return no_estimate(estimand=estimand, method=method, n=pairs.n, reason=reason, unit="unit of the readings")


def dahlberg(first: ArrayLike, second: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Dahlberg's error of one reading, with its interval.

    It holds systematic differences too, so read :func:`systematic_bias` beside it. The interval takes the
    differences as normal about zero (chi-squared on n degrees of freedom). None with no pair.
    """
    z_value(level)
    pairs = complete_pairs(first, second)
    estimand, method = "method error of one reading", "Dahlberg's formula, chi-squared interval"
    if pairs.n == 0:
        return _too_few(pairs, estimand, method, "one is")
    squares = float(pairs.difference @ pairs.difference)
    return _error_sd(pairs, squares, pairs.n, level, estimand=estimand, method=method)


def random_error(first: ArrayLike, second: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Error of one reading free of systematic difference: SD(d) / sqrt(2), with n - 1 degrees of freedom.

    Never above Dahlberg's by more than the factor sqrt(n / (n - 1)). None with fewer than two pairs.
    """
    z_value(level)
    pairs = complete_pairs(first, second)
    estimand, method = "random error of one reading", "SD of differences over sqrt(2), chi-squared interval"
    if pairs.n < 2:
        return _too_few(pairs, estimand, method, "two are")
    squares = float(((pairs.difference - pairs.difference.mean()) ** 2).sum())
    return _error_sd(pairs, squares, pairs.n - 1, level, estimand=estimand, method=method)


def systematic_bias(first: ArrayLike, second: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Mean difference, first reading minus second, with the paired t interval and p value.

    None with no pair; without interval or p value with one pair, or when all differences are the same (a p value of
    0 or 1 would then rest on nothing but rounding).
    """
    from scipy.special import stdtr, stdtrit

    z_value(level)
    pairs = complete_pairs(first, second)
    estimand, method = "mean difference, first reading minus second", "paired t"
    if pairs.n == 0:
        return _too_few(pairs, estimand, method, "one is")
    mean, interval, p_value = float(pairs.difference.mean()), None, None
    cautions = few_pairs_cautions(pairs.n)
    error = float(pairs.difference.std(ddof=1)) / sqrt(pairs.n) if pairs.n > 1 else 0.0
    if error > 1e-12 * (1.0 + abs(mean)):
        half = float(stdtrit(pairs.n - 1, 0.5 + level / 2.0)) * error
        interval = Interval(mean - half, mean + half, level)
        p_value = 2.0 * float(stdtr(pairs.n - 1, -abs(mean / error)))
    else:
        cautions = (*cautions, Caution("no_data", "differences_do_not_vary"))
    return Estimate(
        estimand=estimand,
        value=mean,
        interval=interval,
        method=method,
        n=pairs.n,
        left_out=pairs.left_out,
        p_value=p_value,
        unit="unit of the readings",
        warnings=cautions,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodError:
    """All that two readings of the same records say about the error of one."""

    dahlberg: Estimate  # Error of one reading, systematic part included
    random: Estimate  # Error of one reading, systematic part taken out
    bias: Estimate  # Mean difference, first minus second, with paired t
    mdc: float | None  # Least change beyond error in 95% (from Dahlberg's), whatever the level; None without pairs
    reliability: float | None  # Houston's coefficient 1 - error variance / total variance; None when nothing varies
    n: int  # Pairs used


def method_error(first: ArrayLike, second: ArrayLike, *, level: float = 0.95) -> MethodError:
    """Random error, systematic error and least real change from two readings of the same records."""
    error = dahlberg(first, second, level=level)
    return MethodError(
        dahlberg=error,
        random=random_error(first, second, level=level),
        bias=systematic_bias(first, second, level=level),
        mdc=None if error.value is None else least_change(error.value),
        reliability=_reliability(complete_pairs(first, second), error.value),
        n=error.n,
    )


def _reliability(pairs: Pairs, error: float | None) -> float | None:
    if error is None or pairs.n < 2:
        return None
    total = float(np.concatenate([pairs.first, pairs.second]).var(ddof=1))
    return 1.0 - error**2 / total if total > 0.0 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class BlandAltman:
    """Bias and limits of agreement. Whether limits are narrow enough is a judgement about use, not a test."""

    bias: Estimate  # Mean difference, first method minus second, with paired t interval and p value
    sd: float | None  # Standard deviation of the differences; None with fewer than two pairs
    lower: Estimate  # Lower limit, bias - 1.96 SD, with its interval
    upper: Estimate  # Upper limit, bias + 1.96 SD, with its interval
    # Pearson's r, often asked for; it measures association, not agreement. None when one reading does not vary
    correlation: float | None
    n: int  # Pairs used
    left_out: int  # Pairs with a missing reading


def bland_altman(first: ArrayLike, second: ArrayLike, *, level: float = 0.95) -> BlandAltman:
    """Bias and limits of agreement of two methods on the same records, values None with the reason below two pairs.

    The variance of a limit is SD squared times 1/n + 1.96^2 / (2 (n - 1)) (Bland & Altman 1999); differences are taken
    as normal with one spread at all sizes.
    """
    pairs = complete_pairs(first, second)
    return BlandAltman(
        bias=systematic_bias(first, second, level=level),
        sd=float(pairs.difference.std(ddof=1)) if pairs.n > 1 else None,
        lower=_limit(pairs, -1.0, level),
        upper=_limit(pairs, 1.0, level),
        correlation=_correlation(pairs),
        n=pairs.n,
        left_out=pairs.incomplete,
    )


def _limit(pairs: Pairs, side: float, level: float) -> Estimate:
    from scipy.special import stdtrit

    name, sign = ("lower", "-") if side < 0.0 else ("upper", "+")
    estimand, method = f"{name} limit of agreement", f"bias {sign} {MULTIPLIER:g} SD, t interval"
    if pairs.n < 2:
        reason = Caution("no_data", "fewer_than_two_read_both_ways")
        return no_estimate(estimand=estimand, method=method, n=pairs.n, reason=reason, unit="unit of the readings")
    sd, n = float(pairs.difference.std(ddof=1)), pairs.n
    value = float(pairs.difference.mean()) + side * MULTIPLIER * sd
    half = float(stdtrit(n - 1, 0.5 + level / 2.0)) * sd * sqrt(1.0 / n + MULTIPLIER**2 / (2.0 * (n - 1)))
    return Estimate(
        estimand=estimand,
        value=value,
        interval=Interval(value - half, value + half, level),
        method=method,
        n=n,
        left_out=pairs.left_out,
        unit="unit of the readings",
        warnings=few_pairs_cautions(n),
    )


def _correlation(pairs: Pairs) -> float | None:
    if pairs.n < 2 or np.ptp(pairs.first) == 0.0 or np.ptp(pairs.second) == 0.0:
        return None
    return float(np.corrcoef(pairs.first, pairs.second)[0, 1])
