"""``menton report``: the report, slides, tables and figures of the audit."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from warehouse.command_options import encryption_key

if TYPE_CHECKING:
    import argparse

    from warehouse.selection import Selection


def run(args: argparse.Namespace) -> None:
    from dashboard.report.write import default_audience, write_report
    from warehouse.questions.answer import COMPARISONS
    from warehouse.words.shares import BEFORE_PRESENTING, NAMING

    if args.left or args.never_sent is not None:
        _record_of_what_left(args)
        return
    audience = args.audience or default_audience(args.out)
    if audience == "outside" and sys.stderr.isatty():
        print("  … hiding small counts, and what would give them away", file=sys.stderr)
    written = write_report(
        args.warehouse,
        args.out,
        key=encryption_key(args),
        definition=args.definition,
        title=args.title,
        audience=audience,
        name_practice=args.named,
        comparisons=tuple(args.by) if args.by else COMPARISONS,
        practices=args.practices,
        with_questions=args.with_questions,
        selection=_selection(args.practice),
        case=args.case,
        agreed=args.agreed,
    )
    hidden = "made to leave the practice: small counts are hidden"
    whole = "for the practice itself: every count is whole, so do not hand it on"
    if audience == "outside":
        print(BEFORE_PRESENTING)
    if args.named:
        print(NAMING)
    print(f"The report is written to {written} ({hidden if audience == 'outside' else whole}).")


def _record_of_what_left(args: argparse.Namespace) -> None:
    from warehouse.leaving.record import documents, strike

    if args.never_sent is not None:
        strike(args.warehouse, args.never_sent)
    for one in documents(args.warehouse):
        said = {name: one.entry[name] for name in ("read_by", "build", "about") if one.entry[name]}
        listed = ", ".join(f"{name.replace('_', ' ')} {text}" for name, text in said.items())
        struck = "; struck: never sent" if one.struck else ""
        print(f"{one.entry['number']}: {one.entry['at'][:10]}, {listed}, by {', '.join(one.left.versions)}{struck}")


def _selection(practice: str | None) -> Selection | None:
    from warehouse.selection import Selection

    return Selection(filters={"practice": (practice,)}) if practice else None
