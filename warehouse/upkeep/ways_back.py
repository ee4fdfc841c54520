"""Taking back: a person, a load, a second number of one person, the name of a practice.

Each says beforehand what it would change, then changes the store through ``rewrite``, which leaves no trace of what
was to go in the store or in a snapshot. The records of what was handed over to a study group must go on counting a
case that went, or two tables would tell of it; they keep a random mark in the place of its key.
"""

import json
import re
import secrets
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from warehouse.errors import RequestError
from warehouse.marts.build import KEYS
from warehouse.marts.catalogues import JOINED, RENAMED, in_force, register
from warehouse.pooled.history import RECORD_FILE
from warehouse.pooled.kept_results import keep_result, kept_results
from warehouse.store.access import LEFT, record_rewritten
from warehouse.store.chain import kept, opened, plain, rewritten, running, sealed
from warehouse.store.quoting import name, statement, text
from warehouse.store.snapshot import Snapshot
from warehouse.store.storage import Connection
from warehouse.upkeep.rekey import rewrite

TAKEN_BACK = "(taken back)"
"""What stands in the list of loads in the place of one that was taken back; its number is not used again."""

_OF_ROW = ("load_id", "row_no", "replaced_by", "computed")
_NO_LOAD = f"""
update loads
set practice = {text(TAKEN_BACK)}, source_name = {text(TAKEN_BACK)}, source_sheet = null, source_bytes = 0,
    source_sha256 = repeat('0', 64), request_sha256 = '', assumptions = '[]'
where load_id = ?
"""
_CASES_GONE = """
create or replace temp table gone as
select case_no, case_key from case_registry
where case_no not in (select case_no from cases where replaced_by is null)
"""

Rows = dict[str, int]
Progress = Callable[[str], None]


def rows_of_cases(store: Connection, keys: Collection[str]) -> Rows:
    """How many rows each table has of the cases with these keys, earlier versions included, and reasons of rows."""
    listed = list(keys)
    numbers = "select case_no from case_registry where list_contains(?, case_key)"
    found = {
        table: int(store.value(f"select count(*) from {table} where case_no in ({numbers})", [listed]))
        for table in KEYS
    }
    for table in ("turned_away", "remarks"):
        query = f"select count(distinct (load_id, row_no)) from {table} where list_contains(?, case_key)"
        found[table] = int(store.value(query, [listed]))
    return {table: n for table, n in found.items() if n}


def forget(folder: Path, keys: Collection[str], *, key: str | None, progress: Progress) -> Snapshot:
    """Take the case with these keys out, and everything made of it."""

    def change(store: Connection) -> None:
        known = dict(store.rows("select case_key, case_no from case_registry"))
        rows = ", ".join(f"({known.get(one, -1)}, {text(one)})" for one in keys)
        store.execute(f"create or replace temp table gone as select * from (values {rows}) as t (case_no, case_key)")
        _take_out(folder, store)

    return rewrite(folder, change, what="forget", detail="a case", key=key, progress=progress)


def rows_of_load(store: Connection, load: int) -> Rows:
    """Rows a load brought by table, rows it replaced, cases of it alone; RequestError where it is not there."""
    practice = store.value("select practice from loads where load_id = ?", [load])
    if practice in {None, TAKEN_BACK}:
        found = f"there is no load {load}" if practice is None else f"load {load} was taken back already"
        last = store.value("select coalesce(max(load_id), 0) from loads")
        raise RequestError(found, expected=f"the number of a load, up to {last}", remedy="see the page How complete?")
    tables = (*KEYS, "turned_away")
    found_rows = {
        table: int(store.value(f"select count(distinct row_no) from {table} where load_id = ?", [load]))
        for table in tables
    }
    counts = [f"select count(*) as n from {table} where replaced_by = {load:d}" for table in KEYS]
    found_rows["replaced"] = int(store.value(f"select sum(n) from ({' union all '.join(counts)})"))
    alone = "select count(*) from (select case_no from cases group by case_no having bool_and(load_id = ?))"
    found_rows["alone"] = int(store.value(alone, [load]))
    return {table: n for table, n in found_rows.items() if n}


def loads_built_on(store: Connection, load: int) -> list[int]:
    """Loads that have to be taken back first, newest first."""
    rows = store.rows(statement("warehouse.upkeep", "built_on_load.sql"), [load])
    return sorted((int(one) for (one,) in rows), reverse=True)


def undo(folder: Path, load: int, *, key: str | None, progress: Progress) -> Snapshot:
    """Take a load back: its rows go, and what it replaced stands again."""

    def change(store: Connection) -> None:
        for table, columns in KEYS.items():
            same = " and ".join(f"same.{column} = {table}.{column}" for column in columns)
            parts = {"table": table, "load_id": str(load), "same_key": same}
            store.execute(statement("warehouse.upkeep", "rows_of_load_undone.sql", **parts))
        for table in ("turned_away", "remarks"):
            store.execute(f"delete from {table} where load_id = ?", [load])
        store.execute(_NO_LOAD, [load])
        store.execute(_CASES_GONE)
        _take_out(folder, store)

    return rewrite(folder, change, what="undo", detail=f"load {load}", key=key, progress=progress)


def rows_in_both(store: Connection, keys: Sequence[str]) -> Rows:
    """Current rows of the second of two cases, by table, and values in which it differs from the first."""
    first, second = (_case_no(store, one) for one in keys)
    found = {"differing": 0}
    for table in KEYS:
        pairs = f"{table} as one inner join {table} as other on {_same(table)}"
        where = f"where one.case_no = {first} and other.case_no = {second} and {_BOTH_CURRENT}"
        found[table] = int(
            store.value(f"select count(*) from {table} where case_no = {second} and replaced_by is null")
        )
        differ = [f"coalesce((one.{one} <> other.{one})::integer, 0)" for one in _values(store, table)]
        found["differing"] += int(
            store.value(f"select coalesce(sum({' + '.join(differ) or 0}), 0) from {pairs} {where}")
        )
    return {table: n for table, n in found.items() if n}


def join(folder: Path, keys: Sequence[str], *, key: str | None, progress: Progress) -> Snapshot:
    """Put two numbers of one person together under the first: where both have a value, the first's stays."""

    def change(store: Connection) -> None:
        first, second = (_case_no(store, one) for one in keys)
        for table in KEYS:
            both = f"one.case_no = {first} and other.case_no = {second} and {_same(table)} and {_BOTH_CURRENT}"
            filled = [f"{one} = coalesce(one.{one}, other.{one})" for one in _values(store, table)]
            if table == "readings":
                filled.append(f"computed = {_computed(store)}")
            if filled:
                store.execute(f"update {table} as one set {', '.join(filled)} from {table} as other where {both}")
            losing = f"select other.rowid from {table} as other, {table} as one where {both}"
            store.execute(f"delete from {table} where rowid in ({losing})")
            store.execute(f"update {table} set case_no = {first} where case_no = {second}")
        for table in ("turned_away", "remarks"):
            store.execute(f"update {table} set case_key = ? where case_key = ?", [keys[0], keys[1]])
        store.execute("delete from case_registry where case_no = ?", [second])
        joined = {one: keys[0] if into == keys[1] else into for one, into in _setting(store, JOINED).items()}
        _set(store, JOINED, {**joined, keys[1]: keys[0]})
        store.execute(statement("warehouse.upkeep", "loads_settled.sql"))

    return rewrite(folder, change, what="join", detail="two numbers of a case", key=key, progress=progress)


def rename(folder: Path, old: str, new: str, *, masked: str, key: str | None, progress: Progress) -> Snapshot:
    """Give a practice another name. ``masked``: the name its keys go on being made with; empty where it is the new."""

    def change(store: Connection) -> None:
        for table in ("loads", "case_registry"):
            store.execute(f"update {table} set practice = ? where practice = ?", [new, old])
        for column in ("source_name", "source_sheet"):
            renamed = f"regexp_replace({column}, ?, ?, 'gi') where practice = ?"
            store.execute(f"update loads set {column} = {renamed}", [re.escape(old), new, new])
        plans = "update registrations set body = replace(body, ?, ?) where kind = 'plan'"
        store.execute(plans, [json.dumps(old), json.dumps(new)])
        names = {practice: hidden for practice, hidden in _setting(store, RENAMED).items() if practice != old}
        _set(store, RENAMED, {**names, new: masked} if masked else names)
        _change_records(folder, lambda entry: _under(entry, old, new))
        for result in kept_results(folder):
            mine = {new if practice == old else practice: tag for practice, tag in result.mine.items()}
            keep_result(folder, replace(result, mine=mine))

    return rewrite(folder, change, what="rename", detail="a practice", key=key, progress=progress)


def _take_out(folder: Path, store: Connection) -> None:
    """Take the cases of the table `gone` out of the store and out of the record of what was handed over."""
    gone = {str(case_key) for (case_key,) in store.rows("select case_key from gone")}
    store.execute(statement("warehouse.upkeep", "rows_gone.sql"))
    store.execute(statement("warehouse.upkeep", "loads_settled.sql"))
    store.execute("drop table gone")
    joined = _setting(store, JOINED)
    left = {one: into for one, into in joined.items() if not {one, into} & gone}
    if left != joined:
        _set(store, JOINED, left)
    marks = {one: secrets.token_hex(len(one) // 2) for one in gone}

    def without(entry: dict[str, Any]) -> dict[str, Any]:
        return {
            name: {outcome: _marked(each, marks) for outcome, each in value.items()}
            if name in {"versions", "values"}
            else value
            for name, value in entry.items()
        }

    _change_records(folder, without)


def _marked(digests: Mapping[str, str], marks: dict[str, str]) -> dict[str, str]:
    """Digests by case key; a case that went has a random mark for its key, and one for each digest it had."""
    return {
        marks.get(one, one): ".".join(
            marks.setdefault(part, secrets.token_hex(len(part) // 2)) for part in digest.split(".")
        )
        if one in marks
        else digest
        for one, digest in digests.items()
    }


def _under(entry: dict[str, Any], old: str, new: str) -> dict[str, Any]:
    """An entry with a practice under another name; tables of documents name practices as groups too."""
    if "practice" in entry:
        return {**entry, "practice": new if entry["practice"] == old else entry["practice"]}
    renamed: dict[str, Any] = json.loads(json.dumps(entry).replace(json.dumps(old), json.dumps(new)))
    return renamed


def _change_records(folder: Path, change: Callable[[dict[str, Any]], dict[str, Any]]) -> None:
    """Write the records of what was handed over and of documents that left anew, with their entries changed."""
    for path in (folder / RECORD_FILE, folder / LEFT):
        written = bytearray()

        def anew(line: bytes, path: Path = path, written: bytearray = written) -> bytes:
            *_, (_, digest) = running(bytes(written))
            changed = sealed({**change(opened(plain(path, line)) or {}), "after": digest})
            written.extend(changed)
            return kept(path, changed)

        if path.exists():
            rewritten(path, anew)
            record_rewritten(folder, path.name)


def _setting(store: Connection, setting: str) -> dict[str, str]:
    found: dict[str, str] = json.loads(in_force(store).settings.get(setting, "{}"))
    return found


def _set(store: Connection, setting: str, value: Mapping[str, str]) -> None:
    """Put a setting in force and keep none of its earlier values."""
    store.execute("delete from registrations where kind = 'setting' and name = ?", [setting])
    register(store, "setting", setting, "1", json.dumps(value, sort_keys=True))


_BOTH_CURRENT = "one.replaced_by is null and other.replaced_by is null"


def _case_no(store: Connection, key: str) -> int:
    return int(store.value("select case_no from case_registry where case_key = ?", [key]))


def _same(table: str) -> str:
    listed = [f"one.{column} = other.{column}" for column in KEYS[table] if column != "case_no"]
    return " and ".join(listed) or "true"


def _values(store: Connection, table: str) -> list[str]:
    return [name(column) for column in store.columns(table) if column not in (*KEYS[table], *_OF_ROW)]


def _computed(store: Connection) -> str:
    """The measures of a reading that were made from points, with those that the other reading fills in."""
    made = "(' ' || coalesce(other.computed, '') || ' ' like '% {} %')"
    parts = [
        f"case when one.{column} is null and {made.format(column)} then {text(column)} end"
        for column in _values(store, "readings")
    ]
    return f"nullif(concat_ws(' ', one.computed{''.join(f', {part}' for part in parts)}), '')"
