"""Published two-group examples: the printed figures of three textbook tables, by the methods that are offered."""

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
    odds = odds_ratio(*PHYSICIANS)
    found = {
        "RR": risk_ratio(*PHYSICIANS).value,
        "OR": odds.value,
        "OR_ci": ends(odds),
        "RD": risk_difference(*PHYSICIANS).value,
    }
    # the printed intervals of ratio and difference are Katz's and Wald's, which are not offered
    assert found.keys() | {"RR_ci", "RD_se", "RD_ci"} == case["expected"].keys()
    for key, estimate in found.items():
        assert estimate == as_printed(case["expected"][key]), key


def test_physicians_health_study_as_computed(reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    # R 4.2.2 epitools and fisher.test, SciPy 1.17.1
    computed = reference_case(3, "Physicians' Health Study MI")["computed"]
    assert risk_ratio(104, 11037, 189, 11034).value == pytest.approx(computed["RR_aspirin"][0], abs=1e-9)
    assert ends(risk_difference(*PHYSICIANS)) == pytest.approx(computed["RD_newcombe"], abs=1e-12)
    pearson = two_group_test(*PHYSICIANS, method="pearson")
    assert [pearson.statistic, pearson.p_value] == pytest.approx([computed["chi2"], computed["p"]], rel=1e-9)
    assert two_group_test(*PHYSICIANS, method="fisher").p_value == pytest.approx(computed["fisher_p"], rel=1e-6)


def test_lady_tasting_tea_as_printed(
    reference_case: Callable[[int, str], dict[str, Any]], as_printed: Callable[[Any], Any]
) -> None:
    # R's help of fisher.test; Fagerland, Lydersen & Laake 2017, Statistical Analysis of Contingency Tables, ch. 4
    case = reference_case(3, "lady tasting tea")
    assert case["data"]["table"] == [[3, 1], [1, 3]]
    found = {
        "fisher_two": two_group_test(*TEA, method="fisher").p_value,
        "pearson_p": two_group_test(*TEA, method="pearson").p_value,
    }
    not_offered = {"fisher_one", "suissa_shuster", "cond_or", "lr_p", "ci"}
    assert found.keys() | not_offered == case["expected"].keys()
    for key, p_value in found.items():
        assert p_value == as_printed(case["expected"][key]), key


def test_lady_tasting_tea_as_computed(reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    computed = reference_case(3, "lady tasting tea")["computed"]
    assert two_group_test(*TEA).p_value == pytest.approx(computed["boschloo"], abs=1e-9)


def test_perondi_as_printed(
    reference_case: Callable[[int, str], dict[str, Any]], as_printed: Callable[[Any], Any]
) -> None:
    # Fagerland, Lydersen & Laake 2017, ch. 4 (Perondi et al. 2004: high v standard dose of epinephrine)
    case = reference_case(3, "Perondi 2004 epinephrine")
    assert case["data"]["table"] == [[7, 27], [1, 33]]
    found = {"mn_RR": ends(risk_ratio(*PERONDI)), "newcombe_RD": ends(risk_difference(*PERONDI))}
    not_offered = {"katz_RR", "koopman_RR", "mee_RD", "wald_RD", "agresti_caffo_RD", "moverR_RR"}
    assert found.keys() | not_offered == case["expected"].keys()
    for key, limits in found.items():
        assert limits == as_printed(case["expected"][key]), key


# The stored Boschloo p value of Perondi (.0255) was computed with the table's rows where SciPy
# expects its columns, which fixes the outcomes instead of the groups; test_two_group_tests holds the enumeration.
def test_perondi_as_computed(reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    computed = reference_case(3, "Perondi 2004 epinephrine")["computed"]
    assert ends(risk_difference(*PERONDI)) == pytest.approx(computed["newcombe_RD"], abs=1e-12)
    assert risk_ratio(*PERONDI).value == pytest.approx(computed["katz_RR"][0], rel=1e-9)
    assert two_group_test(*PERONDI, method="fisher").p_value == pytest.approx(computed["fisher_p"], rel=1e-9)


def test_fisher_published_for_a_zero_cell() -> None:
    # same source: P = 0.06287
    assert two_group_test(0, 16, 15, 72, method="fisher").p_value == pytest.approx(0.06287, abs=5e-6)
