"""The access record: every command leaves a line without personal data; a line changed or taken out is noticed."""

from __future__ import annotations

import argparse
import getpass
import json
import os
import re
import shutil
import subprocess
from importlib import import_module
from pathlib import Path

import pytest

from pipelines import cli
from pipelines.cli import main
from pipelines.commands.declared import add_options
from tests.hand_made import load_rows, made_case
from tests.warm import python
from warehouse.errors import RequestError
from warehouse.marts.publish import publish
from warehouse.store import access
from warehouse.store.access import (
    FILE,
    MARK,
    PERSON_VARIABLE,
    mark_of,
    options_in,
    pseudonym_of,
    read_access,
    record_begin,
    record_end,
)
from warehouse.store.snapshot import POINTER
from warehouse.store.store import STORE, open_store
from warehouse.upkeep.backup import backup, restore
from warehouse.upkeep.verify import verify

ROOT = Path(__file__).parents[2]
ROWS = [made_case(f"case {n}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0 + n) for n in range(4)]

TOUCH_NO_WAREHOUSE = {"template", "draft-mapping", "measure", "build"}
"""Commands that read or write files of the person alone; ``build`` reads a folder of records and writes another."""

TOUCH_NO_WAREHOUSE_BUT_A_GROUP = {
    "init", "card", "coordinators", "verify", "backup", "restore", "document",
    "invite", "round", "revoke", "take", "list", "withdraw", "pooled",
}  # fmt: skip
"""Verbs of ``menton group`` that work on the coordinator's folder, which has a record of its own, or on one file."""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made") / "w"
    load_rows(folder, ROWS)
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    """A warehouse of its own for each test."""
    return Path(shutil.copytree(made, tmp_path / "w"))


def parsers_of(command: str) -> dict[str, argparse.ArgumentParser]:
    """The parser of a command, or those of its verbs."""
    parser = argparse.ArgumentParser()
    add_options(parser, cli.COMMANDS[command])
    verbs = [action for action in parser._actions if isinstance(action, argparse._SubParsersAction)]
    if not verbs:
        return {"": parser}
    return {name: verb for action in verbs for name, verb in action.choices.items()}


@pytest.mark.parametrize("command", cli.COMMANDS)
def test_every_command_names_the_warehouse_it_touches_and_so_is_recorded(command: str) -> None:
    """``menton`` records whatever has an option --warehouse; a command must have it or be listed above."""
    for verb, parser in parsers_of(command).items():
        is_recorded = any(action.dest == "warehouse" for action in parser._actions)
        is_exempt = command in TOUCH_NO_WAREHOUSE or (command == "group" and verb in TOUCH_NO_WAREHOUSE_BUT_A_GROUP)
        assert is_recorded != is_exempt, f"{command} {verb}"


@pytest.mark.parametrize("command", sorted(TOUCH_NO_WAREHOUSE))
def test_an_exempt_command_opens_no_warehouse(command: str) -> None:
    source = Path(import_module(cli.COMMANDS[command]["run"]).__file__ or "").read_text(encoding="utf-8")
    source = re.sub(r"if TYPE_CHECKING:\n(?:    .*\n|\n)*", "", source)  # names of types open nothing
    for door in (
        "warehouse.marts.reader",
        "warehouse.store.store",
        "warehouse.store.storage",
        "pipelines.ingest.ingest",
    ):
        assert door not in source


def run_stub(monkeypatch: pytest.MonkeyPatch, words: list[str], code: int) -> None:
    """Run a command whose work is left out."""
    monkeypatch.setattr(cli, "_run", lambda _: code)
    assert main(words) == code


@pytest.mark.parametrize("command", sorted(set(cli.COMMANDS) - TOUCH_NO_WAREHOUSE - {"group"}))
def test_a_line_is_written_before_and_after_every_command(
    folder: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    (parser,) = parsers_of(command).values()
    needed = [word for action in parser._actions for word in required_words(action)]
    groups = [word for group in parser._mutually_exclusive_groups if group.required for word in first_of(group)]
    run_stub(monkeypatch, [command, *needed, *groups, "--warehouse", str(folder)], 1)
    begun, ended = read_access(folder).entries[-2:]
    assert (begun["what"], ended["what"], ended["ended"]) == (command, command, 1)
    assert "--warehouse" in begun["options"]


def required_words(action: argparse.Action) -> list[str]:
    if action.option_strings and action.required:
        return [action.option_strings[0], "1"]
    if action.option_strings or action.nargs in {0, "?", "*"}:
        return []
    return ["1"] * (action.nargs if isinstance(action.nargs, int) else 1)


def first_of(group: argparse._MutuallyExclusiveGroup) -> list[str]:
    action = group._group_actions[0]
    return [action.option_strings[0]] if action.nargs == 0 else [action.option_strings[0], "1"]


def test_the_commands_of_a_practice_leave_their_names_and_nothing_of_what_they_were_given(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source = tmp_path / "Theodora Quillfeather.csv"
    source.write_text("case_id,sex\nQuillfeather,female\n", encoding="utf-8")
    words = ["--warehouse", str(folder)]
    main(["ingest", str(source), *words])
    main(["rate", "--by", "clinician", *words])
    main(["cases", f"--out={tmp_path / 'Quillfeather.csv'}", *words])
    main(["draw", "--number", "Quillfeather", "--out", str(tmp_path / "f.svg"), *words])
    capsys.readouterr()
    text = (folder / FILE).read_text(encoding="utf-8")
    assert "uillfeather" not in text
    assert str(tmp_path) not in text
    assert [entry["what"] for entry in read_access(folder).entries] == [
        name for name in ("ingest", "rate", "cases", "draw") for _ in range(2)
    ]
    assert read_access(folder).entries[4]["options"] == ["--out", "--warehouse"]


def test_the_first_command_of_a_warehouse_is_recorded_once_there_is_one(tmp_path: Path) -> None:
    assert record_begin(tmp_path, "rate") is None
    assert not (tmp_path / FILE).exists()
    load_rows(tmp_path, ROWS)
    record_end(tmp_path, None, "ingest", 0)
    (entry,) = read_access(tmp_path).entries
    assert (entry["what"], entry["ended"], entry["begun"]) == ("ingest", 0, "")


def test_who_it_was_is_a_pseudonym_or_a_code_of_the_practice(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    record_begin(folder, "rate")
    monkeypatch.setenv(PERSON_VARIABLE, "desk-2")
    record_begin(folder, "rate")
    for person in ("ada@lantern.example", "Ada@Lantern.example", "bea@lantern.example"):
        monkeypatch.delenv(PERSON_VARIABLE, raising=False)
        record_begin(folder, "dashboard", person=person)
    account, stated, ada, again, bea = [entry["by"] for entry in read_access(folder).entries]
    assert stated == "desk-2"
    assert account == pseudonym_of(folder, "")
    assert ada == again == pseudonym_of(folder, "ada@lantern.example")
    assert len({account, ada, bea}) == 3
    assert all(re.fullmatch("person-[0-9a-f]{10}", one) for one in (account, ada, bea))
    assert not any(name in (folder / FILE).read_text(encoding="utf-8") for name in (getpass.getuser(), "lantern"))
    shutil.copytree(folder, folder.with_name("other"))
    (folder.with_name("other") / MARK).unlink()
    record_begin(folder.with_name("other"), "dashboard", person="ada@lantern.example")
    assert read_access(folder.with_name("other")).entries[-1]["by"] != ada, "another warehouse, another pseudonym"
    monkeypatch.setenv(PERSON_VARIABLE, "Theodora Quillfeather")
    with pytest.raises(RequestError, match="short code") as told:
        record_begin(folder, "rate")
    assert "Quillfeather" not in str(told.value)
    assert main(["rate", "--warehouse", str(folder)]) == 1


def test_options_are_named_without_their_values() -> None:
    words = ["group", "read", "x.json", "--out=--secret", "--by", "sex", "--by", "--", "--Name", "-v"]
    assert options_in(words) == ["--out", "--by"]


def filled(folder: Path, n: int = 6) -> list[str]:
    for number in range(n):
        record_begin(folder, f"command {number}")
    return (folder / FILE).read_text(encoding="utf-8").splitlines(keepends=True)


def test_a_line_changed_moved_or_taken_out_is_noticed_by_verify(folder: Path) -> None:
    lines = filled(folder)
    assert verify(folder).is_sound
    for changed in (
        [*lines[:2], lines[2].replace("command 2", "command 9"), *lines[3:]],
        [*lines[:2], *lines[3:]],
        [lines[1], lines[0], *lines[2:]],
        [*lines[:3], lines[2], *lines[3:]],
        ["not a line\n", *lines],
        ["[1]\n", *lines],
        lines[1:],
    ):
        (folder / FILE).write_text("".join(changed), encoding="utf-8")
        assert [fault.check for fault in verify(folder).faults] == ["access_record_is_whole"]
        record_begin(folder, "one more")  # goes on, and does not heal it
        assert not verify(folder).is_sound


def test_lines_taken_off_the_end_show_back_to_the_last_publishing(folder: Path) -> None:
    lines = filled(folder)
    with open_store(folder) as store:
        publish(folder, store, again=True)
    assert verify(folder).is_sound
    for kept in (0, 3, 5):
        (folder / FILE).write_text("".join(lines[:kept]), encoding="utf-8")
        (fault,) = verify(folder).faults
        assert fault.sentence == "the access record has lost lines: it once had line 6"
    (folder / FILE).unlink()
    assert not verify(folder).is_sound


def test_a_last_line_cut_short_by_a_crash_was_never_added(folder: Path) -> None:
    filled(folder, 2)
    mark = (folder / MARK).read_text(encoding="ascii")
    lines = filled(folder, 1)
    (folder / FILE).write_text("".join(lines[:2]) + lines[2][:40], encoding="utf-8")
    (folder / MARK).write_text(mark, encoding="ascii")  # which is written after its line
    assert verify(folder).is_sound
    record_begin(folder, "after")
    assert [entry["what"] for entry in read_access(folder).entries] == ["command 0", "command 1", "after"]


def test_lines_longer_than_the_end_that_is_looked_at_are_found(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    filled(folder, 3)
    monkeypatch.setattr(access, "_TAIL", 64)
    record_begin(folder, "after")
    assert not verify(folder).is_sound  # said as damage, not passed over


def test_several_programs_at_once_lose_no_line(folder: Path) -> None:
    script = "import sys; from pathlib import Path; from warehouse.store.access import record_begin\n" + (
        "for n in range(40): record_begin(Path(sys.argv[1]), f'command {n}')"
    )
    words = [python(), "-c", script, str(folder)]
    running = [subprocess.Popen(words, cwd=ROOT) for _ in range(3)]
    assert [one.wait() for one in running] == [0, 0, 0]
    record = read_access(folder)
    assert (len(record.entries), record.fault) == (120, "")


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written_to_can_still_be_read(folder: Path) -> None:
    folder.chmod(0o500)
    try:
        assert main(["rate", "--warehouse", str(folder)]) == 0
    finally:
        folder.chmod(0o700)


def test_a_record_that_cannot_be_written_is_said_and_stops_nobody(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / FILE).mkdir()
    assert main(["rate", "--warehouse", str(folder)]) == 0
    assert "the access record of w could not be written" in capsys.readouterr().err


def test_a_fault_of_the_program_is_recorded_too(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_: argparse.Namespace) -> int:
        raise ZeroDivisionError

    monkeypatch.setattr("pipelines.commands.rate.run", broken)
    assert main(["rate", "--warehouse", str(folder)]) == 70
    assert read_access(folder).entries[-1]["ended"] == 70


def test_a_line_of_the_start_names_the_line_it_ends(folder: Path) -> None:
    begun = record_begin(folder, "rate")
    record_end(folder, begun, "rate", 0)
    first, last = [json.loads(line) for line in (folder / FILE).read_text(encoding="utf-8").splitlines()]
    assert last["begun"] == first["sum"] == last["after"]
    assert mark_of(folder) == access.Mark(2, last["sum"])


def test_a_folder_that_is_no_warehouse_gets_no_record(tmp_path: Path) -> None:
    assert record_begin(tmp_path, "rate") is None
    assert list(tmp_path.iterdir()) == []
    assert {STORE, POINTER, FILE} == set(access._SIGNS)


# ---- backups


def test_the_record_goes_on_over_a_restored_backup(folder: Path, tmp_path: Path) -> None:
    filled(folder, 2)
    with open_store(folder) as store:
        publish(folder, store, again=True)
    backup(folder, tmp_path / "b")
    record_begin(folder, "after the backup")
    restore(tmp_path / "b", folder, replace=True)
    assert [entry["what"] for entry in read_access(folder).entries] == ["command 0", "command 1", "after the backup"]
    assert verify(folder).is_sound


def test_what_was_handed_over_and_read_since_the_backup_stays_known(folder: Path, tmp_path: Path) -> None:
    filled(folder, 1)
    handed_over, result = folder / "contributions.jsonl", folder / "group" / "00aa.json"
    handed_over.write_text("one\n", encoding="utf-8")
    handed_over.chmod(0o600)
    result.parent.mkdir()
    result.write_text("{}", encoding="utf-8")
    made = backup(folder, tmp_path / "b")
    assert {"contributions.jsonl", "group/00aa.json", FILE} <= set(made.files)
    handed_over.write_text("one\ntwo\n", encoding="utf-8")
    restore(tmp_path / "b", folder, replace=True)
    assert handed_over.read_text(encoding="utf-8") == "one\ntwo\n"
    assert result.read_text(encoding="utf-8") == "{}"
    if os.name != "nt":
        assert handed_over.stat().st_mode & 0o077 == 0


def test_records_of_another_warehouse_are_not_taken_over(folder: Path, made: Path, tmp_path: Path) -> None:
    shutil.copytree(made, tmp_path / "other")
    filled(folder, 1)
    backup(folder, tmp_path / "b")
    filled(tmp_path / "other", 4)
    (tmp_path / "other" / "contributions.jsonl").write_text("theirs\n", encoding="utf-8")
    restore(tmp_path / "b", tmp_path / "other", replace=True)
    assert len(read_access(tmp_path / "other").entries) == 1
    assert not (tmp_path / "other" / "contributions.jsonl").exists()
