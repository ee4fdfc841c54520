"""No published check case of the estimator families tested here may be passed over."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

# Item -> the cases of that item; each is asserted, key by key, in the test file named beside it.
COVERED = {
    1: {"one proportion 81/263", "one proportion 15/148", "one proportion 0/20"},  # test_proportion
    2: {
        "difference 56/70 - 48/80",
        "difference 9/10 - 3/10",
        "difference 5/56 - 0/29",
        "difference 10/10 - 0/20",
    },  # test_difference
    3: {"Physicians' Health Study MI", "lady tasting tea", "Perondi 2004 epinephrine"},  # test_two_group_reference
    4: {"UC Berkeley admissions", "Doll & Hill 1950 smoking/lung cancer by sex"},  # test_stratified
    5: {"alcohol & infant malformation"},  # test_trend
    6: {"sex2 (UTI), Firth logistic", "2x2 zero cell 0/10 v 4/10"},  # test_firth
    10: {"E-value"},  # test_evalue
    12: {"Bland-Altman PEFR", "Shrout & Fleiss ICC"},  # test_method_error, test_agreement, test_intraclass
    14: {"Benjamini-Hochberg 1995"},  # test_multiplicity
    15: {"two-proportion sample size", "rule of three", "Wilson half-width"},  # test_planning, test_proportion
}


@pytest.mark.parametrize("item", sorted(COVERED))
def test_every_case_of_the_item_is_known(item: int, check_cases: list[dict[str, Any]]) -> None:
    assert {case["name"] for case in check_cases if case["item"] == item} == COVERED[item]


def test_printed_digits_set_the_tolerance(as_printed: Callable[[Any], Any]) -> None:
    assert as_printed([0.5]) == [0.5]
    assert as_printed(3) == 3.4
    assert as_printed(3) != 3.6


def test_tolerance_comes_from_the_file(
    reference_case: Callable[[int, str], dict[str, Any]], as_printed: Callable[[Any], Any]
) -> None:
    wilson = reference_case(1, "one proportion 81/263")["expected"]["wilson"]
    close, off = [0.25534, 0.36616], [0.25524, 0.3662]
    assert close == as_printed(wilson)
    assert off != as_printed(wilson)
