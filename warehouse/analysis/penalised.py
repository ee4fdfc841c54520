"""The maximiser behind Firth's logistic model: a penalised likelihood over grouped rows.

statsmodels and scikit-learn have no Firth penalty. The loop works on blocks small enough for the cache and collapses
identical rows first, so that a million cases take no longer than a plain fit does elsewhere. Without the penalty it
climbs the plain likelihood, which tells whether the data are separated.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Whole = NDArray[np.intp]

_BLOCK: Final = 8192  # rows whose columns fit the second-level cache together
_LONGEST_STEP: Final = 5.0  # in linear-predictor units, as Heinze & Ploner (2003) use
_SAMPLE: Final = 10_000  # rows looked at to guess whether collapsing pays


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Cases by distinct covariate pattern.

    Attributes:
        columns: The design, transposed: shape ``(p, g)``.
        events: Adverse cases of each pattern, shape ``(g,)``.
        trials: Cases of each pattern, shape ``(g,)``.
    """

    columns: Floats
    events: Floats
    trials: Floats

    @property
    def blocks(self) -> Iterator[slice]:
        """Slices of the patterns, one block at a time."""
        return (slice(s, s + _BLOCK) for s in range(0, self.events.size, _BLOCK))


def group_rows(design: Floats, events: Floats, trials: Floats) -> Rows:
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
    """The likelihood at one set of coefficients; ``height`` includes the penalty when there is one."""

    beta: Floats
    height: float
    information: Floats
    score: Floats
    risks: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Optimum:
    """Where the climb ended.

    Attributes:
        beta: Coefficients, shape ``(p,)``.
        height: (Penalised) log-likelihood there.
        information: Fisher information of all coefficients, shape ``(p, p)``.
        gradient: Derivative of ``height`` by all coefficients (zero for the free ones).
        converged: Whether the last step was negligible.
        steps: Newton steps taken.
    """

    beta: Floats
    height: float
    information: Floats
    gradient: Floats
    converged: bool
    steps: int


class Likelihood:
    """The log-likelihood of grouped rows, with Firth's penalty ``log |information| / 2`` if asked for."""

    def __init__(self, rows: Rows, *, penalised: bool) -> None:
        self.rows = rows
        self.penalised = penalised
        weights = rows.trials / max(1.0, float(rows.trials.sum()))
        spread = np.sqrt((rows.columns**2) @ weights)
        self.size: Floats = np.where(spread > 0.0, spread, 1.0)

    def at(self, beta: Floats) -> Point:
        """Height, information and plain score; the height is minus infinity where the information is singular."""
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
        if self.penalised:
            sign, log_determinant = np.linalg.slogdet(information)
            height = height + 0.5 * float(log_determinant) if sign > 0.0 else -np.inf
        return Point(beta, height, information, score, risks)

    def leverages(self, point: Point) -> Iterator[tuple[slice, Floats]]:
        """Block by block, the leverages of each pattern summed over its cases."""
        half = np.linalg.cholesky(np.linalg.inv(point.information))
        for block in self.rows.blocks:
            risk = point.risks[block]
            spread = np.square(half.T @ self.rows.columns[:, block]).sum(axis=0)
            yield block, spread * self.rows.trials[block] * risk * (1.0 - risk)

    def slope(self, point: Point) -> tuple[Floats, Floats]:
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


def _solve(matrix: Floats, vector: Floats) -> Floats:
    return np.asarray(np.linalg.solve(matrix, vector), dtype=np.float64)


def maximise(model: Likelihood, start: Floats, free: Whole, *, most_steps: int = 60) -> Optimum:
    """Climb from ``start`` by Newton steps in the ``free`` coefficients; the others stay where they are.

    A separated plain likelihood has no top: its steps never shrink, so the result has ``converged`` False.
    """
    point, steps, converged = model.at(start), 0, False
    gradient, curvature = model.slope(point)
    while steps < most_steps:
        try:
            step = _solve(curvature[np.ix_(free, free)], gradient[free])
        except np.linalg.LinAlgError:
            break
        longest = float(np.max(np.abs(step) * model.size[free], initial=0.0))
        if float(gradient[free] @ step) < 1e-20 and longest < 1e-6:
            converged = True
            break
        moved = _uphill(model, point, step * min(1.0, _LONGEST_STEP / max(longest, 1e-300)), free)
        if moved is None:
            break
        point, steps = moved, steps + 1
        gradient, curvature = model.slope(point)
    return Optimum(point.beta, point.height, point.information, gradient, converged, steps)


def _uphill(model: Likelihood, point: Point, step: Floats, free: Whole) -> Point | None:
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
