"""``menton draw``: a case of the warehouse as points and lines, finish over start."""

import argparse

import polars as pl

from pipelines.commands.options import reading, say
from pipelines.ingest.own_numbers import keyer_there, knowing_published
from warehouse.cases.stored_drawing import drawing_of_case
from warehouse.errors import RequestError
from warehouse.leaving.gate import TO_ITSELF, let_out
from warehouse.marts.reader import Reader


def run(args: argparse.Namespace) -> None:
    with reading(args) as reader:
        case_key = args.case or _key_of(args, reader)
        svg = drawing_of_case(reader, case_key=case_key, view=args.view, measure=args.measure)
    let_out(svg + "\n", TO_ITSELF, to=args.out)
    say("the drawing is written to the file named with --out")
    say("It holds points and lines only. A single case is no one else's business: keep it inside the practice.")


def _key_of(args: argparse.Namespace, reader: Reader) -> str:
    """The case key of the practice's own number."""
    practices = reader.practices
    practice = args.practice or (practices[0] if len(practices) == 1 else None)
    if practice is None:
        found = "the warehouse holds several practices"
        raise RequestError(found, expected=", ".join(practices), remedy="name one with --practice")
    keyer = knowing_published(keyer_there(args.key_file, args.warehouse), reader)
    return str(keyer.keys(practice, pl.Series([args.number]))[0])
