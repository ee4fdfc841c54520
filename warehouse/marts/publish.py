"""Publishing: from the store to a snapshot that readers follow."""

import hashlib
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from warehouse.errors import MentonError
from warehouse.marts.build import build_marts
from warehouse.marts.catalogues import in_force
from warehouse.store.snapshot import (
    DRAFTS,
    KEPT_SNAPSHOTS,
    POINTER,
    Snapshot,
    current_snapshot,
    point_to,
    pointer_draft,
    remove_old_snapshots,
)
from warehouse.store.storage import Connection, attach, files_told, utc_now
from warehouse.store.store import anchor
from warehouse.store.tables import Tables

REWRITTEN = "store rewritten"  # setting that counts how often something was taken out of the store without a trace


@dataclass(frozen=True, slots=True)
class PublishedState:
    """What a snapshot depends on; equal states give equal snapshots."""

    last_load: int
    last_registration: int
    tool_version: str

    @property
    def digest(self) -> str:
        """Eight characters that tell one state from another."""
        text = json.dumps([self.last_load, self.last_registration, self.tool_version])
        return hashlib.sha256(text.encode()).hexdigest()[:8]


def store_state(connection: Tables) -> PublishedState:
    """The state the store is in now."""
    return PublishedState(
        last_load=connection.value("select coalesce(max(load_id), 0) from loads"),
        last_registration=connection.value("select coalesce(max(entry), 0) from registrations"),
        tool_version=version("menton"),
    )


def publish(
    folder: Path,
    connection: Connection,
    *,
    key: str | None = None,
    again: bool = False,
    progress: Callable[[str], None] = lambda _: None,
) -> Snapshot:
    """Publish the store as it stands; does nothing where the current snapshot already shows it.

    The snapshot is built under a draft name, forced to disk, then named, then pointed to: a crash at any moment
    leaves readers on the snapshot they had.
    """
    state = store_state(connection)
    is_readable = _is_readable(folder, key)
    keeps_earlier = is_readable and not is_rewritten(folder, connection)
    if not again and keeps_earlier and current_snapshot(folder).build_id.endswith(f"-{state.digest}"):
        return current_snapshot(folder)
    progress("building the published tables")
    build = connection.value("select coalesce(max(build), 0) + 1 from publications")
    build_id = f"{build:04d}-{state.digest}"
    published_at = utc_now()
    file = f"mart-{build_id}.duckdb"
    draft = folder / f"mart-{build_id}.draft.duckdb"
    with files_told(folder):
        _discard(draft)
    try:
        # one statement at a time is forced to the disk; many rows go there while the next ones are worked out
        with _as_the_rows_ask(connection) as is_few:
            attach(connection.raw, draft, "mart", key=key)
            with connection.transaction() if is_few else nullcontext():
                build_marts(connection, in_force(connection))
                describe_build(connection, build_id, published_at.isoformat() + "Z", state)
            connection.execute("use menton")
            connection.execute("detach mart")
    except BaseException:
        _give_up(connection, draft)
        raise
    with files_told(folder):
        pointer_draft(folder).touch()  # so that a pointer that never was is told from one that was lost
    with connection.transaction():
        connection.execute(
            "insert into publications values (?, ?, ?, ?, ?)",
            [build, build_id, published_at, state.last_load, state.last_registration],
        )
        anchor(connection, folder)
    with files_told(folder):
        draft.replace(folder / file)
        point_to(folder, build_id=build_id, published_at=published_at, file=file)
    # snapshots that this key does not open were made before the key was changed: none of them stays, and none that
    # still has what was taken out of the store
    remove_old_snapshots(folder, keep=file, others=KEPT_SNAPSHOTS - 1 if keeps_earlier else 0)
    return current_snapshot(folder)


def is_rewritten(folder: Path, connection: Tables) -> bool:
    """Whether a snapshot or draft is left of before the store was last written anew: it holds what was taken out."""
    last = connection.value("select max(entry) from registrations where name = ?", [REWRITTEN])
    if last is None:
        return False
    since = connection.rows(
        "select 'mart-' || build_id || '.duckdb' from publications where last_registration >= ?", [last]
    )
    there = {path.name for pattern in ("mart-*.duckdb", *DRAFTS) for path in folder.glob(pattern)}
    return bool(there - {name for (name,) in since})


FEW = 2 * 122_880
"""Readings, two a case, up to which one thread builds: DuckDB shares out no fewer rows, others would look for work."""
FEWEST = 10_000
"""Readings up to which to look for a better plan, or to press what is written, takes longer than it saves."""
OF_FEWEST = {
    "disabled_optimizers": "'join_order,build_side_probe_side,common_subexpressions,expression_rewriter,"
    "column_lifetime,join_elimination,statistics_propagation,materialized_cte,join_filter_pushdown,common_subplan,filter_pullup'",
    "force_compression": "'uncompressed'",
    "default_block_size": "16_384",  # the usual 262,144 bytes are mostly empty, and are written, hashed and synced
}


@contextmanager
def _as_the_rows_ask(connection: Connection) -> Iterator[bool]:
    """Join tables in the order of the statements, the right one looked up, and plan as serves; gives whether few.

    The published tables all have about a row a case, so the order cannot be told from their sizes: DuckDB turned
    the widest one into the table to be looked up, at three times the cost.
    """
    n = connection.value("select count(*) from menton.main.readings")
    wanted = {"disabled_optimizers": "'join_order,build_side_probe_side'"} | ({"threads": "1"} if n <= FEW else {})
    wanted |= OF_FEWEST if n <= FEWEST else {}
    with connection.set_to(**wanted):
        yield n <= FEWEST


def describe_build(connection: Tables, build_id: str, published_at: str, state: PublishedState) -> None:
    """Write the one row that says which build this is."""
    connection.execute(
        "create table mart.main.mart_build as select ? as build_id, ? as published_at, ? as tool_version,"
        " ? as last_load, ? as last_registration",
        [build_id, published_at, state.tool_version, state.last_load, state.last_registration],
    )


def _is_readable(folder: Path, key: str | None) -> bool:
    """Whether there is a published snapshot and the key opens it."""
    if not (folder / POINTER).exists():
        return False
    try:
        Connection(current_snapshot(folder).path, read_only=True, key=key).close()
    except MentonError:
        return False
    return True


def _give_up(connection: Connection, draft: Path) -> None:
    """Leave nothing of a draft behind: on a full disk it would keep it full."""
    with suppress(MentonError):  # a database that cannot be written any more is closed with the connection
        connection.execute("use menton")
        connection.execute("detach database if exists mart")
    with suppress(OSError):
        _discard(draft)


def _discard(draft: Path) -> None:
    for leftover in (draft, draft.with_name(draft.name + ".wal")):
        leftover.unlink(missing_ok=True)
