"""The maximiser behind Firth's logistic model: a penalised likelihood over grouped rows.

statsmodels and scikit-learn have no Firth penalty. The loop works on blocks small enough for the cache and collapses
identical rows first, so that a million cases take no longer than a plain fit does elsewhere. Without the penalty it
climbs the plain likelihood, which tells whether the data are separated.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf, isfinite, sqrt
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from warehouse.analysis.spline import FloatArray

if TYPE_CHECKING:
    Whole = NDArray[np.intp]

_BLOCK: Final = 8192  # rows whose columns fit the second-level cache together
_LONGEST_STEP: Final = 5.0  # in linear-predictor units, as Heinze & Ploner (2003) use
_ROUGH_STEPS: Final = 5  # after these, a gain that does not shrink a hundredfold a step calls for exact curvature
_CHEAP: Final = 2_000_000  # multiplications for which the exact curvature costs no more than it saves
_SAMPLE: Final = 10_000  # rows looked at to guess whether collapsing pays


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Cases by distinct covariate pattern."""

    columns: FloatArray  # The design, transposed: shape `(p, g)`
    events: FloatArray  # Adverse cases of each pattern, shape `(g,)`
    trials: FloatArray  # Cases of each pattern, shape `(g,)`

    @property
    def blocks(self) -> Iterator[slice]:
        """Slices of the patterns, one block at a time."""
        return (slice(s, s + _BLOCK) for s in range(0, self.events.size, _BLOCK))


def group_rows(design: FloatArray, events: FloatArray, trials: FloatArray) -> Rows:
    """Collapse identical rows of a design of shape ``(n, p)`` into patterns; order plays no part."""
    sample = design[:_SAMPLE]
    if np.unique(sample, axis=0).shape[0] > 0.9 * max(1, sample.shape[0]) and design.shape[0] > _SAMPLE:
        return Rows(np.ascontiguousarray(design.T), events, trials)
    names = [f"x{j}" for j in range(design.shape[1])]
    frame = pl.DataFrame(dict(zip(names, design.T, strict=True)) | {"events": events, "trials": trials})
    grouped = frame.group_by(names, maintain_order=True).agg(pl.col("events").sum(), pl.col("trials").sum())
    columns = np.ascontiguousarray(grouped.select(names).to_numpy().T, dtype=np.float64)
    return Rows(columns, grouped["events"].to_numpy(), grouped["trials"].to_numpy())


@dataclass(frozen=True, slots=True, eq=False)
class Point:
    """The likelihood at one set of coefficients."""

    beta: FloatArray  # The coefficients, shape `(p,)`
    # Log-likelihood, with the penalty when there is one; minus infinity where the information is singular
    height: float
    information: FloatArray  # Fisher information, shape `(p, p)`
    score: FloatArray  # Derivative of the plain log-likelihood
    risks: FloatArray  # Fitted share of each pattern, shape `(g,)`
    # A matrix whose product with its transpose is the inverse information, when there is a penalty
    half: FloatArray | None


@dataclass(frozen=True, slots=True, eq=False)
class Optimum:
    """Where the climb ended."""

    beta: FloatArray  # Coefficients, shape `(p,)`
    height: float  # (Penalised) log-likelihood there
    information: FloatArray  # Fisher information of all coefficients, shape `(p, p)`
    gradient: FloatArray  # Derivative of `height` by all coefficients (zero for the free ones)
    converged: bool  # Whether the last step was negligible
    steps: int  # Newton steps taken


def _inverse_half(information: FloatArray) -> tuple[FloatArray | None, float]:
    """``half`` with ``half @ half.T`` the inverse, and the log determinant; None and minus infinity if singular.

    Columns are brought to one size first: far out under separation some weights are all but zero.
    """
    size = np.sqrt(np.diagonal(information))
    if not (np.isfinite(size).all() and size.min() > 0.0):
        return None, -np.inf
    try:
        lower = np.linalg.cholesky(information / np.outer(size, size))
    except np.linalg.LinAlgError:
        return None, -np.inf
    half = np.asarray(np.linalg.inv(lower).T / size[:, None], dtype=np.float64)
    return half, 2.0 * float(np.log(np.diagonal(lower)).sum() + np.log(size).sum())


class Likelihood:
    """The log-likelihood of grouped rows, with Firth's penalty ``log |information| / 2`` if asked for."""

    def __init__(self, rows: Rows, *, penalised: bool) -> None:
        self.rows = rows
        self.penalised = penalised
        weights = rows.trials / max(1.0, float(rows.trials.sum()))
        spread = np.sqrt(sum((rows.columns[:, block] ** 2) @ weights[block] for block in rows.blocks))
        self.size: FloatArray = np.where(spread > 0.0, spread, 1.0)
        self.wants_exact = penalised and rows.events.size * spread.size**3 < _CHEAP

    def at(self, beta: FloatArray) -> Point:
        """The point at ``beta``."""
        rows, p = self.rows, beta.size
        height, information, score = 0.0, np.zeros((p, p)), np.zeros(p)
        risks = np.empty(rows.events.size)
        for block in rows.blocks:
            x, events, trials = rows.columns[:, block], rows.events[block], rows.trials[block]
            eta = beta @ x
            shrunk = np.exp(-np.abs(eta))  # never overflows
            larger = 1.0 / (1.0 + shrunk)
            risk = np.where(eta >= 0.0, larger, shrunk * larger)
            height += float(events @ eta - trials @ (np.maximum(eta, 0.0) + np.log1p(shrunk)))
            information += (x * (trials * larger * larger * shrunk)) @ x.T
            score += x @ (events - trials * risk)
            risks[block] = risk
        half = None
        if self.penalised:
            half, log_determinant = _inverse_half(information)
            height += 0.5 * log_determinant
        return Point(beta, height, information, score, risks, half)

    def leverages(self, point: Point) -> Iterator[tuple[slice, FloatArray]]:
        """Block by block, the leverages of each pattern summed over its cases."""
        if point.half is None:
            return
        for block in self.rows.blocks:
            risk = point.risks[block]
            spread = np.square(point.half.T @ self.rows.columns[:, block]).sum(axis=0)
            yield block, spread * self.rows.trials[block] * risk * (1.0 - risk)

    def slope(self, point: Point) -> tuple[FloatArray, FloatArray]:
        """Derivative of the height, and the curvature to divide it by.

        Penalised, the derivative is the score plus ``sum h (1/2 - risk) x``, and the curvature is the information of
        the data with Firth's pseudo-cases added (leverages ``h`` as extra weights), without which the steps overshoot
        in very small samples.
        """
        gradient, curvature = point.score.copy(), point.information.copy()
        if self.penalised:
            for block, leverage in self.leverages(point):
                x, risk = self.rows.columns[:, block], point.risks[block]
                gradient += x @ (leverage * (0.5 - risk))
                curvature += (x * (leverage * risk * (1.0 - risk))) @ x.T
        return gradient, curvature

    def exact_curvature(self, point: Point) -> FloatArray:
        """Minus the second derivative of the penalised height; not positive definite everywhere.

        With A the inverse information and T_k the sum of w' x_k x x^T (w' the derivative of the weight of a case by
        its linear predictor), the penalty adds trace(A T_k A T_l) / 2 less the sum of w'' (x^T A x) x_k x_l / 2.
        """
        p = point.beta.size
        total, third = point.information.copy(), np.zeros((p, p, p))
        if point.half is None:
            return total
        for block, leverage in self.leverages(point):
            x, risk = self.rows.columns[:, block], point.risks[block]
            spread = risk * (1.0 - risk)
            total -= 0.5 * (x * (leverage * (1.0 - 6.0 * spread))) @ x.T
            tilted = x * (self.rows.trials[block] * spread * (1.0 - 2.0 * risk))
            for k in range(p):
                third[k] += (tilted * x[k]) @ x.T
        inner = (point.half.T @ third @ point.half).reshape(p, p * p)
        return np.asarray(total + 0.5 * inner @ inner.T, dtype=np.float64)


def _step(gradient: FloatArray, *curvatures: FloatArray) -> FloatArray | None:
    """Newton's step by the first curvature that is positive definite; None if none is."""
    for curvature in curvatures:
        try:
            np.linalg.cholesky(curvature)
            return np.asarray(np.linalg.solve(curvature, gradient), dtype=np.float64)
        except np.linalg.LinAlgError:
            continue
    return None


def _next_step(model: Likelihood, point: Point, free: Whole) -> tuple[FloatArray, FloatArray | None]:
    """The gradient in all coefficients and the step in the free ones."""
    gradient, rough = model.slope(point)
    curvatures = [rough]
    if model.wants_exact:
        curvatures.insert(0, model.exact_curvature(point))
    return gradient, _step(gradient[free], *(curvature[np.ix_(free, free)] for curvature in curvatures))


def maximise(model: Likelihood, start: FloatArray, free: Whole, *, most_steps: int = 60) -> Optimum:
    """Climb from ``start`` by Newton steps in the ``free`` coefficients; the others stay where they are.

    A separated plain likelihood has no top: its steps never shrink, so the result has ``converged`` False. So it has
    when the information is singular at ``start``; the height there is then minus infinity.
    """
    point, steps, converged, previous = model.at(start), 0, False, np.inf
    gradient, step = _next_step(model, point, free)
    while step is not None and steps < most_steps and point.height > -np.inf:
        longest, gain = float(np.max(np.abs(step) * model.size[free], initial=0.0)), float(gradient[free] @ step)
        if gain < 1e-16 and longest < 1e-6:
            converged = True
            break
        if model.penalised and steps >= _ROUGH_STEPS and gain > 0.01 * previous:
            model.wants_exact = True  # as will every later climb on these data
        moved = _uphill(model, point, step * min(1.0, _LONGEST_STEP / max(longest, 1e-300)), free)
        if moved is None:
            break
        point, steps, previous = moved, steps + 1, gain
        gradient, step = _next_step(model, point, free)
    return Optimum(point.beta, point.height, point.information, gradient, converged, steps)


def _uphill(model: Likelihood, point: Point, step: FloatArray, free: Whole) -> Point | None:
    """The point after the step, halved until the height does not fall; None when no step will do."""
    slack = 1e-10 * (1.0 + abs(point.height))
    for _ in range(30):
        beta = point.beta.copy()
        beta[free] += step
        moved = model.at(beta)
        if moved.height >= point.height - slack:
            return moved
        step = step / 2.0
    return None


class Profile:
    """The penalised fit of ``rows``, ``best``, and how far each coefficient can go from there before the fit suffers.

    ``separated``: whether the plain likelihood runs away from there.
    """

    def __init__(self, rows: Rows) -> None:
        p = rows.columns.shape[0]
        self.model = Likelihood(rows, penalised=True)
        self.every = np.arange(p)
        self.best = maximise(self.model, np.zeros(p), self.every)
        plain = maximise(Likelihood(rows, penalised=False), self.best.beta, self.every, most_steps=15)
        self.separated = not plain.converged
        if self.separated:
            self._look_further(plain.beta)
        self.covariance: FloatArray = np.asarray(np.linalg.inv(self.best.information), dtype=np.float64)

    def _look_further(self, far: FloatArray) -> None:
        """Separated data can give the penalised likelihood a second, higher peak on the way the plain one runs off."""
        steps = [self.best.beta + share * (far - self.best.beta) for share in (0.2, 0.4, 0.6, 0.8)]
        start = max(steps, key=lambda beta: self.model.at(beta).height)
        other = maximise(self.model, start, self.every)
        if other.converged and other.height > self.best.height + 1e-9:
            self.best = other

    def error(self, j: int) -> float:
        """Standard error of coefficient ``j`` from the inverse Fisher information."""
        return sqrt(float(self.covariance[j, j]))

    def at(self, j: int, value: float, near: Optimum) -> Optimum:
        """The best fit with coefficient ``j`` held at ``value``, started from a straight line through ``near``."""
        others = np.delete(self.every, j)
        start = near.beta.copy()
        start[j] = value
        if others.size:
            among, across = near.information[np.ix_(others, others)], near.information[others, j]
            start[others] -= np.linalg.lstsq(among, across)[0] * (value - near.beta[j])
        return maximise(self.model, start, others)

    def root_drop(self, fit: Optimum) -> float:
        """Square root of twice the drop in height: the distance from the estimate in standard errors."""
        return sqrt(max(0.0, 2.0 * (self.best.height - fit.height)))

    def limit(self, j: int, z: float, side: float) -> float:
        """Where the root drop of coefficient ``j`` reaches ``z`` on one side; infinite if it never does.

        Newton's method on the root drop, which is nearly straight, within a bracket that only ever shrinks.
        """
        value = float(self.best.beta[j]) + side * z * self.error(j)
        inner, outer, near = float(self.best.beta[j]), side * inf, self.best
        for _ in range(60):
            fit = self.at(j, value, near)
            drop = self.root_drop(fit)
            inner, outer = (value, outer) if drop < z else (inner, value)
            slope = abs(float(fit.gradient[j])) / max(drop, 1e-12)
            proposed = value + side * (z - drop) / slope if isfinite(drop) and slope > 0.0 else side * inf
            if abs(drop - z) < 1e-6 and isfinite(proposed):
                return proposed
            near = fit if isfinite(drop) else near
            value = _within(proposed, inner, outer, self.error(j) * side)
        return side * inf


def _within(proposed: float, inner: float, outer: float, step: float) -> float:
    """The proposal if it lies between the ends of the bracket, else a point that does."""
    low, high = min(inner, outer), max(inner, outer)
    if low < proposed < high:
        return proposed
    return (inner + outer) / 2.0 if isfinite(outer) else inner + 2.0 * step
