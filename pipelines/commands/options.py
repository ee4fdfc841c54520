"""Options that several commands share, the question they make, and how answers are printed: as text or as JSON."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from math import isfinite
from numbers import Integral
from pathlib import Path
from shutil import get_terminal_size
from textwrap import fill, wrap
from typing import TYPE_CHECKING, Any, TextIO, TypeVar

from warehouse.command_options import encryption_key
from warehouse.errors import RequestError, WarehouseError
from warehouse.leaving.gate import TO_ITSELF, let_out
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question, Stamp
from warehouse.questions.shares import rates_as_data
from warehouse.selection import VARIABLES, Selection
from warehouse.store.store import open_store
from warehouse.words.contrasts import standing_sentences
from warehouse.words.drift import refused_sentence
from warehouse.words.sentences import caution_text
from warehouse.words.sentences import say as say_text

if TYPE_CHECKING:
    from warehouse.cases.occlusal_results import OcclusalResults
    from warehouse.marts.catalogues import Catalogues
    from warehouse.plans.planned_or_explored import Standing
    from warehouse.plans.question import Stamped
    from warehouse.questions.shares import Rates
    from warehouse.results import Caution
    from warehouse.store.storage import Connection


FORMAT = 2  # number of the form described in `json.md`; it rises when a key goes, or comes to mean something else


_KEYS = {"selection": "cases", "cautions": "warnings"}
"""Fields that have another key, so that the same thing has the same key everywhere."""


def as_data(value: object) -> Any:  # noqa: ANN401
    """The value as dictionaries, lists, texts, numbers and None.

    The stamp of an answer stands among its own keys, groupings are given by name, cases by sentence, intervals as
    [low, high], cautions as their text, frames as lists of rows. What is infinite is the text ``infinity`` or
    ``-infinity``.
    """
    for kind in type(value).__mro__:
        if kind.__name__ in _SPECIAL:
            return _SPECIAL[kind.__name__](value)
    if is_dataclass(value) and not isinstance(value, type):
        return _fields(value)
    if hasattr(value, "_asdict"):
        return as_data(value._asdict())
    if isinstance(value, Mapping):
        return {str(key): as_data(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [as_data(item) for item in value]
    if isinstance(value, bool) or value is None:
        return value
    return int(value) if isinstance(value, Integral) else str(value)


def _fields(value: Any) -> dict[str, Any]:  # noqa: ANN401 - any dataclass
    data: dict[str, Any] = {}
    for field in fields(value):
        part = getattr(value, field.name)
        if isinstance(part, Stamp):
            data |= _fields(part)
        else:
            data[_KEYS.get(field.name, field.name) if not isinstance(part, str) else field.name] = as_data(part)
    return data


def _question(value: Question) -> dict[str, Any]:
    named = {name: getattr(value, name) for name in ("outcome", "by", "first", "second")}
    return {**named, "cases": value.selection.sentence(), "adjust": list(value.adjust or ())}


def _named(labels: Mapping[str, str]) -> list[dict[str, str]]:
    return [{"group": code, "label": label} for code, label in labels.items()]


def _teeth(value: OcclusalResults) -> dict[str, Any]:
    improvement = [
        {"group": name, "n": value.counts[name], "share": as_data(share)} for name, share in value.shares.items()
    ]
    means = {"n_finished": value.n_finished, "reduction": value.reduction, "points": value.points}
    return {"improvement": improvement, **as_data(means)}


def _number(value: float) -> float | str | None:
    if isfinite(value):
        return float(value)
    return None if value != value else ("infinity" if value > 0 else "-infinity")


_SPECIAL: dict[str, Any] = {
    "Definition": lambda one: {name: getattr(one, name) for name in ("id", "version", "sentence")},
    "Variable": lambda way: way.name,
    "Selection": lambda selection: selection.sentence(),
    "Question": _question,
    "Rates": lambda rates: as_data(rates_as_data(rates)),
    "CrossedComparison": lambda one: _fields(one) | {"groups": _named(one.groups), "levels": _named(one.levels)},
    "OcclusalResults": _teeth,
    "GroupMissing": lambda one: as_data({"group": one.rate.group, "label": one.rate.label, "tipping": one.tipping}),
    "Estimate": lambda one: _fields(one) | {"level": one.interval.level if one.interval else None},
    "Interval": lambda interval: [_number(interval.low), _number(interval.high)],
    "Caution": caution_text,
    "DriftPicture": lambda picture: _fields(picture) | {"refused": refused_sentence(picture)},
    "DataFrame": lambda frame: [as_data(row) for row in frame.to_dicts()],
    "ndarray": lambda array: as_data(array.tolist()),
    "SinglePoints": lambda points: as_data(list(points)),
    "float": _number,
}
"""By name of the class, which stands for one class in the whole tree."""


__all__ = ["encryption_key", "print_table", "progress", "say"]

T = TypeVar("T")


def confirms(args: argparse.Namespace, question: str) -> bool:
    """Whether the user says yes: beforehand by the option, or now at a terminal; without one nobody does."""
    if args.yes:
        return True
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return False
    say(question)
    return input("Type yes to go on, anything else to leave it: ").strip().casefold() == "yes"


def check_pair(args: argparse.Namespace) -> None:
    """Refuse (RequestError) one group without the other."""
    if bool(args.a) != bool(args.b):
        found = "one of --a and --b is missing"
        raise RequestError(found, expected="both groups, or neither", remedy="name the other group too")


def selection_from(args: argparse.Namespace) -> Selection:
    """The selection of cases asked for on the command line."""
    filters: dict[str, tuple[str, ...]] = {}
    for given in args.only:
        name, equals, value = given.partition("=")
        if not equals:
            raise RequestError(f"--only {given!r} is not of the form FILTER=VALUE", remedy="such as --only sex=female")
        name = VARIABLES[name].filter if name in VARIABLES else name  # by the name of its grouping too
        filters[name] = (*filters.get(name, ()), value)
    selection = Selection(comparison=args.comparison, selection=args.selection, filters=filters)
    if filters:
        with reading(args) as reader:
            reader.refuse_unknown(filters)
    return selection


def question_from(args: argparse.Namespace, *, by: str = "") -> Question:
    """The question asked on the command line, from the options the command has; grouped ``by`` where none is named."""
    given = vars(args)
    return Question(
        definition=args.definition or "",
        measure=given.get("measure") or "",
        span=given.get("span") or "start_to_finish",
        by=given.get("by") or by,
        by2=given.get("by2") or "",
        first=given.get("a") or "",
        second=given.get("b") or "",
        reference=given.get("reference") or "",
        selection=selection_from(args),
        adjust=listed(given.get("adjust")),
        strata=listed(given.get("strata")),
        method=given.get("primary") or "",
        level=args.level,
        within=given.get("within") or "practice",
        landmark=given.get("landmark"),
    )


def listed(text: str | None) -> tuple[str, ...] | None:
    """The names of a list separated by commas, ``none`` being the empty list; None where none was given."""
    if text is None:
        return None
    if text.strip().lower() == "none":
        return ()
    return tuple(name.strip() for name in text.split(",") if name.strip())


def reading(args: argparse.Namespace) -> Reader:
    """The published warehouse, to be read in a ``with`` block."""
    return Reader.open(args.warehouse, key=encryption_key(args))


def storing(args: argparse.Namespace, *, create: bool = False) -> Connection:
    """The store of the warehouse, to be used in a ``with`` block."""
    return open_store(args.warehouse, create=create, key=encryption_key(args))


def catalogues_of(args: argparse.Namespace) -> Catalogues:
    """What is in force in the warehouse, or what comes with the program where none can be opened."""
    from warehouse.marts.catalogues import in_force, shipped

    try:
        with storing(args) as store:
            return in_force(store)
    except WarehouseError:
        return shipped()


def published_again(args: argparse.Namespace, store: Connection) -> None:
    """Publish what was changed in the store."""
    from warehouse.marts.publish import publish

    publish(args.warehouse, store, key=encryption_key(args), progress=progress)


def write_text(path: Path, text: str, *, what: str) -> None:
    """Write a text file of the practice's own; RequestError where it cannot be written."""
    let_out(text, TO_ITSELF, to=path, what=what)


def say(line: str = "", *, to: TextIO | None = None) -> None:
    """Print lines for a person on standard output (or ``to``), at a terminal cut between words."""
    to = to or sys.stdout
    if not to.isatty():
        print(line, file=to)
        return
    width = get_terminal_size().columns
    for one in line.split("\n"):
        indent = " " * (len(one) - len(one.lstrip()))
        print(fill(one, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False), file=to)


def progress(line: str) -> None:
    """Print what is being done, on standard error, so that the answer alone is on standard output."""
    say(f"  … {line}", to=sys.stderr)


def say_json(answer: object, *, sentences: Sequence[str] = ()) -> None:
    """Print an answer as one JSON object, with its sentences; `pipelines/commands/json.md` says what the keys mean."""
    said: dict[str, Any] = {"sentences": list(sentences)} if sentences else {}
    data = {"format": FORMAT, **as_data(answer), **said}
    print(json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False))


def say_answer(args: argparse.Namespace, answer: T, printed: Callable[[T], None], *, sentences: Sequence[str]) -> None:
    """Print an answer as JSON where that was asked for, else as ``printed`` does."""
    if args.json:
        say_json(answer, sentences=sentences)
    else:
        printed(answer)


def say_head(title: str, answer: Stamped | Rates) -> None:
    """Print what every figure carries: definition, growth reference, cases and build."""
    say(f"{title} — {answer.definition.name}, {answer.definition.label}")
    say(f"  adverse: {answer.definition.sentence}")
    say(f"  growth: {answer.growth_reference}")
    say(f"  cases: {answer.selection.sentence()}; build {answer.build}")


def say_list(lines: Iterable[str]) -> None:
    """Print sentences, one a line."""
    for line in lines:
        say(f"  {line}")


def say_end(standing: Standing | None = None, cautions: tuple[Caution, ...] = ()) -> None:
    """Print cautions, how the comparison stands, and the closing words."""
    say_cautions(cautions)
    if standing is not None and standing.n_now:
        say_list(standing_sentences(standing))
    say(f"  {say_text('audit.short')}")


def say_cautions(cautions: Iterable[Caution]) -> None:
    """Print cautions as sentences, one a line."""
    say_list(map(caution_text, cautions))


def print_table(
    title: str, columns: Sequence[str], rows: Iterable[Sequence[str]], *, right: Sequence[int] = ()
) -> None:
    """Print a table as wide as the terminal, or 80; where its words do not fit side by side, row under row.

    Columns at the positions in ``right`` are set flush right, and their values stand on one line.
    """
    from rich import box
    from rich.console import Console
    from rich.table import Table

    width = get_terminal_size().columns
    cells = [[str(cell) for cell in row] for row in rows]
    least = [
        max(map(len, [*name.split(), *(part for row in cells for part in _unbroken(row[at], at in right))]), default=0)
        for at, name in enumerate(columns)
    ]
    say_list([title] if title else [])
    if sum(least) + 2 * len(least) - 1 > width:
        say_list([f"{columns[0]}:"] if columns[0] else [])
        for row in cells:
            _print_stacked(columns, row, width)
        return
    wide = [max(len(line) for row in (columns, *cells) for line in row[at].split("\n")) for at in range(len(columns))]
    while sum(wide) + 2 * len(wide) - 1 > width:
        wide[max((at for at in range(len(wide)) if wide[at] > least[at]), key=wide.__getitem__)] -= 1
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False)
    for at, column in enumerate(columns):
        table.add_column(column, justify="right" if at in right else "left", width=wide[at])
    for row in cells:
        table.add_row(*[cell.replace("[", "\\[") for cell in row])
    Console(width=width).print("", table, "", sep="\n")


def _unbroken(cell: str, is_value: bool) -> list[str]:
    """The parts of a cell that stand on one line."""
    return cell.split("\n") if is_value else cell.split()


def _print_stacked(columns: Sequence[str], row: Sequence[str], width: int) -> None:
    """One row of a table as its first cell and, below it, the others behind their names."""
    told = [
        f"{name} {cell}".strip().replace("\n", ", ")
        for name, cell in zip(columns[1:], row[1:], strict=True)
        if cell.strip()
    ]
    kept = "; ".join(one.replace("\n", ", ").replace(" ", "\u00a0") if len(one) < width // 2 else one for one in told)
    say(f"  {row[0]}")
    lines = wrap(kept, width, initial_indent="    ", subsequent_indent="    ", break_long_words=False)
    say_list(line[2:].replace("\u00a0", " ") for line in lines)
