"""Making a result: pool what counts, remember what was let out, sign and keep it."""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from pathlib import Path

from pipelines.group.folder import GroupFolder, write_whole
from pipelines.group.result_file import read_result, result_text
from pipelines.group.taking import members
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.member import Member
from warehouse.pooled.pooling import pooled_result
from warehouse.pooled.publishing import ledger_entry, publisher_from
from warehouse.pooled.result import GroupResult
from warehouse.store.storage import utc_now


@dataclass(frozen=True, slots=True)
class Made:
    """A result and where it lies."""

    result: GroupResult
    path: Path  # Its file, to be given to the practices
    older: tuple[str, ...]  # Practices whose contribution is of an earlier agreement and so is not in it
    is_new: bool  # False where nothing had changed since the last result, which is then given again


def make_result(folder: GroupFolder) -> Made:
    """Pool the contributions at hand; the same contributions give the result already made.

    Raises:
        GroupError: There is no agreement, or a contribution was changed.
    """
    keys, agreement = folder.keys(), folder.agreement()
    with folder.held() as state:
        taken, older = members(folder, agreement)
        of = _state_of(taken, agreement)
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
        folder.record.add({"at": utc_now().isoformat() + "Z", "what": "result", "number": number, "of": of})
    return Made(result, path, tuple(older), is_new=True)


def _state_of(taken: list[Member], agreement: Agreement) -> str:
    ids = "\x1f".join([agreement.digest, *sorted(one.id for one in taken)])
    return hashlib.sha256(ids.encode()).hexdigest()
