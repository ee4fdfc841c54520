"""Two estimated group values, their difference and ratio, from the influence of every case.

Every adjusted comparison of this package ends here. An influence function says how much one case moves an estimate;
the variance of the estimate is the sum of their squares over n squared (the sandwich).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, log, sqrt
from typing import TYPE_CHECKING

import numpy as np

from warehouse.analysis.inputs import check_level, normal_p_value, z_value
from warehouse.analysis.proportion import wilson_interval
from warehouse.results import Caution, Estimate, Interval

if TYPE_CHECKING:
    from warehouse.analysis.bootstrap import Replicates
    from warehouse.analysis.group_pair import GroupPair
    from warehouse.analysis.spline import FloatArray

_FEW_EVENTS = 5  # below this a normal approximation on the log odds is poor (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupContrast:
    """Two groups' values and how they differ.

    Attributes:
        first: Mean or share in the first group, in the population the method stands for.
        second: The same in the second group.
        difference: First minus second.
        ratio: First over second; value None for an outcome that is not a yes/no.
        population: Whom the four numbers are about, in words.
    """

    first: Estimate
    second: Estimate
    difference: Estimate
    ratio: Estimate
    population: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Influence:
    """Two group values and what moves them.

    Attributes:
        values: The two values.
        first: A vector of any length m whose square sum over m squared is the variance of the first value: the
            influence of every case, with mean zero and m = n, or any other root of the variance.
        second: The same for the second value, entry for entry, so that differences of the two vectors are right too.
        sizes: Effective number of cases behind each value, for the interval of a share at 0 or 1.
        events: Cases with the outcome in each group.
    """

    values: tuple[float, float]
    first: FloatArray
    second: FloatArray
    sizes: tuple[float, float]
    events: tuple[int, int]

    def errors(self) -> tuple[float, float, float]:
        """Standard error of the first value, the second and their difference."""
        return _error(self.first), _error(self.second), _error(self.first - self.second)

    def at_the_edge(self) -> bool:
        """Whether a group has no event or only events, so that its influence is zero and says too little."""
        return not (0.0 < self.values[0] < 1.0 and 0.0 < self.values[1] < 1.0)


def group_contrast(
    pair: GroupPair,
    influence: Influence,
    *,
    population: str,
    method: str,
    level: float,
    warnings: tuple[Caution, ...] = (),
) -> GroupContrast:
    """Estimates and intervals of both values, difference and ratio.

    Intervals: a mean and a difference of means, normal; a share, normal on the log odds; a share of exactly 0 or 1,
    Wilson with the effective number of cases; a difference in which a share is 0 or 1, Newcombe's square-and-add of
    the two intervals; a ratio, normal on the log. Tests are two-sided normal on the scale of the interval.
    """
    check_level(level)
    cautions = warnings + _few_events(pair, influence)
    error_first, error_second, error_difference = influence.errors()
    a, b = pair.labels
    noun = "share" if pair.binary else "mean"

    def estimate(estimand: str, value: float | None, interval: Interval | None, how: str, p: float | None) -> Estimate:
        return Estimate(
            estimand=f"{estimand} ({pair.outcome_name}), {population}",
            value=value,
            interval=interval,
            method=f"{method}; {how}",
            n=pair.n,
            left_out=pair.left_out,
            p_value=p,
            unit=pair.unit,
            adjusted_for=pair.design.covariates,
            warnings=cautions,
        )

    first = _value_interval(pair, influence.values[0], error_first, influence.sizes[0], level)
    second = _value_interval(pair, influence.values[1], error_second, influence.sizes[1], level)
    edge = pair.binary and influence.at_the_edge()
    spread = _square_and_add(influence.values, first[0], second[0]) if edge else None
    gap = influence.values[0] - influence.values[1]
    if spread is None:
        spread = _normal(gap, error_difference, level, pair.binary)
    how = "Newcombe square-and-add interval" if edge else "normal interval"
    p_value = None if edge or error_difference == 0.0 else normal_p_value(gap / error_difference)
    return GroupContrast(
        first=estimate(f"{noun} in {a}", influence.values[0], first[0], first[1], None),
        second=estimate(f"{noun} in {b}", influence.values[1], second[0], second[1], None),
        difference=estimate(f"difference of {noun}s, {a} minus {b}", gap, spread, how, p_value),
        ratio=_ratio(pair, influence, population=population, method=method, level=level, cautions=cautions),
        population=population,
    )


def no_contrast(pair: GroupPair, *, population: str, method: str, reason: str, kind: str = "no_data") -> GroupContrast:
    """Four estimates without a value, each saying why."""
    a, b = pair.labels
    noun = "share" if pair.binary else "mean"

    def nothing(what: str) -> Estimate:
        estimand = f"{what} ({pair.outcome_name}), {population}"
        return pair.nothing(estimand=estimand, method=method, reason=reason, kind=kind)

    return GroupContrast(
        first=nothing(f"{noun} in {a}"),
        second=nothing(f"{noun} in {b}"),
        difference=nothing(f"difference of {noun}s, {a} minus {b}"),
        ratio=nothing(f"ratio of {noun}s, {a} over {b}"),
        population=population,
    )


def bootstrapped(contrast: GroupContrast, replicates: Replicates, *, method: str, level: float) -> GroupContrast:
    """The same values with percentile intervals; the replicates' columns are first, second, difference, ratio.

    Where a quantity never varied (no adverse case in a group, say) the analytic interval stays, and so does its name.
    """
    n_resamples = replicates.values.shape[0] + replicates.failed
    how = f"{method}; percentile bootstrap of cases, {n_resamples:,} resamples"
    cautions: tuple[Caution, ...] = ()
    if replicates.failed:
        text = f"{replicates.failed} of {n_resamples} resamples had no answer and were left out of the interval."
        cautions = (Caution("approximation", text),)

    def again(estimate: Estimate, column: int) -> Estimate:
        interval = replicates.interval(column, level)
        if estimate.value is None or interval is None:
            return replace(estimate, warnings=estimate.warnings + cautions)
        return replace(estimate, interval=interval, method=how, p_value=None, warnings=estimate.warnings + cautions)

    return GroupContrast(
        first=again(contrast.first, 0),
        second=again(contrast.second, 1),
        difference=again(contrast.difference, 2),
        ratio=again(contrast.ratio, 3),
        population=contrast.population,
    )


def replicate_row(first: float, second: float) -> tuple[float, float, float, float]:
    """One replicate in the order :func:`bootstrapped` expects."""
    return first, second, first - second, first / second if second else np.nan


def _error(influence: FloatArray) -> float:
    n = influence.shape[0]
    return float(sqrt(float(influence @ influence))) / n if n else 0.0


def _value_interval(
    pair: GroupPair, value: float, error: float, size: float, level: float
) -> tuple[Interval | None, str]:
    if not pair.binary:
        return _normal(value, error, level, binary=False), "normal interval"
    if not 0.0 < value < 1.0:
        whole = min(1.0, max(0.0, value))
        return wilson_interval(whole, size, level=level), "Wilson interval with the effective number of cases"
    half = z_value(level) * error / (value * (1.0 - value))
    centre = log(value / (1.0 - value))
    low, high = (1.0 / (1.0 + exp(-(centre + side))) for side in (-half, half))
    return Interval(low, high, level), "normal interval on the log odds"


def _normal(value: float, error: float, level: float, binary: bool) -> Interval | None:
    if error == 0.0:
        return None
    half = z_value(level) * error
    limit = 1.0 if binary else np.inf
    return Interval(max(-limit, value - half), min(limit, value + half), level)


def _square_and_add(values: tuple[float, float], first: Interval | None, second: Interval | None) -> Interval | None:
    if first is None or second is None:
        return None
    gap = values[0] - values[1]
    down = sqrt((values[0] - first.low) ** 2 + (second.high - values[1]) ** 2)
    up = sqrt((first.high - values[0]) ** 2 + (values[1] - second.low) ** 2)
    return Interval(max(-1.0, gap - down), min(1.0, gap + up), first.level)


def _ratio(
    pair: GroupPair,
    influence: Influence,
    *,
    population: str,
    method: str,
    level: float,
    cautions: tuple[Caution, ...],
) -> Estimate:
    a, b = pair.labels
    estimand = f"ratio of shares, {a} over {b} ({pair.outcome_name}), {population}"
    how = f"{method}; normal interval on the log ratio"
    reason = _why_no_ratio(pair, influence)
    if reason:
        return pair.nothing(estimand=estimand, method=how, reason=reason)
    one, two = influence.values
    error = _error(influence.first / one - influence.second / two)
    half = z_value(level) * error
    return Estimate(
        estimand=estimand,
        value=one / two,
        interval=Interval(exp(log(one / two) - half), exp(log(one / two) + half), level) if error else None,
        method=how,
        n=pair.n,
        left_out=pair.left_out,
        p_value=normal_p_value(log(one / two) / error) if error else None,
        unit="ratio",
        adjusted_for=pair.design.covariates,
        warnings=cautions,
    )


def _why_no_ratio(pair: GroupPair, influence: Influence) -> str | None:
    if not pair.binary:
        return "A ratio is given for yes/no outcomes only."
    for label, value in zip(pair.labels, influence.values, strict=True):
        if value <= 0.0:
            return f"No case with the outcome in {label}: a ratio has no finite interval; read the difference."
    return None


def _few_events(pair: GroupPair, influence: Influence) -> tuple[Caution, ...]:
    if not pair.binary:
        return ()
    cautions = []
    for label, events, size in zip(pair.labels, influence.events, pair.sizes, strict=True):
        fewest = min(events, size - events)
        if fewest < _FEW_EVENTS:
            what = f"{events} of {size} cases with the outcome in {label}"
            cautions.append(Caution("small_sample", f"Only {what}: the interval is approximate."))
    return tuple(cautions)
