"""Of the changes of a practice's cases: what may leave, and when.

Nothing leaves but their number, mean and variance, whichever way a practice contributes; these are all that pooling
needs. A single change beside generalised variables would be a mark to find a child by.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from warehouse.plural import number_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from warehouse.pooled.agreement import Agreement
    from warehouse.pooled.history import HandedOver

MOST = 1_000.0
"""No change of a face is larger, in degrees, millimetres or points."""


@dataclass(frozen=True, slots=True)
class Moments:
    """Number of changes, their mean and their variance (divisor n - 1)."""

    n: int
    mean: float
    variance: float

    def to_list(self) -> list[float]:
        """As written in a manifest."""
        return [self.n, self.mean, self.variance]


def moments_of(values: Sequence[float]) -> Moments | None:
    """Moments of changes; None of fewer than two."""
    if len(values) < 2:
        return None
    array = np.asarray(sorted(values), dtype=np.float64)
    return Moments(array.size, float(array.mean()), float(array.var(ddof=1)))


def moments_from(data: object) -> Moments | None:
    """Moments as written in a manifest; None where they are out of shape or out of range."""
    if not isinstance(data, list) or len(data) != 3 or type(data[0]) is not int:
        return None
    n, mean, variance = data
    if not all(type(one) in {int, float} and math.isfinite(one) for one in (mean, variance)):
        return None
    is_possible = n >= 2 and abs(mean) <= MOST and 0 <= variance <= MOST**2
    return Moments(n, float(mean), float(variance)) if is_possible else None


def marks_of(values: Mapping[str, float]) -> dict[str, str]:
    """Case key -> digest of its change, by which later contributions tell which changes are new."""
    return {
        key: hashlib.sha256(f"{key}\x1f{value + 0.0:.6f}".encode()).hexdigest()[:12] for key, value in values.items()
    }


def why_no_mean(
    values: Mapping[str, float], counted: int | None, outcome: str, agreement: Agreement, history: Sequence[HandedOver]
) -> str:
    """Why the mean of an outcome may not leave, or empty.

    Args:
        values: Case key -> change, of the cases counted.
        counted: Cases counted as they leave; None where that number is hidden.
        outcome: Id of the definition.
        agreement: What was agreed.
        history: Everything handed over before: two means of nearly the same cases give the few that differ away.
    """
    if counted is None:
        return "the number of cases counted is hidden"
    if len(values) < agreement.mean_minimum:
        return f"a mean needs {agreement.mean_minimum} cases; there are {len(values)}"
    if len(values) != counted:
        without = number_of(counted - len(values), "counted case has", "counted cases have")
        return f"{without} no change, and the difference would tell so"
    now = set(marks_of(values).items())
    for one in history:
        before = set(one.values.get(outcome, {}).items())
        fewest = max(len(now - before), len(before - now))
        if before and 0 < fewest < agreement.mean_minimum:
            return f"compared with an earlier mean it would tell about {number_of(fewest, 'case')}"
    return ""
