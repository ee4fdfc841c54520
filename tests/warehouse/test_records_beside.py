"""Records beside the store: what is cut, changed or missing is reported; beside an encrypted store nothing is plain.

Every attack is made on a warehouse as commands leave it, without any publishing after them.
"""

from __future__ import annotations

import getpass
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from pipelines.cli import main
from tests.faults.test_private import open_to_others
from tests.hand_made import load_rows, made_case
from tests.study_group import group_result
from warehouse.plans import looks
from warehouse.plans.looks import read_looks
from warehouse.pooled.history import RECORD_FILE as HANDED_OVER
from warehouse.pooled.kept_results import FOLDER, Kept, keep_result, kept_results
from warehouse.store import access, chain
from warehouse.store.access import read_access
from warehouse.upkeep.verify import verify

KEY, OTHER = "a-key-of-the-records-tests", "another-key-of-the-records"
ROWS = [
    made_case(
        f"c{n}",
        clinician=("D1", "D2")[n % 2],
        sex=("female", "male")[n % 3 > 1],
        sn_gogn_deg_start=32.0,
        sn_gogn_deg_finish=33.0 + n % 5,
    )
    for n in range(24)
]


@pytest.fixture(autouse=True)
def counted(count: Callable[[str, str, int], None]) -> None:
    count("attacks", "on records beside the store", 1)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A warehouse after a load, a comparison looked at, a contribution and a group's result read."""
    home = tmp_path_factory.mktemp("made")
    folder = home / "w"
    load_rows(folder, ROWS)
    group = ["--group", str(home / "bay")]
    assert main(["group", "init", *group, "--name", "Lantern Bay"]) == 0
    words = ["--variables", "sex,extraction", "--by", "extraction", "--years", "2016-2023", "--k", "3"]
    assert main(["group", "agreement", *group, "--warehouse", str(home / "none"), *words]) == 0
    assert main(["group", "invite", *group, "--count", "1", "--out", str(home / "i")]) == 0
    at = ["--warehouse", str(folder)]
    words = ["--agreement", str(home / "i" / "invitation-001.json"), "--level", "counts", "--out", str(home / "c.age")]
    assert main(["contribute", *at, *words, "--consent"]) == 0
    keep_result(folder, Kept(group_result(12, 3, 9, 20, 15, 11), {}))
    assert main(["compare", "--by", "clinician", *at]) == 0
    for name in ("k1", "k2"):
        (home / name).write_text({"k1": KEY, "k2": OTHER}[name], encoding="utf-8")
        (home / name).chmod(0o600)
    return home


@pytest.fixture(scope="module")
def encrypted(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("encrypted") / "home"
    shutil.copytree(made, home)
    assert main(["rekey", "--warehouse", str(home / "w"), "--new-key-file", str(made / "k1")]) == 0
    return home


@pytest.fixture(params=["plain", "encrypted"])
def home(made: Path, encrypted: Path, tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    return Path(shutil.copytree(made if request.param == "plain" else encrypted, tmp_path / "home"))


def is_encrypted(home: Path) -> bool:
    return (home / "w" / chain.KEY_FILE).exists()


def words(home: Path, key: str = "k1") -> list[str]:
    named = ["--encryption-key-file", str(home / key)] if is_encrypted(home) else []
    return ["--warehouse", str(home / "w"), *named]


def cut(path: Path) -> None:
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:-1]))


def lines_of(home: Path, name: str) -> int:
    return len((home / "w" / name).read_bytes().splitlines())


def empty(path: Path) -> None:
    path.write_bytes(b"")


def flipped(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[40] ^= 1
    path.write_bytes(content)


ATTACKS: dict[str, Callable[[Path], None]] = {"cut": cut, "missing": Path.unlink, "empty": empty, "flipped": flipped}


@pytest.mark.parametrize("attack", ATTACKS)
@pytest.mark.parametrize("name", [access.FILE, looks.FILE, HANDED_OVER])
def test_a_record_cut_changed_or_missing_is_reported(
    home: Path, name: str, attack: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command that verifies adds a line itself, which must not hide what went before."""
    before = lines_of(home, name)
    ATTACKS[attack](home / "w" / name)
    for _ in range(1 + (attack == "cut")):
        capsys.readouterr()
        assert main(["verify", *words(home)]) == 1
        said = capsys.readouterr().out
        assert "WRONG (" in said
        assert "record" in said
        if attack == "cut":
            assert f"it once had line {before}" in said
        if attack == "missing" and name != access.FILE:
            assert f"the record {name} is missing: put it back from a backup" in said
    if attack == "cut":
        assert main(["publish", *words(home)]) == 0
        assert main(["verify", *words(home)]) == 1, "publishing heals no record"


def test_a_result_of_a_group_that_went_missing_is_reported(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (kept,) = (home / "w" / FOLDER).glob("*.json")
    assert main(["verify", *words(home)]) == 0
    kept.unlink()
    assert main(["verify", *words(home)]) == 1
    assert f"the record group/{kept.name} is missing" in capsys.readouterr().out


def test_the_store_itself_knows_how_far_the_record_had_come(home: Path) -> None:
    """Every command that writes notes it there, so that taking the mark beside the record too is of no use."""
    (home / "p.toml").write_text('id = "own"\n', encoding="utf-8")
    assert main(["rate", *words(home)]) == 0
    assert main(["definitions", "--add", str(home / "p.toml"), *words(home)]) == 1, "refused, and yet it opened it"
    (home / "w" / access.MARK).unlink()
    for _ in range(3):
        cut(home / "w" / access.FILE)
    key = KEY if is_encrypted(home) else None
    assert [fault.check for fault in verify(home / "w", key=key).faults] == ["access_record_is_whole"]


# The account as a record would write it, in quotes: four letters alone stand in ten million sealed bytes by chance
# once in some hundred runs.
ACCOUNT = f'"{getpass.getuser()}"'.encode()
TELLING = (b"ingest", b"compare", b"handed over", b"Lantern", b"contribut", b"person-", b"analyses", ACCOUNT)


def plain_words(folder: Path) -> list[str]:
    named = [path for path in folder.rglob("*") if path.is_file()]
    return [f"{word!r} in {path.name}" for path in named for word in TELLING if word in path.read_bytes()]


def test_beside_an_encrypted_store_nothing_is_plain_and_nothing_is_lost(home: Path) -> None:
    folder = home / "w"
    if not is_encrypted(home):
        assert plain_words(folder), "the words looked for are there before"
        assert main(["rekey", *words(home), "--new-key-file", str(home / "k1")]) == 0
    assert plain_words(folder) == []
    assert open_to_others(folder) == []
    assert main(["compare", "--by", "sex", *words(home)]) == 0
    assert main(["rekey", *words(home), "--new-key-file", str(home / "k2")]) == 0
    assert plain_words(folder) == []
    assert main(["verify", *words(home, "k2")]) == 0
    assert len(read_looks(folder).looks) == 2
    assert len(kept_results(folder)) == 1
    assert read_access(folder).fault == ""
    assert chain.n_keys(folder) == 1, "the old key opens nothing any more"
    assert main(["rekey", *words(home, "k2"), "--no-encryption"]) == 0
    assert not is_encrypted(home)
    assert plain_words(folder)
    assert main(["verify", *words(home)]) == 0
    assert len(read_looks(folder).looks) == 2


def test_who_names_no_key_leaves_a_line_that_tells_nothing_and_breaks_nothing(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    if not is_encrypted(home):
        pytest.skip("of an encrypted store")
    assert main(["rate", "--warehouse", str(home / "w")]) == 1
    assert main(["rate", *words(home, "k2")]) == 1
    capsys.readouterr()
    assert plain_words(home / "w") == []
    assert main(["verify", *words(home)]) == 0, capsys.readouterr().out
    said = [entry["what"] for entry in read_access(home / "w").entries]
    assert said.count(access.KEYLESS) == 4


def test_plain_lines_beside_an_encrypted_store_are_reported_and_sealed(
    home: Path, made: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As an earlier version left them."""
    if not is_encrypted(home):
        pytest.skip("of an encrypted store")
    shutil.copy(made / "w" / looks.FILE, home / "w" / looks.FILE)
    assert main(["verify", *words(home)]) == 1
    assert "lines of comparisons.jsonl lie plain beside the encrypted store" in capsys.readouterr().out
    assert main(["publish", *words(home)]) == 0
    assert main(["verify", *words(home)]) == 0
