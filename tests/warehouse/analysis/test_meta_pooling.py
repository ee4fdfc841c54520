"""Pooling of practices against the BCG vaccine trials and the catheter-infection trials of the literature."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t

from warehouse.analysis.meta import back_interval, pool, restricted_log_likelihood, tau2_reml
from warehouse.analysis.meta_effects import Effects, PracticeEffect, logit_effects, mean_effects, ratio_effects
from warehouse.words.sentences import caution_text

REFERENCE = Path(__file__).parents[2] / "reference" / "statistics-check-values.json"

# Niel-Weise et al. 2007, as printed in Stijnen, Hamza & Ozdemir 2010, Stat Med 29:3046 (Table I): catheter-related
# infections in 18 trials, read in the data file of a public data package.
CONTROL = [3, 3, 9, 7, 6, 4, 3, 2, 19, 2, 7, 1, 5, 11, 0, 1, 3, 1]
CONTROL_N = [117, 35, 195, 136, 157, 139, 177, 39, 103, 122, 64, 58, 175, 180, 105, 262, 362, 69]
TREATED = [0, 1, 2, 0, 5, 1, 1, 1, 1, 1, 0, 0, 3, 6, 0, 0, 1, 4]
TREATED_N = [116, 44, 208, 130, 151, 98, 174, 74, 97, 113, 66, 70, 188, 187, 118, 252, 345, 64]


def case() -> dict[str, Any]:
    cases = json.loads(REFERENCE.read_text(encoding="utf-8"))
    return next(one for one in cases if one["name"] == "BCG vaccine, log RR")


def bcg() -> Effects:
    data = case()["data"]
    treated = [a + b for a, b in zip(data["tpos"], data["tneg"], strict=True)]
    control = [a + b for a, b in zip(data["cpos"], data["cneg"], strict=True)]
    return ratio_effects(data["tpos"], treated, data["cpos"], control)


def plain(y: list[float], v: list[float]) -> Effects:
    practices = tuple(PracticeEffect(str(i), a, b, 10) for i, (a, b) in enumerate(zip(y, v, strict=True)))
    return Effects(scale="mean", practices=practices, left_out={})


def test_log_risk_ratios_and_variances_are_those_of_metafor() -> None:
    computed = case()["computed"]
    assert bcg().y == pytest.approx(computed["yi"], abs=1e-10)
    assert bcg().v == pytest.approx(computed["vi"], abs=1e-10)


def usual_se(effects: Effects, tau2: float) -> float:
    return 1 / math.sqrt(float(np.sum(1 / (effects.v + tau2))))


def test_published_reml_figures_of_the_bcg_trials() -> None:
    """Viechtbauer 2010, J Stat Softw 36(3): every printed figure; its standard error is the usual one."""
    printed = case()["expected"]["REML"]
    found = pool(bcg())
    spread = found.heterogeneity
    assert spread is not None
    assert found.estimate.value == pytest.approx(printed["est"], abs=5e-5)
    assert usual_se(bcg(), spread.tau2) == pytest.approx(printed["se"], abs=5e-5)
    assert spread.tau2 == pytest.approx(printed["tau2"], abs=5e-5)
    assert math.sqrt(spread.tau2) == pytest.approx(printed["tau"], abs=5e-5)
    assert 100 * spread.i2 == pytest.approx(printed["I2"], abs=5e-3)
    assert spread.q == pytest.approx(printed["Q"], abs=5e-4)
    assert [spread.tau2_interval.low, spread.tau2_interval.high] == pytest.approx(printed["tau2_ci"], abs=5e-5)


def test_reml_and_its_interval_agree_with_metafor() -> None:
    computed = case()["computed"]["REML"]
    found = pool(bcg())
    assert found.heterogeneity is not None
    assert found.heterogeneity.tau2 == pytest.approx(computed["tau2"], rel=1e-6)
    assert 100 * found.heterogeneity.i2 == pytest.approx(computed["I2"], rel=1e-6)
    assert found.estimate.value == pytest.approx(computed["est"], rel=1e-6)
    assert found.estimate.interval.low == pytest.approx(computed["hksj_lb"], rel=1e-6)
    assert found.estimate.interval.high == pytest.approx(computed["hksj_ub"], rel=1e-6)


def test_the_interval_is_that_of_a_weighted_mean_by_another_library() -> None:
    """statsmodels' weighted least squares on a constant: its standard error is Hartung and Knapp's, on k-1."""
    from statsmodels.regression.linear_model import WLS

    effects = bcg()
    found = pool(effects)
    assert found.heterogeneity is not None
    fit = WLS(effects.y, np.ones(effects.y.size), weights=1 / (effects.v + found.heterogeneity.tau2)).fit()
    assert found.estimate.value == pytest.approx(fit.params[0], rel=1e-10)
    assert found.se == pytest.approx(fit.bse[0], rel=1e-10)
    assert [found.estimate.interval.low, found.estimate.interval.high] == pytest.approx(fit.conf_int()[0], rel=1e-10)
    assert found.estimate.p_value == pytest.approx(fit.pvalues[0], rel=1e-8)


def test_published_normal_model_of_shares() -> None:
    """Stijnen 2010 Table II, figures as checked in metafor's own tests (four digits)."""
    control = pool(logit_effects(CONTROL, CONTROL_N))
    assert control.estimate.value == pytest.approx(-3.3018, abs=5e-5)
    assert control.heterogeneity is not None
    assert usual_se(logit_effects(CONTROL, CONTROL_N), control.heterogeneity.tau2) == pytest.approx(0.2378, abs=5e-5)
    assert control.heterogeneity.tau2 == pytest.approx(0.6629, abs=5e-5)
    share = control.natural()
    assert share.value == pytest.approx(0.0355, abs=5e-5)
    assert share.unit == "proportion"
    assert "log odds" not in share.estimand
    treated = pool(logit_effects(TREATED, TREATED_N))
    assert treated.estimate.value == pytest.approx(-4.2604, abs=5e-5)
    assert treated.heterogeneity is not None
    assert usual_se(logit_effects(TREATED, TREATED_N), treated.heterogeneity.tau2) == pytest.approx(0.2589, abs=5e-5)
    assert treated.heterogeneity.tau2 == pytest.approx(0.3928, abs=5e-5)


def test_reml_takes_the_higher_of_two_humps() -> None:
    """Two tight practices far apart and one loose one give a likelihood with a hump at zero as well."""
    y, v = np.array([0.0, 0.1, 3.0]), np.array([1e-4, 4.0, 9.0])
    found = tau2_reml(y, v)
    grid = np.linspace(0, 20, 4001)
    best = max(restricted_log_likelihood(y, v, float(t)) for t in grid)
    assert restricted_log_likelihood(y, v, found) >= best - 1e-9


def test_identical_practices_have_no_spread() -> None:
    found = pool(plain([1.0, 1.0, 1.0], [0.1, 0.2, 0.3]))
    assert found.heterogeneity is not None
    assert found.heterogeneity.tau2 == 0
    assert found.heterogeneity.i2 == 0
    assert found.heterogeneity.tau2_interval.low == 0
    assert found.heterogeneity.tau2_interval.high == 0
    assert found.se == 0
    assert found.estimate.p_value is None
    assert any("too narrow" in caution_text(caution) for caution in found.estimate.warnings)


def test_one_practice_gives_its_own_figure_and_says_so() -> None:
    found = pool(logit_effects([5], [20]))
    assert found.natural().value == pytest.approx(0.25)
    assert found.heterogeneity is None
    assert found.prediction is None
    assert any("One practice only" in caution_text(caution) for caution in found.estimate.warnings)


def test_no_practice_gives_words_instead_of_a_number() -> None:
    found = pool(logit_effects([0, 0], [0, 0]))
    assert found.estimate.value is None
    assert found.natural().value is None
    assert found.natural().interval is None
    assert found.estimate.left_out == {"no case assessed": 2}
    assert "nothing to pool" in caution_text(found.estimate.warnings[0])


def test_two_practices_predict_widely() -> None:
    wide = back_interval(pool(logit_effects([5, 12], [20, 30])).prediction, "logit")
    assert wide is not None
    assert 0 < wide.low < 0.25 < 0.4 < wide.high < 1


def test_forest_lines_keep_the_order_given_and_their_weights_sum_to_one() -> None:
    found = pool(bcg())
    assert [line.label for line in found.practices] == [str(i + 1) for i in range(13)]
    assert sum(line.weight for line in found.practices) == pytest.approx(1)
    assert found.practices[0].interval.low < found.practices[0].y < found.practices[0].interval.high


def test_mean_effects_leave_out_what_has_no_variance() -> None:
    effects = mean_effects([1.0, 2.0, 3.0, 1.5], [2.0, 0.0, 1.0, 2.0], [16, 10, 1, 4], labels=list("abcd"))
    assert [practice.label for practice in effects.practices] == ["a", "d"]
    assert effects.v == pytest.approx([0.25, 1.0])
    assert effects.left_out == {"no spread to weigh it by": 1, "fewer than two cases": 1}
    pooled = pool(effects)  # the two differ by less than chance: no spread
    assert pooled.estimate.value == pytest.approx((1.0 / 0.25 + 1.5 / 1.0) / (1 / 0.25 + 1 / 1.0))
    assert pooled.natural().value == pooled.estimate.value
    assert pooled.natural().unit == "mean"


@given(
    st.lists(st.tuples(st.integers(0, 30), st.integers(1, 30)), min_size=2, max_size=8),
    st.randoms(use_true_random=False),
)
@settings(max_examples=40, deadline=None)
def test_order_of_practices_and_direction_of_outcome_do_not_matter(rows: list[tuple[int, int]], random: Any) -> None:
    events, totals = [x for x, _ in rows], [x + more for x, more in rows]
    shuffled = list(zip(events, totals, strict=True))
    random.shuffle(shuffled)
    one = pool(logit_effects(events, totals))
    other = pool(logit_effects([x for x, _ in shuffled], [n for _, n in shuffled]))
    turned = pool(logit_effects([n - x for x, n in zip(events, totals, strict=True)], totals))
    assert one.estimate.value == pytest.approx(other.estimate.value, abs=1e-7)
    assert one.estimate.value == pytest.approx(-turned.estimate.value, abs=1e-7)
    assert one.estimate.value in one.estimate.interval


def test_published_trial_without_events_is_left_out() -> None:
    """Stijnen 2010 Table III leaves out the trial without an infection in either group."""
    found = pool(ratio_effects(TREATED, TREATED_N, CONTROL, CONTROL_N))
    assert found.estimate.left_out == {"no case with the outcome in either group": 1}
    assert any("zero count" in caution_text(caution) for caution in found.estimate.warnings)


def test_a_prediction_is_wider_than_the_formula_where_few_practices_leave_the_spread_open() -> None:
    """Five practices that happen to lie close together: the formula takes them as alike (see the proof)."""
    effects = mean_effects([-0.1, -0.05, 0.0, 0.05, 0.1], [1.0] * 5, [25] * 5)
    found = pool(effects)
    assert found.heterogeneity is not None
    assert found.se is not None
    assert found.prediction is not None
    half = t.ppf(0.975, 4) * math.sqrt(found.heterogeneity.tau2 + found.se**2)
    assert found.prediction.low < -half < 0.0 < half < found.prediction.high
    assert found.prediction == pool(effects).prediction
