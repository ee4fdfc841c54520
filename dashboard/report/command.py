"""``menton report``: the report, slides, tables and figures of the audit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from warehouse.command_options import add_warehouse, encryption_key, practice_named

if TYPE_CHECKING:
    import argparse

    from warehouse.selection import Selection

DEFAULT_OUT = "menton-report.html"


def add(parser: argparse.ArgumentParser) -> None:
    add_warehouse(parser)
    parser.add_argument(
        "--out",
        type=Path,
        default=Path(DEFAULT_OUT),
        metavar="FILE",
        help=f"an .html, .pdf, .pptx, .xlsx or .md file, or a folder for everything (default: {DEFAULT_OUT})",
    )
    parser.add_argument("--definition", metavar="ID", help="outcome definition (default: the headline one)")
    parser.add_argument("--title", metavar="TEXT", help="title of the report")
    parser.add_argument(
        "--for",
        dest="audience",
        choices=("practice", "outside"),
        help="practice: every count whole; outside: made to leave, small counts hidden"
        " (default: practice for .html, outside for everything else)",
    )
    parser.add_argument(
        "--by",
        action="append",
        metavar="GROUPING",
        help="a comparison to show; may be repeated (default: appliance_category, age_band, extraction)",
    )
    parser.add_argument(
        "--practice", type=practice_named, metavar="NAME", help="only the cases of one practice, by its pseudonym"
    )
    named = parser.add_mutually_exclusive_group()
    named.add_argument("--name-practice", dest="named", action="store_true", default=None, help="name practices")
    named.add_argument("--hide-practice", dest="named", action="store_false", help="do not name practices")
    parser.add_argument(
        "--without-practices",
        dest="practices",
        action="store_false",
        help="leave out the pictures of practices beside each other (they are there where three or more may be shown)",
    )
    parser.add_argument(
        "--without-questions",
        dest="with_questions",
        action="store_false",
        help="slides: the talk alone, without the slides for questions after it",
    )
    parser.add_argument("--case", default="", metavar="KEY", help="draw one case, finish over start: its key")
    agreed = "with --case: whom it shows, or who answers for a child, agreed to a drawing in a file"
    parser.add_argument("--agreed", action="store_true", help=agreed)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    from dashboard.report.write import default_audience, write_report
    from warehouse.questions.answer import COMPARISONS
    from warehouse.words.shares import BEFORE_PRESENTING, NAMING

    audience = args.audience or default_audience(args.out)
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
    return 0


def _selection(practice: str | None) -> Selection | None:
    from warehouse.selection import Selection

    return Selection(filters={"practice": (practice,)}) if practice else None
