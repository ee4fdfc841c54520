"""``menton forget``, ``undo``, ``join`` and ``rename-practice``: each says what would change, asks, and changes it."""

import argparse
import sys
from collections.abc import Callable, Mapping, Sequence
from functools import partial

from pipelines.commands.options import confirms, encryption_key, progress, say, storing
from pipelines.deidentify.pseudonyms import check_practice
from pipelines.group.practice_record import read_record
from pipelines.ingest.own_numbers import keyer_there, knowing
from pipelines.ingest.remembered import renamed, speaking_of
from warehouse.errors import RequestError, UnconfirmedError, near_names
from warehouse.marts.catalogues import in_force
from warehouse.marts.publish import is_rewritten, publish
from warehouse.store.snapshot import Snapshot
from warehouse.store.storage import Connection
from warehouse.upkeep import ways_back as back
from warehouse.upkeep.backup import copies_with
from warehouse.words.sentences import say as text

ROWS = {
    "cases": "rows.cases",
    "phases": "rows.phases",
    "visits": "rows.visits",
    "readings": "rows.readings",
    "landmarks": "rows.landmarks",
    "turned_away": "rows.turned_away",
    "remarks": "rows.remarks",
}
"""Table -> the sentence that counts its rows."""


def forget(args: argparse.Namespace) -> int:
    numbers = _numbers(args)
    with storing(args) as store:
        found = _keys_of(args, store, numbers)
        if not found:
            return _not_there(args, store)
        keys = sorted({key for keys in found for key in keys})
        said = [text("back.forget", rows=_rows(back.rows_of_cases(store, keys))), text("back.forget_after")]
    query = "select count(*) from (select case_key from case_registry union all select case_key from turned_away)"
    said += _copies(args, f"{query} where list_contains(?, case_key)", [keys])
    mappings = speaking_of(args.warehouse, args.practice, numbers)
    said += [text("back.forget_mappings", n=len(mappings))] if mappings else []

    def unmap() -> None:
        for path in mappings:
            path.unlink(missing_ok=True)

    return _carried_out(args, said, partial(back.forget, args.warehouse, keys), unmap)


def undo(args: argparse.Namespace) -> int:
    load: int = args.load
    with storing(args) as store:
        try:
            rows = back.rows_of_load(store, load)
        except RequestError:
            if is_rewritten(args.warehouse, store):
                return _not_there(args, store)
            raise
        if later := back.loads_built_on(store, load):
            named = [f"load {one}" for one in later]
            remedy = text("back.undo_blocked_remedy", later=named)
            raise RequestError(text("back.undo_blocked", load=load, later=named), remedy=remedy)
        digest = store.value("select source_sha256 from loads where load_id = ?", [load])
    alone, replaced = rows.pop("alone", 0), rows.pop("replaced", 0)
    said = [text("back.undo", load=load, rows=_rows(rows))]
    said += [text("back.undo_replaced", n=replaced)] if replaced else []
    said += [text("back.undo_alone", n=alone)] if alone else []
    said += _copies(args, "select count(*) from loads where source_sha256 = ?", [digest])
    return _carried_out(args, said, partial(back.undo, args.warehouse, load))


def join(args: argparse.Namespace) -> int:
    with storing(args) as store:
        found = _keys_of(args, store, _numbers(args), loaded=True)
        keys = [one[0] for one in found]
        if len(keys) < 2 or (keys[0] == keys[1] and is_rewritten(args.warehouse, store)):
            return _not_there(args, store)
        if keys[0] == keys[1]:
            raise RequestError("these are two spellings of one number already", remedy="nothing is to be done")
        rows = back.rows_in_both(store, keys)
    differing = rows.pop("differing", 0)
    said = [text("back.join", rows=_rows(rows))]
    said += [text("back.join_differing", n=differing)] if differing else []
    return _carried_out(args, said, partial(back.join, args.warehouse, keys))


def rename(args: argparse.Namespace) -> int:
    old, new = args.old, check_practice(args.new, where="NEW")
    with storing(args) as store:
        counted = "select practice, (select count(*) from case_registry as r where r.practice = loads.practice)"
        sizes = dict(store.rows(f"{counted} from loads group by practice"))
        if old not in sizes:
            return _not_there(args, store, f"there is no practice {old}", near_names(old, sizes))
        if new in sizes:
            remedy = "take its loads back with `menton undo`, and load the files again under the right name"
            raise RequestError(f"{new} is the name of another practice here", remedy=remedy)
        record = read_record(args.warehouse, old)
        if any(record.takes_part(entry["group"]) for entry in record.entries):
            found = f"{old} takes part in a study group, where its key is made with its name"
            raise RequestError(found, remedy="take it back first, with `menton contribute --withdraw`")
        keyer = keyer_there(args.key_file, args.warehouse)
        made_with = knowing(keyer, store, in_force(store).settings).name_of(old)
        masked = keyer.mask(made_with, of=new) if made_with != new else ""
    said = [text("back.rename", old=old, new=new, n=int(sizes[old]))]
    said += _copies(args, "select count(*) from loads where practice = ?", [old])
    do = partial(back.rename, args.warehouse, old, new, masked=masked)
    return _carried_out(args, said, do, partial(renamed, args.warehouse, old, new))


def _carried_out(
    args: argparse.Namespace, said: Sequence[str], do: Callable[..., Snapshot], first: Callable[[], None] | None = None
) -> int:
    """Ask and do it. ``first``: what lies beside the warehouse, before the store, so a run cut short asks again."""
    for line in said:
        say(line)
    if not confirms(args, ""):
        raise UnconfirmedError("this has to be confirmed")
    if first:
        first()
    say(text("back.done", build=do(key=encryption_key(args), progress=progress).build_id))
    return 0


def _not_there(args: argparse.Namespace, store: Connection, found: str = "", remedy: str = "") -> int:
    """Nothing such is in the warehouse: perhaps an earlier run took it out, and was stopped before publishing."""
    if is_rewritten(args.warehouse, store):
        snapshot = publish(args.warehouse, store, key=encryption_key(args), again=True, progress=progress)
        say(text("back.pending", build=snapshot.build_id))
        return 0
    found = found or "there is no such case of this practice, in whichever spelling"
    raise RequestError(found, remedy=remedy or "look at the number, and at the practice it belongs to")


def _numbers(args: argparse.Namespace) -> list[str]:
    return [line.strip() for line in sys.stdin] if args.numbers[0] == "-" else args.numbers


def _keys_of(
    args: argparse.Namespace, store: Connection, numbers: Sequence[str], *, loaded: bool = False
) -> list[list[str]]:
    """For each number that the warehouse has, its key, or its keys where spellings of it were once told apart."""
    keyer = knowing(keyer_there(args.key_file, args.warehouse), store, in_force(store).settings)
    query = "select case_key from case_registry"
    query += "" if loaded else " union select case_key from turned_away union select case_key from remarks"
    known = {key for (key,) in store.rows(query)}
    found = [[key for key in keyer.possible(args.practice, number) if key in known] for number in numbers]
    return [keys for keys in found if keys]


def _rows(rows: Mapping[str, int]) -> str:
    return ", ".join(text(ROWS[table], n=n) for table, n in rows.items()) or "nothing"


def _copies(args: argparse.Namespace, query: str, values: Sequence[object]) -> list[str]:
    """The backups that still hold what goes, and what to do about them."""
    copies = copies_with(args.warehouse, query, values, key=encryption_key(args))
    if not copies:
        return [text("back.no_backup")]
    named = [text("back.backup" if holds else "back.backup_unknown", place=place) for place, holds in copies]
    return [*named, text("back.backup_remedy")]
