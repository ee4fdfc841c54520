"""Everything a group gets to see, made from the contributions at hand."""

from __future__ import annotations

from collections.abc import Sequence

from warehouse.pooled.agreement import Agreement
from warehouse.pooled.groups import pooled_groups
from warehouse.pooled.member import Member
from warehouse.pooled.publishing import Publisher, left_out_notes, published_practices
from warehouse.pooled.result import GroupResult, SharePool
from warehouse.pooled.shares import pooled_means, share_pool

NOTES = (
    "Practices are ordered by size and are not named. Nothing here is a ranking: practices differ in the children they"
    " treat, in how they measure, and by chance.",
    "An audit of past cases: not a diagnosis, not treatment advice; an association is not a cause.",
)


def pooled_result(
    members: Sequence[Member], agreement: Agreement, *, publisher: Publisher, salt: str, number: int, made_on: str
) -> GroupResult:
    """All agreed analyses.

    Args:
        members: The practices' contributions.
        agreement: What was agreed.
        publisher: What was let out before; what is let out now is added to it.
        salt: A random text of this result; the practices' tags are made with it.
        number: Number of the result.
        made_on: Date, ISO 8601.
    """
    shares = tuple(_shares(members, agreement, outcome, publisher, salt) for outcome in agreement.outcomes)
    shown = [one for one in shares if not one.refused]
    means = (
        pooled_means(
            {member.pseudonym: member.means.get(one.outcome) for member in members},
            agreement.definition(one.outcome),
            one,
            fewest=agreement.fewest_practices,
            salt=salt,
        )
        for one in shown
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
        breakdowns=tuple(
            pooled_groups(members, agreement, one.outcome, by, publisher=publisher)
            for one in shown
            for by in agreement.groupings
        ),
        means=tuple(one for one in means if one is not None),
        notes=NOTES,
    )


def _shares(
    members: Sequence[Member], agreement: Agreement, outcome: str, publisher: Publisher, salt: str
) -> SharePool:
    practices, totals, left_out = published_practices(members, agreement, outcome, publisher)
    return share_pool(
        practices,
        agreement.definition(outcome),
        totals=tuple((name, cell.shown) for (name,), cell in totals.cells.items()) if totals else (),
        notes=left_out_notes(left_out),
        fewest=agreement.fewest_practices,
        salt=salt,
    )
