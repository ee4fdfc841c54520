"""What a practice has handed over, kept in its warehouse folder for the practice alone.

It holds the tables that left with the counts that must stay unknown, and a digest of every case as it then stood; later
contributions, to any group, are checked against it. It never leaves.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipelines.group.signed_file import Offered
from warehouse.errors import GroupError
from warehouse.leaving.record import documents_as_contributions
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.cases import GroupCases
from warehouse.pooled.handing_over import HandingOver
from warehouse.pooled.history import RECORD_FILE, HandedOver, contributions_of, marks_of
from warehouse.store.record_chain import RecordChain
from warehouse.store.storage import utc_now


@dataclass(frozen=True, slots=True)
class PracticeRecord:
    """The record of one practice."""

    chain: RecordChain  # The file; several practices of one warehouse share it
    practice: str  # The practice meant
    entries: tuple[Mapping[str, Any], ...]  # What it handed over or took back, oldest first

    @property
    def history(self) -> tuple[HandedOver, ...]:
        """Everything handed over, to any group, and documents that left."""
        return (*contributions_of(self.entries), *documents_as_contributions(self.chain.path.parent))

    def next_file(self, group: str, after: int) -> dict[str, Any]:
        """``sequence``, the number of the next file for a group, above ``after`` too, and ``made_on``, today."""
        last = max((entry["sequence"] for entry in self.entries if entry["group"] == group), default=0)
        return {"sequence": max(last, after) + 1, "made_on": utc_now().date().isoformat()}

    def takes_part(self, group: str) -> bool:
        """Whether the last thing made for a group was no withdrawal."""
        mine = [entry for entry in self.entries if entry["group"] == group]
        struck = {entry["sequence"] for entry in mine if entry["what"] == "struck"}
        return next((one["what"] != "took back" for one in reversed(mine) if one["sequence"] not in struck), False)

    def answered(self, group: str) -> dict[str, tuple[frozenset[str], str]]:
        """Digest of each round answered -> its members, and the digest of the table given."""
        given = [one for one in self.entries if one["group"] == group and "round" in one]
        return {one["round"]: (frozenset(one["members"]), one["table"]) for one in given}

    def check(self, offered: Offered) -> None:
        """Refuse an agreement that the coordinators known do not lead to, or that is older than the last one."""
        agreement = offered.agreement
        mine = [entry for entry in self.entries if entry["group"] == agreement.group]
        if mine and not offered.follows(coordinators_known(mine[-1])):
            found = "the agreement is signed with another key than the group's earlier ones"
            remedy = "ask the coordinator, by another way than this file came, whether the group has new keys"
            raise GroupError(found, remedy=remedy)
        newest = max((entry["version"] for entry in mine), default=0)
        if agreement.version < newest:
            found = f"this is version {agreement.version} of the agreement; you have contributed under version {newest}"
            raise GroupError(found, remedy="use the agreement in force")

    def strike(self, group: str, sequence: int) -> None:
        """Note that a file was never sent, so that it counts no longer; GroupError where there is none that counts."""
        mine = [one for one in self.entries if one["group"] == group]
        struck = {one["sequence"] for one in mine if one["what"] == "struck"}
        count = {n: one for one in mine if one["what"] == "handed over" and (n := one["sequence"]) not in struck}
        if sequence not in count:
            found = f"there is no file number {sequence} with cases or counts on record for this group that counts"
            remedy = (
                f"give one of these: {', '.join(map(str, count))}" if count else "nothing needs to be done: none counts"
            )
            raise GroupError(found, expected="the number that was said when it was written", remedy=remedy)
        said = ("practice", "group", "coordinators", "version")
        kept = {name: own for name, own in count[sequence].items() if name in said}
        self.chain.add({"what": "struck", **kept, "sequence": sequence, "made_on": utc_now().date().isoformat()})

    def add(
        self,
        agreement: Agreement,
        *,
        sequence: int,
        made_on: str,
        made: HandingOver | None = None,
        cases: GroupCases | None = None,
        masked: Mapping[str, Any] | None = None,
    ) -> None:
        """Write down what is about to leave, and of which cases.

        ``made`` and ``cases`` None for a withdrawal, and at the level ``sums``: ``masked`` then says of an answer the
        round's digest and members and the digest of the table; it is empty where a practice joins.
        """
        entry: dict[str, Any] = {
            "what": "gave a sum" if masked is not None else "took back" if made is None else "handed over",
            "practice": self.practice,
            "group": agreement.group,
            "coordinators": sorted(one.public for one in agreement.coordinators),
            "version": agreement.version,
            "sequence": sequence,
            "made_on": made_on,
            **(masked or {}),
        }
        if made is not None and cases is not None:
            entry |= {
                "level": made.level,
                "levels": dict(made.levels),
                "places": {
                    outcome: [one.id for one in self.history if outcome in one.versions] for outcome in cases.versions
                },
                "versions": {outcome: dict(each) for outcome, each in cases.versions.items()},
                "values": {outcome: marks_of(cases.values[outcome]) for outcome in made.means},
                "releases": [one.to_dict() for one in made.tables],
            }
        self.chain.add(entry)


def coordinators_known(entry: Mapping[str, Any]) -> frozenset[str]:
    """The public keys of the coordinators at the time of an entry; earlier versions wrote down a single one."""
    return frozenset(entry.get("coordinators") or [entry["coordinator"]])


def read_record(warehouse: Path, practice: str) -> PracticeRecord:
    """The record of a practice; refused where it was changed."""
    chain = RecordChain(warehouse / RECORD_FILE)
    return PracticeRecord(chain, practice, tuple(one for one in chain.read() if one["practice"] == practice))
