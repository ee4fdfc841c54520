"""Commands run from a page: draft a mapping, rehearse on a copy, load; and any other with what was filled in.

All work is done by the ``menton`` command in a process of its own. Files are written to a folder that only this user
can read, and removed with everything made of them when the step ends. The rehearsal is a full load into a copy of the
store, so that what it says is what the load will do.
"""

import hashlib
import os
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Container, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory, mkdtemp

from dashboard.access.working import OpenWarehouse
from warehouse.errors import CONFIRMED, RequestError
from warehouse.private_files import beside
from warehouse.store.snapshot import POINTER, current_snapshot
from warehouse.store.store import STORE
from warehouse.upkeep.data_quality import LoadPreview
from warehouse.words.sentences import say

OWN_SCREEN = "MENTON_OWN_SCREEN"
"""Variable that tells a command that what it says is shown to the owner of the files alone."""

MENTON = (sys.executable, "-m", "pipelines.cli")
PATIENCE_SECONDS = 3600


@dataclass(frozen=True, slots=True)
class UploadedFile:
    """A file as the browser handed it over."""

    name: str
    content: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """What is to be brought in: files, the mapping as text (None: contract names), and the practice (may be empty)."""

    files: tuple[UploadedFile, ...]
    mapping: str | None
    practice: str
    confirmed: bool = False  # Whether what looks like a slip was said to be meant

    @property
    def fingerprint(self) -> str:
        """Tells one delivery from another, so that only what was rehearsed is loaded."""
        digest = hashlib.sha256(repr((self.mapping, self.practice, self.confirmed)).encode())
        for file in self.files:
            digest.update(file.name.encode() + b"\0" + hashlib.sha256(file.content).digest())
        return digest.hexdigest()


@dataclass(frozen=True, slots=True)
class Told:
    """What a command answered: whether it went well, what it printed, and what it said beside that."""

    is_well: bool
    printed: str
    said: str

    @property
    def asks(self) -> bool:
        """Whether it changed nothing because something has to be confirmed first."""
        return not self.is_well and CONFIRMED in self.said


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What a load would do; without a preview where it would be refused."""

    fingerprint: str
    told: Told
    preview: LoadPreview | None


def draft(files: Sequence[UploadedFile], place: OpenWarehouse, earlier: str | None) -> Told:
    """A mapping proposed for files (printed, as JSON), going on from an earlier or the nearest remembered one."""
    with _workplace() as room:
        words = ["draft-mapping", "--json", *(str(_written(room, file)) for file in files)]
        if earlier:
            words += ["--from", str(_mapping(room, earlier))]
        else:
            words += ["--remembered", str(beside(place.folder, "mappings").resolve())]
        return _run(words, room)


def rehearse(delivered: Delivered, place: OpenWarehouse) -> Rehearsal:
    """Load into a copy of the store, look at what it kept, and throw the copy away."""
    from warehouse.marts.reader import Reader
    from warehouse.upkeep.data_quality import load_preview

    with _workplace() as room:
        copy = room / "rehearsal"
        copy.mkdir()
        if (place.folder / STORE).exists():
            shutil.copy2(place.folder / STORE, copy / STORE)
        if beside(place.folder, "mappings").exists():
            shutil.copytree(beside(place.folder, "mappings"), beside(copy, "mappings"))
        key = place.case_key_file or beside(place.folder, "key")
        key = key if key.exists() else beside(copy, "key")
        told = _ingest(delivered, room, replace(place, folder=copy, case_key_file=key))
        if not told.is_well:
            return Rehearsal(delivered.fingerprint, told, None)
        with Reader.open(copy, key=place.encryption_key()) as reader:
            return Rehearsal(delivered.fingerprint, told, load_preview(reader, after=_last_load(place)))


def bring_in(delivered: Delivered, place: OpenWarehouse) -> Told:
    """Load for good."""
    with _workplace() as room:
        return _ingest(delivered, room, place)


def _last_load(place: OpenWarehouse) -> int:
    from warehouse.marts.reader import Reader

    if not (place.folder / POINTER).exists():
        return 0
    current_snapshot(place.folder)
    with Reader.open(place.folder, key=place.encryption_key()) as reader:
        return int(reader.connection.value("select last_load from mart_build"))


@contextmanager
def _workplace() -> Iterator[Path]:
    with TemporaryDirectory(prefix="menton-") as room:
        yield Path(room)


def _written(room: Path, file: UploadedFile) -> Path:
    path = Path(mkdtemp(dir=room)) / Path(file.name).name  # apart: two of one name are two files
    path.write_bytes(file.content)
    return path


def take_back(words: Sequence[str], place: OpenWarehouse, *, numbers: Sequence[str] = ()) -> Told:
    """Run a command that takes something back; numbers of cases go by its standard input, where nobody sees them."""
    with _workplace() as room:
        asked = OF_WAREHOUSE[: 2 if words[0] == "undo" else 3]
        return _run([*words, *of_place(place, asked)], room, given="\n".join(numbers))


@dataclass(frozen=True, slots=True)
class Opened:
    """A ZIP handed over, which a command is given as the folder in it."""

    file: UploadedFile


@dataclass(frozen=True, slots=True)
class Done:
    """What a command answered, and the files it made: name and content."""

    told: Told
    made: tuple[tuple[str, bytes], ...]


MOST_TIMES, ALWAYS = 100, 2**26
"""How much larger than itself what a ZIP holds may be, and how many bytes are always opened."""


def form_of(command: Sequence[str]) -> str:
    """What a command asks, as JSON."""
    with _workplace() as room:
        return _run(["--form", *command], room).printed


def carried_out(
    command: Sequence[str], words: Sequence[str | UploadedFile | Opened], *, made: Mapping[str, str]
) -> Done:
    """Run a command; ``made`` says by which option it is told to write which file or folder, which is given back."""
    with _workplace() as room:
        out = room / "made"
        out.mkdir()
        outs = [word for option, name in made.items() for word in (option, str(out / name))]
        try:
            given = [one if isinstance(one, str) else str(_handed(room, one)) for one in words]
        except (zipfile.BadZipFile, RequestError):
            return Done(Told(False, "", say("job.no_zip")), ())
        told = _run([*command, *outs, *given], room)
        told = replace(
            told, **{name: getattr(told, name).replace(f"{out}{os.sep}", "") for name in ("printed", "said")}
        )
        return Done(told, tuple(_taken(path) for path in sorted(out.iterdir())))


def _handed(room: Path, one: UploadedFile | Opened) -> Path:
    if isinstance(one, UploadedFile):
        return _written(room, one)
    with zipfile.ZipFile(BytesIO(one.file.content)) as held:
        if sum(entry.file_size for entry in held.infolist()) > ALWAYS + MOST_TIMES * len(one.file.content):
            raise RequestError(say("job.no_zip"))
        opened = Path(mkdtemp(dir=room))
        held.extractall(opened)
    within = list(opened.iterdir())
    return within[0] if len(within) == 1 and within[0].is_dir() else opened


def _taken(path: Path) -> tuple[str, bytes]:
    if path.is_file():
        return path.name, path.read_bytes()
    held = BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as into:
        for one in sorted(path.rglob("*")):
            into.write(one, one.relative_to(path.parent))
    return f"{path.name}.zip", held.getvalue()


def _mapping(room: Path, text: str) -> Path:
    path = room / "mapping.toml"
    path.write_text(text, encoding="utf-8", newline="\n")
    return path


OF_WAREHOUSE = ("--warehouse", "--encryption-key-file", "--key-file")


def of_place(place: OpenWarehouse, asked: Container[str]) -> list[str]:
    """Where the warehouse, its keys and the group's folder lie, as far as a command asks."""
    paths = (place.folder, place.encryption_key_file, place.case_key_file, place.folder.with_name("study-group"))
    known = zip((*OF_WAREHOUSE, "--group"), paths, strict=True)
    return [word for name, path in known if path and name in asked for word in (name, str(path.resolve()))]


def _ingest(delivered: Delivered, room: Path, place: OpenWarehouse) -> Told:
    words = ["ingest", *(str(_written(room, file)) for file in delivered.files), *of_place(place, OF_WAREHOUSE)]
    if delivered.confirmed:
        words.append(CONFIRMED)
    if delivered.mapping is not None:
        words += ["--mapping", str(_mapping(room, delivered.mapping))]
    if delivered.practice:
        words += ["--practice", delivered.practice]
    return _run(words, room)


def _run(words: Sequence[str], room: Path, given: str = "") -> Told:
    places = dict.fromkeys(("TMPDIR", "TEMP", "TMP"), str(room))
    environment = os.environ | places | {"PYTHONUTF8": "1", OWN_SCREEN: "1", "COLUMNS": "140"}
    done = subprocess.run(
        [*MENTON, *words],
        cwd=room,
        env=environment,
        input=given,
        capture_output=True,
        encoding="utf-8",
        errors="replace",
        timeout=PATIENCE_SECONDS,
        check=False,
    )
    said = "\n".join(line for line in done.stderr.splitlines() if not line.startswith("  …"))
    # a load that takes no row in exits with 1 and prints why; a refusal says its reason on the other stream
    is_well = done.returncode == 0 or (done.returncode == 1 and bool(done.stdout) and not said)
    return Told(is_well, done.stdout, said.removeprefix("menton: ").strip())
