"""Results: pooled from what counts, remembered, signed and kept; and read by a practice, with its own line known."""

import hashlib
import secrets
from dataclasses import dataclass
from pathlib import Path

from pipelines.group.chain import RecordChain
from pipelines.group.folder import GroupFolder, write_whole
from pipelines.group.keys import practice_key
from pipelines.group.practice_record import FILE
from pipelines.group.signed_file import MOST_RESULT, read_bytes, read_json, read_result, result_text
from pipelines.group.taking import members
from warehouse.errors import GroupError
from warehouse.pooled.kept_results import Kept
from warehouse.pooled.pooling import pooled_result
from warehouse.pooled.publishing import ledger_entry, publisher_from
from warehouse.pooled.result import GroupResult
from warehouse.pooled.shares import tag_of
from warehouse.private_files import beside
from warehouse.store.storage import utc_now


@dataclass(frozen=True, slots=True)
class Made:
    """A result and where it lies."""

    result: GroupResult
    path: Path  # Its file, to be given to the practices
    older: tuple[str, ...]  # Practices whose contribution is of an earlier agreement and so is not in it
    is_new: bool  # False where nothing had changed since the last result, which is then given again


def make_result(folder: GroupFolder) -> Made:
    """Pool the contributions at hand; the same contributions give the result already made."""
    keys, agreement = folder.keys(), folder.agreement()
    with folder.held() as state:
        taken, older = members(folder, agreement)
        ids = "\x1f".join([agreement.digest, *sorted(one.id for one in taken)])
        of = hashlib.sha256(ids.encode()).hexdigest()
        last = next((one for one in reversed(folder.record.read()) if one["what"] == "result"), None)
        if last is not None and last["of"] == of:
            path = folder.result_path(last["number"])
            return Made(read_result(path, coordinator=keys.public), path, tuple(older), is_new=False)
        publisher = publisher_from(folder.releases.read(), agreement.pooled_policy)
        number = state.results + 1
        result = pooled_result(
            taken,
            agreement,
            publisher=publisher,
            salt=secrets.token_hex(16),
            number=number,
            made_on=utc_now().date().isoformat(),
        )
        folder.releases.add({"at": utc_now().isoformat() + "Z", **ledger_entry(publisher)})
        path = folder.result_path(number)
        write_whole(path, result_text(result, keys).encode("ascii"))
        folder.note("result", number=number, of=of)
    return Made(result, path, tuple(older), is_new=True)


def read_for_practices(path: Path, warehouse: Path, key_file: Path | None) -> Kept:
    """A result, signed by the coordinator the practices of a warehouse contributed to, with their tags in it."""
    entries = RecordChain(warehouse / FILE).read()
    try:  # the group it says it is about tells whose signature it must bear
        data = read_bytes(path, most=MOST_RESULT, what="the result")
        group = read_json(data, most=MOST_RESULT, what="the result")["result"]["group"]
    except (KeyError, TypeError) as error:
        found = "the result cannot be read"
        raise GroupError(found, where=path.name, remedy="name the file the coordinator sent") from error
    mine = [entry for entry in entries if entry["group"] == group]
    if not mine:
        found = "no practice of this warehouse has contributed to the group of this result"
        raise GroupError(found, where=path.name, remedy="name the warehouse you contributed from with --warehouse")
    result = read_result(path, coordinator=mine[0]["coordinator"])
    tags, key_file = {}, key_file or beside(warehouse, "contribute.key")
    for practice in sorted({entry["practice"] for entry in mine}):
        key = practice_key(
            key_file or beside(warehouse, "contribute.key"), group=group, practice=practice, create=False
        )
        tags[practice] = tag_of(key.pseudonym, result.salt)
    return Kept(result, tags)
