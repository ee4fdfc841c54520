"""Taking back a person, a load, a second number, a name: asked first, whole afterwards, and no trace of what went."""

from __future__ import annotations

import io
import json
import os
import shutil
import struct
from pathlib import Path

import pytest

from pipelines.cli import main
from pipelines.deidentify.keyer import Keyer
from tests.pipelines.test_case_numbers import HEADINGS, written
from warehouse.marts.reader import Reader
from warehouse.pooled.history import RECORD_FILE as CONTRIBUTIONS
from warehouse.private_files import beside
from warehouse.store.record_chain import RecordChain
from warehouse.store.snapshot import POINTER
from warehouse.store.storage import Connection
from warehouse.store.store import STORE
from warehouse.upkeep.verify import verify

NUMBER = "QX-0417"
AGE, PLANE = 16.43, 37.123456
"""Values that no other case has, so that their bytes tell the person."""

KEY = "an-encryption-key-of-the-tests"


@pytest.fixture(params=["plain", "encrypted"], scope="module")
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A warehouse with history, a row turned away, a remark, two snapshots and a record of what was handed over."""
    tmp_path = tmp_path_factory.mktemp("made")
    folder = tmp_path / "w"
    path = written(tmp_path / "a.csv", [f"P{n}" for n in range(8)])
    person = f"{NUMBER},female,{AGE},2018-Q2,consecutive,finished,treated,fixed_labial,{PLANE},28.3,39.4,24"
    path.write_text(path.read_text(encoding="utf-8") + person + "\n", encoding="utf-8")
    later = tmp_path / "later.csv"
    later.write_text(f"{HEADINGS}\n{person.replace('39.4', '39.9')}\n", encoding="utf-8")
    wrong = tmp_path / "wrong.csv"
    wrong.write_text(f"{HEADINGS}\n{person.replace('39.4', '394')}\n", encoding="utf-8")
    more = []
    if request.param == "encrypted":
        (tmp_path / "k").write_text(KEY, encoding="utf-8")
        (tmp_path / "k").chmod(0o600)
        more = ["--encryption-key-file", str(tmp_path / "k")]
    for one, code in ((path, 0), (later, 0), (wrong, 1)):  # 1: of the last no row is loaded
        assert main(["ingest", str(one), "--warehouse", str(folder), "--practice", "HARBOUR", *more]) == code
    key = case_key(folder)
    chain = RecordChain(folder / CONTRIBUTIONS)
    for sequence in (1, 2):
        entry = {
            "what": "handed over",
            "practice": "HARBOUR",
            "group": "bay",
            "sequence": sequence,
            "versions": {"D1": {key: "ab12cd34ef56", "0" * 24: "1" * 12}},
            "values": {"D1": {key: "fedcba987654"}},
        }
        chain.add({**entry, "level": "counts", "levels": {}, "releases": [], "coordinator": "x", "version": 1})
    return folder


@pytest.fixture
def home(made: Path, tmp_path: Path) -> Path:
    """A copy of it, with the files beside it."""
    shutil.copytree(made.parent, tmp_path, dirs_exist_ok=True)
    return tmp_path / "w"


def options(folder: Path) -> list[str]:
    more = ["--encryption-key-file", str(folder.parent / "k")] if (folder.parent / "k").exists() else []
    return ["--warehouse", str(folder), *more]


def opened_with(folder: Path) -> str | None:
    return KEY if (folder.parent / "k").exists() else None


def case_key(folder: Path, number: str = NUMBER) -> str:
    return Keyer.from_file(beside(folder, "key")).possible("HARBOUR", number)[0]


def everything(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row of the store and of every snapshot that lies there."""
    found: dict[str, list[tuple[object, ...]]] = {}
    for path in [folder / STORE, *folder.glob("mart-*.duckdb")]:
        with Connection(path, read_only=True, key=opened_with(folder)) as database:
            tables = database.rows("select table_name from duckdb_tables() where database_name = 'menton'")
            found |= {f"{path.name} {table}": database.rows(f'select * from "{table}"') for (table,) in tables}
    return found


def unchanging(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    """The same without the events, of which each command is one."""
    return {table: rows for table, rows in everything(folder).items() if not table.endswith(" events")}


def traces(folder: Path, key: str) -> set[str]:
    """Where number, key or values of the person are: in the bytes of any file, and in any row of any database."""
    needles = {
        "number": NUMBER.encode(),
        "number by the rule": NUMBER.lower().encode(),
        "key": key.encode(),
        "age": struct.pack("<d", AGE),
        "plane": struct.pack("<d", PLANE),
        "digest": b"ab12cd34ef56",
        "digest of a value": b"fedcba987654",
    }
    found = {
        f"{what} in {path.name}"
        for path in folder.rglob("*")
        if path.is_file()
        for what, needle in needles.items()
        if needle in path.read_bytes()
    }
    for table, rows in everything(folder).items():
        said = repr(rows)
        found |= {f"{what} in rows of {table}" for what in (NUMBER, key, str(AGE), str(PLANE)) if what in said}
    return found


def said(capsys: pytest.CaptureFixture[str]) -> str:
    captured = capsys.readouterr()
    return captured.out + captured.err


def test_the_search_finds_the_person_before(home: Path) -> None:
    found = traces(home, case_key(home))
    assert f"{PLANE} in rows of {STORE} readings" in found
    assert any(f"{AGE} in rows of mart-" in one for one in found)
    for place in (f"key in {STORE}", f"key in {CONTRIBUTIONS}", f"digest in {CONTRIBUTIONS}"):
        assert (place in found) is (opened_with(home) is None)


def test_a_forgotten_person_is_in_no_byte_of_the_warehouse(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    key, before = case_key(home), unchanging(home)
    capsys.readouterr()
    assert main(["forget", NUMBER.lower(), "--practice", "HARBOUR", *options(home)]) == 1
    asked = said(capsys)
    assert "2 rows of cases" in asked
    assert "1 row turned away" in asked
    assert "Take the case out of your own file too" in asked
    assert "--yes" in asked
    assert unchanging(home) == before
    assert main(["forget", NUMBER.lower(), "--practice", "HARBOUR", "--yes", *options(home)]) == 0
    assert traces(home, key) == set()
    found = verify(home, key=opened_with(home))
    assert found.is_sound, found.faults
    assert found.notes == ()
    with Reader.open(home, key=opened_with(home)) as reader:
        assert reader.connection.value("select count(*) from mart_cases") == 8
    versions = [entry["versions"]["D1"] for entry in RecordChain(home / CONTRIBUTIONS).read()]
    assert [len(one) for one in versions] == [2, 2], "a later table must still be held against the earlier ones"
    assert versions[0] == versions[1]
    assert main(["forget", NUMBER, "--practice", "HARBOUR", "--yes", *options(home)]) == 1
    assert "no such case" in said(capsys)


def test_what_is_forgotten_is_named_where_a_backup_still_has_it(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["backup", "--out", str(tmp_path / "kept"), *options(home)]) == 0
    assert main(["restore", "--from", str(tmp_path / "kept"), "--replace", *options(home)]) == 0
    capsys.readouterr()
    assert main(["forget", NUMBER, "--practice", "HARBOUR", "--yes", *options(home)]) == 0
    told = said(capsys)
    assert "Make a new backup (`menton backup`) and delete these" in told
    aside = next(tmp_path.glob("w.before-*"))
    assert f"A backup still holds it: {aside}" in told
    shutil.rmtree(aside)
    assert main(["backup", "--out", str(tmp_path / "clean"), *options(home)]) == 0
    capsys.readouterr()
    assert main(["forget", "P1", "--practice", "HARBOUR", *options(home)]) == 1
    assert str(tmp_path / "clean") in said(capsys)


def test_remembered_mappings_forget_a_number_and_follow_a_name(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = beside(home, "mappings")
    folder.mkdir()
    body = '[file]\npractice = "HARBOUR"\n[codes.clinician]\n"{}" = "C1"\n'
    for name, number in (("HARBOUR-aa", "qx - 0417"), ("HARBOUR-bb", "QX-0418"), ("QUARRY-aa", NUMBER)):
        (folder / f"{name}.toml").write_text(body.format(number), encoding="utf-8")
    assert main(["forget", NUMBER, "--practice", "HARBOUR", *options(home)]) == 1
    assert "1 remembered mapping in which the number stands" in said(capsys)
    assert len(list(folder.iterdir())) == 3
    assert main(["forget", NUMBER, "--practice", "HARBOUR", "--yes", *options(home)]) == 0
    assert sorted(path.stem for path in folder.iterdir()) == ["HARBOUR-bb", "QUARRY-aa"]
    taken_back = {"what": "took back", "practice": "HARBOUR", "group": "bay", "sequence": 3, "version": 1}
    RecordChain(home / CONTRIBUTIONS).add(taken_back)
    assert main(["rename-practice", "HARBOUR", "LAGOON", "--yes", *options(home)]) == 0
    assert sorted(path.stem for path in folder.iterdir()) == ["LAGOON-bb", "QUARRY-aa"]
    assert "HARBOUR" not in (folder / "LAGOON-bb.toml").read_text(encoding="utf-8")


def test_a_number_can_be_given_on_standard_input(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{NUMBER}\n"))
    assert main(["forget", "-", "--practice", "HARBOUR", "--yes", *options(home)]) == 0
    assert case_key(home) not in repr(everything(home))


def test_forgetting_needs_the_key_and_the_right_practice(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = unchanging(home)
    assert main(["forget", NUMBER, "--practice", "QUARRY", "--yes", *options(home)]) == 1
    assert "look at the number, and at the practice" in said(capsys)
    other = ["--key-file", str(home.parent / "none")]
    assert main(["forget", NUMBER, "--practice", "HARBOUR", "--yes", *other, *options(home)]) == 1
    assert "there is no key file" in said(capsys)
    assert unchanging(home) == before


def current(folder: Path) -> list[tuple[object, ...]]:
    with Connection(folder / STORE, read_only=True, key=opened_with(folder)) as store:
        return store.rows(
            "select case_key, timepoint, sn_gogn_deg from readings inner join case_registry using (case_no)"
            " where replaced_by is null order by all"
        )


def test_a_load_taken_back_leaves_what_was_there_before_it(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before, key = current(home), case_key(home, "N1")
    added = written(tmp_path / "more.csv", ["P1", "P2", "N1"], seed=44)
    assert main(["ingest", str(added), "--practice", "HARBOUR", *options(home)]) == 0
    assert current(home) != before
    capsys.readouterr()
    assert main(["undo", "4", *options(home)]) == 1
    asked = said(capsys)
    assert "3 rows of cases" in asked
    assert "1 case came with this load alone" in asked
    assert main(["undo", "4", "--yes", *options(home)]) == 0
    assert current(home) == before
    assert key not in repr(everything(home))
    assert "more.csv" not in repr(everything(home))
    assert verify(home, key=opened_with(home)).is_sound
    assert main(["undo", "4", "--yes", *options(home)]) == 1
    assert "was taken back already" in said(capsys)
    assert main(["undo", "99", *options(home)]) == 1
    assert "there is no load 99" in said(capsys)
    assert main(["ingest", str(added), "--practice", "HARBOUR", *options(home)]) == 0
    assert "(load 5)" in said(capsys)


def test_a_load_between_two_others_is_taken_back(home: Path) -> None:
    last = current(home)
    assert main(["undo", "1", "--yes", *options(home)]) == 0
    key = case_key(home)
    assert current(home) == [row for row in last if row[0] == key]
    assert verify(home, key=opened_with(home)).is_sound


def test_a_load_that_others_rest_on_is_not_taken_back_before_them(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = ["case_id,timepoint,measure,value", "P1,start,fma_deg,27.5"]
    path = tmp_path / "measurements.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert main(["ingest", str(path), "--practice", "HARBOUR", *options(home)]) == 0
    before = unchanging(home)
    capsys.readouterr()
    assert main(["undo", "1", "--yes", *options(home)]) == 1
    told = said(capsys)
    assert "load 4 took values over from it" in told
    assert "take back load 4 first" in told
    assert unchanging(home) == before
    assert main(["undo", "4", "--yes", *options(home)]) == 0
    assert main(["undo", "1", "--yes", *options(home)]) == 0


def test_two_numbers_of_one_person_become_one_and_stay_so(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["join", "P1", "P2", "--practice", "HARBOUR", *options(home)]) == 1
    asked = said(capsys)
    assert "The second number becomes another number of the first case" in asked
    assert "the two differ: the first number's stay" in asked
    kept = [row for row in current(home) if row[0] == case_key(home, "P1")]
    assert main(["join", "P1", "P2", "--practice", "HARBOUR", "--yes", *options(home)]) == 0
    now = current(home)
    assert [row for row in now if row[0] == case_key(home, "P1")] == kept
    assert case_key(home, "P2") not in {row[0] for row in now}
    assert verify(home, key=opened_with(home)).is_sound
    later = tmp_path / "later.csv"
    written(later, ["P2"], seed=5)
    assert main(["ingest", str(later), "--practice", "HARBOUR", *options(home)]) == 0
    with Reader.open(home, key=opened_with(home)) as reader:
        assert reader.connection.value("select count(*) from mart_cases") == 8, "P2 is the case of P1"
    assert main(["join", "P1", "p-02", "--practice", "HARBOUR", *options(home)]) == 1
    assert main(["join", "P1", "P2", "--practice", "HARBOUR", *options(home)]) == 1
    assert "two spellings of one number already" in said(capsys)
    assert main(["forget", "P1", "--practice", "HARBOUR", "--yes", *options(home)]) == 0
    assert {case_key(home, "P1"), case_key(home, "P2")}.isdisjoint(repr(everything(home)).split("'"))


def test_joining_fills_what_the_first_number_lacks(home: Path, tmp_path: Path) -> None:
    two = tmp_path / "two.csv"
    lines = ["case_id,timepoint,measure,value", "P1,progress,fma_deg,27.5", "P2,progress,sn_gogn_deg,33.25"]
    two.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert main(["ingest", str(two), "--practice", "HARBOUR", *options(home)]) == 0
    assert main(["join", "P1", "P2", "--practice", "HARBOUR", "--yes", *options(home)]) == 0
    with Connection(home / STORE, read_only=True, key=opened_with(home)) as store:
        query = "select fma_deg, sn_gogn_deg from readings where timepoint = 'progress' and replaced_by is null"
        assert store.rows(query) == [(27.5, 33.25)]


def test_a_practice_renamed_keeps_its_cases_and_loses_its_name(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taking_part = ["rename-practice", "HARBOUR", "QUAY", *options(home)]
    assert main(taking_part) == 1
    assert "takes part in a study group" in said(capsys)
    chain = RecordChain(home / CONTRIBUTIONS)
    chain.add({"what": "took back", "practice": "HARBOUR", "group": "bay", "sequence": 3, "version": 1})
    assert main(taking_part) == 1
    assert "HARBOUR becomes QUAY, with 9 cases" in said(capsys)
    assert main([*taking_part, "--yes"]) == 0
    assert "HARBOUR" not in repr(everything(home)).upper()
    assert not [path for path in home.rglob("*") if path.is_file() and b"HARBOUR" in path.read_bytes()]
    assert {entry["practice"] for entry in RecordChain(home / CONTRIBUTIONS).read()} == {"QUAY"}
    assert verify(home, key=opened_with(home)).is_sound
    capsys.readouterr()
    assert main(["ingest", str(tmp_path / "a.csv"), "--practice", "HARBOUR", "--again", "--yes", *options(home)]) == 1
    assert "was renamed here: it is now QUAY" in said(capsys)
    assert main(["ingest", str(tmp_path / "a.csv"), "--practice", "QUAY", *options(home)]) == 0
    with Reader.open(home, key=opened_with(home)) as reader:
        assert reader.practices == ("QUAY",)
        assert reader.connection.value("select count(*) from mart_cases") == 9
    assert main(["rename-practice", "QUAY", "HARBOUR", "--yes", *options(home)]) == 0
    assert main(["forget", NUMBER, "--practice", "HARBOUR", "--yes", *options(home)]) == 0
    assert main(["rename-practice", "NONESUCH", "QUAY", *options(home)]) == 1
    assert main(["rename-practice", "HARBOUR", "Anna Smith", *options(home)]) == 1


@pytest.mark.skipif(os.name == "nt", reason="a folder that cannot be written to is made by permissions")
def test_a_change_that_cannot_be_written_changes_nothing(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from warehouse.errors import WarehouseError
    from warehouse.upkeep import rekey

    before = unchanging(home)

    def full(*_: object, **__: object) -> None:
        raise WarehouseError("the disk is full")

    monkeypatch.setattr(rekey, "copy_into", full)
    assert main(["forget", NUMBER, "--practice", "HARBOUR", "--yes", *options(home)]) == 1
    assert "the disk is full" in said(capsys)
    assert unchanging(home) == before


def test_an_erasure_stopped_before_it_was_published_is_finished_by_the_next_run(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from warehouse.upkeep import rekey

    key = case_key(home)

    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(rekey, "publish", stopped)
        assert main(["forget", NUMBER, "--practice", "HARBOUR", "--yes", *options(home)]) == 130
    assert any("mart-" in one for one in traces(home, key))
    found = verify(home, key=opened_with(home))
    assert any("newer than what is published" in note for note in found.notes)
    assert main(["forget", NUMBER, "--practice", "HARBOUR", "--yes", *options(home)]) == 0
    assert "it is finished now" in said(capsys)
    assert traces(home, key) == set()
    assert json.loads((home / POINTER).read_text(encoding="utf-8"))["build"]


def test_other_practices_and_their_numbers_are_left_alone(home: Path, tmp_path: Path) -> None:
    other = written(tmp_path / "q.csv", ["P1", NUMBER], seed=77)
    assert main(["ingest", str(other), "--practice", "QUARRY", "--yes", *options(home)]) == 0
    before = content_of_practice(home, "QUARRY")
    assert main(["forget", NUMBER, "--practice", "HARBOUR", "--yes", *options(home)]) == 0
    assert content_of_practice(home, "QUARRY") == before
    assert len(before) == 2


def content_of_practice(folder: Path, practice: str) -> list[tuple[object, ...]]:
    with Connection(folder / STORE, read_only=True, key=opened_with(folder)) as store:
        return store.rows(
            "select case_key, cases.* from cases inner join case_registry using (case_no) where practice = ?"
            " order by all",
            [practice],
        )
