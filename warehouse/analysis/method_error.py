"""Tracing error from repeated readings: random error, systematic error and the least change that is real.

All take two readings of the same records, shape ``(n,)`` each; a pair with a missing reading is left out and counted.
Errors are taken as normal and of one size whatever the value measured. The unit is that of the readings.
Source: Dahlberg 1940, Statistical Methods for Medical and Biological Students; Houston 1983, Am J Orthod 83:382 (both
from memory); Bland & Altman 1996, BMJ 312:1654.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING, Final

import numpy as np

from warehouse.analysis.inputs import check_length, z_value
from warehouse.errors import RequestError
from warehouse.results import Caution, Estimate, Interval, no_estimate

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

#: Houston (1983) asks for at least this many repeated records (from memory).
FEW_PAIRS: Final = 25


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Complete pairs of readings and how many were not complete."""

    first: Floats
    second: Floats
    incomplete: int

    @property
    def n(self) -> int:
        """Complete pairs."""
        return int(self.first.size)

    @property
    def difference(self) -> Floats:
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
    pairs = "1 repeated record" if n == 1 else f"{n} repeated records"
    return (Caution("small_sample", f"Only {pairs}; at least {FEW_PAIRS} are customary."),)


def _error_sd(
    pairs: Pairs, sum_of_squares: float, df: int, level: float, *, estimand: str, method: str, factor: float = 1.0
) -> Estimate:
    """``factor`` times the square root of a variance with ``df`` degrees of freedom, chi-squared interval."""
    from scipy.special import chdtri

    scaled = factor**2 * sum_of_squares
    tail = (1.0 - level) / 2.0
    low, high = (sqrt(scaled / float(chdtri(df, p))) for p in (tail, 1.0 - tail))
    return Estimate(
        estimand=estimand,
        value=sqrt(scaled / df),
        interval=Interval(low, high, level),
        method=method,
        n=pairs.n,
        left_out=pairs.left_out,
        unit="unit of the readings",
        warnings=few_pairs_cautions(pairs.n),
    )


def _too_few(pairs: Pairs, estimand: str, method: str, needed: str) -> Estimate:
    reason = f"{'No' if pairs.n == 0 else 'Only one'} record was read twice; {needed} needed."
    return no_estimate(estimand=estimand, method=method, n=pairs.n, reason=reason, unit="unit of the readings")


def dahlberg(first: ArrayLike, second: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Dahlberg's error of one reading: sqrt(sum d^2 / 2n).

    It holds systematic differences too, so read :func:`systematic_bias` beside it. The interval takes the
    differences as normal about zero (chi-squared on n degrees of freedom). None with no pair.
    """
    z_value(level)
    pairs = complete_pairs(first, second)
    estimand, method = "method error of one reading", "Dahlberg's formula, chi-squared interval"
    if pairs.n == 0:
        return _too_few(pairs, estimand, method, "one is")
    squares = float(pairs.difference @ pairs.difference) / 2.0
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
    squares = float(((pairs.difference - pairs.difference.mean()) ** 2).sum()) / 2.0
    return _error_sd(pairs, squares, pairs.n - 1, level, estimand=estimand, method=method)


def repeatability(first: ArrayLike, second: ArrayLike, *, multiplier: float = 1.96, level: float = 0.95) -> Estimate:
    """Repeatability coefficient: ``multiplier`` times sqrt(mean d^2).

    Two readings of one record are expected to differ by no more than this in 95% of records. Bland & Altman 1986
    used a multiplier of 2 and a mean difference of zero. None with no pair.
    """
    z_value(level)
    pairs = complete_pairs(first, second)
    estimand, method = "repeatability coefficient", f"{multiplier:.3g} root mean squared differences"
    if pairs.n == 0:
        return _too_few(pairs, estimand, method, "one is")
    squares = float(pairs.difference @ pairs.difference)
    return _error_sd(pairs, squares, pairs.n, level, estimand=estimand, method=method, factor=multiplier)


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
        cautions = (*cautions, Caution("no_data", "The differences do not vary, so the mean has no interval."))
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


def sem_from_icc(sd: float, icc: float) -> float:
    """Standard error of measurement SD * sqrt(1 - ICC), ``sd`` being that between all readings.

    Raises RequestError where ``sd`` is negative or ``icc`` above 1.
    """
    if sd < 0.0 or icc > 1.0:
        found = f"a standard deviation of {sd:g} with an intraclass correlation of {icc:g}"
        raise RequestError(found, expected="a standard deviation of zero or more and a correlation of at most 1")
    return sd * sqrt(1.0 - icc)


def minimal_detectable_change(sem: float, *, level: float = 0.95) -> float:
    """Least change between two readings beyond their error: z * sqrt(2) * SEM (2.772 SEM at 95%).

    ``sem``: error of one reading: Dahlberg's, :func:`random_error` or :func:`sem_from_icc`. ``level``: share of
    unchanged cases that must stay below it. Raises RequestError where ``sem`` is negative or the level impossible.
    """
    if sem < 0.0:
        found = f"an error of measurement of {sem:g}"
        raise RequestError(found, expected="zero or more")
    return z_value(level) * sqrt(2.0) * sem


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodError:
    """All that two readings of the same records say about the error of one."""

    dahlberg: Estimate  # Error of one reading, systematic part included
    random: Estimate  # Error of one reading, systematic part taken out
    bias: Estimate  # Mean difference, first minus second, with paired t
    repeatability: Estimate  # Largest difference to expect between two readings
    mdc: float | None  # Least change beyond error (from Dahlberg's error); None without pairs
    reliability: float | None  # Houston's coefficient 1 - error variance / total variance; None when nothing varies
    n: int  # Pairs used


def method_error(first: ArrayLike, second: ArrayLike, *, level: float = 0.95) -> MethodError:
    """Random error, systematic error, repeatability and least real change from two readings of the same records."""
    error = dahlberg(first, second, level=level)
    return MethodError(
        dahlberg=error,
        random=random_error(first, second, level=level),
        bias=systematic_bias(first, second, level=level),
        repeatability=repeatability(first, second, multiplier=z_value(level), level=level),
        mdc=None if error.value is None else minimal_detectable_change(error.value, level=level),
        reliability=_reliability(complete_pairs(first, second), error.value),
        n=error.n,
    )


def _reliability(pairs: Pairs, error: float | None) -> float | None:
    if error is None or pairs.n < 2:
        return None
    total = float(np.concatenate([pairs.first, pairs.second]).var(ddof=1))
    return 1.0 - error**2 / total if total > 0.0 else None
