"""How alike two groups are in what is adjusted for, before and after weighting.

A standardised difference is a difference of means in standard deviations. It does not grow with the number of cases,
which is why it and not a p value says whether groups are alike. No installed library gives it with weights.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Literal

import numpy as np

from warehouse.analysis.design import INTERCEPT
from warehouse.analysis.group_pair import GroupPair
from warehouse.analysis.spline import BoolArray, FloatArray
from warehouse.results import Caution

Denominator = Literal["pooled", "first"]

ALIKE = 0.1  # a standardised difference beyond this is worth a word (Austin 2009, Stat Med 28:3083)


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupMeans:
    """One column in two groups, with one set of weights."""

    first: float | None  # (Weighted) mean in the first group; None if the group is empty
    second: float | None  # The same in the second
    # First minus second, in standard deviations; None where neither group varies but the means differ, or a group
    # is empty
    standardised_difference: float | None
    variance_ratio: float | None  # First over second; None for a yes/no column or without variance


@dataclass(frozen=True, slots=True, kw_only=True)
class BalanceRow:
    """Balance of one design column before and after weighting."""

    name: str
    before: GroupMeans
    after: GroupMeans


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """Balance of every design column."""

    # One a column, the intercept left out; a category has one for every level but its reference
    rows: tuple[BalanceRow, ...]
    # Largest absolute standardised difference before weighting; None without a column to judge
    largest_before: float | None
    largest_after: float | None  # The same after weighting
    denominator: Denominator  # Whose standard deviation divides: both groups' pooled, or the first group's
    sizes: tuple[int, int]  # Cases in the first and second group
    warnings: tuple[Caution, ...]  # Columns still unlike after weighting


def balances(pair: GroupPair, *weights: FloatArray, denominator: Denominator = "pooled") -> tuple[Balance, ...]:
    """Standardised differences of all design columns, crude and with each of several sets of ``weights``, one a case.

    Formula: (m1 - m2) / s, s = sqrt((s1^2 + s2^2) / 2) for ``pooled`` (an effect in all or in the overlap) or s1 for
    ``first`` (an effect in the first group). The standard deviations are those before weighting (n - 1; p(1 - p) for a
    yes/no column) in both places, so that the change is one of means alone. With an empty group all numbers are None
    and a warning says so.

    Source: Austin & Stuart 2015, Stat Med 34:3661.
    """
    names = pair.design.names
    columns = [(name, pair.design.matrix[:, j]) for j, name in enumerate(names) if name != INTERCEPT]
    empty = pair.emptiness()
    equal = np.ones(pair.n)
    sides = [_Sides(used, pair.first) for used in (equal, *(equal if empty else one for one in weights))]
    found = [(name, _means(column, pair.first, sides, denominator)) for name, column in columns]
    return tuple(
        _balance(
            pair, tuple(BalanceRow(name=name, before=means[0], after=means[i]) for name, means in found), denominator
        )
        for i in range(1, len(sides))
    )


def _balance(pair: GroupPair, rows: tuple[BalanceRow, ...], denominator: Denominator) -> Balance:
    empty = pair.emptiness()
    cautions = (empty,) if empty else _unlike(rows)
    return Balance(
        rows=rows,
        largest_before=_largest([row.before for row in rows]),
        largest_after=_largest([row.after for row in rows]),
        denominator=denominator,
        sizes=pair.sizes,
        warnings=cautions,
    )


class _Sides:
    """A set of weights, split by group."""

    def __init__(self, weights: FloatArray, first: BoolArray) -> None:
        self.first, self.second = weights[first], weights[~first]


def _means(column: FloatArray, first: BoolArray, sides: Sequence[_Sides], denominator: Denominator) -> list[GroupMeans]:
    """The means of one column with each set of weights; the spread without weights divides in all of them."""
    if first.all() or not first.any():
        nothing = GroupMeans(first=None, second=None, standardised_difference=None, variance_ratio=None)
        return [nothing for _ in sides]
    one, two, yes_no = column[first], column[~first], bool(((column == 0.0) | (column == 1.0)).all())
    spread_one, spread_two = variance(one, yes_no=yes_no), variance(two, yes_no=yes_no)
    spread = spread_one if denominator == "first" else (spread_one + spread_two) / 2.0
    return [_weighted_means(one, two, weights, spread, yes_no=yes_no) for weights in sides]


def _weighted_means(one: FloatArray, two: FloatArray, weights: _Sides, spread: float, *, yes_no: bool) -> GroupMeans:
    mean_one = float(np.average(one, weights=weights.first))
    mean_two = float(np.average(two, weights=weights.second))
    ratio = None
    if not yes_no:
        below = _weighted_variance(two, weights.second)
        ratio = _weighted_variance(one, weights.first) / below if below > 0 else None
    return GroupMeans(
        first=mean_one,
        second=mean_two,
        standardised_difference=standardised(mean_one - mean_two, spread),
        variance_ratio=ratio,
    )


def standardised(gap: float, spread: float) -> float | None:
    """``gap`` over the root of the variance ``spread``; 0 for no gap, None for a gap without spread."""
    if gap == 0.0:
        return 0.0
    return gap / sqrt(spread) if spread > 0 else None


def variance(values: FloatArray, *, yes_no: bool) -> float:
    """p(1 - p) of a yes/no column, else the variance with n - 1; 0 for fewer than two values."""
    if values.size < 2 or np.ptp(values) == 0.0:  # equal values can differ from their mean by rounding
        return 0.0
    return float(values.mean() * (1.0 - values.mean())) if yes_no else float(values.var(ddof=1))


def _weighted_variance(values: FloatArray, weights: FloatArray) -> float:
    """Weighted variance that is the one with n - 1 when all weights are equal."""
    total = float(weights.sum())
    room = total - float(weights @ weights) / total
    if room <= 1e-12 * total or np.ptp(values) == 0.0:
        return 0.0
    centred = values - float(np.average(values, weights=weights))
    return float(weights @ centred**2) / room


def _largest(means: list[GroupMeans]) -> float | None:
    known = [abs(m.standardised_difference) for m in means if m.standardised_difference is not None]
    return max(known) if known else None


def _unlike(rows: tuple[BalanceRow, ...]) -> tuple[Caution, ...]:
    gaps = [(row.name, row.after.standardised_difference) for row in rows]
    names = [name for name, gap in gaps if gap is None or abs(gap) > ALIKE]
    if not names:
        return ()
    return (Caution("positivity", "still_unlike", {"limit": ALIKE, "names": tuple(names)}),)
