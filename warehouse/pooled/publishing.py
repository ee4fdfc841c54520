"""What the coordinator lets out: every table goes through the engine, and is remembered for those that come later.

The same table about the same contributions is let out as it was before, word for word. A practice's renewed
contribution is taken to hold its earlier cases and more, as a reader would take it, unless the counts contradict that.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from warehouse.disclosure import Policy, ProtectedTable, Release, protect
from warehouse.disclosure.knowledge import knowledge_of, row_of, space_for
from warehouse.disclosure.published import make_cell
from warehouse.disclosure.system import extreme
from warehouse.pooled.tables import family, is_about

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from warehouse.disclosure import Table
    from warehouse.pooled.member import Member


@dataclass(slots=True)
class Publisher:
    """The releases so far and those being made."""

    policy: Policy  # What may be shown
    earlier: list[Release] = field(default_factory=list)  # Releases of before, oldest first
    # Outcome -> contribution -> the base values that stand for its cases
    scopes: dict[str, dict[str, tuple[str, ...]]] = field(default_factory=dict)
    made: list[Release] = field(default_factory=list)  # Releases made now

    @property
    def known(self) -> list[Release]:
        """Everything let out so far."""
        return [*self.earlier, *self.made]

    def publish(self, table: Table, outcome: str, *names: str) -> ProtectedTable:
        """Make a table fit to be seen.

        Args:
            table: The counts.
            outcome: What it is about.
            names: Variables of earlier breakdowns it has to be checked against, besides all totals.
        """
        same = next((one for one in self.known if one.name == table.name and one.layout == table.layout), None)
        if same is not None:
            return ProtectedTable(same, "", ())
        found = protect(table, self.policy, earlier=self._linked(outcome, *names))
        if not found.refused:
            self.made.append(found.release)
        return found

    def _linked(self, outcome: str, *names: str) -> list[Release]:
        """The releases that tell something about a table: see ``warehouse.pooled.tables``.

        Rounded totals are known within limits only, and breakdowns by other variables narrow those; then all tables of
        the outcome are checked together.
        """
        if self.policy.round_to is None:
            return family(self.known, outcome, *names)
        return [one for one in self.known if is_about(one, outcome)]

    def scope(self, member: Member, outcome: str) -> tuple[str, ...]:
        """The base values that stand for a contribution's cases."""
        known = self.scopes.setdefault(outcome, {})
        if member.id not in known:
            before = next((known[one] for one in reversed(member.replaces) if one in known), ())
            known[member.id] = (*before, member.id)
        return known[member.id]

    def set_apart(self, members: Sequence[Member], outcome: str) -> None:
        """Take these contributions to have no case in common with earlier ones."""
        known = self.scopes.setdefault(outcome, {})
        known.update({one.id: (one.id,) for one in members})


def fits(table: Table, earlier: Sequence[Release]) -> bool:
    """Whether a table, all shown, agrees with earlier ones about the cases it names."""
    policy = Policy()
    cells = {key: make_cell("shown", table.cell(key), policy) for key in table.layout.keys()}  # noqa: SIM118 - a method
    shown = Release(table.name, table.layout, policy, cells, 0)
    releases = [*earlier, shown]
    space = space_for(releases)
    first = next(iter(cells))
    return extreme(knowledge_of(releases, space), row_of(shown.layout, first, space), largest=False) is not None


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
