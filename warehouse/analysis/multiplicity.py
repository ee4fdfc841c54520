"""P values allowed for the number of comparisons made, which is always shown with them.

Holm and Hochberg bound the chance of any false finding among the comparisons; Benjamini-Hochberg bounds the expected
share of false findings among those reported. statsmodels computes all of them rightly, but collects the garbage of
the whole process on every Holm call (a third of a second beside a loaded dashboard); hence own code.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Final, Literal

import numpy as np

from warehouse.analysis.inputs import check_length, check_method
from warehouse.errors import RequestError
from warehouse.results import Caution

Correction = Literal["holm", "hochberg", "benjamini_hochberg", "bonferroni"]

_NAMES: Final = {
    "holm": "Holm step-down",
    "hochberg": "Hochberg step-up",
    "benjamini_hochberg": "Benjamini-Hochberg false discovery rate",
    "bonferroni": "Bonferroni",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustedP:
    """One comparison: its own p value and the adjusted one, both None where there was no test."""

    name: str
    p_value: float | None
    adjusted: float | None
    rejected: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparisons:
    """A family of comparisons."""

    rows: tuple[AdjustedP, ...]  # One a comparison, in the order given
    n_comparisons: int  # How many were tested and so allowed for
    n_rejected: int  # How many remain below `alpha` after adjustment
    alpha: float  # Error rate (Holm, Hochberg, Bonferroni) or false discovery rate held to
    method: str  # By its textbook name
    warnings: tuple[Caution, ...]  # Comparisons without a p value, if any


def _check_p_values(p_values: Sequence[float]) -> None:
    for p in p_values:
        if not 0.0 <= p <= 1.0:
            raise RequestError(f"a p value of {p:g}", expected="a number from 0 to 1, or None where there was no test")


def _is_known(p: float | None) -> bool:
    return p is not None and isfinite(p)


def adjust_p_values(
    p_values: Sequence[float | None],
    *,
    names: Sequence[str] | None = None,
    method: Correction = "holm",
    alpha: float = 0.05,
) -> Comparisons:
    """Adjust a family of p values for their number.

    ``p_values``: unadjusted, in any order; None or not-a-number where a test could not be made. Those are not counted
    among the comparisons. ``names``: what each compares; None is "comparison 1" and so on. ``method``: ``holm``
    (default; any dependence), ``hochberg`` and ``benjamini_hochberg`` (independent or positively dependent tests) or
    ``bonferroni``. ``alpha``: rate to hold to. Gives adjusted p values, never below the unadjusted; an empty family
    gives an empty result. Raises RequestError where a p value or ``alpha`` lies outside 0 to 1, or the lengths differ.

    Source: Holm 1979, Scand J Stat 6:65; Hochberg 1988, Biometrika 75:800; Benjamini & Hochberg 1995, JRSS B 57:289.
    """
    check_method(method, _NAMES)
    labels = [f"comparison {i + 1}" for i in range(len(p_values))] if names is None else list(names)
    check_length(len(labels), len(p_values), what="the list of names")
    known = [p for p in p_values if p is not None and isfinite(p)]
    _check_p_values([*known, alpha])
    adjusted = iter(_adjusted(known, method))
    rows = []
    for name, p in zip(labels, p_values, strict=True):
        value = next(adjusted) if _is_known(p) else None
        rejected = value is not None and value <= alpha
        rows.append(AdjustedP(name=name, p_value=p if _is_known(p) else None, adjusted=value, rejected=rejected))
    return Comparisons(
        rows=tuple(rows),
        n_comparisons=len(known),
        n_rejected=sum(row.rejected for row in rows),
        alpha=alpha,
        method=_NAMES[method],
        warnings=_cautions([row.name for row in rows if row.p_value is None]),
    )


def _adjusted(p_values: Sequence[float], method: str) -> list[float]:
    p = np.asarray(p_values, dtype=np.float64)
    order = np.argsort(p, kind="stable")
    ranks = np.arange(1, p.size + 1)
    factors = {
        "holm": p.size - ranks + 1,
        "hochberg": p.size - ranks + 1,
        "benjamini_hochberg": p.size / ranks,
        "bonferroni": np.full(p.size, p.size),
    }
    stepped = np.minimum(1.0, factors[method] * p[order])
    if method == "holm":  # step-down: no later comparison below an earlier one
        stepped = np.maximum.accumulate(stepped)
    elif method != "bonferroni":  # step-up: no earlier comparison above a later one
        stepped = np.minimum.accumulate(stepped[::-1])[::-1]
    adjusted = np.empty(p.size)
    adjusted[order] = stepped
    return [float(value) for value in adjusted]


def _cautions(untested: Sequence[str]) -> tuple[Caution, ...]:
    if not untested:
        return ()
    return (Caution("no_data", "not_tested", {"names": tuple(untested)}),)
