"""Shares by the groups of a variable over all practices, and how groups compare within practices.

The counts of practices that gave all of theirs are added up in one table, which goes through the engine; practices with
hidden counts enter within the limits they gave. The share rests on these published figures. What rests on single
practices' counts (the design effect, the ratio) is given with few digits, so that it cannot be taken apart.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from warehouse.analysis.meta import pool
from warehouse.analysis.meta_effects import ratio_effects
from warehouse.analysis.proportion import wilson_interval
from warehouse.disclosure import ProtectedTable
from warehouse.plural import number_of
from warehouse.pooled.adjusted import Adjusted, adjusted_ratios
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.member import Groups, Member, added
from warehouse.pooled.practices import is_whole, left_out_notes, publish_totals
from warehouse.pooled.publishing import Publisher
from warehouse.pooled.ranges import NONE, Range, exactly, filled, tightened, total
from warehouse.pooled.result import Figure, GroupPool, PooledGroup, figure
from warehouse.pooled.tables import ALL, COUNTED, breakdown_layout, breakdown_table, members_at, totals_known
from warehouse.pooled.variables import ADVERSE

RATIO_DIGITS = 2


@dataclass(frozen=True, slots=True)
class _Parts:
    """What the practices gave, brought to one level."""

    level: int  # The finest level all of them have
    whole: tuple[tuple[Member, Groups], ...]  # Practices whose counts are all known, with their counts
    others: tuple[tuple[Member, Groups], ...]  # Practices with hidden counts

    @property
    def everyone(self) -> tuple[tuple[Member, Groups], ...]:
        return (*self.whole, *self.others)


def pooled_groups(
    members: Sequence[Member],
    agreement: Agreement,
    outcome: str,
    by: str,
    *,
    publisher: Publisher,
    level: float = 0.95,
) -> GroupPool:
    """Pool the shares by a variable.

    Args:
        members: The practices' contributions.
        agreement: What was agreed.
        outcome: Id of the definition.
        by: One of the agreed groupings.
        publisher: What was let out before; what is let out now is added.
        level: Level of the intervals.
    """
    parts, left_out = _parts(members, agreement, outcome, by)
    notes = left_out_notes(left_out)
    n = len(parts.everyone) if parts else 0
    if parts is None or n < agreement.fewest_practices:
        reason = f"A pooled table needs at least {agreement.fewest_practices} practices; {n} can be used."
        return GroupPool(outcome=outcome, by=by, practices=n, notes=notes, refused=reason)
    table = _published(parts, agreement, outcome, by, publisher)
    if isinstance(table, str):
        return GroupPool(outcome=outcome, by=by, practices=n, notes=notes, refused=table)
    rows = _rows(parts, table, level)
    reference = max(rows, key=lambda row: row.share.n).label
    adjusted = adjusted_ratios(members, agreement, outcome, by, at=parts.level, reference=reference, level=level)
    return GroupPool(
        outcome=outcome,
        by=by,
        practices=n,
        reference=reference,
        rows=tuple(_compared(row, reference, parts, agreement, adjusted, level) for row in rows),
        adjusted_for=adjusted.adjusted_for,
        adjusted_practices=adjusted.practices,
        notes=(*notes, *(table.notes if table else ()), *_others_note(parts), *adjusted.notes),
    )


def _parts(
    members: Sequence[Member], agreement: Agreement, outcome: str, by: str
) -> tuple[_Parts | None, Counter[str]]:
    left_out: Counter[str] = Counter()
    given: list[tuple[Member, Groups]] = []
    for member in members:
        found = member.groups(agreement, outcome, by)
        if isinstance(found, str):
            left_out[found] += 1
        else:
            given.append((member, found))
    if not given:
        return None, left_out
    level = max(groups.level for _, groups in given)
    brought = [(member, groups.at(agreement, by, level)) for member, groups in given]
    whole = [(member, groups) for member, groups in brought if groups.is_exact and is_whole(member.results(outcome))]
    others = [one for one in brought if one not in whole]
    return _Parts(level, tuple(whole), tuple(others)), left_out


def _published(
    parts: _Parts, agreement: Agreement, outcome: str, by: str, publisher: Publisher
) -> ProtectedTable | str | None:
    """The table over practices whose counts are all known; None without any; a reason where it may not be made."""
    if not parts.whole:
        return None
    members = [member for member, _ in parts.whole]
    totals = publish_totals(members, outcome, publisher)
    if totals is None or not totals_known(totals):
        return "A total is hidden, so no breakdown of it can be given."
    scope = [label for member in members for label in publisher.scope(member, outcome)]
    named = members_at(agreement.hierarchy(by), parts.level)
    sums = added([groups for _, groups in parts.whole])
    counts = {base[0]: (sums.adverse[label].low, sums.counted[label].low) for label, base in named.items()}
    layout = breakdown_layout(outcome, by, named, scope=scope)
    table = publisher.publish(breakdown_table(outcome, by, counts, layout), outcome, by)
    return f"This table is not shown. {table.refused}" if table.refused else table


def _rows(parts: _Parts, table: ProtectedTable | None, level: float) -> list[PooledGroup]:
    labels = list(parts.everyone[0][1].adverse)
    adverse = _ranges(table, labels, ADVERSE)
    counted = _ranges(table, labels, COUNTED)
    found = []
    for label in labels:
        each_adverse = [adverse[label], *(groups.adverse[label] for _, groups in parts.others)]
        each_counted = [counted[label], *(groups.counted[label] for _, groups in parts.others)]
        shown = [
            _shown(table, label, column, parts, total(ranges))
            for column, ranges in ((COUNTED, each_counted), (ADVERSE, each_adverse))
        ]
        known = filled(
            [a.within(Range(0, n.high)) for a, n in zip(each_adverse, each_counted, strict=True)], each_counted
        )
        share = _share(label, sum(known.adverse), sum(known.counted), _design_effect(parts, label), level)
        found.append(PooledGroup(label=label, counted=shown[0], adverse=shown[1], share=share))
    return [row for row in found if row.counted != "0"] or found


def _ranges(table: ProtectedTable | None, labels: Sequence[str], column: str) -> dict[str, Range]:
    """The counts of a column as a reader knows them."""
    if table is None:
        return dict.fromkeys(labels, NONE)
    found = {label: _read(table, (label, column)) for label in labels}
    whole = _read(table, (ALL, column)) if len(labels) > 1 else None
    return tightened(found, whole) if whole is not None and table.release.policy.round_to is None else found


def _read(table: ProtectedTable, key: tuple[str, ...]) -> Range:
    cell = table.cell(*key)
    if cell.value is not None:
        return exactly(cell.value)
    low, high = table.release.bounds(key)
    return Range(int(low), int(min(high, 10_000_000)))


def _shown(table: ProtectedTable | None, label: str, column: str, parts: _Parts, count: Range) -> str:
    return table.cell(label, column).shown if table is not None and not parts.others else count.words


def _share(name: str, adverse: float, counted: int, effect: float, level: float) -> Figure:
    if counted == 0:
        nothing = ("No case was counted.",)
        return Figure(name=name, value=None, low=None, high=None, level=level, method="none", n=0, notes=nothing)
    share = min(1.0, adverse / counted)
    interval = wilson_interval(share, counted / effect, level=level)
    method = f"Wilson interval, cases divided by a design effect of {effect:.1f} for practices differing"
    return Figure(name=name, value=share, low=interval.low, high=interval.high, level=level, method=method, n=counted)


def _design_effect(parts: _Parts, label: str) -> float:
    """How much more a share varies because practices differ, >= 1, rounded up to one decimal.

    ``k / (k - 1) * sum (x_i - p n_i)**2 / (p (1 - p) sum n_i)``, the ratio estimator of a cluster sample over the
    binomial variance (Rao & Scott 1992, Biometrics 48:577; formula from memory).
    """
    known = filled([one.adverse[label] for _, one in parts.everyone], [one.counted[label] for _, one in parts.everyone])
    pairs = [(x, n) for x, n in zip(known.adverse, known.counted, strict=True) if n > 0]
    if len(pairs) < 2 or known.share is None or not 0 < known.share < 1:
        return 1.0
    spread = sum((x - known.share * n) ** 2 for x, n in pairs) * len(pairs) / (len(pairs) - 1)
    binomial = known.share * (1 - known.share) * sum(n for _, n in pairs)
    return max(1.0, math.ceil(10 * spread / binomial) / 10)


def _compared(
    row: PooledGroup, reference: str, parts: _Parts, agreement: Agreement, adjusted: Adjusted, level: float
) -> PooledGroup:
    if row.label == reference:
        return row
    return PooledGroup(
        label=row.label,
        counted=row.counted,
        adverse=row.adverse,
        share=row.share,
        ratio=_ratio(row.label, reference, parts, agreement, level),
        adjusted=adjusted.ratios.get(row.label),
    )


def _ratio(label: str, reference: str, parts: _Parts, agreement: Agreement, level: float) -> Figure:
    """The risk ratio within practices, pooled by random effects."""
    everyone = [groups for _, groups in parts.everyone]
    first = filled([one.adverse[label] for one in everyone], [one.counted[label] for one in everyone])
    second = filled([one.adverse[reference] for one in everyone], [one.counted[reference] for one in everyone])
    effects = ratio_effects(first.adverse, first.counted, second.adverse, second.counted)
    name = f"risk ratio, {label} over {reference}"
    if len(effects.practices) < agreement.fewest_practices or sum(first.counted) < agreement.minimum:
        reason = (
            f"{number_of(len(effects.practices), 'practice has', 'practices have')} cases in both groups with an"
            f" outcome to compare; at least {agreement.fewest_practices} are needed."
        )
        return Figure(name=name, value=None, low=None, high=None, level=level, method="none", n=0, notes=(reason,))
    return figure(name, pool(effects, level=level).natural(), digits=RATIO_DIGITS)


def _others_note(parts: _Parts) -> tuple[str, ...]:
    if not parts.others:
        return ()
    n = len(parts.others)
    gave = number_of(
        n,
        "practice gave counts of which some are hidden; it enters",
        "practices gave counts of which some are hidden; they enter",
    )
    return (f"{gave} within the limits known of them.",)
