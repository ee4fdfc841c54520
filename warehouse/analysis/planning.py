"""How many cases would settle it: precision of one share, power for two, and the months still needed.

Every figure rests on shares assumed beforehand, best the practice's own so far; it is a planning aid, not a promise.
"""

from bisect import bisect_left
from dataclasses import dataclass
from math import ceil, sqrt
from statistics import NormalDist
from typing import Final

from warehouse.analysis.inputs import z_value
from warehouse.analysis.proportion import wilson_half_width
from warehouse.errors import RequestError
from warehouse.results import Caution

#: Above this the answer is given as "more than can be collected" rather than searched for.
MOST_CASES: Final = 10_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSize:
    """A number of cases."""

    n: int | None  # Whole cases needed (in each group where there are two); None when no number would do
    exact: float | None  # The same before rounding up; None likewise, or where the search is over whole numbers
    method: str  # The formula
    warnings: tuple[Caution, ...] = ()  # Why there is none, if so


def _check_share(share: float, what: str) -> None:
    if not 0.0 <= share <= 1.0:
        raise RequestError(f"{what} of {share:g}", expected="a number from 0 to 1", remedy="divide a percentage by 100")


def cases_for_precision(share: float, half_width: float, *, level: float = 0.95) -> SampleSize:
    """Fewest cases for which Wilson's interval at the expected share is no wider than plus or minus ``half_width``.

    ``share``: expected share adverse, 0 to 1. ``half_width``: half the width that is narrow enough, above 0. Raises
    RequestError where the share, the level or the half-width is impossible.
    """
    _check_share(share, "an expected share")
    z_value(level)
    if half_width <= 0.0:
        raise RequestError(f"a half-width of {half_width:g}", expected="a number above 0, such as 0.05")
    method = "Wilson interval at the expected share"

    def is_narrow(n: int) -> bool:  # from some number of cases on, for the half-width falls with every case
        return wilson_half_width(share, n, level=level) <= half_width

    low, high = 0, 1
    while not is_narrow(high):
        low, high = high, high * 2
        if high > MOST_CASES:
            return SampleSize(
                n=None,
                exact=None,
                method=method,
                warnings=(Caution("no_data", "interval_too_narrow_to_reach", {"most": MOST_CASES}),),
            )
    narrow = bisect_left(range(high), x=True, lo=low + 1, key=is_narrow)
    return SampleSize(n=narrow, exact=None, method=method)


def _roots(share1: float, share2: float) -> tuple[float, float]:
    """Standard deviations per case under equal shares and under the assumed ones."""
    mean = (share1 + share2) / 2.0
    apart = share1 * (1.0 - share1) + share2 * (1.0 - share2)
    return sqrt(2.0 * mean * (1.0 - mean)), sqrt(apart)


def cases_per_group(
    share1: float, share2: float, *, power: float = 0.8, alpha: float = 0.05, corrected: bool = True
) -> SampleSize:
    """Cases needed in each of two equal groups to detect a difference of two shares.

    Formula: n' = (z(1 - alpha/2) sqrt(2 p q) + z(power) sqrt(p1 q1 + p2 q2))^2 / (p1 - p2)^2 with p the mean share;
    with the continuity correction n = n'/4 (1 + sqrt(1 + 4 / (n' |p1 - p2|)))^2. The chance of a significant
    difference in the wrong direction is not counted as power.

    ``share1``: share adverse expected in the first group. ``share2``: share adverse expected in the second group.
    ``power``: chance of finding the difference, 0 to 1. ``alpha``: two-sided error rate. ``corrected``: whether to use
    the correction, which matches exact tests. Gives the number in each group; None when the shares are equal, for then
    no number would do, or too close. Raises RequestError where a share, the power or alpha is impossible.

    Source: Fleiss 1981, Statistical Methods for Rates and Proportions, 2nd ed., ch. 3.
    """
    _check_share(share1, "a first share")
    _check_share(share2, "a second share")
    z, distance = z_value(1.0 - alpha), abs(share1 - share2)
    if not 0.0 < power < 1.0:
        raise RequestError(f"a power of {power:g}", expected="a number between 0 and 1, such as 0.8")
    method = "Fleiss" + (", with continuity correction" if corrected else ", uncorrected")
    if distance == 0.0:
        return SampleSize(n=None, exact=None, method=method, warnings=(Caution("no_data", "expected_shares_equal"),))
    under_null, under_alternative = _roots(share1, share2)
    exact = (z * under_null + NormalDist().inv_cdf(power) * under_alternative) ** 2 / distance**2
    if corrected:
        exact = exact / 4.0 * (1.0 + sqrt(1.0 + 4.0 / (exact * distance))) ** 2
    if exact > MOST_CASES:
        return SampleSize(
            n=None,
            exact=exact,
            method=method,
            warnings=(Caution("no_data", "expected_shares_too_close", {"most": MOST_CASES}),),
        )
    n = max(1, ceil(exact))
    return SampleSize(n=n, exact=exact, method=method)


def power_of_two_groups(share1: float, share2: float, n_per_group: int, *, alpha: float = 0.05) -> float:
    """Chance that ``n_per_group`` cases in each of two groups show a difference of the two shares.

    The inverse of the uncorrected :func:`cases_per_group`; with equal shares it is the chance of a false finding in
    one direction, ``alpha / 2``; with no case it is 0.

    Raises RequestError where a share or alpha is impossible, or the number of cases negative.
    """
    _check_share(share1, "a first share")
    _check_share(share2, "a second share")
    z = z_value(1.0 - alpha)
    if n_per_group < 0:
        raise RequestError(f"a group of {n_per_group} cases", expected="zero or more")
    if n_per_group == 0:
        return 0.0
    under_null, under_alternative = _roots(share1, share2)
    reach = sqrt(n_per_group) * abs(share1 - share2) - z * under_null
    if under_alternative == 0.0:  # shares of 0 and 1: certain once the distance exceeds what chance allows
        return 1.0 if reach > 0.0 else 0.0
    return NormalDist().cdf(reach / under_alternative)


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthsNeeded:
    """Time until enough cases: ``months`` is None when the pace is zero or there is no number to reach."""

    months: float | None
    cases_missing: int | None
    target: int | None  # Cases needed in all
    cases_per_month: float  # The pace


def months_needed(wanted: SampleSize | int, n_now: int, *, cases_per_month: float) -> MonthsNeeded:
    """Months until ``wanted`` assessed cases are reached at the present pace.

    ``wanted``: cases needed in all. ``n_now``: cases assessed so far. ``cases_per_month``: cases that become assessable
    a month, on the recent average. Raises RequestError where the pace or the number so far is negative.
    """
    if n_now < 0 or cases_per_month < 0.0:
        raise RequestError(f"{n_now} cases so far and {cases_per_month:g} a month", expected="zero or more of both")
    target = wanted if isinstance(wanted, int) else wanted.n
    missing = None if target is None else max(0, target - n_now)
    months = 0.0 if missing == 0 else missing / cases_per_month if missing and cases_per_month else None
    return MonthsNeeded(months=months, cases_missing=missing, target=target, cases_per_month=cases_per_month)
