"""Everything a group gets to see, made from the contributions at hand."""

from __future__ import annotations

from collections.abc import Sequence

from warehouse.pooled.agreement import Agreement
from warehouse.pooled.groups import pooled_groups
from warehouse.pooled.means import pooled_means
from warehouse.pooled.member import Member
from warehouse.pooled.publishing import Publisher
from warehouse.pooled.result import GroupResult
from warehouse.pooled.shares import pooled_shares

NOTES = (
    "Practices are ordered by size and are not named. Nothing here is a ranking: practices differ in the children they"
    " treat, in how they measure, and by chance.",
    "An audit of past cases: not a diagnosis, not treatment advice; an association is not a cause.",
)


def pooled_result(
    members: Sequence[Member],
    agreement: Agreement,
    *,
    publisher: Publisher,
    salt: str,
    number: int,
    made_on: str,
    level: float = 0.95,
) -> GroupResult:
    """All agreed analyses.

    Args:
        members: The practices' contributions.
        agreement: What was agreed.
        publisher: What was let out before; what is let out now is added to it.
        salt: A random text of this result; the practices' tags are made with it.
        number: Number of the result.
        made_on: Date.
        level: Level of all intervals.
    """
    shares = tuple(
        pooled_shares(members, agreement, outcome, publisher=publisher, salt=salt, level=level)
        for outcome in agreement.outcomes
    )
    shown = {one.outcome for one in shares if not one.refused}
    breakdowns = tuple(
        pooled_groups(members, agreement, outcome, by, publisher=publisher, level=level)
        for outcome in agreement.outcomes
        if outcome in shown
        for by in agreement.groupings
    )
    means = (
        pooled_means(
            {member.pseudonym: member.means.get(one.outcome) for member in members},
            agreement.definition(one.outcome),
            one,
            fewest=agreement.fewest_practices,
            salt=salt,
            level=level,
        )
        for one in shares
        if not one.refused
    )
    return GroupResult(
        group=agreement.group,
        name=agreement.name,
        agreement=agreement.digest,
        version=agreement.version,
        number=number,
        made_on=made_on,
        salt=salt,
        growth=agreement.growth_name,
        shares=shares,
        breakdowns=breakdowns,
        means=tuple(one for one in means if one is not None),
        notes=NOTES,
    )
