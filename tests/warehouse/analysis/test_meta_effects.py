"""Effects of single practices: formulae, zero cells, and what carries no information."""

from __future__ import annotations

import math

import pytest

from warehouse.analysis.meta_effects import logit_effects, ratio_effects
from warehouse.errors import RequestError


def test_logit_and_variance_by_hand() -> None:
    effects = logit_effects([3], [12], labels=["p"])
    assert effects.practices[0].y == pytest.approx(math.log(3 / 9))
    assert effects.practices[0].v == pytest.approx(1 / 3 + 1 / 9)
    assert effects.corrected == 0
    assert effects.correction == 0


@pytest.mark.parametrize(("x", "odds"), [(0, 0.5 / 10.5), (10, 10.5 / 0.5)])
def test_only_practices_with_a_zero_cell_are_corrected(x: int, odds: float) -> None:
    effects = logit_effects([x, 4], [10, 10])
    assert effects.practices[0].y == pytest.approx(math.log(odds))
    assert effects.practices[1].y == pytest.approx(math.log(4 / 6))
    assert effects.corrected == 1
    assert effects.correction == 0.5
    assert effects.n == 20


def test_ratio_with_a_zero_cell_adds_to_all_four_cells() -> None:
    effects = ratio_effects([0], [10], [4], [10])
    assert effects.practices[0].y == pytest.approx(math.log((0.5 / 11) / (4.5 / 11)))
    assert effects.practices[0].v == pytest.approx(1 / 0.5 - 1 / 11 + 1 / 4.5 - 1 / 11)


def test_risk_ratio_by_hand() -> None:
    effects = ratio_effects([2], [10], [5], [20])
    assert effects.practices[0].y == pytest.approx(math.log(0.2 / 0.25))
    assert effects.practices[0].v == pytest.approx(1 / 2 - 1 / 10 + 1 / 5 - 1 / 20)
    assert effects.scale == "log risk ratio"


def test_practices_without_information_on_a_ratio_are_left_out_with_the_reason() -> None:
    effects = ratio_effects([0, 3, 5, 0], [4, 3, 9, 0], [0, 6, 2, 1], [5, 6, 7, 4])
    assert effects.left_out == {
        "no case with the outcome in either group": 1,
        "every case with the outcome in both groups": 1,
        "a group without a case": 1,
    }
    assert [practice.label for practice in effects.practices] == ["3"]


def test_impossible_counts_are_refused() -> None:
    with pytest.raises(RequestError, match="above its total"):
        logit_effects([5], [4])
    with pytest.raises(RequestError, match="different length"):
        logit_effects([1, 2], [4])
