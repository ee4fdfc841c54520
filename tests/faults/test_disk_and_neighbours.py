"""Faults of the disk, of other programs and of the clock: a clear message, nothing lost, and the next run succeeds."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import pytest

from pipelines.cli import main
from pipelines.ingest.ingest import Request, ingest
from pipelines.ingest.loading import load
from pipelines.reading import source as reading_source
from tests.hand_made import load_rows, made_case, sorted_delivery
from tests.warm import python
from warehouse.errors import BadFileError, BusyError, MentonError, WarehouseError
from warehouse.marts.publish import publish
from warehouse.marts.reader import Reader
from warehouse.store.storage import Connection
from warehouse.store.store import STORE, open_store
from warehouse.upkeep.verify import verify

ROOT = Path(__file__).parents[2]
HEADER = (
    "case_id,sex,age_at_start,selection,status,comparison,phase_1_appliance_category,months_from_start_finish,"
    "sn_gogn_deg_start,sn_gogn_deg_finish\n"
)
ROW = "c{},female,11,consecutive,finished,treated,fixed_labial,24,32,33\n"


@pytest.fixture(autouse=True)
def counted(count: Callable[[str, str, int], None]) -> None:
    count("faults", "of disks, of the clock, of other programs", 1)


def rows(prefix: str, n: int = 4) -> list[dict[str, object]]:
    return [made_case(f"{prefix} {i}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0) for i in range(n)]


def cases_seen(folder: Path) -> int:
    with Reader.open(folder) as reader:
        return int(reader.connection.value("select count(*) from mart_cases"))


def assert_plain(said: str) -> None:
    assert "Traceback" not in said
    assert "duckdb." not in said
    assert "what to do:" in said


# ---- two writers at once


@pytest.fixture
def other_writer(tmp_path: Path) -> Iterator[Path]:
    """A warehouse that another process holds open for writing."""
    folder = tmp_path / "w"
    load_rows(folder, rows("a"))
    script = (
        "import sys; from pathlib import Path; from warehouse.store.store import open_store\n"
        "store = open_store(Path(sys.argv[1])); print('open', flush=True); sys.stdin.readline(); store.close()"
    )
    with subprocess.Popen(
        [python(), "-c", script, str(folder)], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "open\n"
        yield folder
        if process.poll() is None:
            process.communicate("\n")


def test_a_second_writer_is_told_to_wait_and_readers_are_not_disturbed(
    other_writer: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(BusyError, match="in use by another program"):
        open_store(other_writer)
    assert main(["publish", "--warehouse", str(other_writer)]) == 1
    assert main(["verify", "--warehouse", str(other_writer)]) == 1
    said = capsys.readouterr().err
    assert_plain(said)
    assert "wait until the other menton command has ended" in said
    assert cases_seen(other_writer) == 4


def test_two_writers_one_after_the_other_both_succeed(tmp_path: Path) -> None:
    load_rows(tmp_path, rows("a"))
    load_rows(tmp_path, rows("b"), source="b.csv")
    assert cases_seen(tmp_path) == 8
    assert verify(tmp_path).is_sound


# ---- a folder that cannot be written


def test_a_file_in_the_place_of_the_folder_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place, source = tmp_path / "w", tmp_path / "cases.csv"
    place.write_text("not a folder", encoding="utf-8")
    source.write_text(HEADER + ROW.format(1), encoding="utf-8")
    assert main(["ingest", str(source), "--warehouse", str(place)]) == 1
    assert_plain(capsys.readouterr().err)
    assert place.read_text(encoding="utf-8") == "not a folder"


def mounted(folder: Path, *options: str) -> bool:
    folder.mkdir(exist_ok=True)
    words = ["mount", "-t", "tmpfs", "-o", ",".join(options), "tmpfs", str(folder)]
    try:
        return subprocess.run(words, capture_output=True, check=False).returncode == 0
    except OSError:
        return False


def remount(folder: Path, option: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{option}", str(folder)], capture_output=True, check=True)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of its own that can be made full or read-only; only root can make one."""
    folder = tmp_path / "disk"
    if not mounted(folder, "size=64m"):
        pytest.skip("only root can mount a small disk here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], capture_output=True, check=True)


def test_a_read_only_disk_is_told_and_can_still_be_read_and_verified(small_disk: Path) -> None:
    folder = small_disk / "w"
    load_rows(folder, rows("a"))
    remount(small_disk, "ro")
    with pytest.raises(WarehouseError, match="cannot be written to"):
        open_store(folder)
    assert cases_seen(folder) == 4
    assert verify(folder).is_sound
    remount(small_disk, "rw")
    load_rows(folder, rows("b"), source="b.csv")
    assert cases_seen(folder) == 8


# ---- a full disk


OFTEN, AT_LENGTH = (8, 600, 1200, 2000), (0, 100, 200, 400, 800, 1000, 1400, 1600, 1800, 2400, 2800, 3200, 4000)


@pytest.mark.parametrize("spare", [*OFTEN, *(pytest.param(n, marks=pytest.mark.slow) for n in AT_LENGTH)])
def test_a_full_disk_is_told_and_nothing_is_lost(small_disk: Path, spare: int) -> None:
    """``spare`` kibibytes are left, so that the disk is full at another step each time."""
    folder = small_disk / "w"
    load_rows(folder, rows("a"))
    filler = small_disk / "filler"
    free = os.statvfs(small_disk).f_bavail * os.statvfs(small_disk).f_frsize
    filler.write_bytes(b"x" * max(0, free - spare * 1024))
    told = ""
    try:
        load_rows(folder, rows("b", 1500), source="b.csv")
    except MentonError as error:
        told = error.sentence()
        assert "disk is full" in told
        assert "as it was before" not in told, "rows that were loaded stay"
        assert list(folder.glob("mart-*.draft*")) == []
        assert_plain(told)
    if spare <= 800:
        assert told, "the disk was meant to be too small"
    filler.unlink()
    assert cases_seen(folder) == (4 if told else 1504)
    assert verify(folder).is_sound
    load_rows(folder, rows("b", 1500), source="b.csv")
    assert cases_seen(folder) == 1504
    assert verify(folder).is_sound


def test_a_disk_that_takes_no_larger_file_is_told(tmp_path: Path) -> None:
    """The limit on the size of a file of one process stands for a full disk where no disk can be mounted."""
    folder = tmp_path / "w"
    load_rows(folder, rows("a"))
    script = (
        "import resource, signal, sys; from pathlib import Path\n"
        "from pipelines.cli import main\n"
        "import pandas, polars, duckdb\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))\n"
        "sys.exit(main(['publish', '--warehouse', sys.argv[1]]))"
    )
    done = subprocess.run([python(), "-c", script, str(folder)], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert_plain(done.stderr)
    assert cases_seen(folder) == 4
    assert main(["publish", "--warehouse", str(folder)]) == 0
    assert verify(folder).is_sound


# ---- the clock


def test_a_clock_that_goes_back_changes_no_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    load_rows(tmp_path, rows("a", 2))
    long_ago = datetime(1999, 12, 31, 23, 59, 59)
    for module in (
        "pipelines.ingest.loading",
        "warehouse.marts.publish",
        "warehouse.store.store",
        "warehouse.marts.catalogues",
    ):
        monkeypatch.setattr(f"{module}.utc_now", lambda: long_ago)
    changed = [made_case("a 0", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=39.0)]
    load_rows(tmp_path, changed, source="corrected.csv")
    with Reader.open(tmp_path) as reader:
        found = reader.connection.rows("select sn_gogn_deg__after from mart_spans order by 1")
        assert reader.snapshot.published_at == "1999-12-31T23:59:59Z"
    assert found == [(33.0,), (39.0,)]
    assert verify(tmp_path).is_sound


# ---- a file that changes while it is read


def test_a_file_that_grows_while_it_is_read_is_refused_and_taken_once_it_stands_still(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, path = tmp_path / "w", tmp_path / "cases.csv"
    path.write_text(HEADER + ROW.format(1), encoding="utf-8")
    plain = reading_source._read

    def grow(*words: object) -> object:
        got = plain(*words)  # type: ignore[arg-type]
        with path.open("a", encoding="utf-8") as stream:
            stream.write(ROW.format(2))
        return got

    with monkeypatch.context() as patched:
        patched.setattr(reading_source, "_read", grow)
        with pytest.raises(BadFileError, match="changed while"):
            ingest(Request(paths=(path,), warehouse=folder))
    assert not folder.exists()
    assert ingest(Request(paths=(path,), warehouse=folder)).loaded[0].n_loaded == 2
    assert verify(folder).is_sound


# ---- publishing fails after the rows were loaded


def test_rows_loaded_before_a_failed_publishing_are_kept_and_published_by_the_next_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, path = tmp_path / "w", tmp_path / "cases.csv"
    path.write_text(HEADER + ROW.format(1), encoding="utf-8")

    def fail(*_: object, **__: object) -> None:
        raise WarehouseError("the disk is full")

    with monkeypatch.context() as patched:
        patched.setattr("warehouse.marts.publish.point_to", fail)
        with pytest.raises(WarehouseError, match="the rows are in the store, but they are not published yet"):
            ingest(Request(paths=(path,), warehouse=folder))
    outcome = ingest(Request(paths=(path,), warehouse=folder))
    assert [one.load_id for one in outcome.skipped] == [1]
    assert cases_seen(folder) == 1
    assert verify(folder).notes == ()


def test_a_load_that_fails_in_the_middle_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    load_rows(tmp_path, rows("a"))

    def fail(*_: object, **__: object) -> None:
        raise WarehouseError("the disk is full")

    with monkeypatch.context() as patched, open_store(tmp_path) as store:
        patched.setattr("pipelines.ingest.loading._keep_reasons", fail)
        with pytest.raises(WarehouseError):
            load(store, [(sorted_delivery(rows("b"), source="b.csv"), "r")], contract_version="1")
        publish(tmp_path, store)
    with Connection(tmp_path / STORE, read_only=True) as store:
        assert store.value("select count(*) from case_registry") == 4
    assert cases_seen(tmp_path) == 4
    assert verify(tmp_path).is_sound
