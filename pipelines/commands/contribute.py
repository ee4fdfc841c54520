"""``menton contribute``: hand cases or counts over to a study group, after looking at what would leave."""

import argparse
import sys
from collections.abc import Callable, Sequence
from functools import partial
from hashlib import sha256
from pathlib import Path

from pipelines.commands.agreement_page import AgreementSection, page, sums_page
from pipelines.commands.options import encryption_key, print_table, progress, say
from pipelines.group.contribution import sealed_contribution, sealed_sums, sealed_withdrawal
from pipelines.group.keys import PracticeKey, practice_key
from pipelines.group.practice_record import PracticeRecord, read_record
from pipelines.group.rounds import masked as masked_table
from pipelines.group.rounds import round_to_answer
from pipelines.group.signed_file import Offered, read_agreement
from warehouse.errors import GroupError, RequestError, near_names
from warehouse.leaving.gate import Leave, let_out
from warehouse.leaving.record import check_beside
from warehouse.marts.reader import Reader
from warehouse.pooled.cases import GroupCases, group_cases
from warehouse.pooled.handing_over import HandingOver, hand_over
from warehouse.pooled.sums import vector_of
from warehouse.private_files import beside
from warehouse.store.storage import utc_now
from warehouse.words.sentences import caution_text


def run(args: argparse.Namespace) -> int:
    offered = read_agreement(args.agreement)
    _refuse_to_overwrite(args.out)
    with Reader.open(args.warehouse, key=encryption_key(args)) as reader:
        practice = the_practice(reader, args.practice)
        record = read_record(args.warehouse, practice)
        record.check(offered)
        if args.never_sent is not None:
            record.strike(offered.agreement.group, args.never_sent)
            say(f"Struck: file number {args.never_sent} was never sent, so what comes is not checked against it.")
            return 0
        if args.withdraw:
            return _withdraw(args, offered, record)
        return _contribute(args, offered, record, reader)


def the_practice(reader: Reader, wanted: str | None) -> str:
    """The practice meant; it must be named where the warehouse holds several."""
    known = reader.practices
    if wanted is None and len(known) == 1:
        return known[0]
    if wanted in known and wanted is not None:
        return wanted
    found = f"the warehouse does not hold a practice {wanted!r}" if wanted else "the warehouse holds several practices"
    remedy = near_names(wanted or "", known) or "say which one with --practice"
    raise RequestError(found, expected=", ".join(known) or "at least one practice with cases", remedy=remedy)


def _contribute(args: argparse.Namespace, offered: Offered, record: PracticeRecord, reader: Reader) -> int:
    agreement, history = offered.agreement, record.history
    if offered.until and offered.until < utc_now().date().isoformat() and not record.takes_part(agreement.group):
        found = f"the invitation in the file was good until {offered.until}"
        raise GroupError(found, where=args.agreement.name, remedy="ask the coordinator for a new one")
    progress("reading the cases")
    cases = group_cases(reader, agreement, practice=record.practice)
    if agreement.level == "sums":
        return _give_sum(args, offered, record, cases)
    check_beside(reader, agreement, record.practice)
    progress("making ready what may leave, so that no small count can be worked out")
    made = hand_over(cases, agreement, level=args.level or agreement.level, history=history)
    if made.refused:
        found = made.refused if isinstance(made.refused, str) else caution_text(made.refused)
        raise GroupError(found, remedy="nothing was written; `--level counts` asks for less than single cases")
    print_page(page(made, agreement, practice=record.practice, build=reader.snapshot.build_id, history=history))
    if not _consents(args, "hand this over"):
        return 0
    return _write(args, offered, record, cases, made)


def _give_sum(args: argparse.Namespace, offered: Offered, record: PracticeRecord, cases: GroupCases) -> int:
    """Join with a key for masks, or answer a round with a masked table."""
    agreement, answered = offered.agreement, record.answered(offered.agreement.group)
    key = _key(args, offered, record, create=args.consent) if args.round or args.consent else None
    sheet, table, masked = None, b"", {}
    if args.round is not None and key is not None:
        known = offered.succession[-1]
        before = {digest: names for digest, (names, _) in answered.items()}
        sheet = round_to_answer(args.round, agreement, key.pseudonym, known=known, answered=before)
        table = masked_table(vector_of(cases.frame, agreement), key, sheet)
        masked = {"round": sheet.digest, "members": sorted(sheet.names), "table": sha256(table).hexdigest()}
        if sheet.digest in answered and answered[sheet.digest][1] != masked["table"]:
            found = f"round {sheet.number} was answered already, and the cases have changed since"
            raise GroupError(
                found, remedy="wait for the next round: two tables of one round, subtracted, tell the change"
            )
    print_page(sums_page(cases, agreement, sheet, practice=record.practice))
    if not _consents(args, "hand this over") or key is None:
        return 0
    said = record.next_file(agreement.group, args.after)
    data = sealed_sums(agreement, key, **said, invitation=offered.invitation, table=table, sheet=sheet)
    return _written(args, key, data, said["sequence"], partial(record.add, agreement, **said, masked=masked))


def print_page(sections: Sequence[AgreementSection]) -> None:
    for section in sections:
        say("")
        say(section.heading)
        for line in section.lines:
            say(f"  {line}")
        if section.columns:
            is_counts = section.columns[-1] in {"n", "adverse", "standard deviation"}
            right = range(1, len(section.columns)) if is_counts else ()
            print_table("", section.columns, section.rows, right=right)


def _consents(args: argparse.Namespace, what: str) -> bool:
    say("")
    if args.out is None:
        say("Nothing was written: no file was named with --out.")
        return False
    if args.consent:
        return True
    if sys.stdin.isatty() and sys.stdout.isatty():
        answer = input(f"Type yes to {what}, anything else to leave it: ")
        if answer.strip().casefold() == "yes":
            return True
    say("Nothing was written. If you agree to what is shown above, run the command again with --consent.")
    return False


def _write(
    args: argparse.Namespace, offered: Offered, record: PracticeRecord, cases: GroupCases, made: HandingOver
) -> int:
    key = _key(args, offered, record, create=True)
    said = record.next_file(offered.agreement.group, args.after)
    data = sealed_contribution(made, offered.agreement, key, **said, invitation=offered.invitation)
    note = partial(record.add, offered.agreement, **said, made=made, cases=cases)
    return _written(args, key, data, said["sequence"], note)


def _written(args: argparse.Namespace, key: PracticeKey, data: bytes, sequence: int, note: Callable[[], None]) -> int:
    let_out(data, Leave("others", lambda _: note()), to=args.out)
    say(f"Written to {args.out.name}: file number {sequence} of {key.pseudonym}, {len(data):,} bytes, encrypted.")
    say("Only the coordinator can open it. Send it in a way that suits you; see 'the risk that is left' above.")
    if sequence == 1:
        say(f"Keep a copy of {args.key_file.name}: without it you cannot renew or take back what you contributed.")
    return 0


def _withdraw(args: argparse.Namespace, offered: Offered, record: PracticeRecord) -> int:
    agreement = offered.agreement
    if not record.takes_part(agreement.group) and not args.after:
        found = f"{record.practice} has not contributed to {agreement.name}, as far as its own record tells"
        raise GroupError(found, remedy="if the record was lost, give the number of your last file with --after")
    say(f"This takes back everything {record.practice} contributed to {agreement.name}.")
    say("  The coordinator's copy is removed, and no later figure rests on it. Figures already shown stay as they are.")
    if not _consents(args, "withdraw"):
        return 0
    key = _key(args, offered, record, create=False)
    said = record.next_file(agreement.group, args.after)
    data = sealed_withdrawal(agreement, key, **said)
    let_out(data, Leave("others", lambda _: record.add(agreement, **said)), to=args.out)
    say(f"Written to {args.out.name}: the withdrawal of {key.pseudonym}. Send it to the coordinator.")
    return 0


def _key(args: argparse.Namespace, offered: Offered, record: PracticeRecord, *, create: bool) -> PracticeKey:
    args.key_file = args.key_file or beside(args.warehouse, "contribute.key")
    return practice_key(args.key_file, group=offered.agreement.group, practice=record.practice, create=create)


def _refuse_to_overwrite(out: Path | None) -> None:
    if out is not None and out.exists():
        raise GroupError("there is a file of this name already", where=out.name, remedy="name another file with --out")
