"""What the commands ask, as ``commands.toml`` says it: their names, their lines of help and their options."""

import argparse
import os
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from pkgutil import resolve_name
from typing import Any, cast

from warehouse.command_options import practice_named

_DATA = tomllib.loads(Path(__file__).with_name("commands.toml").read_text(encoding="utf-8"))
COMMANDS: Mapping[str, Mapping[str, Any]] = _DATA["command"]


class _Once(argparse.Action):
    """Stores a value that may be given once: of two the second would win without a word."""

    def __call__(self, parser: argparse.ArgumentParser, namespace: argparse.Namespace, *given: Any) -> None:  # noqa: ANN401
        if getattr(namespace, self.dest, self.default) is not self.default:
            parser.error(f"{self.option_strings[0]} is given twice; give it once")
        setattr(namespace, self.dest, given[0])


_KINDS: Mapping[str, Mapping[str, Any]] = {
    "text": {},
    "once": {"action": _Once},
    "file": {"type": Path},
    "number": {"type": float},
    "whole": {"type": int},
    "practice": {"type": practice_named},
    "yes": {"action": "store_true"},
}


def add_options(parser: argparse.ArgumentParser, command: Mapping[str, Any]) -> None:
    """Let the parser ask what a command asks, or its verbs do; its module is imported when it runs.

    What answers gives the number the program ends with; nothing where there is only one way to end well.
    """
    parser.description = command.get("description", parser.description)
    if "examples" in command:
        parser.epilog, parser.formatter_class = command["examples"], argparse.RawDescriptionHelpFormatter
    if "verb" in command:
        verbs = parser.add_subparsers(metavar="WHAT", title="what to do", required=True)
        for name, verb in command["verb"].items():
            line = verb["help"]
            add_options(verbs.add_parser(name, help=line, description=f"{line[0].upper()}{line[1:]}."), verb)
        return
    places: dict[str, Any] = {"": parser}
    for option in _listed(command["options"]):
        which = option.get("one_of", "")
        if which not in places:
            places[which] = parser.add_mutually_exclusive_group(required=which == "needed")
        places[which].add_argument(option["name"], **_told(option))
    place = command["run"] if ":" in command["run"] else f"{command['run']}:run"
    parser.set_defaults(run=lambda args: resolve_name(place)(args) or 0)


def _listed(options: Iterable[Any]) -> Iterator[Mapping[str, Any]]:
    """The options themselves, those of shared lists in their place."""
    for one in options:
        if isinstance(one, str):
            yield from _listed(_DATA["shared"][one])
        elif "use" in one:
            yield _DATA["shared"][one["use"]][0] | one
        else:
            yield one


def _told(option: Mapping[str, Any]) -> dict[str, Any]:
    """What argparse is told of an option."""
    own = {"name", "kind", "variable", "one_of", "use"}
    told = {**_KINDS[option.get("kind", "text")], **{key: value for key, value in option.items() if key not in own}}
    usual = os.environ.get(option.get("variable", "")) or told.get("default")
    if usual is not None:
        told["default"] = Path(usual) if told.get("type") is Path and isinstance(usual, str) else usual
    return told


def asked_by(parser: argparse.ArgumentParser, verb: Sequence[str] = ()) -> list[dict[str, Any]]:
    """What a command, or one of its verbs, asks: name, kind, choices, help, and what holds where nothing is said."""
    actions = parser._actions  # there is no other way to ask
    if verb:
        (verbs,) = (one for one in actions if isinstance(one.choices, dict))
        return asked_by(cast("Mapping[str, argparse.ArgumentParser]", verbs.choices)[verb[0]], verb[1:])
    kinds = {Path: "file", int: "whole", float: "number"}
    return [
        {
            "name": one.option_strings[-1] if one.option_strings else one.dest,
            "kind": "yes" if one.nargs == 0 else kinds.get(cast("type", one.type), "text"),
            "choices": list(one.choices or ()),
            "help": (one.help or "") % vars(one),
            "usual": one.default if isinstance(one.default, str | int | float) else None,
            "many": one.nargs == "+",
            "positional": not one.option_strings,
            "required": one.required,
        }
        for one in actions
        if one.dest != "help"
    ]
