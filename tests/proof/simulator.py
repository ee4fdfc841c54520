"""Invented cohorts of which everything is known: who gets which appliance, and what that does to the face.

Much lighter than the full generator of the project: only what a comparison reads. Face type decides the appliance and
goes with the outcome; that is the confounding the adjusted comparisons must take out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import expit

from warehouse.plans.covariates import ADJUSTABLE
from warehouse.questions.contrast import GROUP, OUTCOME, TwoGroupFrame, stratum_column

Floats = NDArray[np.float64]

TYPES = ("low", "average", "high")
TYPE_SHARES = (0.25, 0.5, 0.25)
LABELS = ("expander", "fixed")
ADJUST = ("vertical_type", "age_at_start", "sex")
INTERCEPT = -1.7
TYPE_EFFECTS = np.array([-0.7, 0.0, 0.9])
"""Log odds of going adverse by face type."""
AGE_EFFECT = -0.06
"""Log odds for each year above 11.5."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What is true in an invented cohort.

    Attributes:
        n: Cases.
        effect: Log odds ratio of going adverse with an expander.
        chances: Chance of an expander by face type.
        missing: Chance of a missing outcome by face type.
    """

    n: int = 700
    effect: float = 0.0
    chances: tuple[float, float, float] = (0.2, 0.4, 0.75)
    missing: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cohort:
    """One draw: face type (0, 1, 2), age, sex (1 male), appliance (1 expander), risks with and without, outcome."""

    face: NDArray[np.int64]
    age: Floats
    male: NDArray[np.bool_]
    first: NDArray[np.bool_]
    risk_first: Floats
    risk_second: Floats
    adverse: NDArray[np.bool_]
    known: NDArray[np.bool_]


def draw(scene: Scene, rng: np.random.Generator) -> Cohort:
    """A cohort."""
    face = rng.choice(3, scene.n, p=TYPE_SHARES)
    age = rng.uniform(8.0, 15.0, scene.n)
    first = rng.random(scene.n) < np.asarray(scene.chances)[face]
    base = INTERCEPT + TYPE_EFFECTS[face] + AGE_EFFECT * (age - 11.5)
    with_it, without = expit(base + scene.effect), expit(base)
    adverse = rng.random(scene.n) < np.where(first, with_it, without)
    return Cohort(
        face=face,
        age=age,
        male=rng.random(scene.n) < 0.5,
        first=first,
        risk_first=with_it,
        risk_second=without,
        adverse=adverse,
        known=rng.random(scene.n) >= np.asarray(scene.missing)[face],
    )


def two_groups(cohort: Cohort) -> TwoGroupFrame:
    """The cohort as the comparisons read it, stratified by face type."""
    titles = [ADJUSTABLE[name].title for name in ADJUST]
    faces = pl.Series(np.array(TYPES)[cohort.face])
    outcome = pl.Series(cohort.adverse)
    frame = pl.DataFrame(
        {
            GROUP: np.where(cohort.first, *LABELS),
            OUTCOME: outcome,
            "is_due": np.ones(outcome.len(), dtype=np.bool_),
            titles[0]: faces,
            titles[1]: cohort.age,
            titles[2]: np.where(cohort.male, "male", "female"),
            stratum_column("vertical_type"): faces,
            "known": cohort.known,
        }
    ).with_columns(pl.when(pl.col("known")).then(pl.col(OUTCOME)).alias(OUTCOME))
    return TwoGroupFrame(
        frame=frame.drop("known"), labels=LABELS, titles=tuple(titles), strata=("vertical_type",), in_both=0
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What each comparison is after, in a scene: differences of risk, by integration over two million cases.

    Attributes:
        crude: Share adverse with an expander minus without, as the groups came.
        everyone: The same had everyone been in either group.
        overlap: The same among those who might well have been in either, which is also what Mantel-Haenszel over
            face types is after, since here nothing but the face type decides.
        first: Share adverse with an expander, as that group came; ``second`` without.
    """

    crude: float
    everyone: float
    overlap: float
    first: float
    second: float


def truth_of(scene: Scene) -> Truth:
    """The truth, exact but for the integration error of about 0.0002."""
    many = draw(Scene(n=2_000_000, effect=scene.effect, chances=scene.chances), np.random.default_rng(1))
    chance = np.asarray(scene.chances)[many.face]
    gap = many.risk_first - many.risk_second
    first = float(np.average(many.risk_first, weights=chance))
    second = float(np.average(many.risk_second, weights=1.0 - chance))
    return Truth(
        crude=first - second,
        everyone=float(gap.mean()),
        overlap=float(np.average(gap, weights=chance * (1.0 - chance))),
        first=first,
        second=second,
    )
