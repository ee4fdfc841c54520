"""Several coordinators: each can do all of it, keys are handed over and renewed, and no lost key ends the group."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pyrage
import pytest

from pipelines.cli import main
from pipelines.group.container import unseal
from pipelines.group.copies import back_up, faults_of, put_back
from pipelines.group.folder import RECORD, GroupFolder
from pipelines.group.founding import change_coordinators, make_agreement
from pipelines.group.keys import make_group_keys, read_group_keys
from pipelines.group.results import make_result
from pipelines.group.signed_file import card_text, offered_from, read_agreement, read_result
from pipelines.group.taking import members, take, withdraw
from tests.pipelines.group.conftest import TERMS, Group
from warehouse.errors import BadFileError, GroupError, RequestError
from warehouse.marts.catalogues import shipped
from warehouse.pooled.cases import GroupCases


def card(group: Group, name: str) -> Path:
    """The card of someone whose keys lie in a file of that name."""
    path = group.home / f"{name}.key"
    keys = read_group_keys(path) if path.exists() else make_group_keys(path)
    return group.write(f"{name}.card", card_text(name, keys).encode())


def as_coordinator(group: Group, name: str) -> GroupFolder:
    """The same folder with the keys of another coordinator."""
    return GroupFolder(group.folder.path, group.home / f"{name}.key")


def opened(folder: GroupFolder) -> list[str]:
    found, older = members(folder, folder.agreement())
    assert older == []
    return [one.pseudonym for one in found]


def test_each_of_two_coordinators_opens_takes_in_and_signs(group: Group, cases: GroupCases) -> None:
    before = opened(group.folder)
    agreement, n = change_coordinators(group.folder, add=[card(group, "Second")])
    assert agreement is not None
    assert (agreement.version, n) == (2, 2)
    second = as_coordinator(group, "Second")
    assert opened(group.folder) == opened(second) == before
    sent = group.sealed("ORCHARD", cases, invitation=group.invitation(2))
    for folder in (group.folder, second):
        assert unseal(sent.read_bytes(), folder.keys())
    assert take(second, sent).kind == "new"
    made = make_result(second)
    first = offered_from(group.invitations[0].encode(), where="invitation")
    assert read_result(made.path, known=first.succession[-1]).number == made.result.number
    assert opened(group.folder) == [*sorted([*before, group.key("ORCHARD").pseudonym])]


def test_contributions_go_on_counting_only_while_the_terms_are_the_same(group: Group) -> None:
    change_coordinators(group.folder, add=[card(group, "Second")])
    assert len(opened(group.folder)) == 2
    make_agreement(group.folder, shipped(), **{**TERMS, "k": 6})  # type: ignore[arg-type]
    assert group.agreement.coordinators == group.folder.state().coordinators
    assert len(members(group.folder, group.agreement)[1]) == 2


def test_a_lost_key_is_replaced_by_another_coordinator(group: Group, cases: GroupCases) -> None:
    change_coordinators(group.folder, add=[card(group, "Second")])
    group.folder.key_file.unlink()
    change_coordinators(as_coordinator(group, "Second"), add=[card(group, "First anew")], remove=["coordinator"])
    anew = as_coordinator(group, "First anew")
    assert len(opened(anew)) == 2
    take(anew, group.sealed("ORCHARD", cases, invitation=group.invitation(2)))
    assert faults_of(anew) == []


def test_who_was_taken_out_opens_and_signs_nothing_from_then_on(group: Group, cases: GroupCases) -> None:
    change_coordinators(group.folder, add=[card(group, "Second")])
    second = as_coordinator(group, "Second")
    change_coordinators(second, remove=["coordinator"])
    old = read_group_keys(group.folder.key_file)
    with pytest.raises(GroupError, match="none of a coordinator"):
        group.folder.keys()
    with pytest.raises(GroupError, match="none of a coordinator"):
        change_coordinators(group.folder, add=[card(group, "Third")])
    sent = group.sealed("ORCHARD", cases, invitation=group.invitation(2))
    for path in [*second.taken.glob("*.age"), sent]:
        with pytest.raises(GroupError, match="does not open"):
            unseal(path.read_bytes(), old)
    assert len(opened(second)) == 2


def test_nobody_takes_out_himself_or_leaves_nobody_or_takes_the_name_of_another(group: Group) -> None:
    for change, found in (
        ({"remove": ["coordinator"]}, "that is you"),
        ({"remove": ["Nobody"]}, "no such name"),
        ({"add": [card(group, "coordinator")]}, "one of them twice"),
    ):
        before = group.contents()
        with pytest.raises(GroupError, match=found):
            change_coordinators(group.folder, **change)  # type: ignore[arg-type]
        assert group.contents() == before | {key: value for key, value in group.contents().items() if "in-use" in key}


def test_a_forged_card_is_refused(group: Group) -> None:
    text = card(group, "Second").read_text()
    other = make_group_keys(group.home / "other.key")
    for old, new in (("Second", "Other"), (read_group_keys(group.home / "Second.key").recipient, other.recipient)):
        path = group.write("forged.card", text.replace(old, new).encode())
        with pytest.raises(GroupError, match="card of a coordinator was changed"):
            change_coordinators(group.folder, add=[path])


def test_own_keys_are_renewed_and_the_old_ones_open_nothing_new(group: Group, cases: GroupCases) -> None:
    old = group.folder.keys()
    change_coordinators(group.folder, renew=True)
    new = group.folder.keys()
    assert new.public != old.public
    assert read_group_keys(group.home / "lantern.key.before") == old
    assert len(opened(group.folder)) == 2
    sent = group.sealed("ORCHARD", cases, invitation=group.invitation(2)).read_bytes()
    with pytest.raises(GroupError, match="does not open"):
        unseal(sent, old)
    assert take(group.folder, group.write("sent.age", sent)).kind == "new"


@pytest.mark.parametrize("step", range(7))
def test_a_change_of_keys_cut_short_goes_on_where_it_was(
    group: Group, step: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every file and line written is a step; after each, what counted can be opened, and the rest goes through."""
    from pipelines.group import founding, taking

    class CutError(Exception):
        pass

    left = [step]

    def counted(real):  # noqa: ANN001, ANN202 - any function that writes
        def writing(*args, **more):  # noqa: ANN002, ANN003, ANN202
            if left[0] == 0:
                raise CutError
            left[0] -= 1
            return real(*args, **more)

        return writing

    for module in (founding, taking):
        monkeypatch.setattr(module, "write_whole", counted(module.write_whole))
    monkeypatch.setattr(GroupFolder, "note", counted(GroupFolder.note))
    try:
        change_coordinators(group.folder, renew=True)
        cut = False
    except CutError:
        cut = True
    monkeypatch.undo()
    assert cut == (step < 7)
    change_coordinators(group.folder, renew=True)
    assert len(opened(group.folder)) == 2
    assert faults_of(group.folder) == []
    assert not (group.home / "lantern.key.next").exists()
    assert len(list(group.folder.taken.glob("*.age"))) == 2


def test_practices_follow_the_coordinators_they_know_and_no_others(group: Group, tmp_path: Path) -> None:
    first = offered_from(group.invitations[0].encode(), where="invitation")
    known = first.succession[-1]
    change_coordinators(group.folder, add=[card(group, "Second")])
    change_coordinators(as_coordinator(group, "Second"), remove=["coordinator"])
    now = read_agreement(group.folder.agreement_path(3))
    assert now.follows(known)
    assert now.follows(now.succession[1])
    # who was taken out makes another agreement with the keys that were good once
    fork = replace(group, folder=GroupFolder(tmp_path / "fork", group.home / "lantern.key"))
    shutil.copytree(group.folder.path, fork.folder.path)
    lines = (fork.folder.path / RECORD).read_bytes().splitlines(keepends=True)
    keep = next(place for place, line in enumerate(lines) if b'"number":2' in line)
    (fork.folder.path / RECORD).write_bytes(b"".join(lines[:keep]))
    make_agreement(fork.folder, shipped(), **TERMS)  # type: ignore[arg-type]
    forked = read_agreement(fork.folder.agreement_path(fork.agreement.version))
    assert not forked.follows(now.succession[-1])


def test_a_succession_that_nobody_before_signed_is_refused(group: Group) -> None:
    import json

    from pipelines.group.signed_file import succeeded

    change_coordinators(group.folder, add=[card(group, "Second")])
    whole = json.loads(group.folder.agreement_path(2).read_text())
    thief = make_group_keys(group.home / "thief.key")
    forged = succeeded(group.agreement.group, group.agreement.coordinators, thief, whole["succession"][:1])
    for succession in ([whole["succession"][0], forged], whole["succession"][1:], [], whole["succession"][:1]):
        text = json.dumps({**whole, "succession": succession}).encode()
        with pytest.raises(GroupError, match=r"changed|is not one"):
            offered_from(text, where="forged.json")


def test_an_agreement_of_the_earlier_form_says_both_versions(group: Group) -> None:
    import json

    whole = json.loads(group.invitations[0])
    old = {"agreement": {**whole["agreement"], "format": "menton agreement, version 1"}, "signature": "0" * 128}
    with pytest.raises(GroupError, match="it is of version 1; version 2 is read"):
        offered_from(json.dumps(old).encode(), where="old.json")


# The folder, copied and put back


def test_a_copy_is_put_back_whole_and_hands_the_group_on(group: Group, cases: GroupCases) -> None:
    change_coordinators(group.folder, add=[card(group, "Second")])
    make_result(group.folder)
    n = back_up(group.folder, group.home / "copy")
    elsewhere = GroupFolder(group.home / "elsewhere", group.home / "Second.key")
    assert put_back(group.home / "copy", elsewhere) is None
    assert n == len([path for path in elsewhere.path.rglob("*") if path.is_file()])
    assert opened(elsewhere) == opened(group.folder)
    assert take(elsewhere, group.sealed("ORCHARD", cases, invitation=group.invitation(2))).kind == "new"
    assert not any(
        b"AGE-SECRET-KEY" in path.read_bytes() for path in (group.home / "copy").rglob("*") if path.is_file()
    )


def test_putting_a_copy_back_makes_nobody_count_who_withdrew(group: Group, cases: GroupCases) -> None:
    back_up(group.folder, group.home / "copy")
    gone = group.key("HARBOUR").pseudonym
    withdraw(group.folder, gone)
    take(group.folder, group.sealed("ORCHARD", cases, invitation=group.invitation(2)))
    (lost,) = group.folder.taken.glob(f"{group.key('FERRY').pseudonym}-*.age")
    lost.write_bytes(b"damaged")
    assert len(faults_of(group.folder)) == 1
    with pytest.raises(RequestError, match="already"):
        put_back(group.home / "copy", group.folder)
    aside = put_back(group.home / "copy", group.folder, replace=True)
    assert aside is not None
    assert aside.exists()
    assert opened(group.folder) == sorted(group.key(name).pseudonym for name in ("FERRY", "ORCHARD"))
    with group.folder.held():
        pass
    assert not list(group.folder.taken.glob(f"{gone}-*.age"))


def test_a_restore_killed_between_moving_aside_and_putting_in_place_forgets_nothing(
    group: Group, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipelines.group import copies

    class CutError(Exception):
        pass

    def aside_and_die(path: Path) -> Path:
        path.rename(path.with_name("aside"))
        raise CutError

    back_up(group.folder, group.home / "copy")
    withdraw(group.folder, group.key("HARBOUR").pseudonym)
    monkeypatch.setattr(copies, "move_aside", aside_and_die)
    with pytest.raises(CutError):
        put_back(group.home / "copy", group.folder, replace=True)
    monkeypatch.undo()
    put_back(group.home / "copy", group.folder, replace=True)
    assert opened(group.folder) == [group.key("FERRY").pseudonym]


def test_two_records_that_went_apart_are_not_put_together(group: Group, cases: GroupCases) -> None:
    back_up(group.folder, group.home / "copy")
    other = GroupFolder(group.home / "other", group.folder.key_file)
    put_back(group.home / "copy", other)
    withdraw(other, group.key("HARBOUR").pseudonym)
    back_up(other, group.home / "later")
    take(group.folder, group.sealed("ORCHARD", cases, invitation=group.invitation(2)))
    before = group.contents()
    with pytest.raises(GroupError, match="went apart"):
        put_back(group.home / "later", group.folder, replace=True)
    assert group.contents() == before


@pytest.mark.parametrize("harm", ["changed", "missing", "manifest", "outside"])
def test_a_damaged_copy_is_refused_and_replaces_nothing(group: Group, harm: str) -> None:
    import json

    from warehouse.upkeep.backup import MANIFEST

    back_up(group.folder, group.home / "copy")
    record, manifest = group.home / "copy" / RECORD, group.home / "copy" / MANIFEST
    if harm == "changed":
        record.write_bytes(record.read_bytes().replace(b"invited", b"inviteD"))
    elif harm == "missing":
        record.unlink()
    elif harm == "manifest":
        manifest.unlink()
    else:
        stated = json.loads(manifest.read_text())
        manifest.write_text(json.dumps({**stated, "files": {**stated["files"], "../../evil": "0" * 64}}))
    before = group.contents()
    with pytest.raises(BadFileError):
        put_back(group.home / "copy", group.folder, replace=True)
    assert group.contents() == before


@pytest.mark.parametrize("name", [RECORD, "agreements/0001.json", "taken"])
def test_verify_names_what_is_missing_or_changed(group: Group, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    path = group.folder.path / name
    path = next(path.glob("*.age")) if path.is_dir() else path
    words = ["group", "verify", "--group", str(group.folder.path)]
    assert main(words) == 0
    whole = path.read_bytes()
    path.write_bytes(whole[:100] + b"x" * 40 + whole[140:])
    assert main(words) == 1
    assert "WRONG" in capsys.readouterr().out
    assert main(["group", "backup", "--group", str(group.folder.path), "--out", str(group.home / "no")]) == 1
    assert not (group.home / "no").exists()


def test_by_command_a_second_coordinator_takes_over(group: Group, capsys: pytest.CaptureFixture[str]) -> None:
    at, home = ["--group", str(group.folder.path)], group.home
    theirs = ["--group", str(home / "theirs"), "--group-key-file", str(home / "b.key")]
    assert main(["group", "card", *theirs, "--name", "Brook", "--out", str(home / "b.card")]) == 0
    told = capsys.readouterr().out.splitlines()[1].rpartition(": ")[2]
    assert main(["group", "coordinators", *at, "--add", str(home / "b.card"), "--out", str(home / "a2.json")]) == 0
    assert told in capsys.readouterr().out
    assert main(["group", "backup", *at, "--out", str(home / "copy")]) == 0
    assert main(["group", "restore", *theirs, "--from", str(home / "copy")]) == 0
    assert main(["group", "coordinators", *theirs, "--remove", "coordinator"]) == 0
    assert "One coordinator only" in capsys.readouterr().out
    assert main(["group", "pooled", *theirs]) == 0
    assert main(["group", "verify", *theirs]) == 0


def test_what_is_encrypted_to_several_is_opened_by_any_one_and_by_nobody_else() -> None:
    """The age format (recipient stanzas, one a key) as another program of the same library opens it."""
    from pipelines.group.container import encrypted

    identities = [pyrage.x25519.Identity.generate() for _ in range(4)]
    data = encrypted(b"counts", [str(one.to_public()) for one in identities[:3]])
    assert data.count(b"-> X25519 ") == 3
    for one in identities[:3]:
        assert pyrage.decrypt(data, [one]) == b"counts"
    with pytest.raises(pyrage.DecryptError):
        pyrage.decrypt(data, identities[3:])
