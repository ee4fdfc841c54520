"""Verifying a warehouse: every check is a question that must find nothing; what it finds is said in a sentence.

The store is opened for reading only, so that verifying changes nothing and works on a folder that cannot be written.
"""

import hashlib
import json
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from warehouse.errors import MentonError, WarehouseError
from warehouse.marts.catalogues import in_force
from warehouse.marts.publish import store_state
from warehouse.plans.looks import read_looks
from warehouse.private_files import is_open_to_others
from warehouse.store.access import ANCHOR, faults_beside, plain_beside, read_access
from warehouse.store.quoting import name, statement
from warehouse.store.snapshot import POINTER, Snapshot, current_snapshot, file_sha256, pointer_draft
from warehouse.store.storage import Connection, attach
from warehouse.store.store import STORE, migrations, no_warehouse
from warehouse.store.tables import Tables

STORE_CHECKS = (
    "keys_stand_once",
    "registry_stands_once",
    "every_case_has_a_row",
    "load_sums",
    "loaded_rows_are_present",
    "turned_away_rows_have_reasons",
    "no_orphan_rows",
    "repeats_are_counted",
    "publications_are_of_loads",
)
BUILD_CHECKS = ("published_build_is_recorded",)
ROW_CHECKS = ("published_rows_are_the_stored",)
SHOWN = 3
"""Rows of a finding that are named."""

CODED: dict[tuple[str, str], str] = {
    (table, column): codes
    for table, columns in tomllib.loads(files(__package__).joinpath("coded.toml").read_text(encoding="utf-8")).items()
    for column, codes in columns.items()
}
"""(table, column) -> the contract's list of codes it must come from."""


@dataclass(frozen=True, slots=True)
class FoundFault:
    """What one check found: the check, and a sentence with the first places and no personal data."""

    check: str
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """The result of verifying a warehouse."""

    checks: tuple[str, ...]  # Names of the checks carried out
    faults: tuple[FoundFault, ...]  # What is wrong; empty where all is well
    notes: tuple[str, ...]  # What is not wrong but worth knowing, such as a store newer than what is published

    @property
    def is_sound(self) -> bool:
        """Whether nothing is wrong."""
        return not self.faults


class _Record:
    """Checks carried out so far, and what they found."""

    def __init__(self) -> None:
        self.checks: list[str] = []
        self.faults: list[FoundFault] = []
        self.notes: list[str] = []

    def take(self, check: str, sentences: Sequence[str]) -> None:
        self.checks.append(check)
        self.faults.extend(FoundFault(check, sentence) for sentence in sentences)


def verify(folder: Path, *, key: str | None = None) -> Verification:
    """Carry out every check; nothing is changed. WarehouseError, KeyProblemError where it cannot be opened."""
    path = folder / STORE
    if not path.exists():
        raise no_warehouse(folder)
    record = _Record()
    if is_open_to_others(folder):
        record.notes.append(f"others can look into the warehouse folder: close it with chmod -R go= {folder.name}")
    with Connection(path, read_only=True, key=key) as store:
        record.take("every_block_is_readable", list(_unreadable(store, "menton")))
        if not record.faults and _check_migrations(store, record):
            _check_store(store, record)
            _check_records(folder, store, key, record)
            _check_snapshot(folder, store, key, record)
    return Verification(checks=tuple(record.checks), faults=tuple(record.faults), notes=tuple(record.notes))


def _check_migrations(store: Connection, record: _Record) -> bool:
    """Compare the applied migrations with those shipped; gives whether they are the same."""
    tables = "select 1 from duckdb_tables() where database_name = 'menton' and table_name = 'migrations'"
    seen = dict(store.rows("select number, sha256 from migrations")) if store.rows(tables) else {}
    known = {number: hashlib.sha256(sql.encode()).hexdigest() for number, _, sql in migrations()}
    altered = [number for number in sorted(seen) if known.get(number) != seen[number]]
    found = [f"migration {number} of the store is not one this program ships" for number in altered]
    record.take("migrations_are_the_shipped", found)
    if behind := len(known.keys() - seen.keys()):
        record.notes.append(f"{behind} changes of the schema are to come with the next command that writes")
    return not behind and not altered


def _unreadable(connection: Connection, database: str) -> Iterator[str]:
    """Read every value of every table, so that a damaged block shows: DuckDB keeps a checksum with each."""
    tables = connection.rows(
        "select table_name from duckdb_tables() where database_name = ? order by table_name", [database]
    )
    for (table,) in tables:
        try:
            connection.value(f"select bit_xor(hash(listed)) from {database}.main.{name(table)} as listed")
        except MentonError:
            damaged = f"the table {table} cannot be read whole: the file is damaged"
            remedy = "put a backup back with `menton restore`"
            if not _still_answers(connection):
                yield f"{damaged}, and what comes after it could not be looked at; {remedy}"
                return
            yield f"{damaged}; {remedy}"


def _still_answers(connection: Connection) -> bool:
    """Whether DuckDB goes on after a damaged block; after some it closes the file."""
    try:
        return bool(connection.value("select true"))
    except MentonError:
        return False


def _check_store(store: Connection, record: _Record) -> None:
    for check in STORE_CHECKS:
        record.take(check, found_by(store, check))
    bad = _bad_catalogues(store)
    record.take("catalogues_are_well_formed", bad)
    if not bad:
        record.take("codes_are_known", _unknown_codes(store))


def _check_records(folder: Path, store: Connection, key: str | None, record: _Record) -> None:
    """The records beside the store, whose lines are only ever added."""
    marks = [mark for (mark,) in store.rows("select detail from events where what = ? order by entry", [ANCHOR])]
    access = read_access(folder, marks)
    record.take("access_record_is_whole", [access.fault] if access.fault else [])
    record.take("records_beside_are_whole", faults_beside(folder, access))
    if key is not None:
        sealed_by = "run `menton publish` with the key to seal them"
        found = [f"lines of {one} lie plain beside the encrypted store: {sealed_by}" for one in plain_beside(folder)]
        record.take("records_are_sealed", found)
    altered = [] if read_looks(folder).is_whole else ["the record of comparisons looked at was changed"]
    record.take("record_of_looks_is_whole", altered)


def found_by(connection: Tables, check: str) -> list[str]:
    """What a check finds: no sentence, or one."""
    text = statement("warehouse.upkeep.checks", f"{check}.sql")
    rows = connection.rows(text)
    if not rows:
        return []
    meaning = text.splitlines()[0].removeprefix("-- ")
    places = "; ".join(", ".join(str(value) for value in row) for row in rows[:SHOWN])
    more = f" and {len(rows) - SHOWN} more" if len(rows) > SHOWN else ""
    return [f"{meaning} ({places}{more})"]


def _unknown_codes(store: Connection) -> list[str]:
    """Codes that the contract, as it was when files were loaded, does not know. The value itself is not repeated."""
    lists = json.loads(in_force(store).settings.get("labels", "{}"))
    found = []
    for (table, column), codes in CODED.items():
        if codes not in lists:
            continue
        n = store.value(
            f"select count(*) from {table} where replaced_by is null and {column} is not null"
            f" and not list_contains(?, {column})",
            [list(lists[codes])],
        )
        if n:
            found.append(f"{n} rows of {table} have a code in {column} that the contract does not know")
    return found


def _bad_catalogues(store: Connection) -> list[str]:
    try:
        in_force(store)
    except (MentonError, ValueError, KeyError, TypeError) as error:
        return [f"an entry of the catalogues cannot be read: {type(error).__name__}"]
    return []


def _check_snapshot(folder: Path, store: Connection, key: str | None, record: _Record) -> None:
    if not (folder / POINTER).exists():
        if pointer_draft(folder).exists():
            record.notes.append("publishing was stopped before its end: run `menton publish`")
        elif store.value("select count(*) from publications"):
            found = f"builds are on record, but {POINTER}, which names the current one, is missing"
            record.take("pointer_is_there", [f"{found}: run `menton publish` to make it again"])
        else:
            record.notes.append("nothing is published yet: run `menton publish`")
        return
    try:
        snapshot = current_snapshot(folder)
        _check_hash(snapshot, record)
        attach(store.raw, snapshot.path, "mart", read_only=True, key=key)
    except MentonError as error:
        record.take("published_snapshot_is_readable", [f"{error.found}: run `menton publish` to make it again"])
        return
    unreadable = list(_unreadable(store, "mart"))
    record.take("published_snapshot_is_readable", unreadable)
    if not unreadable:
        _check_published(store, snapshot, record)


def _check_hash(snapshot: Snapshot, record: _Record) -> None:
    if not snapshot.sha256:
        record.notes.append("the snapshot was published by an earlier version, which kept no hash of it")
        return
    try:
        is_same = file_sha256(snapshot.path) == snapshot.sha256
    except OSError as error:
        raise WarehouseError("the published snapshot cannot be read", where=snapshot.path.name) from error
    said = "the published snapshot was changed after it was published: run `menton publish` to make it again"
    record.take("published_hash_is_the_stated", [] if is_same else [said])


def _check_published(store: Connection, snapshot: Snapshot, record: _Record) -> None:
    build = store.rows("select build_id, last_load, last_registration from mart.main.mart_build")
    named = (
        [] if [row[0] for row in build] == [snapshot.build_id] else ["the pointer names another build than it leads to"]
    )
    record.take("pointer_names_its_build", named)
    for check in BUILD_CHECKS:
        record.take(check, found_by(store, check))
    state = store_state(store)
    if [row[1:3] for row in build] != [(state.last_load, state.last_registration)]:
        record.notes.append("the store is newer than what is published: run `menton publish`")
        return
    for check in ROW_CHECKS:
        record.take(check, found_by(store, check))
    if not any(fault.check == "catalogues_are_well_formed" for fault in record.faults):
        record.take("published_definitions_are_those_in_force", _other_definitions(store))


def _other_definitions(store: Connection) -> list[str]:
    published = dict(store.rows("select definition_id, version from mart.main.mart_definitions"))
    registered = {definition.id: definition.version for definition in in_force(store).definitions.definitions}
    differing = sorted(one for one in published.keys() | registered.keys() if published.get(one) != registered.get(one))
    if not differing:
        return []
    return [f"definitions published and in force differ: {', '.join(differing)}: run `menton publish`"]
