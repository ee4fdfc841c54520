"""Restricted cubic splines: a smooth curve over age with straight tails.

Own code: no installed library gives this basis (SciPy and patsy give natural cubic splines in another basis, whose
columns have no reading of their own; here the first column is the variable itself, so "no curvature" is a plain test).
"""

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from warehouse.errors import RequestError

FloatArray: TypeAlias = NDArray[np.float64]
BoolArray: TypeAlias = NDArray[np.bool_]

# Harrell, Regression Modeling Strategies (2nd ed. 2015), table 2.3: quantiles where the knots are put (from memory).
_KNOT_QUANTILES: dict[int, tuple[float, ...]] = {
    3: (0.10, 0.50, 0.90),
    4: (0.05, 0.35, 0.65, 0.95),
    5: (0.05, 0.275, 0.50, 0.725, 0.95),
    6: (0.05, 0.23, 0.41, 0.59, 0.77, 0.95),
    7: (0.025, 0.1833, 0.3417, 0.50, 0.6583, 0.8167, 0.975),
}


def quantile_knots(values: FloatArray, n_knots: int = 4) -> tuple[float, ...]:
    """Knots at Harrell's quantiles of ``values``.

    ``values``: the variable, shape ``(n,)``; entries that are not finite are ignored. ``n_knots``: 3 to 7. Gives
    distinct knots in rising order. Heavy ties can leave fewer than ``n_knots``; fewer than three means that no curve
    can be drawn and a straight line has to do. Raises RequestError where ``n_knots`` is not 3 to 7.
    """
    if n_knots not in _KNOT_QUANTILES:
        found = f"A spline with {n_knots} knots was asked for."
        raise RequestError(found, expected="3 to 7 knots", remedy="use 4, or 3 below about 30 cases")
    finite = values[np.isfinite(values)]
    if finite.size == 0:
        return ()
    return tuple(float(knot) for knot in np.unique(np.quantile(finite, _KNOT_QUANTILES[n_knots])))


def restricted_cubic_spline(values: FloatArray, knots: Sequence[float]) -> FloatArray:
    """Basis of a cubic spline that is a straight line beyond its outer knots.

    Column 1 is ``x``; column ``j + 1`` for ``j = 1 .. k - 2`` is::

        [(x - t_j)+^3 - (x - t_{k-1})+^3 (t_k - t_j) / (t_k - t_{k-1})
                      + (x - t_k)+^3 (t_{k-1} - t_j) / (t_k - t_{k-1})] / (t_k - t_1)^2

    ``values``: the variable, shape ``(n,)``; a missing value stays missing in every column. ``knots``: at least three
    distinct knots ``t_1 < ... < t_k``, in the unit of ``values``. Gives shape ``(n, k - 1)``, every column in the unit
    of ``values``. Raises RequestError where fewer than three distinct knots.

    Source: Harrell, Regression Modeling Strategies, 2nd ed. 2015, equations 2.24-2.26 (from memory).
    """
    t = np.unique(np.asarray(knots, dtype=np.float64))
    if t.size < 3:
        found = f"A restricted cubic spline was asked for with {t.size} distinct knots."
        raise RequestError(found, expected="three or more", remedy="use the variable as a straight line")
    inner, before_last, last = t[:-2], t[-2], t[-1]
    x = np.asarray(values, dtype=np.float64)[:, None]

    def cube(knot: FloatArray | np.float64) -> FloatArray:
        return np.clip(x - knot, 0.0, None) ** 3

    curved = (
        cube(inner)
        - cube(before_last) * (last - inner) / (last - before_last)
        + cube(last) * (before_last - inner) / (last - before_last)
    )
    return np.column_stack([x, curved / (last - t[0]) ** 2])
