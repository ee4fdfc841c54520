"""Fuzzing in one process: valid inputs changed at random, given to every door through which foreign bytes come in.

Each door either gives what it promises or refuses with one error of the program's own. Anything else ends the run with
the input that did it: another exception, a crash of a library, more than ``LIMIT`` seconds of processor time for one
input, or a result that is not sound. Input ``n`` of a door is always the same, so a failure can be repeated with
``python -m tests.faults.fuzzing DOOR N``.

``python -m tests.faults.fuzzing all 1000000`` runs every door, each with its share, and prints inputs a second.
"""

from __future__ import annotations

import faulthandler
import hashlib
import io
import json
import os
import random
import sys
import time
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO

import openpyxl
import polars as pl

from dashboard.access.viewer import access_list
from pipelines.contract.contract import load_contract
from pipelines.contract.delivery import RawTable
from pipelines.deidentify.keyer import Keyer
from pipelines.group.container import seal, unpack, unseal
from pipelines.group.contribution import case_bytes, check_manifest, read_cases
from pipelines.group.keys import GroupKeys, PracticeKey
from pipelines.group.signed_file import agreement_text, offered_from, read_json, succeeded
from pipelines.ingest.growth_table import read_growth_table
from pipelines.interpreting.interpret import interpret
from pipelines.mapping.column_mapping import identity_mapping
from pipelines.mapping.file_columns import check_columns
from pipelines.mapping.mapping_file import load_mapping
from pipelines.reading import files, source
from pipelines.reading.settings import ReadSettings
from pipelines.reading.source import FileBytes
from tests.study_group import agreement
from warehouse.errors import MentonError
from warehouse.measures.catalogue import CATALOGUE, load_own_measures
from warehouse.outcomes.registry import Registry, load_definitions, shipped_registry
from warehouse.questions.plan_file import EXAMPLE as PLAN
from warehouse.questions.plan_file import load_plan
from warehouse.store.chain import canonical

LIMIT = 20.0
"""Most seconds of processor time for one input; a usual one takes milliseconds."""

ROUND = 250
"""Inputs between two settings of the alarm that ends a hang inside a library."""

PIECES = (
    b'"', b"'", b"\x00", b"\n", b"\r", b";", b",", b"\t", b"|", b"\xff", b"\xef\xbb\xbf", b"\xff\xfe", b"=", b"[", b"]",
    b"{", b"}", b"[[", b"<c r='ZZ9'>", b"9" * 400, b"-", b"1e999", b"NaN", b"null", b"true", b"2020-05-27", b"#",
    b"\\u0000", b"\\ud800", b"a.b.c", b"sep=;\n", b"A" * 3000, b"\xc3\xa4", b"\xe2\x80\x8b", b"0x", b"[[[[[[[[", b'"""',
)  # fmt: skip

WIDE = (
    "case_id,sex,age_at_start,selection,status,comparison,phase_1_appliance_category,months_from_start_finish,"
    "mouth_posture_start,extracted_teeth,sn_gogn_deg_start,sn_gogn_deg_finish\n"
    "c1,female,11,consecutive,finished,treated,fixed_labial,24,open,14 24,32,33.5\n"
    'c2,male,"12.5",consecutive,in_treatment,treated,,,,none,30,\n'
    "c3,unknown,,selected,finished,untreated,untreated,36,closed,,28.25,29\n"
)
POINTS = (
    '[{"case_id": "17", "timepoint": "start", "view": "lateral_radiograph", "unit": "px", "y_axis": "down",'
    ' "faces": "right", "points": {"S": [812.5, 640.0], "N": [1302, 571.5], "Me": null}}]'
)
RECORDS = '[{"case_id": "1", "x": 1.5, "y": null}, {"case_id": "2", "x": "3,5", "y": true}]'
MAPPING = """
[file]
layout = "wide"
practice = "HARBOUR"
delimiter = ";"
decimal = ","
date_order = "dmy"
header_row = 2
[columns]
"Nr" = "case_id"
"Geschl." = "sex"
"ANB 1" = "anb_deg_start"
"OJ" = "overjet_mm_start"
[codes.sex]
"W" = "female"
[units]
"OJ" = "cm"
[constants]
selection = "consecutive"
status = "finished"
comparison = "treated"
[ignored]
"Bemerkung" = "free text"
"""
MEASURE = """
[[measure]]
code = "own_gap_mm"
label = "Gap between the lips"
definition = "Distance between the lips at rest"
unit = "mm"
plausible = [0, 30]
usual = [0, 4]
up_means = "lips further apart"
sign = 1
source = "own"
"""
GROWTH = """
source = "A table of our own"
label = "Ours"
[[row]]
measure = "sn_gogn_deg"
sex = "female"
age = 8
mean = 34.5
sd = 5
[[row]]
measure = "sn_gogn_deg"
sex = "female"
age = 12
mean = 33.0
sd = 5
"""
PEOPLE = """
header = "X-Forwarded-Email"
[people."ada@lantern.example"]
role = "coordinator"
[people."bea@lantern.example"]
role = "practice"
practice = "HARBOUR"
"""
CONTRACT = load_contract()
ALLOWED = {"sex": ("female", "male"), "age_band": ("8-9", "10-11")}


@dataclass(frozen=True)
class Door:
    """Where bytes come in.

    Attributes:
        seeds: Valid inputs, as (name, bytes).
        enter: Takes a name and bytes; gives whether they were taken; raises ``MentonError`` to refuse.
        share: How many of a million inputs go here; fewer where one costs more.
        repacks: Whether a zip archive is changed inside, with sound checksums, every second time.
    """

    seeds: Callable[[], tuple[tuple[str, bytes], ...]]
    enter: Callable[[str, bytes], bool]
    share: int
    repacks: bool = False


@dataclass
class Tally:
    """What became of the inputs of a door."""

    n: int = 0
    taken: int = 0
    slowest: float = 0.0
    seconds: float = field(default=0.0)


class FoundError(AssertionError):
    """An input that did what none may do."""


# ---- changing inputs


def changed(content: bytes, rng: random.Random) -> bytes:
    """The bytes with a few random changes: flips, cuts, repeats, moves, insertions of troublesome pieces."""
    data = bytearray(content)
    for _ in range(rng.choice((1, 1, 2, 3, 6, 12))):
        at, kind = rng.randrange(len(data) + 1), rng.randrange(7)
        if kind == 0 and at < len(data):
            data[at] = rng.randrange(256)
        elif kind == 1:
            del data[at : at + rng.randint(1, 50)]
        elif kind == 2:
            data[at:at] = data[at : at + rng.randint(1, 200)]
        elif kind == 3:
            data[at:at] = rng.choice(PIECES)
        elif kind == 4:
            start = rng.randrange(len(data) + 1)
            data[at:at] = data[start : start + rng.randint(1, 40)]
        elif kind == 5 and at < len(data):
            data[at] ^= 1 << rng.randrange(8)
        elif rng.random() < 0.2:
            del data[rng.randint(len(data) // 2, len(data)) :]
    return bytes(data)


def repacked(content: bytes, rng: random.Random) -> bytes:
    """An archive with one part changed and sound checksums, so that the change reaches the parser."""
    target = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(target, "w") as new:
        chosen = rng.choice(old.namelist())
        for name in old.namelist():
            part = old.read(name)
            new.writestr(name, changed(part, rng) if name == chosen else part)
    return target.getvalue()


def input_of(name: str, door: Door, n: int) -> tuple[str, bytes]:
    """Input ``n`` of a door; the digit in the name of a changed file chooses what is stated about it."""
    rng = random.Random(f"{name} {n}")
    seeds = door.seeds()
    if n < len(seeds):
        return seeds[n]
    given, content = rng.choice(seeds)
    label = f"{Path(given).stem}{rng.randrange(len(SETTINGS))}{Path(given).suffix}"
    if door.repacks and rng.random() < 0.5:
        return label, repacked(content, rng)
    return label, changed(content, rng)


# ---- the doors


def from_memory(name: str, content: bytes) -> FileBytes:
    """As ``load_bytes`` gives a file, without a disk."""
    if not content:
        raise MentonError("the file is empty")
    data, kind = source._read(io.BytesIO(content), len(content), name)  # type: ignore[arg-type]
    return FileBytes(name, kind, data, len(data), hashlib.sha256(data).hexdigest())


def tables_in(name: str, content: bytes, settings: ReadSettings | None = None) -> list[RawTable]:
    """The tables of a file that is in memory, by way of ``read_file``."""
    on_disk, files.load_bytes = files.load_bytes, lambda _: from_memory(name, content)  # type: ignore[attr-defined]
    try:
        return files.read_file(Path(name), settings)
    finally:
        files.load_bytes = on_disk  # type: ignore[attr-defined]


def sound(tables: list[RawTable]) -> bool:
    for table in tables:
        frame = table.frame
        if not (frame.height == table.rows.len() > 0 and table.rows.is_sorted() and frame.width >= 1):
            raise FoundError("a table without rows, or with rows out of order")
        if len({column.casefold() for column in frame.columns}) != frame.width:
            raise FoundError("two columns of one name")
    if not tables:
        raise FoundError("neither a table nor a refusal")
    return True


SETTINGS = (None, None, None, ReadSettings(delimiter=";"), ReadSettings(encoding="utf-16"), ReadSettings(header_row=2),
            ReadSettings(decimal=","), ReadSettings(skip_totals=False))  # fmt: skip


def read(name: str, content: bytes) -> bool:
    number = Path(name).stem[-1]
    stated = SETTINGS[int(number)] if number.isdigit() else None
    return sound(tables_in(name, content, stated))


def bring_in(name: str, content: bytes) -> bool:
    """Read, mapped by contract names, checked and interpreted: every row read is accounted for."""
    for raw in tables_in(name, content):
        mapping = identity_mapping(raw.frame.columns, contract=CONTRACT, catalogue=CATALOGUE)
        check_columns(raw, mapping, contract=CONTRACT, catalogue=CATALOGUE)
        given = interpret(
            raw, mapping, contract=CONTRACT, catalogue=CATALOGUE, practice="HARBOUR", keyer=Keyer(bytes(range(32)))
        )
        said = [one.about for one in given.assumptions].count("rows that stand twice")
        if given.n_read != (raw.frame.unique().height if said else raw.frame.height):
            raise FoundError("rows were lost or made")
    return True


class InMemory:
    """Stands for the path of a file of settings."""

    def __init__(self, name: str, content: bytes) -> None:
        self.name, self.suffix, self.content = name, Path(name).suffix, content

    def open(self, _: str) -> io.BytesIO:
        return io.BytesIO(self.content)


def map_by(name: str, content: bytes) -> bool:
    load_mapping(InMemory(name, content), contract=CONTRACT, catalogue=CATALOGUE)  # type: ignore[arg-type]
    return True


def define_by(name: str, content: bytes) -> bool:
    Registry(load_definitions(InMemory(name, content), measures=list(CATALOGUE)))  # type: ignore[arg-type]
    return True


def measure_by(name: str, content: bytes) -> bool:
    CATALOGUE.with_own(load_own_measures(InMemory(name, content)))  # type: ignore[arg-type]
    return True


def grow_by(name: str, content: bytes) -> bool:
    read_growth_table(InMemory(name, content), measures=CATALOGUE, version="1")  # type: ignore[arg-type]
    return True


def plan_by(name: str, content: bytes) -> bool:
    load_plan(InMemory(name, content), definitions=shipped_registry())  # type: ignore[arg-type]
    return True


def admit_by(name: str, content: bytes) -> bool:
    access_list(InMemory(name, content))  # type: ignore[arg-type]
    return True


@cache
def group() -> tuple[GroupKeys, PracticeKey, str]:
    from pyrage import x25519

    identity = x25519.Identity.generate()
    keys = GroupKeys(str(identity), bytes(range(32)))
    return keys, PracticeKey(bytes(range(1, 33)), "00112233445566aa"), keys.recipient


@cache
def body() -> bytes:
    """A contribution before it is encrypted."""
    keys, practice, recipient = group()
    manifest = {
        "format": "menton contribution, version 2", "kind": "contribution", "group": practice.group,
        "round": "", "mask_key": "", "mask_signature": "",
        "agreement": "0" * 64, "sequence": 1, "made_on": "2026-01-15", "level": "cases", "cases": 4,
        "levels": {"sex": 0}, "means": {}, "invitation": "",
    }  # fmt: skip
    frame = pl.DataFrame({"sex": ["female", "male"] * 2, "age_band": ["8-9", "10-11"] * 2})
    return unseal(seal(manifest, {"cases.json": case_bytes(frame)}, practice, recipients=[recipient]), keys)


def open_envelope(_: str, content: bytes) -> bool:
    contents = unpack(content)
    check_manifest(contents.manifest)
    if content != body():
        raise FoundError("a changed contribution passed its signature")
    return True


def open_cases(_: str, content: bytes) -> bool:
    frame = read_cases(content, allowed=ALLOWED, most=1000)
    if any(set(frame[name].to_list()) - set(values) for name, values in ALLOWED.items()):
        raise FoundError("a value that was not agreed")
    return True


def open_json(_: str, content: bytes) -> bool:
    read_json(content, most=100_000, what="the tables")
    return True


def open_agreement(name: str, content: bytes) -> bool:
    offered_from(content, where=name)
    return True


# ---- valid inputs


@cache
def texts() -> tuple[tuple[str, bytes], ...]:
    rows = [["case_id", "sex", "Größe", "overjet", "date"]]
    rows += [[f"A{i}", "male", "35,2", str(i / 10), "03.04.2021"] for i in range(8)] + [["Summe", "", "", "43,5", ""]]
    text = "\r\n".join(";".join(row) for row in rows)
    quoted = "\n".join(",".join(f'"{cell}"' for cell in row) for row in rows)
    return (("f.csv", text.encode("cp1252")), ("f.txt", text.encode("utf-16")), ("f.csv", quoted.encode()),
            ("f.tsv", text.replace(";", "\t").encode()), ("f.csv", WIDE.encode()))  # fmt: skip


@cache
def workbooks() -> tuple[tuple[str, bytes], ...]:
    book, buffer, plain = openpyxl.Workbook(), io.BytesIO(), io.BytesIO()
    assert book.active is not None
    for line in WIDE.splitlines():
        book.active.append([float(cell) if cell.isdigit() else cell for cell in line.split(",")])
    book.active["B6"] = "=1+1"
    book.save(buffer)
    with zipfile.ZipFile(buffer) as old, zipfile.ZipFile(plain, "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name))
    return (("f.xlsx", buffer.getvalue()), ("f.xlsx", plain.getvalue()))


@cache
def columnar() -> tuple[tuple[str, bytes], ...]:
    found = []
    frame = pl.DataFrame({"case_id": ["a", "b", "c"], "x": [1.5, None, 2.0], "n": [1, 2, 3]})
    for codec in ("uncompressed", "snappy", "zstd"):
        buffer = io.BytesIO()
        frame.write_parquet(buffer, compression=codec)
        found.append(("f.parquet", buffer.getvalue()))
    return tuple(found)


@cache
def jsons() -> tuple[tuple[str, bytes], ...]:
    return (("f.json", POINTS.encode()), ("f.json", RECORDS.encode()), ("f.json", f'{{"cases": {RECORDS}}}'.encode()))


@cache
def interpretable() -> tuple[tuple[str, bytes], ...]:
    return (("cases.csv", WIDE.encode()), ("points.json", POINTS.encode()))


@cache
def mappings() -> tuple[tuple[str, bytes], ...]:
    return (("m.toml", MAPPING.encode()), ("m.toml", MAPPING.replace('"dmy"', '"ymd"').encode()))


@cache
def definitions() -> tuple[tuple[str, bytes], ...]:
    from importlib.resources import files as resources

    text = resources("warehouse.outcomes").joinpath("definitions.toml").read_text(encoding="utf-8")
    return (
        ("d.toml", "\n\n".join(text.split("\n\n")[:4]).encode()),
        ("d.toml", "\n\n".join(text.split("\n\n")[:12]).encode()),
    )


@cache
def plans() -> tuple[tuple[str, bytes], ...]:
    return (("p.toml", PLAN.encode()),)


@cache
def measures() -> tuple[tuple[str, bytes], ...]:
    return (("o.toml", MEASURE.encode()),)


@cache
def growth() -> tuple[tuple[str, bytes], ...]:
    return (("g.toml", GROWTH.encode()),)


@cache
def people() -> tuple[tuple[str, bytes], ...]:
    return (("a.toml", PEOPLE.encode()),)


@cache
def envelopes() -> tuple[tuple[str, bytes], ...]:
    return (("h.age", body()),)


@cache
def case_tables() -> tuple[tuple[str, bytes], ...]:
    frame = pl.DataFrame({"sex": ["female", "male"] * 4, "age_band": ["8-9", "10-11"] * 4})
    return (("cases.json", case_bytes(frame)),)


@cache
def agreements() -> tuple[tuple[str, bytes], ...]:
    keys, _, _ = group()
    agreed = agreement(coordinators=(keys.named("Lamp"),))
    text = agreement_text(agreed, keys, [succeeded(agreed.group, agreed.coordinators, keys, ())])
    return (("agreement.json", text.encode()),)


@cache
def tables() -> tuple[tuple[str, bytes], ...]:
    ((_, whole),) = agreements()
    return (("tables.json", canonical(json.loads(whole)["agreement"])), ("tables.json", b"[]"))


DOORS = {
    "text files": Door(texts, read, 60_000),
    "workbooks": Door(workbooks, read, 15_000, repacks=True),
    "Parquet files": Door(columnar, read, 120_000),
    "JSON of records and points": Door(jsons, read, 120_000),
    "reading, mapping and interpreting": Door(interpretable, bring_in, 5_000),
    "mapping files": Door(mappings, map_by, 150_000),
    "definition files": Door(definitions, define_by, 80_000),
    "plan files": Door(plans, plan_by, 80_000),
    "files of own measures": Door(measures, measure_by, 60_000),
    "growth tables": Door(growth, grow_by, 60_000),
    "access files": Door(people, admit_by, 40_000),
    "contributions": Door(envelopes, open_envelope, 90_000),
    "cases of contributions": Door(case_tables, open_cases, 60_000),
    "JSON of contributions": Door(tables, open_json, 40_000),
    "agreements": Door(agreements, open_agreement, 20_000),
}


# ---- running


def run(name: str, numbers: Iterator[int] | range) -> Tally:
    """Give inputs to a door.

    Raises:
        FoundError: One of them did what none may do.
    """
    door, tally = DOORS[name], Tally()
    faulthandler.enable(file=sys.__stdout__)  # where a library ends the process, its trace is not lost with the rest
    with standard_error_kept() as kept:
        for n in numbers:
            if tally.n % ROUND == 0:  # a library that hangs lets no Python run: this ends the process with a trace
                faulthandler.dump_traceback_later(ROUND * LIMIT, exit=True, file=sys.__stdout__)
                refuse_noise(kept, f"{name}, before {n}")
            label, content = input_of(name, door, n)
            before = time.process_time()
            tally.taken += entered(name, door, n, label, content)
            took = time.process_time() - before
            if took > LIMIT:
                raise FoundError(f"{name} {n}: {took:.0f} seconds of processor time for {len(content)} bytes")
            tally.n, tally.slowest, tally.seconds = tally.n + 1, max(tally.slowest, took), tally.seconds + took
        faulthandler.cancel_dump_traceback_later()
        refuse_noise(kept, name)
    return tally


@contextmanager
def standard_error_kept() -> Iterator[IO[bytes]]:
    """What libraries write to standard error, in a file: a person would see it as a trace."""
    sys.stderr.flush()
    outside = os.dup(2)
    with TemporaryFile() as kept:
        os.dup2(kept.fileno(), 2)
        try:
            yield kept
        finally:
            os.dup2(outside, 2)
            os.close(outside)


def refuse_noise(kept: IO[bytes], where: str) -> None:
    kept.seek(0)
    if said := kept.read(400):
        raise FoundError(f"{where}: a library wrote to standard error: {said.decode(errors='replace')}")


def entered(name: str, door: Door, n: int, label: str, content: bytes) -> bool:
    try:
        return door.enter(label, content)
    except MentonError:
        return False
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt):
            raise
        raise FoundError(f"{name} {n}: {type(error).__name__}: {str(error)[:300]}") from error


def main(words: list[str]) -> None:
    if words[0] != "all":
        door, n = DOORS[words[0]], int(words[1])
        print(door.enter(*input_of(words[0], door, n)))
        return
    total, whole = int(words[1]), sum(door.share for door in DOORS.values())
    for name, door in DOORS.items():
        tally = run(name, range(round(total * door.share / whole)))
        rate = tally.n / max(tally.seconds, 1e-9)
        print(f"{name:36} {tally.n:>9,} inputs, {tally.taken:>8,} taken, {rate:>8,.0f} a second", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
