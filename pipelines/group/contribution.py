"""A contribution as bytes, and back: what a practice packs, and what the coordinator takes on no trust."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal

import polars as pl
from pydantic import Field

from pipelines.group.container import MEMBERS, Contents, seal
from pipelines.group.keys import PracticeKey
from pipelines.group.rounds import RoundSheet, is_own_mask_key, signed_mask_key
from pipelines.group.signed_file import read_json
from warehouse.disclosure import Release
from warehouse.disclosure.assessment import assess
from warehouse.errors import GroupError, MentonError
from warehouse.pooled.agreement import Agreement, check_format
from warehouse.pooled.cases import result_column
from warehouse.pooled.handing_over import HandingOver
from warehouse.pooled.history import Moments, moments_from
from warehouse.pooled.member import Member, level_of
from warehouse.pooled.sums import length_of
from warehouse.pooled.tables import (
    ALL,
    SCOPE,
    agree,
    breakdown_layout,
    breakdown_name,
    is_about,
    totals_layout,
    totals_name,
)
from warehouse.pooled.variables import ADVERSE, NOT_ADVERSE, RESULTS
from warehouse.store.chain import canonical
from warehouse.store.storage import utc_now
from warehouse.toml_files import shaped


def case_bytes(frame: pl.DataFrame) -> bytes:
    """Cases as the kinds there are of them: the columns' names, then a row a kind, its values and how many it has."""
    kinds = frame.group_by(frame.columns).len().sort(frame.columns)
    return canonical([list(frame.columns), *map(list, kinds.iter_rows())])


def read_cases(data: bytes, *, allowed: Mapping[str, Sequence[str]], most: int) -> pl.DataFrame:
    """Cases as written by ``case_bytes``: at ``most`` so many, columns and values as ``allowed``; else GroupError."""
    listed = read_json(data, most=MEMBERS[CASES], what="the cases")
    if not isinstance(listed, list) or not listed or listed[0] != list(allowed):
        raise _off("its cases are not as agreed: its columns are not those agreed on")
    values = [frozenset(each) for each in allowed.values()]
    kinds: set[tuple[str, ...]] = set()
    sizes: list[int] = []
    for row in listed[1:]:
        if not isinstance(row, list) or len(row) != len(values) + 1 or type(row[-1]) is not int or row[-1] < 1:
            raise _off("its cases are not as agreed: a row is no kind of case with its number")
        if not all(isinstance(one, str) and one in known for one, known in zip(row, values, strict=False)):
            raise _off("its cases are not as agreed: a value is not one of those agreed on")
        kinds.add(tuple(row[:-1]))
        sizes.append(row[-1])
        if len(kinds) < len(sizes) or sum(sizes) > most:
            raise _off(f"its cases are not as agreed: it has a kind twice, or more than {most:,} cases")
    rows = [row[:-1] for row, n in zip(listed[1:], sizes, strict=True) for _ in range(n)]
    return pl.DataFrame(rows, schema=dict.fromkeys(allowed, pl.String), orient="row")


FORMAT = "menton contribution, version 2"
THESE = ("these",)
"""What the tables of a contribution are about, for the coordinator: the practice's own marks stay with the practice."""

CASES, TABLES, SUMS = tuple(MEMBERS)
_NO_ROUND: Mapping[str, Any] = {"digest": "", "members": [], "until": ""}
_Text = Annotated[str, Field(max_length=200)]
_Whole = Annotated[int, Field(ge=0, lt=2**31)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """What a file says of itself; ``means`` and ``members`` are looked at where they are used."""

    format: Literal["menton contribution, version 2"]
    kind: Literal["contribution", "withdrawal"]
    group: _Text
    agreement: _Text
    sequence: _Whole
    made_on: _Text
    level: _Text
    cases: _Whole | None  # None where the tables hide it
    levels: dict[str, int]
    means: dict[str, object]
    invitation: _Text
    round: _Text  # Digest of the round a table of sums is for; empty where a practice joins, and at other levels
    mask_key: _Text  # Its key for masks and its signature over it, at the level `sums`
    mask_signature: _Text
    pseudonym: _Text
    public_key: _Text
    members: list[object]


def sealed_contribution(
    made: HandingOver, agreement: Agreement, key: PracticeKey, *, sequence: int, made_on: str, invitation: str
) -> bytes:
    """The file that leaves a practice."""
    manifest = _manifest(agreement, "contribution", sequence=sequence, made_on=made_on, invitation=invitation)
    manifest |= {"level": made.level, "cases": made.n_cases, "levels": dict(made.levels)}
    manifest["means"] = {outcome: found.to_list() for outcome, found in made.means.items()}
    if made.cases is not None:
        members = {CASES: case_bytes(made.cases)}
    else:
        members = {
            TABLES: canonical([{**one.to_dict(), "guards": [], "scope": {SCOPE: list(THESE)}} for one in made.tables])
        }
    return seal(manifest, members, key, recipients=agreement.recipients)


def sealed_sums(
    agreement: Agreement,
    key: PracticeKey,
    *,
    sequence: int,
    made_on: str,
    invitation: str,
    table: bytes = b"",
    sheet: RoundSheet | None = None,
) -> bytes:
    """The file of a practice whose counts nobody sees: its masked table for a round, or without one its keys alone."""
    manifest = _manifest(agreement, "contribution", sequence=sequence, made_on=made_on, invitation=invitation)
    manifest |= {"level": "sums", "cases": None, "round": sheet.digest if sheet else ""}
    manifest["mask_key"], manifest["mask_signature"] = signed_mask_key(key)
    return seal(manifest, {SUMS: table}, key, recipients=agreement.recipients)


def check_sums(contents: Contents, agreement: Agreement, rounds: Sequence[Mapping[str, Any]]) -> None:
    """Refuse what does not fit the last of the rounds (as the record has them) or is no practice's own key."""
    says = check_manifest(contents.manifest)
    if agreement.level != "sums" or list(contents.members) != [SUMS] or says.cases is not None or says.means:
        raise _off("its level is not one the group agreed on, or it holds more than it should")
    if not is_own_mask_key(says.group, says.public_key, says.mask_key, says.mask_signature):
        raise _off("its key for masks is not its own")
    if not says.round:
        if contents.members[SUMS]:
            raise _off("it gives a table for no round")
        return
    last = rounds[-1] if rounds else _NO_ROUND
    if says.round != last["digest"] or says.pseudonym not in last["members"]:
        raise _off("it was made for another round than the last one")
    if last["until"] < utc_now().date().isoformat():
        raise _off(f"the round could be answered until {last['until']}; a late answer is not opened")
    if len(contents.members[SUMS]) != 8 * length_of(agreement):
        raise _off("its table has another length")


def sealed_withdrawal(agreement: Agreement, key: PracticeKey, *, sequence: int, made_on: str) -> bytes:
    """The file by which a practice takes its contribution back."""
    manifest = _manifest(agreement, "withdrawal", sequence=sequence, made_on=made_on, invitation="")
    return seal(manifest, {TABLES: b"[]"}, key, recipients=agreement.recipients)


def _manifest(agreement: Agreement, kind: str, *, sequence: int, made_on: str, invitation: str) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "kind": kind,
        "group": agreement.group,
        "agreement": agreement.digest,
        "sequence": sequence,
        "made_on": made_on,
        "invitation": invitation,
        **dict.fromkeys(("level", "round", "mask_key", "mask_signature"), ""),
        **{"cases": 0, "levels": {}, "means": {}},
    }


def check_manifest(manifest: Mapping[str, Any]) -> Manifest:
    """What a manifest says; refused where it does not say all it has to say, or more."""
    check_format(manifest.get("format"), FORMAT)
    found, complaints = shaped(Manifest, dict(manifest))
    if not isinstance(found, Manifest):
        what = ".".join(str(step) for step in complaints[0].place) or "the whole"
        reason = f"the file does not say what a contribution of this version says of itself: {what} is not right"
        raise GroupError(reason, remedy="ask the practice to make it again with this version of the program")
    return found


def member_from(contents: Contents, agreement: Agreement, *, replaces: tuple[str, ...]) -> Member:
    """The contribution in an opened file; refused where it does not keep to what the group agreed on."""
    manifest = check_manifest(contents.manifest)
    level = manifest.level
    if level not in agreement.levels:
        raise _off("its level is not one the group agreed on")
    if list(contents.members) != [CASES if level == "cases" else TABLES]:
        raise _off("its members are not those of its level")
    member = Member(id=contents.id, replaces=replaces, pseudonym=manifest.pseudonym)
    if level == "cases":
        levels = _levels(manifest.levels, agreement)
        cases = _cases(contents.members[CASES], levels, agreement)
        if cases.height != manifest.cases:
            raise _off("it says another number of cases than it holds")
        member = replace(member, cases=cases, levels=levels)
    else:
        member = replace(member, tables=_tables(contents.members[TABLES], agreement, manifest.cases))
    return replace(member, means=_means(manifest.means, member, agreement))


def _means(given: Mapping[str, Any], member: Member, agreement: Agreement) -> dict[str, Moments]:
    found = {}
    for outcome, plain in given.items():
        if outcome not in agreement.outcomes or agreement.definition(outcome).single_change is None:
            raise _off("it gives a mean the group did not agree on")
        moments, results = moments_from(plain), member.results(outcome)
        most = 0 if results is None else results[ADVERSE].high + results[NOT_ADVERSE].high
        if moments is None or not agreement.mean_minimum <= moments.n <= most:
            raise _off(f"its mean of {outcome} cannot be, or rests on too few cases")
        found[outcome] = moments
    return found


def _levels(given: Mapping[str, int], agreement: Agreement) -> dict[str, int]:
    names = [one.name for one in agreement.variables]
    if set(given) != set(names):
        raise _off("it does not say how each variable was generalised")
    for one in agreement.variables:
        if not 0 <= given[one.name] < len(one.levels):
            raise _off(f"{one.name} is at a level the group did not agree on")
    return {name: given[name] for name in names}


def _cases(data: bytes, levels: Mapping[str, int], agreement: Agreement) -> Any:  # noqa: ANN401 - a polars frame
    allowed = {one.name: tuple(dict.fromkeys(one.levels[levels[one.name]].values())) for one in agreement.variables}
    results = [result_column(outcome) for outcome in agreement.outcomes]
    frame = read_cases(data, allowed={**allowed, **dict.fromkeys(results, RESULTS)}, most=agreement.most_cases)
    found = assess(frame, quasi=list(allowed), sensitive=results)
    if not found.meets(k=agreement.k, l=agreement.l):
        raise _off(
            f"its smallest group of cases alike has {found.k or 0} cases or too few different outcomes; the group"
            f" agreed on {agreement.k} cases and {agreement.l} outcomes"
        )
    return frame


def _tables(data: bytes, agreement: Agreement, cases: int | None) -> dict[str, Release]:
    listed = read_json(data, most=MEMBERS[TABLES], what="the tables")
    if not isinstance(listed, list) or not 1 <= len(listed) <= len(agreement.outcomes) * (1 + len(agreement.groupings)):
        raise _off("it holds no tables, or too many")
    found: dict[str, Release] = {}
    for plain in listed:
        release = _release(plain, agreement)
        if release.name in found:
            raise _off("it holds a table twice")
        found[release.name] = release
    for outcome in agreement.outcomes:
        _check_together(list(found.values()), outcome, agreement, cases)
    return found


def _release(plain: object, agreement: Agreement) -> Release:
    if not isinstance(plain, dict):
        raise _off("a table cannot be read")
    try:
        release = Release.from_dict(plain)
    except MentonError as error:
        raise _off("a table cannot be read") from error
    if release.policy != agreement.contribution_policy or release.guards:
        raise _off(f"the table {release.name[:60]!r} was made by another rule")
    if not 0 <= release.withheld_from <= agreement.minimum or not _is_agreed(release, agreement):
        raise _off(f"the table {release.name[:60]!r} is not one the group agreed on")
    for count in (cell.value or 0 for cell in release.cells.values()):
        if not 0 <= count <= agreement.most_cases or agreement.contribution_policy.is_small(count):
            raise _off(f"the table {release.name[:60]!r} shows a count that must not stand there")
    return release


def _is_agreed(release: Release, agreement: Agreement) -> bool:
    for outcome in agreement.outcomes:
        if release.name == totals_name(outcome):
            return release.layout == totals_layout(outcome, THESE)
        for by in agreement.groupings:
            if release.name == breakdown_name(outcome, by) and release.layout.dimensions:
                members = dict(release.layout.dimensions[0].members)
                members.pop(ALL, None)
                expected = breakdown_layout(outcome, by, members, scope=THESE)
                return level_of(agreement, by, members) is not None and release.layout == expected
    return False


def _check_together(tables: list[Release], outcome: str, agreement: Agreement, cases: int | None) -> None:
    """Refuse tables of which no cases could be counted so, or without the totals they rest on."""
    totals = next((one for one in tables if one.name == totals_name(outcome)), None)
    mine = [one for one in tables if is_about(one, outcome)]
    if totals is None and mine:
        raise _off(f"it breaks {outcome} down without giving the totals")
    if totals is None:
        return
    if cases != totals.cells["started",].value:
        raise _off("it says another number of cases than its tables")
    for one in mine:
        if not agree([totals] if one is totals else [totals, one]):
            raise _off(f"the counts of {one.name!r} contradict each other")


def _off(what: str) -> GroupError:
    found = f"the contribution does not keep to the agreement: {what}"
    return GroupError(found, remedy="ask the practice to make it again with the group's current agreement")
