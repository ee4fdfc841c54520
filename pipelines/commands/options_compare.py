"""Options of every command that compares: which cases, which outcome, which level, JSON or not."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, TypeVar

from pipelines.commands.options import add_warehouse, say
from pipelines.commands.rate import selection_from
from warehouse.words.sentences import caution_text
from warehouse.words.sentences import say as say_text

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

    from warehouse.outcomes.definition import Definition
    from warehouse.plans.planned_or_explored import Standing
    from warehouse.results import Caution
    from warehouse.selection import Selection

T = TypeVar("T")


def add_asked(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    add_warehouse(parser)
    parser.add_argument("--definition", metavar="ID", help="outcome definition (default: the headline one)")
    parser.add_argument("--comparison", choices=("treated", "untreated"), default="treated", help="which children")
    parser.add_argument("--selection", choices=("consecutive", "selected", "both"), default="consecutive")
    parser.add_argument(
        "--only",
        action="append",
        default=[],
        metavar="FILTER=VALUE",
        help="keep cases with this value; may be repeated",
    )
    parser.add_argument("--level", type=float, default=0.95, help="level of the intervals (default 0.95)")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def asked(args: argparse.Namespace) -> dict[str, Any]:
    """Definition, cases and level asked for, as the analyses take them."""
    return {"definition": args.definition, "selection": selection_from(args), "level": args.level}


def listed(text: str | None) -> tuple[str, ...] | None:
    """The names of a list given on the command line, separated by commas; None where none was given.

    ``none`` is the empty list.
    """
    if text is None:
        return None
    if text.strip().lower() == "none":
        return ()
    return tuple(name.strip() for name in text.split(",") if name.strip())


def say_json(result: object, *, sentences: list[str]) -> None:
    """Print a result as one JSON object, with its sentences."""
    from pipelines.commands.as_data import as_data

    say(json.dumps({**as_data(result), "sentences": sentences}, indent=2, ensure_ascii=False))


def say_answer(args: argparse.Namespace, result: T, printed: Callable[[T], None], *, sentences: list[str]) -> None:
    """Print a result as JSON where that was asked for, else as ``printed`` does."""
    if args.json:
        say_json(result, sentences=sentences)
    else:
        printed(result)


def say_head(title: str, definition: Definition, *, growth: str, selection: Selection, build: str) -> None:
    """Print what every figure carries: definition, growth reference, cases and build."""
    say(f"{title} — {definition.name}, {definition.label}")
    say(f"  adverse: {definition.sentence}")
    say(f"  growth: {growth}")
    say(f"  cases: {selection.sentence()}; build {build}")


def say_list(lines: list[str]) -> None:
    """Print sentences, one a line."""
    for line in lines:
        say(f"  {line}")


def say_end(standing: Standing | None, cautions: tuple[Caution, ...]) -> None:
    """Print cautions, how the comparison stands, and the closing words."""
    from warehouse.words.contrasts import count_sentence, standing_sentence

    say_list([caution_text(caution) for caution in cautions])
    if standing is not None and standing.n_now:
        say(f"  {standing_sentence(standing)}")
        say(f"  {count_sentence(standing)}")
    say(f"  {say_text('audit.short')}")
