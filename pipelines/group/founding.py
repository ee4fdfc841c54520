"""Making a group: its keys and folder, its agreement, and invitations."""

import secrets
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

from pipelines.group.folder import GroupFolder, write_whole
from pipelines.group.keys import make_group_keys
from pipelines.group.signed_file import agreement_text, hash_of_invitation, read_agreement
from warehouse.errors import GroupError
from warehouse.marts.catalogues import Catalogues
from warehouse.outcomes.definition import DefinitionPart
from warehouse.pooled.agreement import Agreement, agreement_from, digest_of_reference
from warehouse.pooled.variables import hierarchy_of
from warehouse.store.storage import utc_now

MOST_INVITATIONS, MOST_DAYS, DAYS_GOOD = 500, 400, 90


def found_group(folder: GroupFolder, name: str) -> str:
    """Make the folder and keys of a group, where there is none yet; gives its id."""
    if folder.record.path.exists():
        found = "there is a study group here already"
        raise GroupError(found, where=folder.path.name, remedy="name another folder with --group")
    group = secrets.token_hex(8)
    folder.taken.mkdir(parents=True, exist_ok=True)
    make_group_keys(folder.key_file)
    (folder.path / "in-use").touch(mode=0o600)
    folder.note("founded", group=group, name=name)
    return group


def make_agreement(
    folder: GroupFolder,
    catalogues: Catalogues,
    *,
    outcomes: Sequence[str],
    variables: Sequence[str],
    groupings: Sequence[str],
    years: tuple[int, int],
    **terms: Any,  # noqa: ANN401 - fields of an agreement
) -> Agreement:
    """Put the next version of the agreement in force; contributions under earlier ones stop counting until renewed.

    ``outcomes``: Ids of the definitions, the headline first. ``groupings``: Those of ``variables`` that shares are
    pooled by. ``years``: First and last year told apart. ``terms``: What differs from the defaults of
    :class:`Agreement`. GroupError where the terms do not make an agreement.
    """
    keys = folder.keys()
    with folder.held() as state:
        founded = folder.record.read()[0]
        definitions = {one: catalogues.definitions.get(one) for one in outcomes}
        for one in tuple(definitions.values()):  # and those that they name
            named = [part.definition for part in one.parts if isinstance(part, DefinitionPart)]
            definitions |= {other: catalogues.definitions.get(other) for other in named if other not in definitions}
        agreement = Agreement(
            group=founded["group"],
            name=founded["name"],
            version=state.version + 1,
            made_on=utc_now().date().isoformat(),
            recipient=keys.recipient,
            coordinator=keys.public,
            definitions=tuple(definitions.values()),
            outcomes=tuple(outcomes),
            growth_name=catalogues.reference.name,
            growth_digest=digest_of_reference(catalogues.reference),
            variables=tuple(hierarchy_of(name, years=years) for name in variables),
            groupings=tuple(groupings),
            **terms,
        )
        agreement_from(agreement.to_dict())  # refuses what is out of range, before anything is kept
        write_whole(folder.agreement_path(agreement.version), agreement_text(agreement, keys).encode())
        folder.note("agreement", version=agreement.version, digest=agreement.digest)
    return agreement


def invite(folder: GroupFolder, count: int, *, days: int = DAYS_GOOD) -> list[str]:
    """Texts of so many agreement files, each with an invitation of its own, good for so many days."""
    if not 1 <= count <= MOST_INVITATIONS:
        found = f"{count} invitations"
        raise GroupError(found, expected=f"from 1 to {MOST_INVITATIONS}", remedy="state another number")
    if not 1 <= days <= MOST_DAYS:
        found = f"invitations for {days} days"
        raise GroupError(found, expected=f"from 1 to {MOST_DAYS}", remedy="state another number")
    until = (utc_now().date() + timedelta(days=days)).isoformat()
    keys, agreement = folder.keys(), folder.agreement()
    codes = [secrets.token_hex(16) for _ in range(count)]
    hashes = [hash_of_invitation(agreement.group, code) for code in codes]
    with folder.held():
        folder.note("invited", hashes=hashes, until=until)
    return [agreement_text(agreement, keys, invitation=code, until=until) for code in codes]


def revoke(folder: GroupFolder, path: Path) -> None:
    """Take an invitation back by a copy of its file; GroupError where it is not open."""
    offered = read_agreement(path)
    found = hash_of_invitation(offered.agreement.group, offered.invitation)
    with folder.held() as state:
        if found not in state.invitations:
            message = "the file holds no invitation of this group that is open: it was used or revoked, or is another's"
            raise GroupError(message, where=path.name, remedy="see `menton group list`; a practice goes by `withdraw`")
        folder.note("revoked", hash=found)
