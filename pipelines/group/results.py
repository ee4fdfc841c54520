"""Results: pooled from what counts, remembered, signed and kept; and read by a practice, with its own line known."""

import hashlib
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipelines.group.folder import GroupFolder, GroupState
from pipelines.group.keys import practice_key
from pipelines.group.practice_record import coordinators_known
from pipelines.group.rounds import added_up, read_round, who_answered
from pipelines.group.signed_file import MOST_RESULT, read_bytes, read_json, read_result, result_text
from pipelines.group.taking import masked_tables, members
from warehouse.errors import GroupError
from warehouse.leaving.gate import Leave, let_out
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.history import RECORD_FILE
from warehouse.pooled.kept_results import Kept
from warehouse.pooled.pooling import pooled_result
from warehouse.pooled.publishing import ledger_entry, publisher_from
from warehouse.pooled.result import GroupResult, SummedRound
from warehouse.pooled.shares import tag_of
from warehouse.pooled.sums import Summed, pooled_sums, summed
from warehouse.private_files import beside
from warehouse.store.record_chain import RecordChain
from warehouse.store.storage import utc_now


@dataclass(frozen=True, slots=True)
class Made:
    """A result and where it lies."""

    result: GroupResult
    path: Path  # Its file, to be given to the practices
    older: tuple[str, ...]  # Practices whose contribution is of an earlier agreement and so is not in it
    is_new: bool  # False where nothing had changed since the last result, which is then given again


def make_result(folder: GroupFolder, progress: Callable[[str], None] = lambda _: None) -> Made:
    """Pool the contributions at hand; the same contributions give the result already made."""
    progress("opening the contributions")
    keys, agreement = folder.keys(), folder.agreement()
    with folder.held() as state:
        sums = _summed(folder, state, agreement) if agreement.level == "sums" else None
        taken, older = ([], []) if sums else members(folder, agreement)
        ids = "\x1f".join([agreement.terms, *([sums[1].digest] if sums else sorted(one.id for one in taken))])
        of = hashlib.sha256(ids.encode()).hexdigest()
        last = next((one for one in reversed(folder.record.read()) if one["what"] == "result"), None)
        if last is not None and last["of"] == of:
            path = folder.result_path(last["number"])
            return Made(read_result(path), path, tuple(older), is_new=False)
        progress("pooling, and hiding what would give small counts away")
        publisher = publisher_from(folder.releases.read(), agreement.pooled_policy)
        number, salt, made_on = state.results + 1, secrets.token_hex(16), utc_now().date().isoformat()
        said: dict[str, Any] = {"publisher": publisher, "salt": salt, "number": number, "made_on": made_on}
        result = (
            pooled_sums(sums[0], agreement, of=sums[1], **said) if sums else pooled_result(taken, agreement, **said)
        )
        entry = {"at": utc_now().isoformat() + "Z", **ledger_entry(publisher)}
        path = folder.result_path(number)
        path.parent.mkdir(mode=0o700, exist_ok=True)
        text = result_text(result, keys, state.succession)
        let_out(text, Leave("others", lambda _: folder.releases.add(entry)), to=path)
        folder.note("result", number=number, of=of)
    return Made(result, path, tuple(older), is_new=True)


def _summed(folder: GroupFolder, state: GroupState, agreement: Agreement) -> tuple[Summed, SummedRound]:
    """The sums of the last round with its record; refused while a member has not answered."""
    answered, missing = who_answered(state)
    if not answered or missing:
        last = state.rounds[-1] if state.rounds else {}
        told = f"{', '.join(missing)} did not answer round {len(state.rounds)}" if last else "there is no round yet"
        remedy = "make one with `menton group round`, and send it to all who take part"
        if last:
            remedy = f"ask them until {last['until']}; then make a round without them (`menton group round --without`)"
        raise GroupError(f"there are no sums: {told}", expected="a table of every member", remedy=remedy)
    last = state.rounds[-1]
    sheet, _ = read_round(folder.round_path(last["number"]))
    if sheet.terms != agreement.terms:
        found = f"round {sheet.number} was made under an earlier agreement"
        raise GroupError(found, remedy="make a new one with `menton group round`")
    tables = masked_tables(folder, answered)
    sums = summed(added_up(list(tables.values())), agreement, practices=len(answered), round_=sheet.digest)
    digests = {name: hashlib.sha256(table).hexdigest() for name, table in tables.items()}
    return sums, SummedRound(number=sheet.number, digest=sheet.digest, answers=digests)


def read_for_practices(path: Path, warehouse: Path, key_file: Path | None) -> Kept:
    """A result, signed by the coordinator the practices of a warehouse contributed to, with their tags in it."""
    entries = RecordChain(warehouse / RECORD_FILE).read()
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
    result = read_result(path, known=coordinators_known(mine[-1]))
    tags, key_file = {}, key_file or beside(warehouse, "contribute.key")
    for practice in sorted({entry["practice"] for entry in mine}):
        key = practice_key(key_file, group=group, practice=practice, create=False)
        tags[practice] = tag_of(key.pseudonym, result.salt)
        _check_own_table(result, key.pseudonym, [entry for entry in mine if entry["practice"] == practice])
    return Kept(result, tags)


def _check_own_table(result: GroupResult, pseudonym: str, entries: Sequence[Mapping[str, Any]]) -> None:
    """Refuse a result whose round did not add the very table that this practice sent."""
    if result.round is None:
        return
    sent = [entry["table"] for entry in entries if entry.get("round") == result.round.digest]
    if result.round.answers.get(pseudonym) != (sent[-1] if sent else None):
        found = f"the record of round {result.round.number} has another table of {pseudonym} than it sent"
        raise GroupError(found, remedy="ask the coordinator; do not go by this result")
