"""The logistic fit against R and statsmodels, and what it says of separated data."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.typing import NDArray

from tests.warehouse.analysis.weighting_cases import lalonde_pair
from warehouse.analysis.logistic import PENALISED, firth, fit_logistic, fit_or_fall_back


def invented(n: int, seed: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    rng = np.random.default_rng(seed)
    design = np.column_stack([np.ones(n), rng.normal(2020.0, 3.0, n), rng.normal(size=n)])
    risk = 1.0 / (1.0 + np.exp(-(0.2 * (design[:, 1] - 2020.0) - 0.5 * design[:, 2])))
    return design, (rng.random(n) < risk).astype(float)


def test_coefficients_of_r_on_lalonde(reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    # R 4.2.2: glm(treat ~ age + educ + race + married + nodegree + re74 + re75, family = binomial)
    pair = lalonde_pair()
    fit = fit_logistic(pair.design.matrix, pair.first.astype(float))
    computed = reference_case(11, "lalonde (MatchIt) balance, IPTW, overlap")["computed"]["ps_coef"]
    assert len(computed) == len(pair.design.names)
    assert fit.coefficients.tolist() == pytest.approx(list(computed.values()), rel=1e-6)


def test_agrees_with_statsmodels() -> None:
    design, response = invented(400, 5)
    ours = fit_logistic(design, response)
    theirs = sm.GLM(response, design, family=sm.families.Binomial()).fit(tol=1e-14)
    assert ours.coefficients == pytest.approx(theirs.params, rel=1e-8)
    assert np.sqrt(np.diag(ours.covariance)) == pytest.approx(theirs.bse, rel=1e-5)
    assert ours.fitted == pytest.approx(theirs.fittedvalues, abs=1e-9)
    assert not ours.separated
    assert not ours.penalised


def test_very_many_cases_are_begun_at_a_sample_and_end_where_statsmodels_does() -> None:
    design, response = invented(70_000, 7)
    ours = fit_logistic(design, response)
    theirs = sm.GLM(response, design, family=sm.families.Binomial()).fit(tol=1e-14)
    assert ours.coefficients == pytest.approx(theirs.params, rel=1e-8)
    assert np.sqrt(np.diag(ours.covariance)) == pytest.approx(theirs.bse, rel=1e-5)


def test_very_many_cases_whose_sample_lacks_the_rare_outcome_are_fitted_all_the_same() -> None:
    design, _ = invented(70_000, 8)
    response = np.zeros(70_000)
    response[1::7_000] = 1.0  # ten adverse cases, none of them in an even sample from the first
    assert response[::2].sum() == 0.0
    ours = fit_logistic(design, response)
    theirs = sm.GLM(response, design, family=sm.families.Binomial()).fit(tol=1e-14)
    assert not ours.separated
    assert ours.coefficients == pytest.approx(theirs.params, rel=1e-6)


def test_score_is_zero_to_rounding() -> None:
    design, response = invented(400, 6)
    fit = fit_logistic(design, response)
    scores = (response - fit.fitted) @ (design - design.mean(axis=0) * [0, 1, 1])
    assert scores == pytest.approx(np.zeros(3), abs=1e-9)


def test_dependent_column_gets_zero_and_predictions_stand() -> None:
    design, response = invented(200, 9)
    doubled = np.column_stack([design, design[:, 2] * 3.0])
    fit = fit_logistic(doubled, response)
    assert fit.coefficients[3] == 0.0
    assert fit.covariance[3].tolist() == [0.0] * 4
    assert fit.fitted == pytest.approx(fit_logistic(design, response).fitted, abs=1e-9)


SEPARATED = {
    "complete": ([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], [0.0, 0.0, 0.0, 1.0, 1.0, 1.0]),
    "quasi": ([0.0, 0.0, 0.0, 1.0, 1.0, 1.0], [0.0, 0.0, 1.0, 1.0, 1.0, 1.0]),
    "one outcome": ([1.0, 2.0, 3.0], [0.0, 0.0, 0.0]),
    "one case": ([1.0], [1.0]),
    "no case": ([], []),
}


@pytest.mark.parametrize("kind", SEPARATED)
def test_separated_data_are_called_so(kind: str) -> None:
    column, response = (np.array(part) for part in SEPARATED[kind])
    fit = fit_logistic(np.column_stack([np.ones(column.size), column]), response)
    assert fit.separated
    assert fit.coefficients.tolist() == [0.0, 0.0]
    assert np.isnan(fit.fitted).all()


def test_rare_level_that_separates_among_many_cases() -> None:
    rng = np.random.default_rng(1)
    response = (rng.random(50_000) < 0.1).astype(float)
    rare = np.zeros(50_000)
    rare[:3], response[:3] = 1.0, 1.0
    assert fit_logistic(np.column_stack([np.ones(50_000), rare]), response).separated


def test_fallback_takes_over_where_separated(reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    # 0 of 10 against 4 of 10: Firth's log odds ratio has the closed form of adding one half to every cell
    design = np.column_stack([np.ones(20), np.repeat([1.0, 0.0], 10)])
    response = np.array([0.0] * 10 + [1.0] * 4 + [0.0] * 6)
    assert fit_logistic(design, response).separated
    fit = fit_or_fall_back(design, response)
    assert fit.method == PENALISED
    assert fit.penalised
    assert fit.fitted[[0, 10]] == pytest.approx([0.5 / 11.0, 4.5 / 11.0], abs=1e-7)
    computed = reference_case(6, "2x2 zero cell 0/10 v 4/10")["computed"]  # brglm2, logistf
    assert -fit.coefficients[1] == pytest.approx(computed["logOR"], abs=1e-7)
    assert np.sqrt(fit.covariance[1, 1]) == pytest.approx(computed["se_inverse_fisher"], rel=1e-6)


def test_firth_with_a_dependent_column_and_awkward_units() -> None:
    design = np.column_stack([np.ones(20), np.repeat([1.0, 0.0], 10), 2026.0 + np.tile([0.0, 1.0], 10)])
    response = np.array([0.0] * 10 + [1.0] * 4 + [0.0] * 6)
    plain = firth(design, response)
    doubled = firth(np.column_stack([design, 3.0 * design[:, 2] - 6000.0]), response)
    assert doubled[0][:3] == pytest.approx(plain[0], rel=1e-6)
    assert doubled[0][3] == 0.0
    assert doubled[1][:3, :3] == pytest.approx(plain[1], rel=1e-5)
    shifted = firth(design - [0.0, 0.0, 2026.0], response)
    assert plain[0][1:] == pytest.approx(shifted[0][1:], abs=1e-6)


def test_fallback_is_not_asked_without_need() -> None:
    design, response = invented(100, 2)
    fit = fit_or_fall_back(design, response)
    assert not fit.penalised


def test_fallback_cannot_help_without_a_case() -> None:
    assert fit_or_fall_back(np.empty((0, 1)), np.empty(0)).separated


def test_firth_agrees_with_the_published_fit(reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    # Heinze & Schemper 2002, logistf output; brglm2 0.9 and logistf 1.26.1
    case = reference_case(6, "sex2 (UTI), Firth logistic")
    table = case["data"]["aggregated"]
    times = np.array(table["COUNT"])
    names = ("age", "oc", "vic", "vicl", "vis", "dia")
    design = np.column_stack([np.ones(times.sum()), *(np.repeat(table[name], times) for name in names)]).astype(float)
    coefficients, covariance = firth(design, np.repeat(table["case"], times).astype(float))
    assert coefficients.tolist() == pytest.approx(list(case["expected"]["coef"].values()), abs=5.1e-9 + 1e-6)
    errors = list(case["computed"]["se_inverse_fisher"].values())
    assert np.sqrt(np.diag(covariance)).tolist() == pytest.approx(errors, rel=1e-5)
