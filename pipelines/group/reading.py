"""A practice reads a result: whose signature it must bear, and which line is its own."""

from __future__ import annotations

import json
from pathlib import Path

from pipelines.group.chain import RecordChain
from pipelines.group.keys import practice_key, practice_key_file
from pipelines.group.practice_record import FILE
from pipelines.group.result_file import MOST_BYTES, read_result
from warehouse.errors import GroupError
from warehouse.pooled.kept_results import Kept
from warehouse.pooled.shares import tag_of


def read_for_practices(path: Path, warehouse: Path, key_file: Path | None) -> Kept:
    """A result with the tags of the practices of a warehouse that contributed to the group.

    Raises:
        GroupError: No practice here contributed to the group, or the result is not the coordinator's.
    """
    entries = RecordChain(warehouse / FILE).read()
    group = _group_named(path)
    mine = [entry for entry in entries if entry["group"] == group]
    if not mine:
        found = "no practice of this warehouse has contributed to the group of this result"
        raise GroupError(found, where=path.name, remedy="name the warehouse you contributed from with --warehouse")
    result = read_result(path, coordinator=mine[0]["coordinator"])
    tags = {}
    for practice in sorted({entry["practice"] for entry in mine}):
        key = practice_key(key_file or practice_key_file(warehouse), group=group, practice=practice, create=False)
        tags[practice] = tag_of(key.pseudonym, result.salt)
    return Kept(result, tags)


def _group_named(path: Path) -> str:
    """The group a file says it is about; its signature is checked afterwards."""
    try:
        with path.open("rb") as stream:
            group = json.loads(stream.read(MOST_BYTES).decode("ascii"))["result"]["group"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        found = "the result cannot be read"
        raise GroupError(found, where=path.name, remedy="name the file the coordinator sent") from error
    return str(group)
