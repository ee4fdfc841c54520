"""``menton build``: marts and rates of records that lie in Parquet, on this machine or on a Spark cluster."""

import argparse
from collections.abc import Sequence

from pipelines.commands.options import progress, say, say_json
from pipelines.commands.rate import print_rates
from warehouse.engine.build import RATES, build, rates_table
from warehouse.engine.duck import DuckPlace
from warehouse.engine.place import Place
from warehouse.errors import RequestError
from warehouse.questions.shares import Rates, rates
from warehouse.words.sentences import caution_text

BY = ("appliance_category", "age_band", "extraction")
"""Groupings of the rates where none is asked for; the rate of all cases always comes first."""


def run(args: argparse.Namespace) -> None:
    place = _place(args)
    try:
        reader = build(place, records=args.records, out=args.out, progress=progress)
        progress("counting the rates")
        results = [
            rates(reader, by=by, definition=definition, method=args.method, level=args.level)
            for definition in args.definition or [None]
            for by in (None, *(args.by or BY))
        ]
        place.keep(RATES, rates_table(results, caution_text))
    finally:
        place.close()
    _print(results, args)


def _place(args: argparse.Namespace) -> Place:
    if args.engine == "duckdb":
        if args.master:
            found = "--master is given, but the engine is duckdb, which runs here"
            raise RequestError(found, remedy="say --engine spark")
        return DuckPlace(args.records, args.out)
    if not args.master:
        found = "the engine spark needs the address of a master"
        raise RequestError(found, remedy="name it with --master, such as spark://HOST:7077")
    from warehouse.engine.session import start
    from warehouse.engine.spark import SparkPlace

    progress(f"asking the Spark master at {args.master}")
    session = start(args.master, settings=_settings(args.conf), wait=args.wait)
    return SparkPlace(session, args.records, args.out)


def _settings(given: Sequence[str]) -> dict[str, str]:
    found = {}
    for one in given:
        name, equals, value = one.partition("=")
        if not (name and equals):
            message = f"--conf {one!r} is not of the form NAME=VALUE"
            raise RequestError(message, remedy="such as --conf spark.executor.memory=4g")
        found[name] = value
    return found


def _print(results: list[Rates], args: argparse.Namespace) -> None:
    if args.json:
        say_json({"engine": args.engine, "rates": results})
        return
    for position, result in enumerate(results):
        if position:
            say("")
        print_rates(result, again=result.by is not None)
    say("")
    say(f"Marts and rates are written to {args.out}.")
