"""(d) Outcomes missing more often in long faces: complete cases mislead, imputation does not, bounds are wide."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from tests.proof.ledger import Ledger
from tests.proof.simulator import ADJUST, LABELS, Scene, Truth, draw, truth_of, two_groups
from warehouse.analysis.group_pair import pair_groups
from warehouse.analysis.missing import impute_and_compare
from warehouse.plans.covariates import adjustables
from warehouse.questions.contrast import GROUP, OUTCOME

pytestmark = pytest.mark.slow

RUNS = 1_000
SCENE = Scene(effect=0.5, missing=(0.05, 0.2, 0.55))


@pytest.fixture(scope="module")
def simulated() -> tuple[Truth, dict[str, list[float]], dict[str, list[bool]]]:
    truth = truth_of(SCENE)
    rng = np.random.default_rng(301)
    values: dict[str, list[float]] = {key: [] for key in ("complete", "imputed", "low", "high", "gap")}
    hits: dict[str, list[bool]] = {"share": [], "difference": [], "bounds": []}
    for _ in range(RUNS):
        cases = two_groups(draw(SCENE, rng))
        pair = pair_groups(
            cases.frame,
            outcome=OUTCOME,
            group=GROUP,
            first=LABELS[0],
            second=LABELS[1],
            covariates=[replace(item.covariate, name=item.title) for item in adjustables(ADJUST)],
            keep_missing_outcome=True,
        )
        known = np.isfinite(pair.outcome[pair.first])
        outcome = pair.outcome[pair.first]
        adverse, n = outcome[known].sum(), outcome.size
        found = impute_and_compare(pair, rng=rng)
        assert found.first.value is not None
        assert found.difference.value is not None
        values["complete"].append(float(adverse / known.sum()))
        values["imputed"].append(found.first.value)
        values["gap"].append(found.difference.value)
        values["low"].append(float(adverse / n))
        values["high"].append(float((adverse + (~known).sum()) / n))
        assert found.first.interval is not None
        assert found.difference.interval is not None
        hits["share"].append(truth.first in found.first.interval)
        hits["difference"].append(truth.crude in found.difference.interval)
        hits["bounds"].append(values["low"][-1] <= truth.first <= values["high"][-1])
    return truth, values, hits


def test_complete_cases_mislead_and_imputation_does_not(
    simulated: tuple[Truth, dict[str, list[float]], dict[str, list[bool]]], ledger: Ledger
) -> None:
    truth, values, _ = simulated
    missed = ledger.centre("missing", "share, complete cases", values["complete"], truth.first, biased=True)
    assert missed.holds
    assert missed.found < truth.first - 0.02
    assert ledger.centre("missing", "share, multiple imputation", values["imputed"], truth.first).holds
    assert ledger.centre("missing", "difference, multiple imputation", values["gap"], truth.crude).holds


def test_bounds_hold_the_truth_but_are_wide(
    simulated: tuple[Truth, dict[str, list[float]], dict[str, list[bool]]], ledger: Ledger
) -> None:
    truth, values, hits = simulated
    assert np.mean(hits["bounds"]) > 0.999
    low, high = (
        ledger.centre("missing", f"{end} bound, {which} of the missing adverse", values[key], truth.first, biased=True)
        for end, which, key in (("lower", "none", "low"), ("upper", "all", "high"))
    )
    assert low.holds
    assert high.holds
    assert low.found < truth.first < high.found
    assert high.found - low.found > 0.2


def test_imputed_intervals_hold_the_truth(
    simulated: tuple[Truth, dict[str, list[float]], dict[str, list[bool]]], ledger: Ledger
) -> None:
    _, _, hits = simulated
    assert ledger.coverage("share, multiple imputation", hits["share"]).holds
    assert ledger.coverage("difference, multiple imputation", hits["difference"]).holds


def test_what_was_seen_on_the_way_takes_out_what_the_rest_cannot(ledger: Ledger) -> None:
    """160 cases whose outcome goes missing by how they had changed on the way, which four of five have on record."""
    rng = np.random.default_rng(302)
    many = rng.standard_normal(2_000_000)
    truth = float((1.0 / (1.0 + np.exp(1.5 - 1.2 * many))).mean())
    values: dict[str, list[float]] = {"told": [], "untold": []}
    hits: dict[str, list[bool]] = {"share": [], "difference": []}
    for _ in range(RUNS // 2):
        way = rng.standard_normal(160)
        adverse = rng.random(160) < 1.0 / (1.0 + np.exp(1.5 - 1.2 * way))
        has = rng.random(160) < 0.8
        known = rng.random(160) < np.where(has, 1.0 / (1.0 + np.exp(-1.0 + 1.2 * way)), 0.75)
        outcome = pl.Series(adverse)
        frame = pl.DataFrame({GROUP: LABELS * 80, OUTCOME: outcome, "known": known})
        frame = frame.with_columns(pl.when("known").then(OUTCOME).alias(OUTCOME))
        pair = pair_groups(
            frame, outcome=OUTCOME, group=GROUP, first=LABELS[0], second=LABELS[1], keep_missing_outcome=True
        )
        for key, seen in (("told", np.where(has, way, np.nan)), ("untold", None)):
            found = impute_and_compare(pair, rng=rng, on_the_way=seen)
            assert found.first.value is not None
            values[key].append(found.first.value)
            if key == "told":
                assert found.first.interval is not None
                assert found.difference.interval is not None
                hits["share"].append(truth in found.first.interval)
                hits["difference"].append(0.0 in found.difference.interval)
    missed = ledger.centre(
        "missing", "share, imputed without the progress record", values["untold"], truth, biased=True
    )
    assert missed.holds
    told = ledger.centre("missing", "share, imputed from the progress record", values["told"], truth)
    assert abs(told.found - truth) < 0.25 * abs(missed.found - truth)
    assert ledger.coverage("share, imputed from the progress record", hits["share"], at_least=True).holds
    assert ledger.coverage("difference, imputed from the progress record", hits["difference"], at_least=True).holds
