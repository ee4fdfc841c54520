"""An answer of the solver is believed only after its whole numbers were put into everything that is known."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import scipy.optimize

from warehouse.disclosure.system import Knowledge, cheapest

ROWS = np.array([[1, 1], [1, 0]], dtype=np.int8)
KNOWN = Knowledge.of(ROWS, np.array([[10.0, 10.0], [3.0, 7.0]]))
NOTHING_SOFT = (np.zeros((0, 2), dtype=np.int8), np.zeros((0, 2)))


def answering(*atoms: float) -> object:
    def milp(*_: object, **__: object) -> SimpleNamespace:
        return SimpleNamespace(status=0, x=np.array(atoms), fun=0.0)

    return milp


def test_a_right_answer_is_given_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scipy.optimize, "milp", answering(4.0, 6.0))
    found = cheapest(KNOWN, [], *NOTHING_SOFT)
    assert found is not None
    assert found.tolist() == [4, 6]


@pytest.mark.parametrize(
    "wrong",
    [
        (2.0, 8.0),  # below a lowest value
        (8.0, 2.0),  # above a highest value
        (4.0, 7.0),  # a total that does not add up
        (11.0, -1.0),  # fewer than no cases
    ],
)
def test_a_wrong_answer_is_no_answer(monkeypatch: pytest.MonkeyPatch, wrong: tuple[float, float]) -> None:
    monkeypatch.setattr(scipy.optimize, "milp", answering(*wrong))
    assert cheapest(KNOWN, [], *NOTHING_SOFT) is None


def test_a_range_that_may_not_be_left_is_rechecked_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scipy.optimize, "milp", answering(4.0, 6.0))
    second = np.array([[0, 1]], dtype=np.int8)
    assert cheapest(KNOWN, [np.inf], second, np.array([[0.0, 5.0]])) is None
    assert cheapest(KNOWN, [np.inf], second, np.array([[0.0, 6.0]])) is not None


def test_only_whole_numbers_that_are_not_negative_fit() -> None:
    free = Knowledge.of(np.array([[1, 1]], dtype=np.int8), np.array([[10.0, 10.0]]))
    assert free.holds(np.array([4, 6]))
    assert not free.holds(np.array([11, -1]))
    assert not free.holds(np.array([4, 5]))
