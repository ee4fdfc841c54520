"""What the error of measuring and the spread between children do to a share counted with a threshold.

A change of 2.1 degrees read with an error of 1 degree does not simply exceed 2 degrees; and some children pass any
threshold without treatment. Model: observed change = true change + error, the error with mean 0 and independent of the
true change. Two readings make one change, so its error variance is twice that of one reading.

* :func:`exceedance`: the probability of each case that its true change passed the threshold.
* :func:`corrected_share`: the share whose true change passed it, over all cases.
* :func:`share_untreated`: the share of untreated children whose observed change would pass it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, sqrt
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from warehouse.analysis.inputs import z_value
from warehouse.analysis.proportion import wilson_interval
from warehouse.analysis.spline import FloatArray
from warehouse.errors import RequestError
from warehouse.results import Caution, Estimate, Interval, no_estimate

CORRECTED: Final = "share of cases whose true change passed the threshold"
UNTREATED: Final = "share that would pass the threshold without treatment"
_CORRECTED_BY: Final = "changes drawn together by the error variance; Wilson on the effective n and chi-squared limits"
_UNTREATED_BY: Final = "normal about the reference; chi-squared limits of spread and error, normal ones of the mean"
FEWEST: Final = 10
"""Cases below which the spread of changes says too little to take error out of it; common practice, no source."""
_SMOOTHED: Final = 0.6
_FEWEST_DF: Final = 0.5
_ON_THRESHOLD: Final = 1e-9


@dataclass(frozen=True, slots=True)
class ErrorVariance:
    """The variance of the error of one change, and the degrees of freedom by which it is known (inf: exactly)."""

    value: float
    df: float

    @classmethod
    def of_pairs(cls, sem: float, n: int, kurtosis: float | None = None) -> ErrorVariance:
        """From ``n`` pairs of readings with Dahlberg's error ``sem``.

        ``kurtosis`` of their differences (3 where normal) takes degrees of freedom off where tails are heavy. Source:
        Bonett 2006, Comput Stat Data Anal 50:775 (variance of the logarithm of a variance), taken as 2 / df.
        """
        heavy = (kurtosis - (n - 3) / n) / (n - 1) if kurtosis is not None and n > 1 else 0.0
        return cls(2.0 * sem * sem, 2.0 / max(2.0 / n, heavy))

    def limits(self, level: float) -> tuple[float, float]:
        """Chi-squared limits."""
        from scipy.special import chdtri

        if self.value == 0.0 or self.df == inf:
            return self.value, self.value
        df, tail = max(_FEWEST_DF, self.df), (1.0 - level) / 2.0
        return self.value * df / float(chdtri(df, tail)), self.value * df / float(chdtri(df, 1.0 - tail))


def mixed_error(parts: Sequence[tuple[float, ErrorVariance]]) -> ErrorVariance:
    """The error variance of cases of several sources, each with its weight; degrees of freedom by Satterthwaite."""
    whole = sum(weight for weight, _ in parts)
    shares = [(weight / whole * one.value, one.df) for weight, one in parts]
    value = sum(part for part, _ in shares)
    doubt = sum(part * part / df for part, df in shares)
    return ErrorVariance(value, value * value / doubt if doubt else inf)


def exceedance(
    change: ArrayLike, threshold: float, *, method_error_sd: ArrayLike, reference_sd: ArrayLike = 0.0
) -> FloatArray:
    """Probability of each case that its true change, between two single readings, lies above ``threshold``.

    ``change``: observed change, or change less that expected from growth, shape ``(n,)``; missing allowed.
    ``method_error_sd``: standard deviation of the error of one reading, one number or shape ``(n,)``.
    ``reference_sd``: spread between children of the expected change, where one was taken off; else 0. Nothing is taken
    to be known of true changes beforehand. Where the error is 0 the probability is 0 or 1 (0 at the threshold itself);
    not-a-number where the change or its error is missing. Raises RequestError where a standard deviation is negative.
    Source: normal model, flat prior, e.g. Gelman et al. 2013, Bayesian Data Analysis, 3rd ed., sec. 2.5.
    """
    values = np.atleast_1d(np.asarray(change, dtype=np.float64))
    error = np.asarray(method_error_sd, dtype=np.float64)
    reference = np.asarray(reference_sd, dtype=np.float64)
    if (error < 0.0).any() or (reference < 0.0).any():
        raise RequestError("a standard deviation below zero", expected="zero or more, in the unit of the change")
    return _tail(values - threshold, np.sqrt(np.broadcast_to(2 * error**2 + reference**2, values.shape)))


def _tail(distance: FloatArray, sd: FloatArray) -> FloatArray:
    """Normal probability above zero of a variable centred at ``distance``; a certainty where ``sd`` is 0."""
    from scipy.special import ndtr

    certain = np.where(np.isnan(distance), np.nan, (distance > 0.0).astype(np.float64))
    safe = np.where(sd > 0.0, sd, 1.0)
    return np.asarray(np.where(sd > 0.0, ndtr(distance / safe), np.where(np.isnan(sd), np.nan, certain)))


def corrected_share(
    change: ArrayLike, threshold: float, error: ErrorVariance, *, weights: ArrayLike | None = None, level: float = 0.95
) -> Estimate:
    """The share of cases whose true change is at or above ``threshold``, the error of measuring taken out.

    ``change``: observed changes, shape ``(k,)``; ``weights``: cases of each, one where not given. The changes are
    drawn towards their mean until their variance is that observed less the error's, and smoothed a little by a normal
    kernel that is part of that variance; the share of them beyond the threshold is the estimate. So only the spread is
    corrected and the shape stays as observed, heavy tails included: exact where changes and errors are normal; where
    their tails are as heavy as Student's t with 5 degrees of freedom the estimate is up to 1 point high and 95%
    intervals hold 0.92 and more (``tests/proof``). The interval puts together the doubt of the sample (Wilson on the
    effective number) and that of the error variance (chi-squared, its degrees of freedom taken down by heavy tails of
    the repeats). Without a value below 10 cases, and where error alone explains the spread.

    Source: Louis 1984, J Am Stat Assoc 79:393; Ghosh 1992, J Am Stat Assoc 87:533 (estimates whose spread is that of
    the true values); Zou & Donner 2008, Stat Med 27:1693 (putting limits together).
    """
    z_value(level)
    values = np.asarray(change, dtype=np.float64)
    drawn = _Drawn(values, np.ones(values.size) if weights is None else np.asarray(weights, np.float64), threshold)
    n = drawn.n
    if n < FEWEST:
        reason = Caution("small_sample", "too_few_to_correct", {"n": n, "fewest": FEWEST})
        return no_estimate(estimand=CORRECTED, method=_CORRECTED_BY, n=n, reason=reason)
    mean = drawn.mean(values)
    variance = drawn.mean((values - mean) ** 2) * n / (n - 1)
    if 0.0 < error.value >= variance:
        reason = Caution("small_sample", "error_explains_spread")
        return no_estimate(estimand=CORRECTED, method=_CORRECTED_BY, n=n, reason=reason)
    beyond = drawn.beyond(mean, variance, error.value)
    share = drawn.mean(beyond)
    sampled = wilson_interval(share, drawn.effective(mean, variance, error.value, beyond), level=level)
    ends = [drawn.mean(drawn.beyond(mean, variance, limit)) for limit in error.limits(level)]
    return Estimate(
        estimand=CORRECTED,
        value=share,
        interval=_together(share, [sampled, Interval(min(ends), max(ends))], level),
        method=_CORRECTED_BY,
        n=n,
    )


@dataclass(frozen=True, slots=True)
class _Drawn:
    """Changes drawn towards a mean, and how far beyond the threshold they then lie."""

    values: FloatArray
    weights: FloatArray  # Cases of each
    threshold: float

    @property
    def n(self) -> int:
        """Cases."""
        return int(self.weights.sum())

    def mean(self, of: FloatArray) -> float:
        """Mean over the cases."""
        return float(self.weights @ of) / self.n

    def beyond(self, mean: float, variance: float, error: float) -> FloatArray:
        """Of each change, the part of its kernel at or beyond the threshold."""
        left = max(0.0, variance - error)
        kernel = (_SMOOTHED * self.n**-0.2) ** 2 * left if error else 0.0
        factor = sqrt((left - kernel) / variance) if variance else 1.0
        # a change exactly at the threshold passes it, as it does in the count
        distance = mean + factor * (self.values - mean) - self.threshold + _ON_THRESHOLD
        return _tail(distance, np.full(self.values.size, sqrt(kernel)))

    def effective(self, mean: float, variance: float, error: float, beyond: FloatArray) -> float:
        """Cases of a plain count that would be as sure, from the influence of each case on share, mean and variance."""
        n, share = self.n, self.mean(beyond)
        step = 1e-3 * sqrt(variance)
        slopes = [
            self.mean(self.beyond(*up, error) - self.beyond(*down, error)) / width
            for up, down, width in (
                ((mean + step, variance), (mean - step, variance), 2 * step),
                ((mean, 1.001 * variance), (mean, 0.999 * variance), 2e-3 * variance),
            )
            if width
        ] or [0.0, 0.0]
        off = self.values - mean
        influence = beyond - share + slopes[0] * off + slopes[1] * (off * off - variance)
        spread = self.mean((influence - self.mean(influence)) ** 2) if error else 0.0
        return min(n, max(1.0, n * share * (1.0 - share) / spread)) if spread > 0.0 and 0.0 < share < 1.0 else n


def _together(share: float, ranges: Sequence[Interval], level: float) -> Interval:
    """The interval of doubts that are independent: distances of their limits added as squares."""
    low = share - sqrt(sum((share - min(share, one.low)) ** 2 for one in ranges))
    high = share + sqrt(sum((max(share, one.high) - share) ** 2 for one in ranges))
    return Interval(max(0.0, low), min(1.0, high), level)


@dataclass(frozen=True, slots=True, kw_only=True)
class Untreated:
    """What is known of the changes that a set of cases would have shown untreated; arrays of shape ``(k,)``."""

    weight: FloatArray  # Cases, of which the others say what is expected
    threshold: FloatArray  # What the change is held against
    mean: FloatArray  # Mean change expected, signed so that a larger one is worse
    mean_se: FloatArray  # Standard error of that mean
    growth_sd: FloatArray  # Spread between children
    error: tuple[ErrorVariance, ...]  # Of the reading


def share_untreated(found: Untreated, *, children: int | None, level: float = 0.95) -> Estimate:
    """The share of untreated children like these cases whose observed change would be at or beyond the threshold.

    Changes are normal about the reference's mean, with its spread between children and the reading error. ``children``:
    how many the spread rests on; without it the estimate has no interval. With no case, or a spread that is not known,
    there is no value.
    """
    from scipy.special import chdtri

    z, n = z_value(level), int(found.weight.sum())
    if not n or not np.isfinite(found.mean + found.growth_sd).all():
        reason = Caution("no_data", "untreated_not_known")
        return no_estimate(estimand=UNTREATED, method=_UNTREATED_BY, n=n, reason=reason)
    error = np.array([one.value for one in found.error])

    def share(growth: float = 1.0, error: FloatArray = error, shift: float = 0.0) -> float:
        sd = np.sqrt((growth * found.growth_sd) ** 2 + error)
        distance = found.mean + shift * found.mean_se - found.threshold + _ON_THRESHOLD
        return float(np.average(_tail(distance, sd), weights=found.weight))

    value = share()
    interval = None
    if children is not None and children > 1:
        df, tail = children - 1, (1.0 - level) / 2.0
        factors = [sqrt(df / float(chdtri(df, end))) for end in (tail, 1.0 - tail)]
        limits = np.array([one.limits(level) for one in found.error])
        ranges = (
            [share(growth=factor) for factor in factors],
            [share(error=limits[:, end]) for end in (0, 1)],
            [share(shift=end * z) for end in (-1.0, 1.0)],
        )
        interval = _together(value, [Interval(min(ends), max(ends)) for ends in ranges], level)
    return Estimate(estimand=UNTREATED, value=value, interval=interval, method=_UNTREATED_BY, n=n)
