"""Every file and folder that Menton makes is its owner's alone, whatever the umask."""

from __future__ import annotations

import csv
import os
import stat
import subprocess
from collections.abc import Callable, Iterator
from contextlib import chdir
from pathlib import Path

import pytest

from pipelines.cli import main
from tests.hand_made import load_rows, made_case
from tests.warm import python
from warehouse.upkeep.verify import verify

pytestmark = pytest.mark.skipif(os.name != "posix", reason="modes of POSIX")


@pytest.fixture(autouse=True)
def counted(count: Callable[[str, str, int], None]) -> None:
    count("attacks", "on files left open: every command under an open umask", 1)


OTHERS = stat.S_IRWXG | stat.S_IRWXO


@pytest.fixture
def open_umask() -> Iterator[None]:
    """This process makes what it makes as one with an open umask."""
    before = os.umask(0)
    yield
    os.umask(before)


def menton(room: Path, *words: str) -> None:
    """A command as a person with an open umask gives it, in a process of its own."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("MENTON_")}
    done = subprocess.run(
        [python(), "-m", "pipelines.cli", *words],
        cwd=room,
        env=kept,
        umask=0,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def open_to_others(room: Path) -> list[str]:
    return [
        f"{oct(path.stat().st_mode)} {path.relative_to(room)}"
        for path in room.rglob("*")
        if path.stat().st_mode & OTHERS
    ]


@pytest.mark.usefixtures("open_umask")
def test_what_commands_make_is_closed_to_others_under_an_open_umask(tmp_path: Path) -> None:
    given = tmp_path / "cases.csv"
    with given.open("w", encoding="utf-8", newline="") as stream:
        table = csv.writer(stream)
        table.writerow(
            [
                "case_id",
                "selection",
                "status",
                "comparison",
                "sex",
                "age_at_start",
                "sn_gogn_deg_start",
                "sn_gogn_deg_finish",
            ]
        )
        table.writerows(
            [[f"c{n}", "consecutive", "finished", "treated", "female", 11.5, 32.0, 33.0 + n % 4] for n in range(12)]
        )
    given.chmod(0o600)
    room = tmp_path / "room"
    room.mkdir(mode=0o700)
    menton(room, "ingest", str(given), "--warehouse", "w")
    with chdir(room):  # the others here, since to start a process takes seconds
        for words in (
            ["template", "--out", "template.xlsx"],
            ["cases", "--out", "cases.csv", "--warehouse", "w"],
            ["compare", "--by", "sex", "--warehouse", "w"],
            ["backup", "--out", "copy", "--warehouse", "w"],
        ):
            assert main(words) == 0
    made = sorted(path.name for path in room.rglob("*"))
    assert {"template.xlsx", "w.key", "store.duckdb", "current.json", "access.jsonl", "cases.csv", "copy"} <= set(made)
    assert open_to_others(room) == []


def test_verify_notes_a_folder_that_others_can_look_into(tmp_path: Path) -> None:
    folder = tmp_path / "w"
    load_rows(folder, [made_case("c1", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0)])
    assert folder.stat().st_mode & OTHERS == 0, "made closed"
    assert not any("others can look into" in note for note in verify(folder).notes)
    folder.chmod(0o755)
    found = verify(folder)
    assert found.is_sound
    assert [note for note in found.notes if "chmod -R go= w" in note]
