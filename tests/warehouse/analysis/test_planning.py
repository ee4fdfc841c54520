"""Numbers of cases: Fleiss's table, R's example, inverse relations, and words."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from warehouse.analysis.planning import (
    cases_for_precision,
    cases_per_group,
    months_needed,
    power_of_two_groups,
)
from warehouse.analysis.proportion import wilson_half_width
from warehouse.errors import RequestError
from warehouse.words.planning import months_sentence, precision_sentence
from warehouse.words.sentences import caution_text

shares = st.floats(0.01, 0.99)


@pytest.fixture
def two_groups(reference_case: Callable[[int, str], dict[str, Any]]) -> dict[str, Any]:
    return reference_case(15, "two-proportion sample size")


def test_sizes_as_printed(two_groups: Any, as_printed: Callable[[Any], Any]) -> None:
    # R, help of power.prop.test: n = 76.7 for .50 v .75 at power .90; power .740 at n = 50
    published = two_groups["expected"]
    assert cases_per_group(0.5, 0.75, power=0.9, corrected=False).exact == as_printed(published["r_help"]["n"])
    assert power_of_two_groups(0.5, 0.75, 50) == as_printed(published["r_help"]["power_n50"])
    # Fleiss 1981, table A.3: 827 in each group for .60 v .70, alpha .01, power .95 (from memory)
    assert cases_per_group(0.6, 0.7, power=0.95, alpha=0.01).n == published["fleiss_60_70"]


@pytest.mark.parametrize("index", range(4))
def test_sizes_as_computed(index: int, two_groups: Any) -> None:
    share1, share2, alpha, power = two_groups["data"]["cases"][index]
    computed = two_groups["computed"]
    plain = cases_per_group(share1, share2, power=power, alpha=alpha, corrected=False)
    assert plain.exact == pytest.approx(computed["n_uncorrected"][index], rel=1e-9)
    corrected = cases_per_group(share1, share2, power=power, alpha=alpha)
    assert corrected.exact == pytest.approx(computed["n_cc"][index], rel=1e-9)


def test_power_and_sizes_of_r(two_groups: Any) -> None:
    # R 4.2.2 power.prop.test; its root search stops at 1e-5
    computed = two_groups["computed"]
    assert power_of_two_groups(0.5, 0.75, 50) == pytest.approx(computed["R_power"], abs=1e-9)
    found = [cases_per_group(a, b, power=0.9, corrected=False).exact for a, b in ((0.5, 0.75), (0.25, 0.4))]
    assert found == pytest.approx([computed["R_n_5_75"], computed["R_n_25_40"]], abs=1e-4)


@given(shares, shares, st.floats(0.5, 0.99), st.sampled_from([0.01, 0.05, 0.1]))
def test_power_inverts_the_size(share1: Any, share2: Any, power: float, alpha: Any) -> None:
    found = cases_per_group(share1, share2, power=power, alpha=alpha, corrected=False)
    if found.n is not None and found.n > 1:
        assert power_of_two_groups(share1, share2, found.n, alpha=alpha) >= power - 1e-9
        assert power_of_two_groups(share1, share2, found.n - 1, alpha=alpha) <= power + 1e-9


@given(shares, shares)
def test_correction_asks_for_more_and_groups_may_be_swapped(share1: Any, share2: Any) -> None:
    plain, corrected = cases_per_group(share1, share2, corrected=False), cases_per_group(share1, share2)
    if plain.n is not None:
        assert corrected.exact > plain.exact
        assert cases_per_group(share2, share1).exact == pytest.approx(corrected.exact)


def test_certain_shares_need_few_cases() -> None:
    assert cases_per_group(0.0, 1.0, corrected=False).n == 2
    assert power_of_two_groups(0.0, 1.0, 3) == 1.0
    assert power_of_two_groups(0.0, 1.0, 1) == 0.0


def test_shares_too_close_are_said_in_words() -> None:
    found = cases_per_group(0.3, 0.3000001)
    assert found.n is None
    assert found.exact > 1e7
    assert caution_text(found.warnings[0]).startswith("The two expected shares are so close")


def test_equal_shares_cannot_be_told_apart() -> None:
    found = cases_per_group(0.3, 0.3)
    assert (found.n, found.exact) == (None, None)
    assert caution_text(found.warnings[0]).startswith("The two expected shares are equal")
    assert power_of_two_groups(0.3, 0.3, 80) == pytest.approx(0.025)
    assert power_of_two_groups(0.3, 0.5, 0) == 0.0


@given(st.floats(0.0, 1.0), st.floats(0.01, 0.4), st.sampled_from([0.8, 0.95, 0.99]))
@settings(deadline=None)
def test_precision_is_reached_first_at_the_number_given(share: float, half_width: Any, level: float) -> None:
    n = cases_for_precision(share, half_width, level=level).n
    assert wilson_half_width(share, n, level=level) <= half_width
    if n > 1:
        assert wilson_half_width(share, n - 1, level=level) > half_width


def test_five_points_about_one_half() -> None:
    # the textbook 385 of the Wald formula; Wilson's interval needs 3.84 fewer
    assert cases_for_precision(0.5, 0.05).n == 381
    assert precision_sentence(cases_for_precision(0.5, 0.05), 0.05).startswith(
        "381 cases give an interval of about plus or minus 5 "
    )


def test_too_narrow_is_said_in_words() -> None:
    found = cases_for_precision(0.5, 1e-5)
    assert found.n is None
    assert caution_text(found.warnings[0]).startswith("More than 10000000 cases")


def test_months_at_the_present_pace() -> None:
    found = months_needed(200, 140, cases_per_month=7.5)
    assert (found.months, found.cases_missing) == (8.0, 60)
    assert months_sentence(found) == "60 more cases are needed: about 8 months at 7.5 a month."
    assert months_needed(cases_per_group(0.2, 0.3), 0, cases_per_month=1.0).cases_missing == cases_per_group(0.2, 0.3).n


def test_months_without_an_end_are_said_in_words() -> None:
    assert months_needed(200, 250, cases_per_month=0.0).months == 0.0
    assert months_sentence(months_needed(200, 100, cases_per_month=0.0)).endswith("none are coming.")
    never = months_needed(cases_per_group(0.2, 0.2), 5, cases_per_month=3.0)
    assert months_sentence(never).startswith("No number of cases")


@pytest.mark.parametrize(
    "asked",
    [
        lambda: cases_for_precision(1.2, 0.05),
        lambda: cases_for_precision(0.2, 0.0),
        lambda: cases_for_precision(0.2, 0.05, level=95),
        lambda: cases_per_group(-0.1, 0.5),
        lambda: cases_per_group(0.1, 50),
        lambda: cases_per_group(0.1, 0.5, power=80),
        lambda: cases_per_group(0.1, 0.5, alpha=0.0),
        lambda: power_of_two_groups(0.1, 0.5, -1),
        lambda: power_of_two_groups(0.1, 5, 10),
        lambda: months_needed(10, -1, cases_per_month=1.0),
        lambda: months_needed(10, 1, cases_per_month=-1.0),
    ],
)
def test_impossible_requests_are_refused(asked: Any) -> None:
    with pytest.raises(RequestError):
        asked()
