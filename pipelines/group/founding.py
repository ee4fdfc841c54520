"""Making a group: its keys and folder, its agreement, and invitations."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipelines.group.agreement_file import agreement_text, hash_of_invitation, new_invitation
from pipelines.group.folder import GroupFolder, write_whole
from pipelines.group.keys import make_group_keys
from warehouse.errors import GroupError
from warehouse.outcomes.definition import DefinitionPart
from warehouse.pooled.agreement import Agreement, agreement_from, digest_of_reference
from warehouse.pooled.variables import hierarchy_of
from warehouse.store.storage import utc_now

if TYPE_CHECKING:
    from collections.abc import Sequence

    from warehouse.marts.catalogues import Catalogues
    from warehouse.outcomes.definition import Definition
    from warehouse.outcomes.registry import Registry
    from warehouse.pooled.agreement import Level

MOST_INVITATIONS = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What a coordinator asks for in an agreement; see :class:`warehouse.pooled.agreement.Agreement`."""

    outcomes: tuple[str, ...]
    level: Level = "cases"
    k: int = 5
    l: int = 2  # noqa: E741 - the name the literature gives it
    minimum: int = 5
    round_to: int | None = None
    mean_minimum: int = 8
    fewest_new: int = 10
    fewest_practices: int = 3
    most_cases: int = 50_000
    variables: tuple[str, ...]
    groupings: tuple[str, ...]
    years: tuple[int, int]


def found_group(folder: GroupFolder, name: str) -> str:
    """Make the folder and keys of a group; gives its id.

    Raises:
        GroupError: There is a group here already.
        KeyProblemError: The keys cannot be made.
    """
    if folder.record.path.exists():
        found = "there is a study group here already"
        raise GroupError(found, where=folder.path.name, remedy="name another folder with --group")
    group = secrets.token_hex(8)
    folder.taken.mkdir(parents=True, exist_ok=True)
    make_group_keys(folder.key_file)
    (folder.path / "in-use").touch(mode=0o600)
    folder.record.add({"at": utc_now().isoformat() + "Z", "what": "founded", "group": group, "name": name})
    return group


def make_agreement(folder: GroupFolder, terms: Terms, catalogues: Catalogues) -> Agreement:
    """Put the next version of the agreement in force.

    Contributions made under earlier versions stop counting until they are renewed.

    Args:
        folder: The group's folder.
        terms: What is asked for.
        catalogues: Definitions and growth reference to take over.

    Raises:
        GroupError: The terms do not make an agreement.
    """
    keys = folder.keys()
    with folder.held() as state:
        founded = folder.record.read()[0]
        definitions = tuple(catalogues.definitions.get(one) for one in terms.outcomes)
        agreement = Agreement(
            group=founded["group"],
            name=founded["name"],
            version=state.version + 1,
            made_on=utc_now().date().isoformat(),
            recipient=keys.recipient,
            coordinator=keys.public,
            definitions=with_those_named(definitions, catalogues.definitions),
            outcomes=tuple(one.id for one in definitions),
            growth_name=catalogues.reference.name,
            growth_digest=digest_of_reference(catalogues.reference),
            level=terms.level,
            k=terms.k,
            l=terms.l,
            minimum=terms.minimum,
            round_to=terms.round_to,
            mean_minimum=terms.mean_minimum,
            fewest_new=terms.fewest_new,
            fewest_practices=terms.fewest_practices,
            most_cases=terms.most_cases,
            variables=tuple(hierarchy_of(name, years=terms.years) for name in terms.variables),
            groupings=terms.groupings,
        )
        agreement_from(agreement.to_dict())  # refuses what is out of range, before anything is kept
        path = folder.agreement_path(agreement.version)
        write_whole(path, agreement_text(agreement, keys).encode())
        folder.record.add(
            {
                "at": utc_now().isoformat() + "Z",
                "what": "agreement",
                "version": agreement.version,
                "digest": agreement.digest,
            }
        )
    return agreement


def with_those_named(chosen: Sequence[Definition], registry: Registry) -> tuple[Definition, ...]:
    """The definitions chosen, and those that they name."""
    found = {one.id: one for one in chosen}
    for one in chosen:
        for part in one.parts:
            if isinstance(part, DefinitionPart):
                found.setdefault(part.definition, registry.get(part.definition))
    return tuple(found.values())


def invite(folder: GroupFolder, count: int) -> list[str]:
    """Texts of so many agreement files, each with an invitation of its own.

    Raises:
        GroupError: The number is out of range.
    """
    if not 1 <= count <= MOST_INVITATIONS:
        found = f"{count} invitations"
        raise GroupError(found, expected=f"from 1 to {MOST_INVITATIONS}", remedy="state another number")
    keys, agreement = folder.keys(), folder.agreement()
    codes = [new_invitation() for _ in range(count)]
    hashes = [hash_of_invitation(agreement.group, code) for code in codes]
    with folder.held():
        folder.record.add({"at": utc_now().isoformat() + "Z", "what": "invited", "hashes": hashes})
    return [agreement_text(agreement, keys, invitation=code) for code in codes]
