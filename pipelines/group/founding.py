"""Making a group: its keys and folder, its agreement, and invitations."""

import secrets
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from pipelines.group.folder import GroupFolder, GroupState, write_whole
from pipelines.group.keys import GroupKeys, make_group_keys, read_group_keys
from pipelines.group.signed_file import agreement_text, hash_of_invitation, read_agreement, read_card, succeeded
from pipelines.group.taking import encrypt_anew
from warehouse.errors import GroupError
from warehouse.marts.catalogues import Catalogues
from warehouse.outcomes.definition import DefinitionPart
from warehouse.pooled.agreement import (
    Agreement,
    agreement_from,
    coordinators_from,
    digest_of_reference,
    plain_coordinators,
)
from warehouse.pooled.variables import hierarchy_of
from warehouse.store.storage import utc_now

MOST_INVITATIONS, MOST_DAYS, DAYS_GOOD = 500, 400, 90


COORDINATOR = "coordinator"  # what the coordinator of a group is called where no name is given


def found_group(folder: GroupFolder, name: str, *, coordinator: str = COORDINATOR) -> str:
    """Make the folder and keys of a group, where there is none yet; gives its id."""
    if folder.record.path.exists():
        found = "there is a study group here already"
        raise GroupError(found, where=folder.path.name, remedy="name another folder with --group")
    group = secrets.token_hex(8)
    folder.taken.mkdir(parents=True, exist_ok=True)
    make_group_keys(folder.key_file)
    (folder.path / "in-use").touch(mode=0o600)
    folder.note("founded", group=group, name=name)
    keys = folder.keys()
    folder.note("coordinators", signed=succeeded(group, [keys.named(coordinator)], keys, ()))
    return group


def change_coordinators(
    folder: GroupFolder, *, add: Sequence[Path] = (), remove: Sequence[str] = (), renew: bool = False
) -> tuple[Agreement | None, int]:
    """Change who can open and sign: take in cards, take out names, or put a new key of one's own in place.

    The agreement gets a new version with the same terms, under which contributions go on counting, and what lies in the
    folder is encrypted anew. Said again after a crash it goes on where it was. Gives the agreement in force, if there
    is one, and how many files were encrypted anew. Raises GroupError: a name is not known, nobody or oneself would be
    left out, or one's own key is none of theirs.
    """
    old = mine = read_group_keys(folder.key_file)
    next_file = folder.key_file.with_name(f"{folder.key_file.name}.next")
    if renew:
        mine = read_group_keys(next_file) if next_file.exists() else make_group_keys(next_file)
    added = [read_card(path) for path in add]
    with folder.held() as state:
        group = folder.record.read()[0]["group"]
        state = _with_coordinators(folder, state, old)
        before, listed = state.coordinators, [one["coordinators"]["coordinators"] for one in state.succession]
        own = next((one.name for one in before if one.public in {old.public, mine.public}), "")
        if not own:
            found = "the key at hand is none of a coordinator of this group"
            raise GroupError(found, where=folder.key_file.name, remedy="name the key file with --group-key-file")
        if own in remove or not set(remove) <= {name for line in listed for name, _, _ in line}:
            found = f"{', '.join(remove)} cannot be taken out: " + ("that is you" if own in remove else "no such name")
            remedy = "who hands over is taken out by those who go on"
            raise GroupError(found, expected=", ".join(one.name for one in before), remedy=remedy)
        kept = [mine.named(own) if one.name == own else one for one in before if one.name not in remove]
        wanted = tuple(kept + [one for one in added if one not in kept])
        coordinators_from(plain_coordinators(wanted))
        if wanted != before:
            folder.note("coordinators", signed=succeeded(group, wanted, old, state.succession))
            state = folder.state()
        agreement = folder.agreement() if state.version else None
        if agreement is not None and agreement.coordinators != wanted:
            made_on = utc_now().date().isoformat()
            agreement = replace(agreement, version=state.version + 1, made_on=made_on, coordinators=wanted)
            _put_in_force(folder, agreement, mine, state)
        n = encrypt_anew(folder, folder.state(), [mine, old])
        if renew:
            write_whole(folder.key_file.with_name(f"{folder.key_file.name}.before"), folder.key_file.read_bytes())
            next_file.replace(folder.key_file)
    return agreement, n


def _with_coordinators(folder: GroupFolder, state: GroupState, keys: GroupKeys) -> GroupState:
    """The state with a coordinator: a group founded by an earlier version of the program had one without a name."""
    if not state.succession:
        group = folder.record.read()[0]["group"]
        folder.note("coordinators", signed=succeeded(group, [keys.named(COORDINATOR)], keys, ()))
        return folder.state()
    return state


def _put_in_force(folder: GroupFolder, agreement: Agreement, keys: GroupKeys, state: GroupState) -> None:
    text = agreement_text(agreement, keys, state.succession)
    write_whole(folder.agreement_path(agreement.version), text.encode())
    folder.note("agreement", version=agreement.version, digest=agreement.digest)


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
    with folder.held() as held:
        state = _with_coordinators(folder, held, keys)
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
            coordinators=state.coordinators,
            definitions=tuple(definitions.values()),
            outcomes=tuple(outcomes),
            growth_name=catalogues.reference.name,
            growth_digest=digest_of_reference(catalogues.reference),
            variables=tuple(hierarchy_of(name, years=years) for name in variables),
            groupings=tuple(groupings),
            **terms,
        )
        agreement_from(agreement.to_dict())  # refuses what is out of range, before anything is kept
        _put_in_force(folder, agreement, keys, state)
    return agreement


def invite(folder: GroupFolder, count: int, *, days: int = DAYS_GOOD) -> list[str]:
    """Texts of so many agreement files, each with an invitation of its own, good for so many days."""
    asked = ((count, MOST_INVITATIONS, f"{count} invitations"), (days, MOST_DAYS, f"invitations for {days} days"))
    for n, most, found in asked:
        if not 1 <= n <= most:
            raise GroupError(found, expected=f"from 1 to {most}", remedy="state another number")
    until = (utc_now().date() + timedelta(days=days)).isoformat()
    keys, agreement = folder.keys(), folder.agreement()
    codes = [secrets.token_hex(16) for _ in range(count)]
    hashes = [hash_of_invitation(agreement.group, code) for code in codes]
    with folder.held() as state:
        folder.note("invited", hashes=hashes, until=until)
    return [agreement_text(agreement, keys, state.succession, invitation=code, until=until) for code in codes]


def revoke(folder: GroupFolder, path: Path) -> None:
    """Take an invitation back by a copy of its file; GroupError where it is not open."""
    offered = read_agreement(path)
    found = hash_of_invitation(offered.agreement.group, offered.invitation)
    with folder.held() as state:
        if found not in state.invitations:
            message = "the file holds no invitation of this group that is open: it was used or revoked, or is another's"
            raise GroupError(message, where=path.name, remedy="see `menton group list`; a practice goes by `withdraw`")
        folder.note("revoked", hash=found)
