"""Checks of what callers pass in, and the normal quantile every interval needs.

Counts of zero are data and never an error; a count that cannot be one (negative, more adverse than assessed)
is a mistake of the caller and raises ``RequestError``.
"""

from collections.abc import Collection
from dataclasses import dataclass
from math import exp, inf
from statistics import NormalDist
from typing import Literal

from warehouse.errors import RequestError, near_names

Kind = Literal["number", "spline", "category"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Covariate:
    """One variable to adjust for and how it enters."""

    name: str  # The column
    # `number` (straight line; true/false counts as 1/0), `spline` (restricted cubic) or `category`; None lets the
    # column's type decide between number and category
    kind: Kind | None = None
    standardise: bool = False  # Centre a number and divide it by its standard deviation (n - 1) among the cases kept
    n_knots: int = 4  # Knots of a spline, at fixed quantiles of the cases kept
    reference: str | None = None  # The level a category is compared with; None is the first in alphabetical order


def check_level(level: float) -> None:
    """Refuse a coverage that is not strictly between 0 and 1.

    Raises RequestError for 0, 1, 95 and the like.
    """
    if not 0.0 < level < 1.0:
        raise RequestError(
            f"the level of an interval was {level:g}",
            expected="a number between 0 and 1, such as 0.95",
            remedy="divide a percentage by 100",
        )


def check_counts(x: int, n: int, *, where: str = "") -> None:
    """Refuse a pair that is not ``x`` of ``n``.

    Raises RequestError where either count is not a whole number, is negative, or ``x`` exceeds ``n``.
    """
    whole = float(x).is_integer() and float(n).is_integer()
    if not whole or not 0 <= x <= n:
        raise RequestError(
            f"{x} of {n} is not a count of cases",
            where=where,
            expected="two whole numbers with 0 <= x <= n",
            remedy="check the order of the two counts and how they were filtered",
        )


def check_method(method: str, known: Collection[str]) -> None:
    """Refuse a method name that is not offered.

    Raises RequestError with the names that are offered.
    """
    if method not in known:
        raise RequestError(
            f"there is no method {method!r} here",
            expected="one of " + ", ".join(known),
            remedy=near_names(method, known),
        )


def check_length(found: int, wanted: int, *, what: str) -> None:
    """Refuse columns that do not belong together.

    Raises RequestError where the lengths differ.
    """
    if found != wanted:
        raise RequestError(
            f"{what} has {found} entries where {wanted} were expected",
            expected="one entry a case in every column",
            remedy="take all columns from the same filtered table",
        )


def exp_or_infinite(power: float) -> float:
    """``exp(power)``; infinite where the result is no longer a number."""
    return exp(power) if power < 700.0 else inf


def z_value(level: float) -> float:
    """The standard normal quantile that leaves ``(1 - level) / 2`` above it."""
    check_level(level)
    return NormalDist().inv_cdf(0.5 + level / 2.0)


def normal_p_value(z: float) -> float:
    """The two-sided p value of a standard normal statistic, accurate far into the tail."""
    from math import erfc, sqrt

    return erfc(abs(z) / sqrt(2.0))


def student_value(level: float, df: float) -> float:
    """The same quantile of Student's t; the normal one for infinite ``df``."""
    from scipy.special import stdtrit

    return z_value(level) if df == inf else float(stdtrit(df, 0.5 + level / 2.0))


def student_p_value(t: float, df: float) -> float:
    """The two-sided p value of a statistic that follows Student's t."""
    from scipy.special import stdtr

    return 2.0 * float(stdtr(df, -abs(t)))
