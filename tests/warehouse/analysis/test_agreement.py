"""Bland and Altman's limits of agreement on their own data."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from warehouse.analysis.method_error import bland_altman
from warehouse.words.sentences import caution_text

readings = st.lists(st.tuples(st.floats(20, 45), st.floats(20, 45)), min_size=0, max_size=30).map(
    lambda rows: (np.array([a for a, _ in rows]), np.array([b for _, b in rows]))
)


def ends(estimate: Any) -> list[float]:
    return [estimate.interval.low, estimate.interval.high]


@pytest.fixture
def flow(reference_case: Callable[[int, str], dict[str, Any]]) -> dict[str, Any]:
    return reference_case(12, "Bland-Altman PEFR")


@pytest.fixture
def agreement(flow: Any) -> Any:
    return bland_altman(flow["data"]["wright1"], flow["data"]["mini1"])


def test_flow_meters_as_printed(flow: Any, agreement: Any, as_printed: Callable[[Any], Any]) -> None:
    # Bland & Altman 1986, Lancet i:307. The paper forms its limits with 2 SD from a bias of -2.1 and an SD of 38.8
    # (rounded), so they differ from the exact ones by up to 0.25.
    published = flow["expected"]
    assert agreement.bias.value == as_printed(published["bias"])
    assert agreement.sd == as_printed(published["sd"])
    assert agreement.correlation == as_printed(published["r"])
    assert ends(agreement.bias) == pytest.approx(published["bias_ci"], abs=0.25)
    by_two = [limit.value + side * 0.04 * agreement.sd for limit, side in ((agreement.lower, -1), (agreement.upper, 1))]
    assert by_two == pytest.approx(published["loa2"], abs=0.25)


def test_flow_meters_as_computed(flow: Any, agreement: Any) -> None:
    computed = flow["computed"]
    assert agreement.bias.value == pytest.approx(computed["bias"], abs=1e-12)
    assert agreement.sd == pytest.approx(computed["sd"], abs=1e-9)
    assert agreement.correlation == pytest.approx(computed["r"], abs=1e-12)
    assert ends(agreement.bias) == pytest.approx(computed["bias_ci"], abs=1e-9)
    # the stored figures use 1.959964, the customary multiplier is 1.96
    assert [agreement.lower.value, agreement.upper.value] == pytest.approx(computed["loa196"], abs=0.0015)
    # variance of a limit, Bland & Altman 1999: s^2 (1/17 + 1.96^2/32), t = 2.119905 on 16 df
    half = 2.1199052992 * agreement.sd * (1 / 17 + 1.96**2 / 32) ** 0.5
    assert ends(agreement.upper) == pytest.approx([agreement.upper.value + s * half for s in (-1, 1)], abs=1e-6)


@given(readings)
@settings(deadline=None)
def test_never_raises_and_limits_lie_about_the_bias(pair: Any) -> None:
    found = bland_altman(*pair)
    if len(pair[0]) < 2:
        assert found.lower.value is None
        assert "cannot be given" in caution_text(found.lower.warnings[0])
    else:
        assert found.lower.value <= found.bias.value <= found.upper.value
        assert found.lower.value in found.lower.interval


@given(readings.filter(lambda r: len(r[0]) > 1))
@settings(deadline=None)
def test_swapping_methods_mirrors_the_limits(pair: Any) -> None:
    one, two = bland_altman(*pair), bland_altman(*pair[::-1])
    assert two.upper.value == pytest.approx(-one.lower.value, abs=1e-9)
    assert two.bias.value == pytest.approx(-one.bias.value, abs=1e-12)


def test_no_correlation_where_a_method_does_not_vary() -> None:
    assert bland_altman([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]).correlation is None
    assert bland_altman([1.0, 2.0, 3.0], [1.0, 2.0, 3.0]).correlation == pytest.approx(1.0)


def test_missing_readings_are_counted() -> None:
    found = bland_altman([1.0, np.nan, 3.0, 4.0], [1.5, 2.0, np.nan, 4.0])
    assert (found.n, found.left_out) == (2, 2)
    assert found.lower.left_out == {"a reading missing": 2}
