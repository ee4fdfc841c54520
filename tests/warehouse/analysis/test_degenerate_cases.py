"""Tiny random frames full of gaps: every estimator answers with a number or a sentence, never an exception or a NaN."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from warehouse.analysis.ancova import ancova
from warehouse.analysis.balance import balances
from warehouse.analysis.change import mean_change, median_change
from warehouse.analysis.group_pair import pair_groups
from warehouse.analysis.inputs import Covariate
from warehouse.analysis.longitudinal import mixed_model
from warehouse.analysis.missing import impute_and_compare
from warehouse.analysis.positivity import positivity
from warehouse.analysis.standardise import standardised_risks
from warehouse.analysis.weighting import weighted_comparison
from warehouse.results import Estimate
from warehouse.words.sentences import caution_text

row = st.tuples(
    st.sampled_from(["a", "b", "c", None]),
    st.sampled_from([True, False, None]),
    st.sampled_from([1.0, 2.0, 3.5, None]),
    st.sampled_from(["u", "v", None]),
    st.sampled_from([30.0, 31.0, 33.1, None]),
    st.sampled_from([30.0, 32.0, 33.1, None]),
    st.integers(0, 4),
)
schema = {
    "g": pl.String,
    "y": pl.Boolean,
    "x": pl.Float64,
    "k": pl.String,
    "before": pl.Float64,
    "after": pl.Float64,
    "case": pl.Int64,
}
frames = st.lists(row, max_size=14).map(lambda rows: pl.DataFrame(rows, schema=schema, orient="row"))
covariates = st.sampled_from(
    [(), ("x",), ("x", "k"), (Covariate(name="x", kind="spline", n_knots=3, standardise=True),)]
)


def answers(*estimates: Estimate) -> None:
    """A value that is finite or a sentence; an interval that is in order."""
    for estimate in estimates:
        assert estimate.value is None or math.isfinite(estimate.value)
        assert estimate.value is not None or caution_text(estimate.warnings[0])
        if estimate.interval is not None:
            assert estimate.interval.low <= estimate.interval.high


@settings(deadline=None, max_examples=60)
@given(frames, covariates, st.sampled_from(["y", "after"]))
def test_comparisons_answer(frame: pl.DataFrame, adjust: tuple[Covariate | str, ...], outcome: str) -> None:
    pair = pair_groups(frame, outcome=outcome, group="g", first="a", second="b", covariates=adjust)
    for target in ("everyone", "first_group", "overlap"):
        found = weighted_comparison(pair, target=target)  # type: ignore[arg-type]
        contrast = found.contrast
        answers(contrast.first, contrast.second, contrast.difference, contrast.ratio)
        overlap = positivity(pair, found)
        assert overlap.warnings if overlap.share_outside is None else 0.0 <= overlap.share_outside <= 1.0
        assert balances(pair, found.weights if found.weights.size else np.ones(pair.n))[0].sizes == pair.sizes
    risks = standardised_risks(pair)
    answers(risks.first, risks.second, risks.difference, risks.ratio)


@settings(deadline=None, max_examples=60)
@given(frames, covariates, st.sampled_from(["y", "after"]), st.integers(0, 100))
def test_imputation_answers(frame: pl.DataFrame, adjust: tuple[Covariate | str, ...], outcome: str, seed: int) -> None:
    pair = pair_groups(
        frame,
        outcome=outcome,
        group="g",
        first="a",
        second="b",
        covariates=adjust,
        keep_missing_outcome=True,
    )
    found = impute_and_compare(pair, rng=np.random.default_rng(seed))
    answers(found.first, found.second, found.difference)


@settings(deadline=None, max_examples=60)
@given(frames, covariates)
def test_change_and_covariance_analysis_answer(frame: pl.DataFrame, adjust: tuple[Covariate | str, ...]) -> None:
    groups = frame["g"].drop_nulls().to_list()
    found = ancova(
        frame,
        before="before",
        after="after",
        group="g",
        reference=groups[0] if groups else "a",
        covariates=adjust,
    )
    answers(*found.differences, *found.adjusted_changes, found.baseline_slope)
    changes = (frame["after"] - frame["before"]).cast(pl.Float64).fill_null(float("nan")).to_numpy()
    answers(mean_change(changes, unit="deg"), median_change(changes, unit="deg"))


@settings(deadline=None, max_examples=60)
@given(frames, st.sampled_from([None, "g"]), st.booleans(), st.sampled_from(["REML", "ML"]))
def test_mixed_model_answers(frame: pl.DataFrame, group: str | None, random_slope: bool, criterion: str) -> None:
    model = mixed_model(
        frame,
        value="after",
        time="x",
        case="case",
        group=group,
        random_slope=random_slope,
        criterion=criterion,  # type: ignore[arg-type]
    )
    answers(*model.terms, *model.slopes)
