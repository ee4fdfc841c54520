"""Overlap of the propensity in small cases whose propensity is known by hand, and its words."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from tests.warehouse.analysis.weighting_cases import lalonde_pair
from warehouse.analysis.group_pair import GroupPair, pair_groups
from warehouse.analysis.positivity import positivity, told_apart
from warehouse.analysis.weighting import weighted_comparison
from warehouse.words.sentences import caution_text


def two_strata(a: tuple[int, int], b: tuple[int, int]) -> GroupPair:
    """Stratum 0 and 1 with (first, second) group cases each: the propensity is the share of the stratum."""
    rows = [("a", 0)] * a[0] + [("b", 0)] * a[1] + [("a", 1)] * b[0] + [("b", 1)] * b[1]
    frame = pl.DataFrame({"g": [g for g, _ in rows], "s": [s for _, s in rows], "y": [i % 3 for i in range(len(rows))]})
    return pair_groups(frame, outcome="y", group="g", first="a", second="b", covariates=["s"])


def test_perfect_overlap_has_no_caution() -> None:
    pair = two_strata((20, 20), (30, 30))
    found = positivity(pair, weighted_comparison(pair))
    assert found.common == pytest.approx((0.5, 0.5), abs=1e-9)
    assert found.share_outside == pytest.approx(0.0, abs=1e-12)
    assert found.near_certain == 0
    assert found.largest_weight_share == pytest.approx((0.02, 0.02))
    assert found.effective_sizes == pytest.approx((50.0, 50.0))
    assert found.warnings == ()


def test_near_certain_cases_and_the_case_that_carries_the_weight() -> None:
    pair = two_strata((30, 30), (1, 39))
    found = positivity(pair, weighted_comparison(pair, target="everyone"))
    assert found.near_certain == 40
    # the lone first-group case of stratum 1 weighs 40, the thirty of stratum 0 weigh 2 each
    assert found.largest_weight_share[0] == pytest.approx(0.4)
    texts = [caution_text(caution) for caution in found.warnings]
    assert any("40 of 100 cases were almost certain" in text for text in texts)
    assert any("One case carries 40% of the weight of a" in text for text in texts)
    assert {caution.kind for caution in found.warnings} == {"positivity"}


@pytest.mark.parametrize(("a", "b", "apart"), [((20, 20), (30, 30), 0.0), ((40, 10), (10, 40), 0.36)])
def test_how_far_the_groups_are_told_apart(a: tuple[int, int], b: tuple[int, int], apart: float) -> None:
    """By hand: shares 0.8 and 0.2 put the mean propensity at 0.68 and 0.32; with two columns 1 - 0.64 * 99 / 98."""
    pair = two_strata(a, b)
    corrected = max(0.0, 1.0 - (1.0 - apart) * (pair.n - 1) / (pair.n - 2))
    assert told_apart(pair, weighted_comparison(pair).propensity) == pytest.approx(corrected)


def test_picture_counts_every_case_once() -> None:
    pair = two_strata((30, 30), (10, 30))
    picture = positivity(pair, weighted_comparison(pair)).picture
    assert picture.height == 20
    assert (picture["first"].sum(), picture["second"].sum()) == (40, 60)
    assert picture.filter(pl.col("first") > 0)["low"].to_list() == pytest.approx([0.25, 0.5])


def test_cases_without_a_counterpart_are_named() -> None:
    pair = lalonde_pair()
    found = positivity(pair, weighted_comparison(pair))
    e = weighted_comparison(pair).propensity
    low, high = max(e[pair.first].min(), e[~pair.first].min()), min(e[pair.first].max(), e[~pair.first].max())
    assert found.common == pytest.approx((low, high))
    assert found.share_outside == pytest.approx(np.mean((e < low) | (e > high)))
    assert "11% of the cases have no counterpart" in caution_text(found.warnings[0])


def test_ranges_that_do_not_meet() -> None:
    pair = two_strata((20, 20), (20, 20))
    found = weighted_comparison(pair)
    apart = type(found)(
        contrast=found.contrast,
        effective_sizes=found.effective_sizes,
        propensity=np.where(pair.first, 0.8, 0.2),
        weights=found.weights,
    )
    judged = positivity(pair, apart)
    assert judged.common is None
    assert judged.share_outside == 1.0


def test_one_near_certain_case_is_in_the_singular() -> None:
    pair = two_strata((20, 20), (20, 20))
    found = weighted_comparison(pair)
    e = np.full(80, 0.5)
    e[0] = 0.01
    one = type(found)(contrast=found.contrast, effective_sizes=(1.0, 1.0), propensity=e, weights=np.ones(80))
    assert "1 of 80 cases was" in caution_text(positivity(pair, one).warnings[-1])


def test_no_propensity_no_judgement() -> None:
    frame = pl.DataFrame({"g": ["a"], "y": [1.5]})
    pair = pair_groups(frame, outcome="y", group="g", first="a", second="b")
    found = positivity(pair, weighted_comparison(pair))
    assert found.common is None
    assert found.share_outside is None
    assert found.picture.height == 0
    assert "nothing to compare" in caution_text(found.warnings[0])
