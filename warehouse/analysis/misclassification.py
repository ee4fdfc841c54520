"""How sure it is that a case truly passed a threshold, given the error of its measurements.

A change of 2.1 degrees read with an error of 1 degree does not simply exceed 2 degrees. Each case gets a probability
instead, and the group the share to expect from those probabilities.

Model: observed change = true change + error, the error normal with mean 0, independent of the true change, and of a
known standard deviation. Two readings make one change, so its error variance is twice that of one reading. Where the
change is judged against a growth reference, that reference's own spread between children adds to the variance.

Two priors for the true change. Flat: nothing is known of it before; the probabilities of a group then count the
error twice (observed changes already are spread by it), which pulls the expected share towards one half. Empirical
Bayes: true changes are normal about the cohort's mean with the spread left after taking the error out; single cases
shrink towards that mean, and the expected share is calibrated as far as true changes are normal. Doubt about the
cohort's mean is added to each case, so that a cohort of one gives the flat answer.
Source: normal-normal model, e.g. Gelman et al. 2013, Bayesian Data Analysis, 3rd ed., sec. 2.5 and 5.4; Morris 1983,
JASA 78:47.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from warehouse.analysis.inputs import check_method, z_value
from warehouse.analysis.proportion import proportion, wilson_interval
from warehouse.analysis.spline import FloatArray
from warehouse.errors import RequestError
from warehouse.results import Caution, Estimate, Interval, no_estimate

Prior = Literal["flat", "empirical_bayes"]

ESTIMAND: Final = "share of cases whose true change passed the threshold"
ASSUMPTIONS: Final = {
    "flat": Caution("approximation", "assumes_flat"),
    "empirical_bayes": Caution("approximation", "assumes_empirical_bayes"),
}
_METHODS: Final = {
    "flat": "mean probability of exceedance, flat prior; Wilson interval on the expected count",
    "empirical_bayes": (
        "mean probability of exceedance, empirical Bayes; Wilson interval on the expected count, "
        "widened for doubt about the cohort's mean and spread (delta method on the probit)"
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Exceedance:
    """Probability of each case that its true change passed the threshold."""

    probability: FloatArray  # Shape `(n,)` in the order given; not-a-number where the change or its error is missing
    # Best guess of each true change, shape `(n,)`: the observed one (flat) or drawn to the mean
    expected_change: FloatArray
    cohort_mean: float | None  # Mean true change assumed (empirical Bayes only)
    # Spread of true changes assumed (empirical Bayes only); 0 when error alone explains what is seen
    cohort_sd: float | None
    observed_sd: float | None  # Spread of observed changes that goes with it (empirical Bayes only)
    prior: Prior  # `flat` or `empirical_bayes`
    assumptions: Caution  # To show with the numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedShare:
    """What the probabilities add up to, beside the plain count."""

    expected: Estimate  # Mean probability with its interval
    counted: Estimate  # Share whose observed change passed the threshold (Wilson), error ignored
    expected_count: float  # Sum of the probabilities
    count_sd: float  # Spread of the true count about it from measurement error alone, in these very cases
    wrongly_adverse: float  # Expected number counted adverse whose true change did not pass
    wrongly_not_adverse: float  # Expected number counted not adverse whose true change did
    assumptions: Caution


def _variance(method_error_sd: ArrayLike, reference_sd: ArrayLike, n: int) -> FloatArray:
    error = np.asarray(method_error_sd, dtype=np.float64)
    reference = np.asarray(reference_sd, dtype=np.float64)
    if (error < 0.0).any() or (reference < 0.0).any():
        found = "a standard deviation below zero"
        raise RequestError(found, expected="zero or more, in the unit of the change")
    return np.broadcast_to(2 * error**2 + reference**2, (n,)).astype(np.float64)


@dataclass(frozen=True, slots=True)
class _Cohort:
    """True changes by moments: mean, and observed variance less the mean error variance (not below 0)."""

    mean: float
    true_variance: float
    error_variance: float
    n: int

    @property
    def mean_variance(self) -> float:
        """Variance of ``mean`` as an estimate."""
        return (self.true_variance + self.error_variance) / max(1, self.n)


def _cohort(change: FloatArray, variance: FloatArray) -> _Cohort:
    known = np.isfinite(change) & np.isfinite(variance)
    values, errors = change[known], variance[known]
    if values.size == 0:
        return _Cohort(0.0, 0.0, 0.0, 0)
    error = float(errors.mean())
    spread = float(values.var(ddof=1)) - error if values.size > 1 else 0.0
    return _Cohort(float(values.mean()), max(0.0, spread), error, int(values.size))


def _shrunk(change: FloatArray, variance: FloatArray, cohort: _Cohort) -> tuple[FloatArray, FloatArray]:
    """Posterior mean and variance of each true change."""
    total = cohort.true_variance + variance
    weight = np.where(total > 0.0, cohort.true_variance / np.where(total > 0.0, total, 1.0), 1.0)
    centre = weight * change + (1.0 - weight) * cohort.mean
    return centre, weight * variance + (1.0 - weight) ** 2 * cohort.mean_variance


def _tail(distance: FloatArray, sd: FloatArray) -> FloatArray:
    """Normal probability above zero of a variable centred at ``distance``; a certainty where ``sd`` is 0."""
    from scipy.special import ndtr

    certain = np.where(np.isnan(distance), np.nan, (distance > 0.0).astype(np.float64))
    safe = np.where(sd > 0.0, sd, 1.0)
    return np.asarray(np.where(sd > 0.0, ndtr(distance / safe), np.where(np.isnan(sd), np.nan, certain)))


def exceedance(
    change: ArrayLike,
    threshold: float,
    *,
    method_error_sd: ArrayLike,
    reference_sd: ArrayLike = 0.0,
    prior: Prior = "flat",
) -> Exceedance:
    """Probability of each case that its true change, between two single readings, lies above ``threshold``.

    ``change``: observed change, or change less that expected from growth, shape ``(n,)``; missing allowed.
    ``threshold``: in the unit of ``change``. ``method_error_sd``: standard deviation of the error of one reading
    (Dahlberg's, or SD of differences over the square root of 2), one number or shape ``(n,)``. ``reference_sd``: spread
    between children of the expected change, where one was taken off; else 0.
    ``prior``: ``flat`` or ``empirical_bayes``. Gives probabilities and best guesses. Where the total error is 0 the
    probability is 0 or 1 (0 at the threshold itself). Empirical Bayes takes the cohort's mean and spread by moments.
    Raises RequestError where a standard deviation is negative, or the prior does not exist.
    """
    check_method(prior, _METHODS)
    values = np.atleast_1d(np.asarray(change, dtype=np.float64))
    variance = _variance(method_error_sd, reference_sd, values.size)
    cohort = _cohort(values, variance) if prior == "empirical_bayes" else None
    centre, remaining = (values, variance) if cohort is None else _shrunk(values, variance, cohort)
    return Exceedance(
        probability=_tail(centre - threshold, np.sqrt(remaining)),
        expected_change=centre,
        cohort_mean=None if cohort is None else cohort.mean,
        cohort_sd=None if cohort is None else sqrt(cohort.true_variance),
        observed_sd=None if cohort is None else sqrt(cohort.true_variance + cohort.error_variance),
        prior=prior,
        assumptions=ASSUMPTIONS[prior],
    )


def expected_share(
    change: ArrayLike,
    threshold: float,
    *,
    method_error_sd: ArrayLike,
    reference_sd: ArrayLike = 0.0,
    prior: Prior = "empirical_bayes",
    level: float = 0.95,
) -> ExpectedShare:
    """The share adverse to expect from the cases' probabilities, beside the plain count.

    Arguments are those of :func:`exceedance`. The interval covers the sampling of cases and, with empirical Bayes, the
    doubt about the cohort's mean and spread, but not doubt about the size of the method error. Where error alone
    explains the spread of changes it runs from 0 to 1. With no usable case the shares are None and say so.

    Raises RequestError as :func:`exceedance`, or for an impossible level.
    """
    z_value(level)
    found = exceedance(
        change,
        threshold,
        method_error_sd=method_error_sd,
        reference_sd=reference_sd,
        prior=prior,
    )
    known = np.isfinite(found.probability)
    chance = found.probability[known]
    values = np.atleast_1d(np.asarray(change, dtype=np.float64))[known]
    passed = values > threshold
    counted = proportion(int(passed.sum()), chance.size, level=level, estimand="share counted adverse as measured")
    return ExpectedShare(
        expected=_mean_probability(found, known, threshold, level),
        counted=counted,
        expected_count=float(chance.sum()),
        count_sd=sqrt(float((chance * (1.0 - chance)).sum())),
        wrongly_adverse=float((1.0 - chance[passed]).sum()),
        wrongly_not_adverse=float(chance[~passed].sum()),
        assumptions=found.assumptions,
    )


def _probit_spread(found: Exceedance, n: int, threshold: float) -> float:
    """Standard error of (cohort mean - threshold) / cohort SD, on which the share depends; infinite at an SD of 0."""
    mean, sd, observed = found.cohort_mean, found.cohort_sd, found.observed_sd
    if mean is None or sd is None or observed is None:
        return 0.0
    if sd == 0.0 or n < 2:
        return 0.0 if observed == 0.0 else inf
    scale, place = (observed / sd) ** 2, (mean - threshold) / sd
    return sqrt(scale / n + place**2 * scale**2 / (2.0 * (n - 1)))


def _interval(share: float, found: Exceedance, n: int, threshold: float, level: float) -> Interval:
    """The hull of Wilson's interval for the cases drawn and the probit one for the cohort's mean and spread."""
    from scipy.special import ndtr, ndtri

    wilson = wilson_interval(share, n, level=level)
    reach = z_value(level) * _probit_spread(found, n, threshold)
    if reach == inf:
        return Interval(0.0, 1.0, level)
    if reach == 0.0 or not 0.0 < share < 1.0:
        return wilson
    centre = float(ndtri(share))
    return Interval(min(wilson.low, float(ndtr(centre - reach))), max(wilson.high, float(ndtr(centre + reach))), level)


def _mean_probability(found: Exceedance, known: NDArray[np.bool_], threshold: float, level: float) -> Estimate:
    lost = int((~known).sum())
    left_out = {"change or its error missing": lost} if lost else {}
    if lost == known.size:
        reason = Caution("no_data", "no_change_with_error")
        return no_estimate(estimand=ESTIMAND, method=_METHODS[found.prior], n=0, reason=reason)
    n = known.size - lost
    share = min(1.0, max(0.0, float(found.probability[known].mean())))
    cautions = [found.assumptions]
    if found.cohort_sd == 0.0:
        cautions.append(Caution("small_sample", "error_explains_spread"))
    return Estimate(
        estimand=ESTIMAND,
        value=share,
        interval=_interval(share, found, n, threshold, level),
        method=_METHODS[found.prior],
        n=n,
        left_out=left_out,
        warnings=tuple(cautions),
    )
