"""Keys stay with their owners; records only grow; pseudonyms name nobody."""

from __future__ import annotations

import json
import stat
from contextlib import suppress
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from pipelines.cli import main
from pipelines.group import taking
from pipelines.group.folder import RECORD, GroupFolder, state_after
from pipelines.group.founding import found_group, invite, make_agreement
from pipelines.group.keys import (
    PSEUDONYM,
    is_signed,
    make_group_keys,
    practice_key,
    pseudonym_of,
    public_of,
    read_group_keys,
)
from pipelines.group.signed_file import agreement_text, hash_of_invitation, offered_from, read_agreement
from pipelines.group.taking import members, take, withdraw
from tests.pipelines.group.conftest import TERMS, Group
from warehouse.errors import GroupError, KeyProblemError
from warehouse.marts.catalogues import shipped
from warehouse.pooled.cases import GroupCases
from warehouse.store.record_chain import RecordChain
from warehouse.store.storage import utc_now

GROUP = "00112233445566aa"


def test_keys_can_be_read_by_their_owner_alone(tmp_path: Path) -> None:
    make_group_keys(tmp_path / "group.key")
    practice_key(tmp_path / "practice.key", group=GROUP, practice="HARBOUR", create=True)
    for name in ("group.key", "practice.key"):
        assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o600
    (tmp_path / "group.key").chmod(0o640)
    with pytest.raises(KeyProblemError, match="read or changed by others"):
        read_group_keys(tmp_path / "group.key")


def test_a_key_is_never_overwritten(tmp_path: Path) -> None:
    first = make_group_keys(tmp_path / "group.key")
    with pytest.raises(KeyProblemError, match="already"):
        make_group_keys(tmp_path / "group.key")
    assert read_group_keys(tmp_path / "group.key") == first


def test_no_key_shows_in_what_is_printed(tmp_path: Path) -> None:
    keys = make_group_keys(tmp_path / "group.key")
    practice = practice_key(tmp_path / "practice.key", group=GROUP, practice="HARBOUR", create=True)
    shown = f"{keys!r} {practice!r}"
    assert keys.identity not in shown
    assert keys.seed.hex() not in shown
    assert practice.seed.hex() not in shown
    assert practice.pseudonym in shown


@pytest.mark.parametrize(
    "text", ["", "menton group key, version 1\n", "menton case key, version 1\n" + "0" * 64, "x" * 3000]
)
def test_another_file_is_no_key(tmp_path: Path, text: str) -> None:
    path = tmp_path / "wrong.key"
    path.touch(mode=0o600)
    path.write_text(text)
    with pytest.raises(KeyProblemError, match="not the key file"):
        read_group_keys(path)
    with pytest.raises(KeyProblemError, match="not the key file"):
        practice_key(path, group=GROUP, practice="HARBOUR", create=False)


def test_the_pseudonym_of_a_practice_is_its_own_in_every_group(tmp_path: Path) -> None:
    path = tmp_path / "practice.key"
    one = practice_key(path, group=GROUP, practice="HARBOUR", create=True)
    same = practice_key(path, group=GROUP, practice="HARBOUR", create=True)
    others = [
        practice_key(path, group="f" * 16, practice="HARBOUR", create=False),
        practice_key(path, group=GROUP, practice="FERRY", create=False),
        practice_key(tmp_path / "other.key", group=GROUP, practice="HARBOUR", create=True),
    ]
    assert one == same
    assert len({one.pseudonym, *(other.pseudonym for other in others)}) == 4
    assert PSEUDONYM.fullmatch(one.pseudonym)
    assert pseudonym_of(one.public, GROUP) == one.pseudonym
    assert "HARBOUR" not in one.pseudonym


def test_signatures_are_those_of_the_published_test_vectors() -> None:
    """RFC 8032, section 7.1, test 2 (from memory)."""
    seed = bytes.fromhex("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb")
    public = "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
    signature = bytes.fromhex(
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
    )
    assert public_of(seed) == public
    assert is_signed(public, signature, b"\x72")
    assert not is_signed(public, signature, b"\x73")
    assert not is_signed("zz", signature, b"\x72")
    assert not is_signed(public, b"", b"\x72")


def test_a_record_is_only_added_to(tmp_path: Path) -> None:
    chain = RecordChain(tmp_path / "record.jsonl")
    assert chain.read() == ()
    for number in range(5):
        chain.add({"number": number})
    assert [entry["number"] for entry in chain.read()] == [0, 1, 2, 3, 4]
    assert stat.S_IMODE(chain.path.stat().st_mode) == 0o600
    lines = chain.path.read_bytes().splitlines(keepends=True)
    changed = [
        [lines[0], lines[1].replace(b'"number":1', b'"number":9'), *lines[2:]],
        [lines[0], *lines[2:]],
        [lines[1], lines[0], *lines[2:]],
        [*lines[:2], lines[1], *lines[2:]],
        [*lines[:4], lines[4].replace(b'"number":4', b'"number":9')],
        [b"nonsense\n", *lines],
        [b"[]\n", *lines],
    ]
    for one in changed:
        chain.path.write_bytes(b"".join(one))
        with pytest.raises(GroupError, match="the record was changed after line"):
            chain.read()
        with pytest.raises(GroupError, match="the record was changed after line"):
            chain.add({"number": 5})
        assert chain.path.read_bytes() == b"".join(one)


def test_a_line_cut_short_by_a_crash_was_never_added(tmp_path: Path) -> None:
    chain = RecordChain(tmp_path / "record.jsonl")
    chain.add({"number": 0})
    whole = chain.path.read_bytes()
    chain.path.write_bytes(whole + whole[:20])
    assert [entry["number"] for entry in chain.read()] == [0]
    chain.add({"number": 1})
    assert [entry["number"] for entry in chain.read()] == [0, 1]


def test_an_agreement_changed_on_its_way_is_refused(founded: Group) -> None:
    whole = json.loads(founded.invitations[5])
    assert offered_from(founded.invitations[5].encode(), where="file").invitation == whole["invitation"]
    changed = [
        {**whole, "agreement": {**whole["agreement"], "k": 2}},
        {**whole, "agreement": {**whole["agreement"], "recipient": "age1" + "q" * 58}},
        {**whole, "signature": "0" * 128},
        {**whole, "signature": "xy"},
        {**whole, "invitation": "../x"},
        {**whole, "more": 1},
        {"agreement": whole["agreement"]},
        [],
    ]
    for one in changed:
        with pytest.raises(GroupError):
            offered_from(json.dumps(one).encode(), where="file")
    with pytest.raises(GroupError, match="cannot be read"):
        read_agreement(founded.home / "absent.json")


def test_an_invitation_shows_in_nothing_that_is_printed_or_kept(founded: Group) -> None:
    offered = offered_from(founded.invitations[5].encode(), where="file")
    assert offered.invitation not in repr(offered)
    assert not any(offered.invitation.encode() in data for data in founded.contents().values())
    assert (
        agreement_text(founded.agreement, founded.folder.keys(), founded.folder.state().succession).count("invitation")
        == 0
    )


def test_a_folder_holds_one_group(group: Group) -> None:
    with pytest.raises(GroupError, match="already"):
        found_group(group.folder, "Another")
    with pytest.raises(GroupError, match="no study group"):
        GroupFolder(group.home / "empty", group.home / "empty.key").state()


@pytest.mark.parametrize("count", [0, 501])
def test_invitations_are_bounded(group: Group, count: int) -> None:
    with pytest.raises(GroupError, match="invitations"):
        invite(group.folder, count)


def test_an_invitation_that_expired_or_was_revoked_lets_nobody_in(
    group: Group, cases: GroupCases, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (short,) = invite(group.folder, 1, days=3)
    code = offered_from(short.encode(), where="invitation").invitation
    path = group.sealed("ORCHARD", cases, invitation=code)
    now = utc_now() + timedelta(days=4)
    with monkeypatch.context() as later:
        later.setattr(taking, "utc_now", lambda: now)
        with pytest.raises(GroupError, match="was good until"):
            take(group.folder, path)
    assert take(group.folder, path).kind == "new"
    back = group.write("invitation.json", group.invitations[3].encode())
    words = ["--group", str(group.folder.path), "--group-key-file", str(group.folder.key_file)]
    assert main(["group", "revoke", *words, str(back)]) == 0
    with pytest.raises(GroupError, match="no invitation that is still good"):
        take(group.folder, group.sealed("MEADOW", cases, invitation=group.invitation(3)))
    assert main(["group", "revoke", *words, str(back)]) == 1
    assert "used or revoked" in capsys.readouterr().err
    assert main(["group", "list", "--record", *words]) == 0
    assert hash_of_invitation(group.agreement.group, group.invitation(3)) not in capsys.readouterr().out


@pytest.mark.parametrize("days", [0, -1, 10_000])
def test_days_of_invitations_are_bounded(group: Group, days: int) -> None:
    with pytest.raises(GroupError, match="days"):
        invite(group.folder, 1, days=days)


def test_a_practice_renews_and_its_earlier_file_goes(group: Group, cases: GroupCases) -> None:
    take(group.folder, group.sealed("ORCHARD", cases, invitation=group.invitation(2)))
    assert take(group.folder, group.sealed("ORCHARD", cases, level="counts", sequence=2)).kind == "replaced"
    name = group.key("ORCHARD").pseudonym
    assert [path.name for path in group.folder.taken.glob(f"{name}*")] == [f"{name}-000002.age"]
    standing = group.folder.state().practices[name]
    assert (standing.level, standing.sequence, len(standing.earlier)) == ("counts", 2, 1)


def test_a_practice_withdraws_completely_and_may_come_back_with_an_invitation(group: Group, cases: GroupCases) -> None:
    take(group.folder, group.sealed("ORCHARD", cases, invitation=group.invitation(2)))
    name = group.key("ORCHARD").pseudonym
    assert take(group.folder, group.withdrawal("ORCHARD", sequence=2)).kind == "withdrawn"
    assert list(group.folder.taken.glob(f"{name}*")) == []
    assert not group.folder.state().practices[name].is_in
    back = group.sealed("ORCHARD", cases, sequence=3, invitation=group.invitation(3))
    assert take(group.folder, back).kind == "new"
    assert withdraw(group.folder, name.lower()).kind == "withdrawn"
    with pytest.raises(GroupError, match="takes part"):
        withdraw(group.folder, name)


def test_what_is_left_over_from_a_crash_does_not_count_and_is_removed_where_the_record_says_so(
    group: Group, cases: GroupCases
) -> None:
    take(group.folder, group.sealed("ORCHARD", cases, invitation=group.invitation(2)))
    (kept,) = group.folder.taken.glob(f"{group.key('ORCHARD').pseudonym}*")
    replaced = kept.read_bytes()
    take(group.folder, group.sealed("ORCHARD", cases, sequence=2))
    kept.write_bytes(replaced)  # as if the program had ended before it was removed
    draft, unknown = group.folder.taken / "x.age.draft", group.folder.taken / "P-AAAA-AAAA-AAAA-AAAA-000009.age"
    for path in (draft, unknown):
        path.write_bytes(b"half a file")
    take(group.folder, group.sealed("ORCHARD", cases, sequence=3))
    assert (kept.exists(), draft.exists(), unknown.exists()) == (False, False, True)
    assert group.folder.without_a_line(group.folder.state()) == [unknown.name]
    assert len(list(group.folder.taken.glob("*.age"))) == 4


def test_a_record_cut_or_damaged_at_any_line_makes_no_command_remove_a_contribution(
    group: Group, cases: GroupCases
) -> None:
    """Finding: after a truncated record the next command deleted a valid contribution."""
    take(group.folder, group.sealed("ORCHARD", cases, invitation=group.invitation(2)))
    take(group.folder, group.sealed("ORCHARD", cases, sequence=2))
    withdraw(group.folder, group.key("FERRY").pseudonym)
    newer = group.sealed("ORCHARD", cases, sequence=2, level="counts")
    record = group.folder.path / RECORD
    whole, there = record.read_bytes(), {path: path.read_bytes() for path in group.folder.taken.glob("*")}
    assert {path.name for path in there} == group.folder.state().counting
    ends = [0, *(at + 1 for at, byte in enumerate(whole) if byte == 10)]
    damages = [whole[:at] for end in ends for at in (end, end + 40) if at <= len(whole)]
    damages += [whole[:end] + b"#" + whole[end + 1 :] for end in ends[:-1]]
    damages += [whole[:a] + whole[b:] for a, b in pairwise(ends)]  # a line taken out
    for damaged in damages:
        for command in (
            lambda: invite(group.folder, 1),
            lambda: withdraw(group.folder, "P-AAAA-AAAA-AAAA-AAAA"),
            lambda: make_agreement(group.folder, shipped(), **TERMS),
            lambda: take(group.folder, newer),
        ):
            record.write_bytes(damaged)
            with suppress(GroupError):
                command()
            assert {path: path.read_bytes() for path in group.folder.taken.glob("*")} == there, len(damaged)
    record.write_bytes(whole)
    assert len(members(group.folder, group.agreement)[0]) == 2


def test_two_commands_do_not_change_a_group_at_once(group: Group, cases: GroupCases) -> None:
    path = group.sealed("ORCHARD", cases, invitation=group.invitation(2))
    with group.folder.held(), pytest.raises(GroupError, match="at work"):
        take(group.folder, path)
    assert take(group.folder, path).kind == "new"


def test_the_state_of_a_group_is_what_its_record_tells(founded: Group) -> None:
    entries = founded.folder.record.read()
    assert [entry["what"] for entry in entries] == [
        "founded", "coordinators", "agreement", "invited", "took in", "took in",
    ]  # fmt: skip
    assert len(state_after(entries[:4]).invitations) == 6
    assert len(state_after(entries).invitations) == 4
    assert state_after(()).practices == {}
