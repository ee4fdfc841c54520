"""Hide small counts, and as few others as it takes, so that none of the hidden ones can be worked out.

1. Counts from 1 to ``minimum - 1`` are hidden ("fewer than 5").
2. For every count that must stay unknown (``targets``) whole numbers are sought that fit everything published, this
   table and earlier ones, and make that count as small, and as large, as its label allows. Where there are none,
   the cheapest further cells are hidden ("withheld") until there are; cost is the number of cases in the cells, and
   what readers need most comes last.
3. Cells that turn out not to be needed are shown again.

The whole numbers found are kept: they prove that the final table is safe against a reader who knows the rule. Where
labels themselves give a count away (four cells "fewer than 5" in a total "fewer than 5" are all 1), or would cost what
readers need most, first the small totals and then all small cells are labelled "withheld" instead; where even that
cannot help, because earlier tables have said too much, the table is refused. The search for the cheapest set is a
heuristic (Kelly, Golden & Assad 1992; Fischetti & Salazar 2000, both from memory): it hides enough, not always the very
least.

What it does not do: a shown 0, or a share of 0 or 100%, still tells something about everybody in the group; a person
who is in the table knows of himself; a small number of cases that only a sum of three or more cells of different
tables would single out is looked for only where it is a printed or derived cell or a difference of two.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from warehouse.disclosure.knowledge import knowledge_of, row_of, space_for
from warehouse.disclosure.layout import Layout
from warehouse.disclosure.policy import Policy
from warehouse.disclosure.published import Count, Guard, ProtectedTable, Release, make_cell
from warehouse.disclosure.search import Search
from warehouse.disclosure.space import Space
from warehouse.disclosure.system import Knowledge, extreme, sparse
from warehouse.disclosure.table import Table
from warehouse.disclosure.targets import Goal, goals_of, guards_of
from warehouse.errors import RequestError
from warehouse.plural import number_of

Key = tuple[str, ...]

_MISFIT = (
    "Its counts do not fit what was published before about the same cases; if cases were added or corrected since, "
    "give it a scope of its own."
)


def protect(
    table: Table,
    policy: Policy | None = None,
    *,
    earlier: Sequence[Release] = (),
    last: frozenset[Key] = frozenset(),
) -> ProtectedTable:
    """Make a table fit to leave; the default policy hides 1 to 4.

    ``earlier`` is everything published before about the same cases, from the ledger; differences are looked for. A
    table of which nothing may be shown says why in ``refused``, and has no place in the ledger. Cells in ``last`` are
    what readers need most: they are withheld only where nothing else will do.
    """
    rule = policy or Policy()
    if rule.hides_nothing:
        return _result(table, rule, frozenset(), frozenset(), 1, ())
    try:
        space = space_for(earlier, table.layout)
    except RequestError as error:
        return _refusal(table, rule, f"{error.found} {error.remedy.capitalize()}.")
    guards = guards_of(table, rule, earlier, space)
    goals = goals_of(guards, rule, earlier, space)
    counts = {key: table.cell(key) for key in table.layout.keys()}  # noqa: SIM118 - a method
    small = frozenset(key for key, count in counts.items() if rule.is_small(count))
    if not goals and not earlier:
        return _result(table, rule, frozenset(), frozenset(), rule.minimum, guards)
    rows = {key: row_of(table.layout, key, space) for key in counts}
    found: list[ProtectedTable] = []
    for relabelled in _stages(counts, small, table.layout):
        least = 1 if relabelled else rule.minimum
        open_ = [key for key, count in counts.items() if count >= rule.minimum]
        search = _search(counts, rows, rule, knowledge_of(earlier, space), relabelled, open_, goals, last)
        if not relabelled and not search.fits():
            return _refusal(table, rule, _MISFIT)
        if search.hide(lambda goal: _was_known(goal, earlier, space)):
            hidden = frozenset(key for key, out in zip(open_, search.hidden, strict=True) if out)
            found.append(_result(table, rule, small - relabelled, hidden | relabelled, least, guards))
            if not hidden & last:
                return found[-1]
    if found:
        return found[0]
    return _refusal(table, rule, "Together with what was published before it would give away a small count.")


def _stages(counts: Mapping[Key, int], small: frozenset[Key], layout: Layout) -> Iterator[frozenset[Key]]:
    """Which small cells lose their label: none, then those that hold other non-empty cells, then all."""
    yield frozenset()
    filled = [layout.values(key) for key, count in counts.items() if count > 0]
    totals = frozenset(key for key in small if any(_within(part, layout.values(key)) for part in filled))
    yield from (stage for stage in dict.fromkeys((totals, small)) if stage)


def _within(part: Sequence[frozenset[str]], whole: Sequence[frozenset[str]]) -> bool:
    return part != whole and all(own <= wide for own, wide in zip(part, whole, strict=True))


def _search(
    counts: Mapping[Key, int],
    rows: Mapping[Key, NDArray[np.int8]],
    policy: Policy,
    before: Knowledge,
    relabelled: frozenset[Key],
    open_: Sequence[Key],
    goals: list[Goal],
    last: frozenset[Key],
) -> Search:
    """The state before anything is withheld: earlier knowledge, and what the labels of this table say."""
    least = 1 if relabelled else policy.minimum
    bounds = [_label_bounds(key, count, policy, relabelled, least) for key, count in counts.items()]
    size = before.rows.shape[1]
    dear = float(sum(counts.values()))
    return Search(
        known=before.joined(np.array(list(rows.values()), dtype=np.int8), np.array(bounds, dtype=np.float64)),
        rows=sparse(np.array([rows[key] for key in open_], dtype=np.int8).reshape(len(open_), size)),
        ranges=np.array([policy.bounds_of(policy.shown_value(counts[key])) for key in open_], dtype=np.float64).reshape(
            len(open_), 2
        ),
        prices=np.array(
            [counts[key] + 1e-6 * i + (dear if key in last else 0.0) for i, key in enumerate(open_)], dtype=np.float64
        ),
        goals=list(goals),
        wanted=sparse(np.array([goal.row for goal in goals], dtype=np.int8).reshape(len(goals), size)),
        hidden=np.zeros(len(open_), dtype=np.bool_),
    )


def _label_bounds(key: Key, count: int, policy: Policy, relabelled: frozenset[Key], least: int) -> tuple[float, float]:
    """What is known of a cell even when its count is hidden."""
    if count == 0:
        return 0.0, 0.0
    if policy.is_small(count):
        return 1.0, math.inf if key in relabelled else policy.minimum - 1.0
    return float(least), math.inf


def _was_known(goal: Goal, earlier: Sequence[Release], space: Space) -> bool:
    """Whether an earlier cell was given away before this table, so that this table does it no harm."""
    if not goal.earlier:
        return False
    before = knowledge_of(earlier, space)
    return extreme(before, goal.row, largest=False) == extreme(before, goal.row, largest=True)


def _result(
    table: Table, policy: Policy, small: frozenset[Key], withheld: frozenset[Key], least: int, guards: tuple[Guard, ...]
) -> ProtectedTable:
    cells: dict[Key, Count] = {}
    for key in table.layout.keys():  # noqa: SIM118
        if key in small:
            cells[key] = make_cell("small", None, policy)
        elif key in withheld:
            cells[key] = make_cell("withheld", None, policy)
        else:
            cells[key] = make_cell("shown", policy.shown_value(table.cell(key)), policy)
    release = Release(table.name, table.layout, policy, MappingProxyType(cells), least, guards)
    return ProtectedTable(release, "", _notes(policy, len(small), len(withheld)))


def _refusal(table: Table, policy: Policy, reason: str) -> ProtectedTable:
    cells = {key: make_cell("withheld", None, policy) for key in table.layout.keys()}  # noqa: SIM118
    release = Release(table.name, table.layout, policy, MappingProxyType(cells), 0)
    return ProtectedTable(release, reason, (f"This table is not shown. {reason}",))


def _notes(policy: Policy, small: int, withheld: int) -> tuple[str, ...]:
    notes = []
    if small:
        are = number_of(small, "count is", "counts are")
        notes.append(f"{are} from 1 to {policy.minimum - 1} and shown as “{policy.small_label}”; 0 is 0.")
    if withheld:
        are = number_of(withheld, "count is", "counts are")
        notes.append(f"{are} withheld so that no small count can be worked out from the others.")
    if policy.round_to:
        notes.append(f"Counts are rounded to the nearest {policy.round_to}, so rows need not add up to totals.")
    return tuple(notes)
