"""Results of a study group that a practice read and kept in its warehouse folder, for the dashboard."""

import json
from dataclasses import dataclass
from pathlib import Path

from warehouse.errors import GroupError
from warehouse.pooled.result import GroupResult, result_from
from warehouse.private_files import write_whole
from warehouse.store.chain import kept, plain

FOLDER = "group"


@dataclass(frozen=True, slots=True)
class Kept:
    """A result and the tags of the practices of this warehouse in it, by practice."""

    result: GroupResult
    mine: dict[str, str]


def kept_path(warehouse: Path, group: str) -> Path:
    """Where the result of a group is kept."""
    return warehouse / FOLDER / f"{group}.json"


def kept_text(kept: Kept) -> str:
    """The text of the file."""
    return json.dumps({"result": kept.result.to_dict(), "mine": kept.mine}, indent=1) + "\n"


def keep_result(warehouse: Path, result: Kept) -> None:
    """Keep a result in a warehouse folder, in the place of the group's earlier one.

    Raises GroupError: it cannot be written, or a newer one is kept; KeyProblemError: the warehouse is encrypted and its
    key is not known.
    """
    path = kept_path(warehouse, result.result.group)
    try:
        newest = _read(path).result.number if path.exists() else 0
    except GroupError:  # a damaged one gives way to any
        newest = 0
    if result.result.number < newest:
        found = f"this is result {result.result.number} of the group; result {newest} is kept already"
        raise GroupError(found, where=path.name, remedy="read the newest file the coordinator sent")
    try:
        write_whole(path, kept(path, kept_text(result).encode()))
    except OSError as error:
        found = f"the result cannot be kept: {error.strerror or type(error).__name__}"
        raise GroupError(found, where=path.name, remedy="check the folder, your rights in it and the disk") from error


def has_results(warehouse: Path) -> bool:
    """Whether a result is kept."""
    return any((warehouse / FOLDER).glob("*.json"))


def kept_results(warehouse: Path) -> tuple[Kept, ...]:
    """The results kept, one a group, by the group's name; refused where one is not as it was written."""
    found = [_read(path) for path in sorted((warehouse / FOLDER).glob("*.json"))]
    return tuple(sorted(found, key=lambda one: (one.result.name, one.result.group)))


def _read(path: Path) -> Kept:
    try:
        data = json.loads(plain(path, path.read_bytes()))
        mine = {str(practice): str(tag) for practice, tag in data["mine"].items()}
        return Kept(result_from(data["result"]), mine)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, GroupError) as error:
        found = "a result of the study group was changed since it was kept"
        raise GroupError(found, where=path.name, remedy="read it again with `menton group read`") from error
