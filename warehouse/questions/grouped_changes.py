"""The changes behind a definition, by group, and of which groups a mean may be shown to others."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from warehouse.disclosure import Count, Policy
from warehouse.marts.grouping import Grouping
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import Definition
from warehouse.questions.threshold import counted_changes
from warehouse.selection import Selection

HIDDEN_TOGETHER = 3  # fewest means left out where any is, and those who look know one of them: their own


def changes_by(
    reader: Reader, definition: Definition, selection: Selection, way: Grouping
) -> Mapping[str, NDArray[np.float64]]:
    """Group -> changes of its counted cases, ``(n,)``, signed so that more is worse.

    Empty where the definition has several parts, and so no single change.
    """
    frame = counted_changes(reader, definition, selection, way=way)
    return {str(group): rows["value"].to_numpy() for (group,), rows in frame.group_by("grouped")}


def groups_with_means(
    cells: Mapping[str, Count], sizes: Mapping[str, int], policy: Policy, *, to_themselves: bool = False
) -> frozenset[str]:
    """Groups whose mean may be shown.

    A mean needs ``policy.mean_minimum`` cases and a count that is shown. The mean over all cases is published, so the
    mean of the groups left out can be worked out: they must be two at least and have that many cases together, or
    further means are left out, of the smallest groups first. Where the groups themselves look, each takes its own
    mean off as well: then three are left out at least, and any of them without one has that many cases.

    ``cells``: group -> cases counted, as shown. ``sizes``: group -> cases counted. ``policy``: what may be shown.
    ``to_themselves``: whether those who look may be groups, each of which knows its own mean.
    """
    filled = [group for group, n in sizes.items() if n]
    fit = [group for group in filled if (cells[group].value or 0) >= policy.mean_minimum]
    fit.sort(key=lambda group: sizes[group])
    out = [sizes[group] for group in filled if group not in fit]
    fewest = HIDDEN_TOGETHER if to_themselves else 2

    def tells(left: list[int]) -> bool:
        others = sum(left) - (max(left) if to_themselves else 0)
        return len(left) < fewest or others < policy.mean_minimum

    while out and fit and tells(out):
        out.append(sizes[fit.pop(0)])
    return frozenset(fit)
