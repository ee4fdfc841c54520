"""Mantel-Haenszel: published strata, statsmodels, and special cases."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from warehouse.analysis.ratio import risk_ratio
from warehouse.analysis.stratified import (
    Stratum,
    breslow_day_test,
    cmh_test,
    mantel_haenszel,
)
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

MEASURES = ["odds_ratio", "risk_ratio", "risk_difference"]
pairs = st.integers(0, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
strata_lists = st.lists(st.tuples(pairs, pairs), min_size=0, max_size=6).map(
    lambda rows: [Stratum(f"s{i}", *first, *second) for i, (first, second) in enumerate(rows)]
)
full = st.integers(4, 60).flatmap(lambda n: st.tuples(st.integers(1, n - 1), st.just(n)))
full_lists = st.lists(st.tuples(full, full), min_size=2, max_size=6).map(
    lambda rows: [Stratum(f"s{i}", *first, *second) for i, (first, second) in enumerate(rows)]
)


def strata_of(tables: Any) -> list[Stratum]:
    return [Stratum(str(i), a, a + b, c, c + d) for i, ((a, b), (c, d)) in enumerate(tables)]


def ends(estimate: Any) -> list[float]:
    return [estimate.interval.low, estimate.interval.high]


def swapped(strata: list[Stratum]) -> list[Stratum]:
    return [Stratum(s.name, s.x2, s.n2, s.x1, s.n1) for s in strata]


@pytest.fixture
def berkeley(reference_case: Callable[[int, str], dict[str, Any]]) -> tuple[dict[str, Any], list[Stratum]]:
    case = reference_case(4, "UC Berkeley admissions")
    return case, strata_of(case["data"]["tables"].values())


@pytest.fixture
def smoking(reference_case: Callable[[int, str], dict[str, Any]]) -> tuple[dict[str, Any], list[Stratum]]:
    case = reference_case(4, "Doll & Hill 1950 smoking/lung cancer by sex")
    return case, strata_of(case["data"]["tables"])


def test_berkeley_as_printed(berkeley: Any, as_printed: Callable[[Any], Any]) -> None:
    # R, help of mantelhaen.test (from memory); data Bickel, Hammel & O'Connell 1975
    case, strata = berkeley
    odds = mantel_haenszel(strata)
    found = {
        "OR": odds.value,
        "OR_ci": ends(odds),
        "CMH_uncorrected": cmh_test(strata).statistic,
    }
    # the test with continuity correction and Woolf's are not offered
    assert found.keys() | {"CMH_corrected", "CMH_p", "woolf", "woolf_p"} == case["expected"].keys()
    for key, figure in found.items():
        assert figure == as_printed(case["expected"][key]), key


def test_berkeley_as_computed(berkeley: Any) -> None:
    # R 4.2.2 mantelhaen.test, metafor 3.8.1 rma.mh, vcd 1.4.11
    case, strata = berkeley
    computed = case["computed"]
    odds = mantel_haenszel(strata)
    assert [odds.value, *ends(odds)] == pytest.approx([computed["OR"], *computed["OR_ci"]], abs=1e-9)
    for measure, key in (("risk_ratio", "RR_mh"), ("risk_difference", "RD_mh")):
        estimate = mantel_haenszel(strata, measure=measure)
        assert [estimate.value, *ends(estimate)] == pytest.approx(computed[key], abs=1e-9)
    assert cmh_test(strata).p_value == pytest.approx(computed["CMH_unc_p"], abs=1e-9)
    tarone = breslow_day_test(strata)
    assert [tarone.statistic, tarone.p_value] == pytest.approx([computed["BD_tarone"], computed["BDT_p"]], rel=1e-9)
    assert tarone.df == 5
    for stratum, ratio in zip(strata, computed["stratum_OR"].values(), strict=True):
        assert mantel_haenszel([stratum]).value == pytest.approx(ratio, abs=1e-9)


def test_smoking_as_printed(smoking: Any, as_printed: Callable[[Any], Any]) -> None:
    # Fagerland, Lydersen & Laake 2017, ch. 10 (Doll & Hill 1950)
    case, strata = smoking
    tarone = breslow_day_test(strata)
    found = {
        "MH": mantel_haenszel(strata).value,
        "CMH": cmh_test(strata).statistic,
        "BD_tarone": tarone.statistic,
        "p": tarone.p_value,
    }
    published = dict(case["expected"])
    del published["IV"]  # Woolf's inverse variance is not offered
    slipped = published.pop("RBG_ci_package")  # that program adds n12 + n22 where the formula has n12 + n21
    assert ends(mantel_haenszel(strata)) != as_printed(slipped)
    assert found.keys() == published.keys()
    for key, value in published.items():
        assert found[key] == as_printed(value), key


def test_smoking_as_computed(smoking: Any) -> None:
    # R 4.2.2 mantelhaen.test, metafor, statsmodels
    case, strata = smoking
    computed = case["computed"]
    odds = mantel_haenszel(strata)
    assert [odds.value, *ends(odds)] == pytest.approx([computed["MH"], *computed["RBG_ci"]], rel=1e-9)
    assert cmh_test(strata).statistic == pytest.approx(computed["CMH"], rel=1e-9)
    tarone = breslow_day_test(strata)
    assert [tarone.statistic, tarone.p_value] == pytest.approx([computed["tarone"], computed["tarone_p"]], rel=1e-9)


@given(full_lists)
@settings(max_examples=25, deadline=None)
def test_equals_statsmodels(strata: Any) -> None:
    from statsmodels.stats.contingency_tables import StratifiedTable

    reference = StratifiedTable([[[s.x1, s.n1 - s.x1], [s.x2, s.n2 - s.x2]] for s in strata])
    odds = mantel_haenszel(strata)
    assert odds.value == pytest.approx(reference.oddsratio_pooled)
    assert ends(odds) == pytest.approx(list(reference.oddsratio_pooled_confint()), rel=1e-6)
    assert mantel_haenszel(strata, measure="risk_ratio").value == pytest.approx(reference.riskratio_pooled)
    assert cmh_test(strata).statistic == pytest.approx(reference.test_null_odds().statistic)
    if abs(odds.value - 1.0) > 1e-6:  # statsmodels divides by zero at exactly 1
        equal = reference.test_equal_odds(adjust=True)
        assert breslow_day_test(strata).statistic == pytest.approx(equal.statistic, abs=1e-7)


@given(strata_lists, st.sampled_from(MEASURES))
@settings(deadline=None)
def test_never_raises_and_holds_the_estimate(strata: Any, measure: str) -> None:
    estimate = mantel_haenszel(strata, measure=measure)
    if estimate.value is None:
        assert estimate.warnings
        assert estimate.interval is None
    else:
        assert estimate.interval.low <= estimate.value <= estimate.interval.high
    assert estimate.n == sum(s.n for s in strata if s.informative)


@given(strata_lists)
@settings(deadline=None)
def test_no_test_raises_and_each_says_why_it_has_no_answer(strata: Any) -> None:
    for test in (
        cmh_test(strata),
        breslow_day_test(strata),
    ):
        if test.statistic is None:
            assert test.p_value is None
            assert test.warnings[0].kind == "no_data"
        else:
            assert test.statistic >= 0.0
            assert 0.0 <= test.p_value <= 1.0


@given(full_lists, st.sampled_from(MEASURES))
@settings(deadline=None)
def test_swapping_groups_mirrors_the_result(strata: Any, measure: str) -> None:
    one, two = mantel_haenszel(strata, measure=measure), mantel_haenszel(swapped(strata), measure=measure)
    if measure == "risk_difference":
        assert two.value == pytest.approx(-one.value, abs=1e-12)
        assert ends(two) == pytest.approx([-one.interval.high, -one.interval.low], abs=1e-9)
    else:
        assert two.value == pytest.approx(1 / one.value)
        assert ends(two) == pytest.approx([1 / one.interval.high, 1 / one.interval.low])
    assert two.p_value == pytest.approx(one.p_value, abs=1e-9)


@given(full_lists, st.randoms(use_true_random=False))
@settings(deadline=None)
def test_order_of_strata_does_not_matter(strata: Any, shuffler: Any) -> None:
    other = list(strata)
    shuffler.shuffle(other)
    assert mantel_haenszel(other).value == pytest.approx(mantel_haenszel(strata).value)
    assert breslow_day_test(other).statistic == pytest.approx(breslow_day_test(strata).statistic, abs=1e-9)


@given(full, full)
@settings(deadline=None)
def test_one_stratum_equals_the_plain_table(first: Any, second: Any) -> None:
    stratum = Stratum("only", *first, *second)
    (x1, n1), (x2, n2) = first, second
    assert mantel_haenszel([stratum]).value == pytest.approx(x1 * (n2 - x2) / (x2 * (n1 - x1)))
    assert mantel_haenszel([stratum], measure="risk_ratio").value == pytest.approx(x1 / n1 / (x2 / n2))
    difference = mantel_haenszel([stratum], measure="risk_difference")
    assert difference.value == pytest.approx(x1 / n1 - x2 / n2, abs=1e-12)
    score = risk_ratio(x1, n1, x2, n2)
    assert cmh_test([stratum]).p_value == pytest.approx(score.p_value, abs=1e-9)  # both are (N - 1) r squared


@given(full, full)
@settings(deadline=None)
def test_equal_strata_agree_perfectly(first: Any, second: Any) -> None:
    strata = [Stratum(str(i), *first, *second) for i in range(3)]
    assert breslow_day_test(strata).statistic == pytest.approx(0.0, abs=1e-6)


def test_confounding_by_stratum_is_taken_out() -> None:
    # within each stratum the odds ratio is exactly 1; pooled it looks like 0.27
    strata = [Stratum("low", 2, 20, 8, 80), Stratum("high", 32, 80, 8, 20)]
    assert mantel_haenszel(strata).value == pytest.approx(1.0)
    assert mantel_haenszel(strata, measure="risk_difference").value == pytest.approx(0.0, abs=1e-12)


def test_stratum_with_one_group_is_left_out_counted_and_named() -> None:
    strata = [Stratum("full", 5, 20, 3, 20), Stratum("lonely", 4, 9, 0, 0), Stratum("empty", 0, 0, 0, 0)]
    estimate = mantel_haenszel(strata, adjusted_for=("vertical type",))
    assert estimate.value == mantel_haenszel(strata[:1]).value
    assert estimate.left_out == {"stratum holds one of the groups only": 9}
    assert [caution_text(c) for c in estimate.warnings] == ["Left out because only one group was present: lonely."]
    assert estimate.adjusted_for == ("vertical type",)


def test_single_zero_cells_do_no_harm() -> None:
    strata = [Stratum("a", 0, 20, 3, 20), Stratum("b", 4, 15, 2, 15)]
    assert all(mantel_haenszel(strata, measure=m).value is not None for m in MEASURES)


def test_no_events_is_said_in_words() -> None:
    strata = [Stratum("a", 0, 20, 0, 20), Stratum("b", 0, 15, 0, 15)]
    assert "no finite, non-zero ratio" in caution_text(mantel_haenszel(strata).warnings[0])
    difference = mantel_haenszel(strata, measure="risk_difference")
    assert (difference.value, difference.p_value) == (0.0, None)
    assert "both outcomes" in caution_text(cmh_test(strata).warnings[0])


def test_no_strata_is_said_in_words() -> None:
    assert "No stratum holds cases of both groups" in caution_text(mantel_haenszel([]).warnings[0])
    assert "Fewer than two strata" in caution_text(breslow_day_test([]).warnings[0])


def test_agreement_without_a_common_ratio_is_said_in_words() -> None:
    strata = [Stratum("a", 0, 20, 3, 20), Stratum("b", 0, 15, 2, 15)]
    assert (
        caution_text(breslow_day_test(strata).warnings[0])
        == "There is no finite common odds ratio to compare the strata with."
    )


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(RequestError, match="stratum bad, first group"):
        Stratum("bad", 5, 4, 0, 1)
    with pytest.raises(RequestError):
        mantel_haenszel([], measure="hazard")
