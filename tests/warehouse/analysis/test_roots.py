"""Where a function crosses zero: to the last bit as SciPy's ``brentq`` finds it."""

from __future__ import annotations

from collections.abc import Callable
from math import atan, cos, exp, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from warehouse.analysis.roots import crossing

ends = st.floats(-50.0, 50.0)
FUNCTIONS: dict[str, Callable[[float, float], float]] = {
    "straight": lambda x, at: x - at,
    "flat at the zero": lambda x, at: (x - at) ** 5,
    "steep": lambda x, at: exp(min(x - at, 300.0)) - 1.0,
    "nearly a step": lambda x, at: atan(1e6 * (x - at)),
    "a step": lambda x, at: -1.0 if x < at else 1.0,
    "capped": lambda x, at: min(x - at, 1e-3),
    "waving": lambda x, at: cos(x) + 2.0 * (x - at),
}


@pytest.mark.parametrize("name", FUNCTIONS)
@given(at=ends, below=st.floats(0.0, 40.0), above=st.floats(0.0, 40.0), falls=st.booleans())
@pytest.mark.parametrize(("within", "share"), [(1e-9, 2**-50), (1e-13, 2**-50), (1e-14, 1e-14)])
def test_same_to_the_last_bit(
    name: str, within: float, share: float, at: float, below: float, above: float, *, falls: bool
) -> None:
    sign = -1.0 if falls else 1.0

    def function(x: float) -> float:
        return sign * FUNCTIONS[name](x, at)

    low, high = at - below - 1.0, at + above + 1.0
    assert crossing(function, low, high, within=within, share=share) == brentq(
        function, low, high, xtol=within, rtol=share, maxiter=10_000
    )


def test_zero_at_an_end() -> None:
    assert crossing(lambda x: x, 0.0, 3.0, within=1e-9) == 0.0
    assert crossing(lambda x: x - 3.0, 0.0, 3.0, within=1e-9) == 3.0


@pytest.mark.parametrize("function", [lambda x: x + 9.0, lambda _: nan, lambda x: x if x in (-1.0, 3.0) else nan])
def test_what_has_no_zero_between_or_is_no_number_is_refused(function: Callable[[float], float]) -> None:
    """As SciPy refuses the first two."""
    with pytest.raises(ValueError, match=r"no change of sign|no number"):
        crossing(function, -1.0, 3.0, within=1e-9)
