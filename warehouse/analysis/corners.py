"""The four corners: teeth improved or not against face adverse or not.

The corner that matters here is "teeth better, face longer": a finish that looks like a success and is counted as one.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import polars as pl

from warehouse.analysis.design import require_column
from warehouse.analysis.difference import risk_difference
from warehouse.analysis.proportion import proportion
from warehouse.errors import RequestError
from warehouse.results import Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class FourCorners:
    """Counts of the four corners and the shares that matter."""

    better_adverse: int  # Teeth improved, face adverse
    better_not_adverse: int  # Teeth improved, face not adverse
    not_better_adverse: int  # Teeth not improved, face adverse
    not_better_not_adverse: int  # Neither
    among_all: Estimate  # Share "teeth better, face adverse" among all cases in which both can be judged
    among_improved: Estimate  # Share adverse among the improved
    among_not_improved: Estimate  # Share adverse among the others
    difference: Estimate  # Share adverse among the improved minus among the others
    left_out: Mapping[str, int]  # `teeth not assessable`, `face not assessable` or `neither assessable` -> cases


def four_corners(frame: pl.DataFrame, *, improved: str, adverse: str, level: float = 0.95) -> FourCorners:
    """Cross-tabulate improvement of the teeth and the outcome of the face.

    Estimand of ``among_all``: the long-run share of cases like these that end with better teeth and an adverse face.
    Intervals: Wilson for shares, Newcombe for the difference.

    ``improved``: true/false column: did the teeth improve (null = not assessable). ``adverse``: true/false column: did
    the face go adverse (null = not assessable). Counts and shares; a share without a case has the value None and says
    why. Raises RequestError where a column does not exist or is not true/false.
    """
    teeth, face = _yes_no(frame, improved), _yes_no(frame, adverse)
    known = teeth.is_not_null() & face.is_not_null()
    better, longer = teeth.filter(known).to_numpy(), face.filter(known).to_numpy()
    corners = [int(np.sum(a & b)) for a in (better, ~better) for b in (longer, ~longer)]
    n_better, n_other = corners[0] + corners[1], corners[2] + corners[3]
    left_out = _left_out(teeth, face)

    def share(count: int, n: int, estimand: str) -> Estimate:
        return replace(proportion(count, n, level=level, estimand=estimand), left_out=left_out)

    among_all = share(corners[0], n_better + n_other, "share with teeth improved and face adverse, all cases")
    among_improved = share(corners[0], n_better, "share adverse among cases with teeth improved")
    gap = risk_difference(corners[0], n_better, corners[2], n_other, level=level)
    return FourCorners(
        better_adverse=corners[0],
        better_not_adverse=corners[1],
        not_better_adverse=corners[2],
        not_better_not_adverse=corners[3],
        among_all=among_all,
        among_improved=among_improved,
        among_not_improved=share(corners[2], n_other, "share adverse among cases with teeth not improved"),
        difference=replace(gap, estimand="share adverse, teeth improved minus teeth not improved", left_out=left_out),
        left_out=left_out,
    )


def _yes_no(frame: pl.DataFrame, name: str) -> pl.Series:
    require_column(frame, name)
    column = frame[name]
    if column.dtype not in {pl.Boolean, pl.Null}:
        found = f"The column {name!r} holds {column.dtype}."
        raise RequestError(found, expected="true/false", remedy="turn the score into improved or not first")
    return column.cast(pl.Boolean)


def _left_out(teeth: pl.Series, face: pl.Series) -> Mapping[str, int]:
    reasons = {
        "teeth not assessable": teeth.is_null() & face.is_not_null(),
        "face not assessable": teeth.is_not_null() & face.is_null(),
        "neither assessable": teeth.is_null() & face.is_null(),
    }
    return MappingProxyType({reason: int(rows.sum()) for reason, rows in reasons.items() if rows.any()})
