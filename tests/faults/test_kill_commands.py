"""Commands killed (SIGKILL) at any of their steps: nothing half done counts or is lost, and the next run succeeds.

The step is chosen beforehand (``stepped.py``), so the moment does not depend on the machine. Kills of loading and
publishing are in ``test_kill.py``.
"""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from pipelines.cli import main
from pipelines.deidentify.keyer import Keyer
from pipelines.group.container import unpack
from pipelines.group.container import unseal as unseal_with
from pipelines.group.copies import faults_of
from pipelines.group.folder import RECORD, GroupFolder
from pipelines.group.keys import read_group_keys
from pipelines.group.taking import members
from tests.faults.keep_schema import CASES as CASES_KEPT
from tests.faults.keep_schema import unpack as unpack_schema
from tests.faults.stepper import Stepper
from tests.hand_made import load_rows, made_case
from warehouse.errors import BadFileError, KeyProblemError
from warehouse.marts.reader import Reader
from warehouse.pooled.history import RECORD_FILE as CONTRIBUTIONS
from warehouse.private_files import beside
from warehouse.store.record_chain import RecordChain
from warehouse.store.storage import Connection
from warehouse.store.store import STORE
from warehouse.upkeep.backup import MANIFEST, backup, read_backup
from warehouse.upkeep.verify import verify

pytestmark = pytest.mark.skipif(os.name == "nt", reason="SIGKILL and fork are of POSIX systems")
KEYS = ("the-first-key-of-the-tests", "the-second-key-of-the-tests")
NOW, EARLIER = 24, 20
"""Cases of the warehouse, and of it when the backup was made."""
MARKER = "XPLAINMARKERX"
FORGOTTEN, SECOND = "QX-0417", "QX-9021"
"""The practice's own numbers of two of the cases."""


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Everything the commands need, made once and copied for every kill."""
    home = tmp_path_factory.mktemp("home")
    rows = [
        made_case(f"c{n}", clinician=MARKER, sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0 + n % 5)
        for n in range(NOW)
    ]
    for row, number in zip(rows, (FORGOTTEN, SECOND), strict=False):
        row["case_id"] = Keyer.from_file(home / "w.key").possible("HARBOUR", number)[0]
    load_rows(home / "w", rows[:EARLIER])
    backup(home / "w", home / "b")
    load_rows(home / "w", rows[EARLIER:], source="later.csv")
    for number, key in enumerate(KEYS, start=1):
        (home / f"k{number}").write_text(key, encoding="utf-8")
        (home / f"k{number}").chmod(0o600)
    shutil.copytree(home / "w", home / "e")
    assert main(["rekey", "--warehouse", str(home / "e"), "--new-key-file", str(home / "k1")]) == 0
    unpack_schema(1, home / "s")
    group = ["--group", str(home / "bay")]
    assert main(["group", "init", *group, "--name", "Lantern Bay"]) == 0
    assert main(["group", "agreement", *group, "--warehouse", str(home / "none"), "--variables", "sex,extraction",
                 "--by", "extraction", "--years", "2016-2023", "--k", "3"]) == 0  # fmt: skip
    assert main(["group", "invite", *group, "--count", "1", "--out", str(home / "invitations")]) == 0
    shutil.copytree(home / "w", home / "t")
    assert main(contribute(home, "t", "taken.age")) == 0
    shutil.copytree(home / "bay", home / "held")
    shutil.copy(home / "bay.key", home / "held.key")
    assert main(["group", "take", "--group", str(home / "held"), str(home / "taken.age")]) == 0
    assert main(["group", "backup", "--group", str(home / "held"), "--out", str(home / "copy")]) == 0
    return home


def cases_of(folder: Path, key: str | None = None) -> int:
    """Current cases of the store as the next program finds them."""
    with Connection(folder / STORE, read_only=True, key=key) as store:
        return int(store.value("select count(*) from cases where replaced_by is null"))


def cases_seen(folder: Path, key: str | None = None) -> int:
    with Reader.open(folder, key=key) as reader:
        return int(reader.connection.value("select count(*) from mart_cases"))


def is_clean(folder: Path, n: int, key: str | None = None) -> bool:
    """Whether everything is in order, and readers see all cases."""
    found = verify(folder, key=key)
    return found.is_sound and found.notes == () and cases_seen(folder, key) == cases_of(folder, key) == n


# ---- contributing, and taking in


def contribute(home: Path, data: str, out: str) -> list[str]:
    agreement = str(home / "invitations" / "invitation-001.json")
    words = ["contribute", "--warehouse", str(home / data), "--agreement", agreement, "--level", "counts"]
    return [*words, "--out", str(home / out), "--consent"]


def after_contributing(home: Path) -> None:
    entries = RecordChain(home / "w" / CONTRIBUTIONS).read()
    assert verify(home / "w").is_sound
    assert cases_seen(home / "w") == NOW
    if (home / "h.age").exists():
        assert len(entries) == 1
        unpack(unseal_with((home / "h.age").read_bytes(), read_group_keys(beside(home / "bay", "key"))))
    else:
        assert len(entries) <= 1


def contribute_again(home: Path, stepper: Stepper) -> None:
    assert stepper.run(contribute(home, "w", "again.age"))[0] == 0, stepper.said()
    numbers = [entry["sequence"] for entry in RecordChain(home / "w" / CONTRIBUTIONS).read()]
    assert numbers == list(range(1, len(numbers) + 1))
    assert stepper.run(take(home, "again.age"))[0] == 0, stepper.said()


def take(home: Path, file: str = "taken.age") -> list[str]:
    return ["group", "take", "--group", str(home / "bay"), str(home / file)]


def taken_in(home: Path) -> int:
    return sum(entry["what"] == "took in" for entry in RecordChain(home / "bay" / RECORD).read())


def after_taking(home: Path) -> None:
    assert taken_in(home) <= 1
    assert main(["group", "list", "--group", str(home / "bay")]) == 0


def take_again(home: Path, stepper: Stepper) -> None:
    was_in = taken_in(home)
    code, _ = stepper.run(take(home))
    assert code == was_in, stepper.said()  # what counts already is refused, not taken twice
    assert taken_in(home) == 1
    assert main(["group", "list", "--group", str(home / "bay")]) == 0


# ---- keys and copies of a group


def renew(home: Path) -> list[str]:
    return ["group", "coordinators", "--group", str(home / "held"), "--renew"]


def after_renewing(home: Path) -> None:
    """What the practice sent counts, and one of the keys that lie there opens it."""
    keys = [read_group_keys(path) for path in home.glob("held.key*") if not path.name.endswith(".draft")]
    ((pseudonym, one),) = GroupFolder(home / "held", home / "held.key").state().practices.items()
    assert (
        unpack(unseal_with((home / "held" / "taken" / one.file).read_bytes(), *keys)).manifest["pseudonym"] == pseudonym
    )


def renew_again(home: Path, stepper: Stepper) -> None:
    assert stepper.run(renew(home))[0] == 0, stepper.said()
    assert main(["group", "verify", "--group", str(home / "held")]) == 0
    assert not (home / "held.key.next").exists()
    folder = GroupFolder(home / "held", home / "held.key")
    assert len(members(folder, folder.agreement())[0]) == 1


def restore_group(home: Path) -> list[str]:
    return ["group", "restore", "--group", str(home / "held"), "--from", str(home / "copy"), "--replace"]


def after_restoring_group(home: Path) -> None:
    """The folder is in its place, or lies aside as it was."""
    places = [path for path in (home / "held", *home.glob("held.before-*")) if path.exists()]
    assert places
    assert faults_of(GroupFolder(places[-1], home / "held.key")) == []


def restore_group_again(home: Path, stepper: Stepper) -> None:
    assert stepper.run(restore_group(home))[0] == 0, stepper.said()
    assert main(["group", "verify", "--group", str(home / "held")]) == 0


# ---- an upgrade


def upgrade(home: Path) -> list[str]:
    return ["publish", "--warehouse", str(home / "s")]


def after_upgrading(home: Path) -> None:
    assert verify(home / "s").is_sound
    assert cases_of(home / "s") == CASES_KEPT


def upgrade_again(home: Path, stepper: Stepper) -> None:
    assert stepper.run(upgrade(home))[0] == 0, stepper.said()
    assert is_clean(home / "s", CASES_KEPT)


# ---- backup and restore


def back_up(home: Path, out: str = "new") -> list[str]:
    return ["backup", "--warehouse", str(home / "w"), "--out", str(home / out)]


def after_backing_up(home: Path) -> None:
    assert is_clean(home / "w", NOW)
    if (home / "new" / MANIFEST).exists():
        assert read_backup(home / "new").n_cases == NOW
    else:
        with pytest.raises(BadFileError, match="no complete backup"):
            read_backup(home / "new")


def back_up_again(home: Path, stepper: Stepper) -> None:
    assert stepper.run(back_up(home, "newer"))[0] == 0, stepper.said()
    assert read_backup(home / "newer").n_cases == NOW


def put_back(home: Path) -> list[str]:
    return ["restore", "--warehouse", str(home / "fresh"), "--from", str(home / "b")]


def after_putting_back(home: Path) -> None:
    if (home / "fresh" / STORE).exists():
        assert is_clean(home / "fresh", EARLIER)
    else:
        assert not (home / "fresh").exists()
    assert read_backup(home / "b").n_cases == EARLIER


def put_back_again(home: Path, stepper: Stepper) -> None:
    replace = ["--replace"] if (home / "fresh").exists() else []
    assert stepper.run([*put_back(home), *replace])[0] == 0, stepper.said()
    assert is_clean(home / "fresh", EARLIER)


def replace_by(home: Path) -> list[str]:
    return ["restore", "--warehouse", str(home / "w"), "--from", str(home / "b"), "--replace"]


def after_replacing(home: Path) -> None:
    """The warehouse of before is in its place or aside, whole; the one restored is whole where it is in place."""
    aside = list(home.glob("w.before-*"))
    assert len(aside) <= 1
    if aside:
        assert is_clean(aside[0], NOW)
        assert not (home / "w").exists() or is_clean(home / "w", EARLIER)
    else:
        assert is_clean(home / "w", NOW)


def replace_again(home: Path, stepper: Stepper) -> None:
    assert stepper.run(replace_by(home))[0] == 0, stepper.said()
    assert is_clean(home / "w", EARLIER)
    assert not (home / "w.restoring").exists()


# ---- a change of key


@dataclass(frozen=True)
class Rekeying:
    """Changing the key of one of the warehouses."""

    folder: str
    old: int
    new: int

    def words(self, home: Path, *, old: int | None = None) -> list[str]:
        given = self.old if old is None else old
        known = ["--encryption-key-file", str(home / f"k{given}")] if given else []
        wanted = ["--new-key-file", str(home / f"k{self.new}")] if self.new else ["--no-encryption"]
        return ["rekey", "--warehouse", str(home / self.folder), *known, *wanted]

    def key_that_opens(self, home: Path) -> int:
        for number in (self.old, self.new):
            try:
                found = cases_of(home / self.folder, key_of(number))
            except KeyProblemError:
                continue
            assert found == NOW
            return number
        raise AssertionError("no key opens the warehouse")

    def after(self, home: Path) -> None:
        number = self.key_that_opens(home)
        wrong = verify(home / self.folder, key=key_of(number)).faults
        assert {fault.check for fault in wrong} <= {"published_snapshot_is_readable"}
        assert not wrong or number == self.new  # the snapshot under the old key goes with the next publishing

    def again(self, home: Path, stepper: Stepper) -> None:
        number = self.key_that_opens(home)
        words = self.words(home)
        if number == self.new:
            known = ["--encryption-key-file", str(home / f"k{number}")] if number else []
            words = ["publish", "--warehouse", str(home / self.folder), *known]
        assert stepper.run(words)[0] == 0, stepper.said()
        assert is_clean(home / self.folder, NOW, key_of(self.new))
        assert not list((home / self.folder).glob("*.rekeyed*"))
        files = [path.read_bytes() for path in (home / self.folder).rglob("*") if path.is_file()]
        assert any(MARKER.encode() in data for data in files) == (self.new == 0)


def key_of(number: int) -> str | None:
    return KEYS[number - 1] if number else None


@dataclass(frozen=True)
class Job:
    """A command, what must hold after it was killed, and the next run."""

    needs: tuple[str, ...]
    words: Callable[[Path], list[str]]
    after: Callable[[Path], None]
    again: Callable[[Path, Stepper], None]

    def prepared(self, home: Path, place: Path) -> Path:
        """A place of its own with copies of what the command needs."""
        place.mkdir()
        for name in self.needs:
            (shutil.copytree if (home / name).is_dir() else shutil.copy)(home / name, place / name)
        return place


# ---- taking back


def taken_back(home: Path, *words: str) -> list[str]:
    return [*words, "--warehouse", str(home / "w"), "--yes"]


def forget_words(home: Path) -> list[str]:
    return taken_back(home, "forget", FORGOTTEN, "--practice", "HARBOUR")


def after_forgetting(home: Path) -> None:
    """Forgotten or joined: the store has one case fewer or not, and is sound; readers see one build or the other."""
    assert cases_of(home / "w") in {NOW, NOW - 1}
    assert verify(home / "w").is_sound
    assert cases_seen(home / "w") in {NOW, NOW - 1}


def forget_again(home: Path, stepper: Stepper) -> None:
    code, _ = stepper.run(forget_words(home))
    if code:  # it was whole when it was killed
        assert code == 1
        assert "no such case" in stepper.said()
    assert is_clean(home / "w", NOW - 1)
    assert len(list((home / "w").glob("*.duckdb"))) == 2
    known = Keyer.from_file(home / "w.key").possible("HARBOUR", FORGOTTEN)[0]
    assert not [path for path in (home / "w").rglob("*") if path.is_file() and known.encode() in path.read_bytes()]


def undo_words(home: Path) -> list[str]:
    return taken_back(home, "undo", "2")


def after_undoing(home: Path) -> None:
    assert cases_of(home / "w") in {NOW, EARLIER}
    assert verify(home / "w").is_sound


def undo_again(home: Path, stepper: Stepper) -> None:
    code, _ = stepper.run(undo_words(home))
    assert code == 0 or "taken back already" in stepper.said()
    assert is_clean(home / "w", EARLIER)


def join_words(home: Path) -> list[str]:
    return taken_back(home, "join", FORGOTTEN, SECOND, "--practice", "HARBOUR")


def join_again(home: Path, stepper: Stepper) -> None:
    code, _ = stepper.run(join_words(home))
    assert code == 0 or "two spellings of one number already" in stepper.said()
    assert is_clean(home / "w", NOW - 1)
    second = Keyer.from_file(home / "w.key").possible("HARBOUR", SECOND)[0]
    with Connection(home / "w" / STORE, read_only=True) as store:
        assert store.value("select count(*) from case_registry where case_key = ?", [second]) == 0


def rename_words(home: Path) -> list[str]:
    return taken_back(home, "rename-practice", "HARBOUR", "QUARRY")


def practices_of(home: Path) -> set[str]:
    with Connection(home / "w" / STORE, read_only=True) as store:
        return {str(practice) for (practice,) in store.rows("select practice from case_registry")}


def after_renaming(home: Path) -> None:
    """Every case has one name or the other, and readers see them all."""
    assert practices_of(home) in ({"HARBOUR"}, {"QUARRY"})
    assert verify(home / "w").is_sound
    assert cases_seen(home / "w") == NOW


def rename_again(home: Path, stepper: Stepper) -> None:
    code, _ = stepper.run(rename_words(home))
    assert code == 0 or "there is no practice HARBOUR" in stepper.said()
    assert practices_of(home) == {"QUARRY"}
    assert is_clean(home / "w", NOW)
    with Reader.open(home / "w") as reader:
        assert reader.practices == ("QUARRY",)
    assert not [path.name for path in (home / "w").glob("*.duckdb") if b"HARBOUR" in path.read_bytes()]


ENCRYPT, RENEW, DECRYPT = Rekeying("w", 0, 1), Rekeying("e", 1, 2), Rekeying("e", 1, 0)
JOBS = {
    "contribute": Job(
        ("w", "bay", "bay.key", "invitations"),
        lambda home: contribute(home, "w", "h.age"),
        after_contributing,
        contribute_again,
    ),
    "take in": Job(("bay", "bay.key", "taken.age"), take, after_taking, take_again),
    "renew group keys": Job(("held", "held.key"), renew, after_renewing, renew_again),
    "restore group": Job(("held", "held.key", "copy"), restore_group, after_restoring_group, restore_group_again),
    "upgrade": Job(("s",), upgrade, after_upgrading, upgrade_again),
    "backup": Job(("w",), back_up, after_backing_up, back_up_again),
    "restore": Job(("b",), put_back, after_putting_back, put_back_again),
    "restore over": Job(("w", "b"), replace_by, after_replacing, replace_again),
    "forget": Job(("w", "w.key"), forget_words, after_forgetting, forget_again),
    "undo": Job(("w", "w.key"), undo_words, after_undoing, undo_again),
    "join": Job(("w", "w.key"), join_words, after_forgetting, join_again),
    "rename": Job(("w", "w.key"), rename_words, after_renaming, rename_again),
    "encrypt": Job(("w", "k1"), ENCRYPT.words, ENCRYPT.after, ENCRYPT.again),
    "change key": Job(("e", "k1", "k2"), RENEW.words, RENEW.after, RENEW.again),
    "decrypt": Job(("e", "k1"), DECRYPT.words, DECRYPT.after, DECRYPT.again),
}


def steps_of(job: Job, home: Path, stepper: Stepper, place: Path) -> int:
    """How many steps the command takes when nothing stops it."""
    code, steps = stepper.run(job.words(job.prepared(home, place)), counted=True)
    assert code == 0, stepper.said()
    shutil.rmtree(place)
    return steps


def kill_at(job: Job, home: Path, stepper: Stepper, place: Path, step: int, within: float | None) -> bool:
    """Kill the command at a step, check, run it again; gives whether it was killed before it ended.

    A run may take a step or two fewer than the one that was counted, and end before it comes to the last of them.
    """
    job.prepared(home, place)
    code, _ = stepper.run(job.words(place), kill=step, within=within)
    assert code in {-9, 0}, stepper.said()
    job.after(place)
    if code == -9:
        job.again(place, stepper)
    shutil.rmtree(place)
    return code == -9


@pytest.mark.parametrize("name", JOBS)
def test_a_command_killed_at_a_few_of_its_steps_leaves_nothing_half_done(
    name: str, home: Path, stepper: Stepper, tmp_path: Path, count: Callable[[str, str, int], None]
) -> None:
    job = JOBS[name]
    steps = steps_of(job, home, stepper, tmp_path / "h")
    chosen = [steps - 8] if name in {"join", "rename"} else [steps // 2, steps - 8]
    killed = [kill_at(job, home, stepper, tmp_path / "h", step, None) for step in chosen]
    assert any(killed)
    count("kills", name, sum(killed))


@pytest.mark.slow
@pytest.mark.parametrize("name", JOBS)
def test_a_command_killed_at_many_of_its_steps_and_within_them_leaves_nothing_half_done(
    name: str, home: Path, stepper: Stepper, tmp_path: Path, count: Callable[[str, str, int], None]
) -> None:
    job, rng = JOBS[name], random.Random(name)
    steps = steps_of(job, home, stepper, tmp_path / "h")
    before = sorted({*range(max(1, steps - 14), steps + 1), *rng.choices(range(1, steps + 1), k=12)})
    killed = [kill_at(job, home, stepper, tmp_path / "h", step, None) for step in before]
    assert sum(killed) > len(before) / 2
    within = [(rng.randint(1, steps), rng.uniform(0, 0.02)) for _ in range(10)]
    killed += [kill_at(job, home, stepper, tmp_path / "h", step, seconds) for step, seconds in within]
    count("kills", name, sum(killed))
