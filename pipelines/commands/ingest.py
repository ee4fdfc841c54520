"""``menton ingest``: check files and load them."""

import argparse
from collections import Counter

from pipelines.checking.rules import load_rules
from pipelines.commands.options import confirms, encryption_key, progress, say
from pipelines.contract.contract import load_contract
from pipelines.contract.delivery import Sorted
from pipelines.deidentify.file_names import said_name
from pipelines.ingest.ingest import Outcome, Request, ingest
from pipelines.ingest.quarantine import said_once
from warehouse.plural import number_of


def run(args: argparse.Namespace) -> int:
    outcome = ingest(
        Request(
            paths=tuple(args.paths),
            warehouse=args.warehouse,
            mapping=args.mapping,
            practice=args.practice,
            key_file=args.key_file,
            encryption_key=encryption_key(args),
            again=args.again,
            confirm=lambda question: confirms(args, question),
            progress=progress,
        )
    )
    print_outcome(outcome)
    # a file that is there already is no failure: its rows were loaded before
    return 1 if outcome.checked and not any(one.n_good for one in outcome.checked) else 0


def print_outcome(outcome: Outcome) -> None:
    if outcome.recalled:
        say(f"read by the mapping that loaded a file of these headings before ({outcome.recalled.name})")
    for fault in outcome.unread:
        say(f"not read, and left out: {fault}")
    for one in outcome.checked:
        _print_assumptions(one)
    for record in outcome.loaded:
        say(
            f"{record.source} ({record.table}): {number_of(record.n_read, 'row')} read = {record.n_loaded} loaded"
            f" + {record.n_turned_away} turned away (load {record.load_id})"
        )
        if record.n_replaced:
            earlier = number_of(record.n_replaced, "case" if record.table == "cases" else "row")
            say(f"  what was there of {earlier} was replaced, and is kept in the history")
        if record.n_remarks:
            say(f"  {number_of(record.n_remarks, 'remark')} on loaded rows: see `menton quarantine --remarks`")
    for skipped in outcome.skipped:
        say(f"{skipped.source}: nothing changed; the same file is already in the warehouse (load {skipped.load_id})")
    if outcome.n_alike:
        alike = number_of(outcome.n_alike, "new case agrees", "new cases agree")
        say(f"{alike} in everything with one under another number: if it is one person, use `menton join`")
    _print_reasons(outcome)
    say(f"practice {outcome.practice}; build {outcome.build} is published")


def _print_assumptions(one: Sorted) -> None:
    if not one.delivery.assumptions:
        return
    say(f"{said_name(one.delivery.source)}: taken to be so")
    for assumption in one.delivery.assumptions:
        say(f"  {assumption.about}: {assumption.taken} ({assumption.because})")


def _print_reasons(outcome: Outcome) -> None:
    counts: Counter[str] = Counter()
    for one in outcome.checked:
        counts.update(said_once(one.turned_away, "row", "column").unique(["row", "rule"])["rule"].sort())
    if not counts:
        return
    rules = load_rules(load_contract(), outcome.measures)
    say("Turned away, by reason (a row may have several):")
    for rule, n in counts.most_common(12):
        say(f"  {n:>6}  {rule}: {rules[rule].reason}")
    say("  see every row with `menton quarantine`, or as a workbook with `menton quarantine --out FILE.xlsx`")
