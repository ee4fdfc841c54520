"""What the coordinator lets out: every table goes through the engine, and is remembered for those that come later.

The same table about the same contributions is let out as it was before, word for word. A practice's renewed
contribution is taken to hold its earlier cases and more, as a reader would take it, unless the counts contradict that.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

from warehouse.disclosure import HIDDEN, Count, Dimension, Layout, Policy, ProtectedTable, Release, Table, protect
from warehouse.disclosure.knowledge import knowledge_of, row_of, space_for
from warehouse.disclosure.published import WITHHELD, make_cell
from warehouse.disclosure.system import extreme
from warehouse.plural import number_of
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.member import Member, known_range
from warehouse.pooled.ranges import Range, exactly, tightened
from warehouse.pooled.tables import (
    ALL,
    COUNTED,
    SCOPE,
    agree,
    breakdown_layout,
    breakdown_table,
    family,
    is_about,
    totals_name,
    totals_table,
)
from warehouse.pooled.variables import ADVERSE, NOT_ADVERSE, RESULTS


@dataclass(slots=True)
class Publisher:
    """The releases so far and those being made."""

    policy: Policy  # What may be shown
    earlier: list[Release] = field(default_factory=list)  # Releases of before, oldest first
    # Outcome -> contribution -> the base values that stand for its cases; "round:practice" for a practice's in a sum
    scopes: dict[str, dict[str, tuple[str, ...]]] = field(default_factory=dict)
    made: list[Release] = field(default_factory=list)  # Releases made now

    @property
    def known(self) -> list[Release]:
        """Everything let out so far."""
        return [*self.earlier, *self.made]

    def publish(self, table: Table, outcome: str, *names: str) -> ProtectedTable:
        """Make a table fit to be seen; ``names`` are the variables of earlier breakdowns it is checked against."""
        known = self.known
        if self.policy.round_to is None:
            earlier = family(known, outcome, *names)
        else:
            # Rounded totals are known within limits only, and breakdowns by other variables narrow those
            earlier = [one for one in known if is_about(one, outcome)]
        found = protect(table, self.policy, earlier=earlier)
        if not found.refused and found.release not in known:
            self.made.append(found.release)
        return found

    def scope(self, member: Member, outcome: str) -> tuple[str, ...]:
        """The base values that stand for a contribution's cases."""
        known = self.scopes.setdefault(outcome, {})
        if member.id not in known:
            before = next((known[one] for one in reversed(member.replaces) if one in known), ())
            summed = [one for each in known.values() for one in each if one.partition(":")[2] == member.pseudonym]
            known[member.id] = (*dict.fromkeys((*before, *summed)), member.id)
        return known[member.id]

    def set_apart(self, members: Sequence[Member], outcome: str) -> None:
        """Take these contributions to have no case in common with earlier ones."""
        known = self.scopes.setdefault(outcome, {})
        for one in members:
            own = tuple(label for label in known.get(one.id, ()) if label.partition(":")[0] == one.id)
            known[one.id] = own or (one.id,)


def fits(table: Table, earlier: Sequence[Release]) -> bool:
    """Whether a table, all shown, agrees with earlier ones about the cases it names."""
    policy = Policy()
    cells = {key: make_cell("shown", table.cell(key), policy) for key in table.layout.keys()}  # noqa: SIM118 - a method
    return agree([*earlier, Release(table.name, table.layout, policy, cells, 0)])


def ledger_entry(publisher: Publisher) -> dict[str, Any]:
    """What has to be kept of the releases made now, as plain data."""
    return {
        "releases": [one.to_dict() for one in publisher.made],
        "scopes": {
            outcome: {one: list(labels) for one, labels in each.items()} for outcome, each in publisher.scopes.items()
        },
    }


def publisher_from(entries: Sequence[Mapping[str, Any]], policy: Policy) -> Publisher:
    """The publisher after these ledger entries."""
    earlier = [Release.from_dict(one) for entry in entries for one in entry["releases"]]
    scopes: dict[str, dict[str, tuple[str, ...]]] = {}
    for entry in entries:
        for outcome, each in entry["scopes"].items():
            scopes.setdefault(outcome, {}).update({one: tuple(labels) for one, labels in each.items()})
    return Publisher(policy, earlier, scopes)


@dataclass(frozen=True, slots=True)
class Practice:
    """One practice's counts as published, under its pseudonym."""

    pseudonym: str
    adverse: Range
    counted: Range
    adverse_shown: str
    counted_shown: str


def published_practices(
    members: Sequence[Member], agreement: Agreement, outcome: str, publisher: Publisher
) -> tuple[list[Practice], ProtectedTable | None, Counter[str]]:
    """Practices with counts as published, the totals over those whose counts are all known, and who is left out."""
    results = {member.id: member.results(outcome) for member in members}
    whole = [one for one in members if is_whole(results[one.id])]
    left_out: Counter[str] = Counter()
    found: list[Practice] = []
    known = family(publisher.known, outcome, SCOPE)
    if whole and not fits(_practice_table(whole, outcome, publisher), known):
        lines = [(one, _practice_table([one], outcome, publisher)) for one in whole if one.replaces]
        publisher.set_apart([one for one, line in lines if not fits(line, known)], outcome)
    totals = publish_totals(whole, outcome, publisher)
    if whole:
        table = publisher.publish(_practice_table(whole, outcome, publisher), outcome, SCOPE)
        table = for_members(whole, outcome, table, totals)
        found += [one for member in whole if (one := _published(member, table, left_out)) is not None]
        has_total = totals is not None and not totals.refused and len(found) == len(whole)
        is_exact = totals is not None and totals.release.policy.round_to is None
        found = narrowed(found, totals.cell(ADVERSE).value if totals and has_total and is_exact else None)
    for member in members:
        counts = results[member.id]
        if member in whole:
            continue
        if counts is None or not (counted := _counted(member, outcome, counts)).is_exact or counted.high == 0:
            left_out["gave no number of cases counted"] += 1
            continue
        adverse = counts[ADVERSE]
        found.append(Practice(member.pseudonym, adverse, counted, _shown(adverse, agreement), counted.words))
    return found, totals, left_out


def is_whole(results: dict[str, Range] | None) -> bool:
    """Whether every result of a practice is known."""
    return results is not None and all(one.is_exact for one in results.values())


def _counted(member: Member, outcome: str, counts: dict[str, Range]) -> Range:
    table = member.tables.get(totals_name(outcome))
    return counts[ADVERSE] + counts[NOT_ADVERSE] if table is None else known_range(table, (COUNTED,))


def publish_totals(members: Sequence[Member], outcome: str, publisher: Publisher) -> ProtectedTable | None:
    """Publish the results over practices whose counts are all known; None without any."""
    if not members:
        return None
    summed = {result: sum(_results(one, outcome)[result].low for one in members) for result in RESULTS}

    def table() -> Table:
        scope = [label for one in members for label in publisher.scope(one, outcome)]
        return totals_table(outcome, summed, scope=scope)

    if not fits(table(), family(publisher.known, outcome, SCOPE)):
        publisher.set_apart([one for one in members if one.replaces], outcome)
    return publisher.publish(table(), outcome, SCOPE)


def _results(member: Member, outcome: str) -> dict[str, Range]:
    return member.results(outcome) or dict.fromkeys(RESULTS, exactly(0))


def _practice_table(members: Sequence[Member], outcome: str, publisher: Publisher) -> Table:
    scopes = {one.id: publisher.scope(one, outcome) for one in members}
    layout = breakdown_layout(outcome, SCOPE, scopes, scope=(), complete=False)
    counts: dict[str, tuple[int, int]] = {}
    for one in members:
        found = _results(one, outcome)
        counts |= dict.fromkeys(scopes[one.id], (0, 0))
        counts[scopes[one.id][0]] = (found[ADVERSE].low, found[ADVERSE].low + found[NOT_ADVERSE].low)
    return breakdown_table(outcome, SCOPE, counts, layout)


def for_members(
    members: Sequence[Member], outcome: str, table: ProtectedTable, totals: ProtectedTable | None
) -> ProtectedTable:
    """The table by practice as the practices themselves may see it, each of which knows its own counts.

    For every practice it is proved, by whole numbers that fit the table, the totals and the practice's own counts, that
    the hidden counts of each other one keep what their label promises. Until that is so, adverse cases of the smallest
    practices are withheld, then the lines of the smallest ones as a whole. Two practices together are not guarded
    against (``pipelines/group/threats.md``).
    """
    if table.refused or totals is None or totals.refused:
        return table
    counts = {one.id: _results(one, outcome) for one in members}
    order = sorted(members, key=lambda one: (counts[one.id][ADVERSE].low + counts[one.id][NOT_ADVERSE].low, one.id))
    candidates = [(one.id, column) for column in (ADVERSE, COUNTED) for one in order]
    masked = {**table.cells}
    for key in [None, *candidates]:
        if key is not None:
            if masked[key].state != "shown" or masked[key].value == 0:
                continue
            masked[key] = HIDDEN
        release = replace(table.release, cells=masked, withheld_from=min(1, table.release.withheld_from))
        if all(_keeps(release, totals.release, counts, reader.id) for reader in order):
            break
    return replace(table, release=release)


def _keeps(table: Release, totals: Release, counts: Mapping[str, Mapping[str, Range]], reader: str) -> bool:
    """Whether a practice that adds its own counts cannot work out a hidden one of another."""
    hidden = [key for key, cell in table.cells.items() if cell.state != "shown" and key[0] not in {reader, ALL}]
    if not hidden:
        return True
    own = {ADVERSE: counts[reader][ADVERSE].low, COUNTED: sum(counts[reader][n].low for n in (ADVERSE, NOT_ADVERSE))}
    cells = {**table.cells} | {(reader, column): Count("shown", str(n), n) for column, n in own.items()}
    policy = replace(table.policy, round_to=None)
    # its own counts are exact, those shown are what the rule of the table makes of them
    mine = replace(
        table,
        layout=_only(table.layout, reader),
        policy=policy,
        cells={key: cell for key, cell in cells.items() if key[0] == reader},
    )
    releases = [table, mine, totals]
    space = space_for(releases)
    knowledge = knowledge_of(releases, space)
    for key in hidden:
        row = row_of(table.layout, key, space)
        least, most = (extreme(knowledge, row, largest=largest) for largest in (False, True))
        if least is None or most is None or least == most:
            return False
        if table.cells[key].state == "small" and (least > 1 or most < table.policy.minimum - 1):
            return False
    return True


def _only(layout: Layout, name: str) -> Layout:
    first, *others = layout.dimensions
    one = Dimension(first.name, MappingProxyType({name: first.members[name]}), complete=False)
    return Layout((one, *others), layout.scope)


HIDDEN_TOGETHER = 3  # fewest adverse counts hidden where any is and their sum is known


def for_each_other(practices: Sequence[Practice], adverse: int | None, *, besides: int = 0) -> list[Practice]:
    """Counts as the practices themselves may see them, each of which knows its own.

    Of two hidden counts with a known sum, the practice behind one could work out the other. So there are at least
    three, or all: those of the smallest practices are hidden as well. Hidden counts are then narrowed by the total.

    ``practices`` and so many ``besides``, without a line, are behind the total ``adverse`` (None where it is hidden or
    rounded: nothing can be subtracted then).
    """
    hidden = besides + sum(not one.adverse.is_exact for one in practices)
    left = None if besides else adverse
    if adverse is None or hidden == 0:
        return narrowed(practices, left)
    shown = sorted((one for one in practices if one.adverse.is_exact), key=lambda one: (one.counted.low, one.pseudonym))
    more = {one.pseudonym for one in [one for one in shown if one.adverse.low >= 1][: max(0, HIDDEN_TOGETHER - hidden)]}
    masked = [
        replace(one, adverse=Range(1, one.counted.low), adverse_shown=WITHHELD) if one.pseudonym in more else one
        for one in practices
    ]
    return narrowed(masked, left)


def narrowed(practices: Sequence[Practice], adverse: int | None) -> list[Practice]:
    """Hidden counts within what the total leaves of them, as any reader can work out."""
    if adverse is None:
        return list(practices)
    known = tightened({str(i): one.adverse for i, one in enumerate(practices)}, exactly(adverse))
    return [replace(one, adverse=known[str(i)]) for i, one in enumerate(practices)]


def _published(member: Member, table: ProtectedTable, left_out: Counter[str]) -> Practice | None:
    counted, adverse = table.cell(member.id, COUNTED), table.cell(member.id, ADVERSE)
    hidden = known_range(table.release, (member.id, ADVERSE))
    why = "may not be shown, so as not to give small counts away"
    return practice_of(member.pseudonym, adverse, counted, hidden, left_out, why)


def practice_of(
    name: str, adverse: Count, counted: Count, hidden: Range, left_out: Counter[str], why: str
) -> Practice | None:
    """A practice by its two counts as shown; None, and counted among those left out, where nobody is known counted.

    ``hidden``: What is known of the adverse where their count is hidden. ``why``: Said of a hidden number counted.
    """
    if not counted.value:
        left_out[why if counted.value is None else "no case counted"] += 1
        return None
    most = Range(0, counted.value)
    own = hidden.within(most) if adverse.value is None else exactly(min(adverse.value, counted.value))
    return Practice(name, own, exactly(counted.value), adverse.shown, counted.shown)


def _shown(count: Range, agreement: Agreement) -> str:
    if count.is_exact:
        return count.words
    is_small = count.low == 1 and count.high < agreement.minimum
    return agreement.contribution_policy.small_label if is_small else count.words


def left_out_notes(left_out: Counter[str]) -> tuple[str, ...]:
    """A sentence a reason."""
    return tuple(f"Left out: {number_of(n, 'practice')} ({reason})." for reason, n in left_out.items())
