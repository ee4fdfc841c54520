"""Published two-group examples: every printed figure of three textbook tables."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from warehouse.analysis.difference import risk_difference
from warehouse.analysis.odds_ratio import odds_ratio
from warehouse.analysis.ratio import risk_ratio
from warehouse.analysis.two_group_tests import two_group_test

PHYSICIANS = (189, 11034, 104, 11037)
TEA = (3, 4, 1, 4)
PERONDI = (7, 34, 1, 34)


def ends(estimate: Any) -> list[float]:
    return [estimate.interval.low, estimate.interval.high]


def test_physicians_health_study_as_printed(
    reference_case: Callable[[int, str], dict[str, Any]], as_printed: Callable[[Any], Any]
) -> None:
    # Agresti, Introduction to Categorical Data Analysis, sec. 2.2-2.3 (from memory; confirmed by computation)
    case = reference_case(3, "Physicians' Health Study MI")
    assert [*case["data"]["placebo"], *case["data"]["aspirin"]] == list(PHYSICIANS)
    wald = risk_difference(*PHYSICIANS, method="wald")
    ratio, odds = risk_ratio(*PHYSICIANS, method="katz"), odds_ratio(*PHYSICIANS)
    found = {
        "RR": ratio.value,
        "RR_ci": ends(ratio),
        "OR": odds.value,
        "OR_ci": ends(odds),
        "RD": wald.value,
        "RD_se": (wald.interval.high - wald.value) / 1.959963984540054,
        "RD_ci": ends(wald),
    }
    assert found.keys() == case["expected"].keys()
    for key, published in case["expected"].items():
        assert found[key] == as_printed(published), key


def test_physicians_health_study_as_computed(reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    # R 4.2.2 epitools and fisher.test, SciPy 1.17.1
    computed = reference_case(3, "Physicians' Health Study MI")["computed"]
    swapped = risk_ratio(104, 11037, 189, 11034, method="katz")
    assert [swapped.value, *ends(swapped)] == pytest.approx(computed["RR_aspirin"], abs=1e-9)
    assert ends(risk_difference(*PHYSICIANS)) == pytest.approx(computed["RD_newcombe"], abs=1e-12)
    assert ends(risk_difference(*PHYSICIANS, method="miettinen_nurminen")) == pytest.approx(computed["RD_mn"], abs=1e-9)
    pearson = two_group_test(*PHYSICIANS, method="pearson")
    assert [pearson.statistic, pearson.p_value] == pytest.approx([computed["chi2"], computed["p"]], rel=1e-9)
    assert two_group_test(*PHYSICIANS, method="fisher").p_value == pytest.approx(computed["fisher_p"], rel=1e-6)
    exact = odds_ratio(*PHYSICIANS, method="conditional")
    # R's root search stops at a relative 1e-4
    assert exact.value == pytest.approx(computed["fisher_condMLE_OR"], rel=2e-4)
    assert ends(exact) == pytest.approx(computed["fisher_ci"], rel=2e-4)


def test_lady_tasting_tea_as_printed(
    reference_case: Callable[[int, str], dict[str, Any]], as_printed: Callable[[Any], Any]
) -> None:
    # R's help of fisher.test; Fagerland, Lydersen & Laake 2017, Statistical Analysis of Contingency Tables, ch. 4
    case = reference_case(3, "lady tasting tea")
    assert case["data"]["table"] == [[3, 1], [1, 3]]
    exact = odds_ratio(*TEA, method="conditional", level=0.9)  # a 90% interval holds the one-sided 95% limit
    found = {
        "fisher_two": two_group_test(*TEA, method="fisher").p_value,
        "fisher_one": two_group_test(*TEA, method="fisher", alternative="greater").p_value,
        "suissa_shuster": two_group_test(*TEA, method="barnard").p_value,
        "cond_or": exact.value,
        "pearson_p": two_group_test(*TEA, method="pearson").p_value,
        "lr_p": two_group_test(*TEA, method="likelihood_ratio").p_value,
    }
    published = dict(case["expected"])
    one_sided = published.pop("ci")
    assert found.keys() == published.keys()
    for key, value in published.items():
        assert found[key] == as_printed(value), key
    assert exact.interval.low == as_printed(one_sided[0])


def test_lady_tasting_tea_as_computed(reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    computed = reference_case(3, "lady tasting tea")["computed"]
    barnard = two_group_test(*TEA, method="barnard")
    assert [barnard.statistic, barnard.p_value] == pytest.approx(
        [computed["barnard_stat"], computed["barnard_pooled"]], abs=1e-9
    )
    assert two_group_test(*TEA).p_value == pytest.approx(computed["boschloo"], abs=1e-9)
    exact = odds_ratio(*TEA, method="conditional")
    assert exact.value == pytest.approx(computed["cond_or"], rel=1e-5)
    assert exact.interval.low == pytest.approx(computed["ci_two"][0], rel=1e-4)


def test_exact_upper_limit_solves_its_equation(reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    # R stops its search early: it prints 621.93. The limit psi solves P(X <= 3) = 0.025, where the five tables
    # with these margins have weights 1, 16 psi, 36 psi^2, 16 psi^3 and psi^4.
    psi = odds_ratio(*TEA, method="conditional").interval.high
    total = 1 + 16 * psi + 36 * psi**2 + 16 * psi**3 + psi**4
    assert 1 - psi**4 / total == pytest.approx(0.025, abs=1e-8)
    assert psi == pytest.approx(reference_case(3, "lady tasting tea")["computed"]["ci_two"][1], rel=0.01)


def test_perondi_as_printed(
    reference_case: Callable[[int, str], dict[str, Any]], as_printed: Callable[[Any], Any]
) -> None:
    # Fagerland, Lydersen & Laake 2017, ch. 4 (Perondi et al. 2004: high v standard dose of epinephrine)
    case = reference_case(3, "Perondi 2004 epinephrine")
    assert case["data"]["table"] == [[7, 27], [1, 33]]
    katz = risk_ratio(*PERONDI, method="katz")
    found = {
        "katz_RR": [katz.value, *ends(katz)],
        "koopman_RR": ends(risk_ratio(*PERONDI, method="koopman")),
        "mn_RR": ends(risk_ratio(*PERONDI)),
        "mee_RD": ends(risk_difference(*PERONDI, method="mee")),
        "newcombe_RD": ends(risk_difference(*PERONDI)),
        "wald_RD": ends(risk_difference(*PERONDI, method="wald")),
        "agresti_caffo_RD": ends(risk_difference(*PERONDI, method="agresti_caffo")),
        "moverR_RR": ends(risk_ratio(*PERONDI, method="mover")),
    }
    assert found.keys() == case["expected"].keys()
    for key, published in case["expected"].items():
        assert found[key] == as_printed(published), key


# The stored Barnard and Boschloo p values of Perondi (.0505, .0255) were computed with the table's rows where SciPy
# expects its columns, which fixes the outcomes instead of the groups; test_two_group_tests holds the enumeration.
def test_perondi_as_computed(reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    computed = reference_case(3, "Perondi 2004 epinephrine")["computed"]
    assert ends(risk_difference(*PERONDI)) == pytest.approx(computed["newcombe_RD"], abs=1e-12)
    assert ends(risk_difference(*PERONDI, method="mee")) == pytest.approx(computed["mee_RD"], abs=1e-9)
    mn = risk_difference(*PERONDI, method="miettinen_nurminen")
    assert ends(mn) == pytest.approx(computed["mn_RD"], abs=1e-9)
    katz = risk_ratio(*PERONDI, method="katz")
    assert [katz.value, *ends(katz)] == pytest.approx(computed["katz_RR"], rel=1e-9)
    assert two_group_test(*PERONDI, method="fisher").p_value == pytest.approx(computed["fisher_p"], rel=1e-9)


def test_miettinen_nurminen_published_for_a_zero_cell() -> None:
    # Fagerland, Lydersen & Laake 2017, ch. 4 (Ritland et al. 2007): 0/16 v 15/72, -0.3164 to -0.0056
    found = risk_difference(0, 16, 15, 72, method="miettinen_nurminen")
    assert ends(found) == pytest.approx([-0.3164, -0.0056], abs=5e-5)


def test_fisher_published_for_a_zero_cell() -> None:
    # same source: P = 0.06287
    assert two_group_test(0, 16, 15, 72, method="fisher").p_value == pytest.approx(0.06287, abs=5e-6)
