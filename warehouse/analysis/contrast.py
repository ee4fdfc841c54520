"""Two estimated group values, their difference and ratio, from the influence of every case.

Every adjusted comparison of this package ends here. An influence function says how much one case moves an estimate;
the variance of the estimate is the sum of their squares over n squared (the sandwich).
"""

from dataclasses import dataclass
from math import exp, hypot, inf, log, sqrt

import numpy as np

from warehouse.analysis.group_pair import GroupPair
from warehouse.analysis.inputs import check_level, exp_or_infinite, normal_p_value, student_p_value, student_value
from warehouse.analysis.least_squares import RobustFit
from warehouse.analysis.proportion import wilson_interval
from warehouse.analysis.spline import FloatArray
from warehouse.results import Caution, Estimate, Interval

_FEW_EVENTS = 5  # below this a normal approximation on the log odds is poor (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupContrast:
    """Two groups' values and how they differ."""

    first: Estimate  # Mean or share in the first group, in the population the method stands for
    second: Estimate  # The same in the second group
    difference: Estimate  # First minus second
    ratio: Estimate  # First over second; value None for an outcome that is not a yes/no
    population: str  # Whom the four numbers are about, in words


@dataclass(frozen=True, slots=True)
class Errors:
    """Standard error and degrees of freedom (infinite: normal) of both values, their difference and the log ratio."""

    first: tuple[float, float]
    second: tuple[float, float]
    difference: tuple[float, float]
    ratio: tuple[float, float]


def errors_of_fit(fit: RobustFit, values: tuple[float, float], sizes: tuple[float, float], p: int) -> Errors:
    """Errors of two shares from a model with an intercept and the first group as its first columns, of ``p`` in all."""
    one, two = values
    found = []
    for at_first, at_second in (
        (1.0, 0.0),
        (0.0, 1.0),
        (1.0, -1.0),
        (1.0 / one if one else 0.0, -1.0 / two if two else 0.0),
    ):
        combination = np.zeros(p)
        combination[:2] = at_first + at_second, at_first
        part = fit.value(combination)
        found.append((part.error, part.df))
    return at_least_padded(Errors(*found), values, sizes)


def at_least_padded(errors: Errors, values: tuple[float, float], sizes: tuple[float, float]) -> Errors:
    """The errors, none with a narrower interval than Agresti and Caffo's shares with a case added on either side.

    In small groups the residuals of a share near 0 or 1 say too little. Source: Agresti & Caffo 2000, Am Stat 54:280,
    here with effective sizes; that the two together hold was seen in trial runs of the proof, not yet in its whole.
    """
    one, two = values
    padded = [(share * n + 1.0) / (n + 2.0) for share, n in zip(values, sizes, strict=True)]
    a, b = (q * (1.0 - q) / (n + 2.0) for q, n in zip(padded, sizes, strict=True))
    least = (a, b, a + b, a / one**2 + b / two**2 if one and two else 0.0)
    given = (errors.first, errors.second, errors.difference, errors.ratio)
    plain = max(1.0, sum(sizes) - 2.0)
    return Errors(*(max(one, (sqrt(low), plain), key=_reach) for one, low in zip(given, least, strict=True)))


def _reach(error: tuple[float, float]) -> float:
    return error[0] * student_value(0.95, error[1]) if error[0] and error[1] else 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Influence:
    """Two group values and what moves them."""

    values: tuple[float, float]  # The two values
    # A vector of any length m whose square sum over m squared is the variance of the first value: the influence
    # of every case, with mean zero and m = n, or any other root of the variance
    first: FloatArray
    # The same for the second value, entry for entry, so that differences of the two vectors are right too
    second: FloatArray
    sizes: tuple[float, float]  # Effective number of cases behind each value, for the interval of a share at 0 or 1
    events: tuple[int, int]  # Cases with the outcome in each group

    def errors(self) -> Errors:
        """Standard errors as large samples have them."""
        one, two = self.values
        ratio = _error(self.first / one - self.second / two) if one and two else 0.0
        parts = (_error(self.first), _error(self.second), _error(self.first - self.second), ratio)
        return Errors(*((part, inf) for part in parts))

    def at_the_edge(self) -> bool:
        """Whether a group has no event or only events, so that its influence is zero and says too little."""
        return _is_edge(self.values[0]) or _is_edge(self.values[1])


def group_contrast(
    pair: GroupPair,
    influence: Influence,
    *,
    population: str,
    method: str,
    level: float,
    warnings: tuple[Caution, ...] = (),
    small: Errors | None = None,
) -> GroupContrast:
    """Estimates and intervals of both values, difference and ratio.

    Intervals: a mean and a difference of means, normal; a share, normal on the log odds; a share of exactly 0 or 1,
    Wilson with the effective number of cases; a difference in which a share is 0 or 1, Newcombe's square-and-add of
    the two intervals; a ratio, normal on the log. Tests are two-sided normal on the scale of the interval. With
    ``small``, errors made for small groups and clusters, everything is Student's instead of normal.
    """
    check_level(level)
    writer = _Writer(pair, population, method, level, warnings + _few_events(pair, influence))
    errors = small or influence.errors()
    a, b = pair.labels
    first, second = (
        writer.value(f"{pair.noun} in {label}", influence.values[i], error, influence.sizes[i])
        for i, (label, error) in enumerate(((a, errors.first), (b, errors.second)))
    )
    name = f"difference of {pair.noun}s, {a} minus {b}"
    at_the_edge = small is None and pair.binary and influence.at_the_edge()
    return GroupContrast(
        first=first,
        second=second,
        difference=writer.square_and_add(name, first, second)
        if at_the_edge
        else writer.difference(name, influence.values[0] - influence.values[1], errors.difference),
        ratio=writer.ratio(influence, errors.ratio),
        population=population,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Writer:
    """Writes estimates that share cases, population, method, level and cautions."""

    pair: GroupPair
    population: str
    method: str
    level: float
    cautions: tuple[Caution, ...]

    def value(self, estimand: str, value: float, error: tuple[float, float], size: float) -> Estimate:
        """A group's share or mean."""
        if not self.pair.binary:
            return self._estimate(estimand, value, self._about(value, error), f"{_law(error)} interval", None)
        if _is_edge(value):
            wilson = wilson_interval(round(value), size, level=self.level)
            return self._estimate(estimand, value, wilson, "Wilson interval, effective number of cases", None)
        logit = self._about(log(value / (1.0 - value)), (error[0] / (value * (1.0 - value)), error[1]))
        interval = Interval(_share(logit.low), _share(logit.high), self.level) if logit else None
        return self._estimate(estimand, value, interval, f"{_law(error)} interval on the log odds", None)

    def difference(self, estimand: str, gap: float, error: tuple[float, float]) -> Estimate:
        """A difference of shares or means."""
        interval = self._about(gap, error)
        if interval and self.pair.binary:
            interval = Interval(max(-1.0, interval.low), min(1.0, interval.high), self.level)
        return self._estimate(estimand, gap, interval, f"{_law(error)} interval", _p_value(gap, error))

    def square_and_add(self, estimand: str, first: Estimate, second: Estimate) -> Estimate:
        """A difference of shares from the intervals of both, for a share of 0 or 1."""
        one, two, a, b = first.value or 0.0, second.value or 0.0, first.interval, second.interval
        interval = None
        if a is not None and b is not None:
            down, up = hypot(one - a.low, b.high - two), hypot(a.high - one, two - b.low)
            interval = Interval(max(-1.0, one - two - down), min(1.0, one - two + up), self.level)
        return self._estimate(estimand, one - two, interval, "Newcombe square-and-add interval", None)

    def ratio(self, influence: Influence, error: tuple[float, float]) -> Estimate:
        """A ratio of shares."""
        a, b = self.pair.labels
        estimand, how = f"ratio of shares, {a} over {b}", f"{_law(error)} interval on the log ratio"
        reason = _why_no_ratio(self.pair, influence)
        if reason:
            name = f"{estimand} ({self.pair.outcome_name}), {self.population}"
            return self.pair.nothing(estimand=name, method=f"{self.method}; {how}", reason=reason)
        one, two = influence.values
        logs = self._about(log(one / two), error)
        interval = Interval(exp_or_infinite(logs.low), exp_or_infinite(logs.high), self.level) if logs else None
        p_value = _p_value(log(one / two), error)
        return self._estimate(estimand, one / two, interval, how, p_value, unit="ratio")

    def _about(self, value: float, error: tuple[float, float]) -> Interval | None:
        if not error[0] or not error[1]:
            return None
        half = student_value(self.level, error[1]) * error[0]
        return Interval(value - half, value + half, self.level)

    def _estimate(
        self, estimand: str, value: float, interval: Interval | None, how: str, p: float | None, *, unit: str = ""
    ) -> Estimate:
        return Estimate(
            estimand=f"{estimand} ({self.pair.outcome_name}), {self.population}",
            value=value,
            interval=interval,
            method=f"{self.method}; {how}",
            n=self.pair.n,
            left_out=self.pair.left_out,
            p_value=p,
            unit=unit or self.pair.unit,
            adjusted_for=self.pair.design.covariates,
            warnings=self.cautions,
        )


def no_contrast(pair: GroupPair, *, population: str, method: str, reason: Caution) -> GroupContrast:
    """Four estimates without a value, each saying why."""
    a, b = pair.labels
    noun = pair.noun

    def nothing(what: str) -> Estimate:
        estimand = f"{what} ({pair.outcome_name}), {population}"
        return pair.nothing(estimand=estimand, method=method, reason=reason)

    return GroupContrast(
        first=nothing(f"{noun} in {a}"),
        second=nothing(f"{noun} in {b}"),
        difference=nothing(f"difference of {noun}s, {a} minus {b}"),
        ratio=nothing(f"ratio of {noun}s, {a} over {b}"),
        population=population,
    )


def _law(error: tuple[float, float]) -> str:
    return "normal" if error[1] == inf else "Student's t"


def _p_value(value: float, error: tuple[float, float]) -> float | None:
    if not error[0] or not error[1]:
        return None
    return normal_p_value(value / error[0]) if error[1] == inf else student_p_value(value / error[0], error[1])


def _is_edge(share: float) -> bool:
    return not 1e-9 < share < 1.0 - 1e-9  # within rounding of 0 or 1


def _share(log_odds: float) -> float:
    """The share with these log odds, without overflow."""
    small = exp(-abs(log_odds))
    return 1.0 / (1.0 + small) if log_odds >= 0.0 else small / (1.0 + small)


def _error(influence: FloatArray) -> float:
    n = influence.shape[0]
    return float(sqrt(float(influence @ influence))) / n if n else 0.0


def _why_no_ratio(pair: GroupPair, influence: Influence) -> Caution | None:
    if not pair.binary:
        return Caution("no_data", "ratio_of_shares_only")
    for label, value in zip(pair.labels, influence.values, strict=True):
        if value <= 1e-9:
            return Caution("no_data", "no_outcome_in", {"label": label})
    return None


def _few_events(pair: GroupPair, influence: Influence) -> tuple[Caution, ...]:
    if not pair.binary:
        return ()
    cautions = []
    for label, events, size in zip(pair.labels, influence.events, pair.sizes, strict=True):
        if min(events, size - events) < _FEW_EVENTS:
            code = {0: "no_events", size: "all_events"}.get(
                events, "few_events" if events < _FEW_EVENTS else "few_others"
            )
            cautions.append(
                Caution("small_sample", code, {"n": size, "label": label, "events": events, "others": size - events})
            )
    return tuple(cautions)
