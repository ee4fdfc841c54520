"""TOML that a person hands over: read with bounds the standard library does not set, and held against a form.

``tomllib`` gives up on deep nesting with ``RecursionError`` and on a number of thousands of digits with a bare
``ValueError``, and it takes time with the square of the parts of a dotted name; here all three are what they are to the
person: a file that is not well formed.
"""

import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from warehouse.errors import DefinitionError, MentonError

MOST_BYTES = 4_000_000
"""Far more than a mapping of the widest file takes; the longest file of this program's own has 60,000 bytes."""

MOST_PARTS = 100  # of a dotted name; those of this program have at most three
MOST_NESTED = 100  # sections and lists within each other; those of this program have at most five

PART = r"""(?:[A-Za-z0-9_-]++|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+')[ \t]*+"""
TOO_MANY_PARTS = re.compile(rf"""(?<![A-Za-z0-9_.\\-])(?:{PART}\.[ \t]*+){{{MOST_PARTS}}}""")


def shipped(package: str, name: str) -> dict[str, Any]:
    """What a TOML file of this program says: ``name`` beside the modules of ``package``."""
    return tomllib.loads(files(package).joinpath(name).read_text(encoding="utf-8"))


def toml_from(text: str) -> dict[str, Any]:
    """What a TOML text says. Raises tomllib.TOMLDecodeError: it is not well formed, whatever is wrong with it."""
    if TOO_MANY_PARTS.search(text):
        raise tomllib.TOMLDecodeError(f"a name in it has more than {MOST_PARTS} parts (at an unknown place)")
    try:
        found = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError as error:
        raise tomllib.TOMLDecodeError("it is nested too deeply (at an unknown place)") from error
    except (ValueError, OverflowError) as error:
        raise tomllib.TOMLDecodeError("it holds a number or a date that cannot be (at an unknown place)") from error
    fault = _beyond_bounds(found)
    if fault:
        raise tomllib.TOMLDecodeError(f"{fault} (at an unknown place)")
    return found


def _beyond_bounds(value: object) -> str:
    """What goes beyond TOML 1.0 (a longer whole number is an error as a float) or beyond any file of this kind."""
    waiting = [(value, 0)]
    while waiting:
        one, depth = waiting.pop()
        if depth > MOST_NESTED:
            return "it is nested too deeply"
        if isinstance(one, dict):
            waiting += [(inner, depth + 1) for inner in one.values()]
        elif isinstance(one, list):
            waiting += [(inner, depth + 1) for inner in one]
        elif isinstance(one, int) and not -(2**63) <= one < 2**63:
            return "it holds a whole number of more than 64 bits, the most that TOML has"
    return ""


def toml_text(path: Path) -> str:
    """The text of a TOML file, without a byte order mark.

    Raises OSError: it cannot be read; UnicodeDecodeError: it is not UTF-8; tomllib.TOMLDecodeError: it is longer than
    any file of this kind.
    """
    with path.open("rb") as stream:
        data = stream.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise tomllib.TOMLDecodeError(f"it is longer than {MOST_BYTES:,} bytes")
    return data.decode("utf-8-sig").replace("\r\n", "\n")


@dataclass(frozen=True, slots=True)
class Complaint:
    """One thing in a structured file that is not of the form expected, as the parts of an error."""

    place: tuple[str | int, ...]  # Keys and positions (from 0) that lead to it; empty for the file itself
    found: str
    expected: str
    remedy: str


def shaped(kind: Any, data: object) -> tuple[Any, list[Complaint]]:  # noqa: ANN401 - a type goes in, its value comes out
    """What a structured file says as a value of ``kind``, or everything that keeps it from being one.

    ``kind``: a type: a dataclass, or a collection of them; unknown keys are refused, and nothing is converted but whole
    numbers where any number will do. ``data``: tables, lists and values as read; dates fit nothing. Gives the value and
    no complaint, or None and at least one.
    """
    from pydantic import TypeAdapter, ValidationError

    text = json.dumps(data, default=lambda _: {})  # read as JSON the library is strict, yet takes a list for a tuple
    try:
        return TypeAdapter(kind).validate_json(text, strict=True, extra="forbid"), []
    except ValidationError as error:
        return None, [_complaint(one) for one in error.errors(include_url=False, include_input=False)]


def structure(kind: Any, data: object, *, where: str, error: type[MentonError] = DefinitionError) -> Any:  # noqa: ANN401
    """What a structured file says as a value of ``kind``; see :func:`shaped`.

    Raises MentonError: it is not of that form; of the class ``error``, with the first thing that is wrong.
    """
    value, complaints = shaped(kind, data)
    for one in complaints:
        place = ", ".join(f"entry {key + 1}" if isinstance(key, int) else key for key in one.place)
        raise error(one.found, where=f"{where}, {place}" if place else where, expected=one.expected, remedy=one.remedy)
    return value


_EXPECTED = {
    **dict.fromkeys(("string_type", "string_too_short"), "a text in quotes"),
    **dict.fromkeys(("int_type", "int_from_float"), "a whole number"),
    **dict.fromkeys(("float_type", "float_parsing", "finite_number"), "a number"),
    "bool_type": "true or false",
    **dict.fromkeys(("list_type", "tuple_type"), "a list in square brackets"),
    **dict.fromkeys(("dict_type", "mapping_type", "dataclass_type"), "a section"),
}


def _complaint(error: Mapping[str, Any]) -> Complaint:
    """A complaint of the library in the parts of an error; no value of the file is repeated."""
    kind, limits = error["type"], error.get("ctx", {})
    place = tuple(error["loc"])
    if kind == "missing":
        return Complaint(place, f"{place[-1]!r} is missing", "", "add it")
    if kind == "unexpected_keyword_argument":
        return Complaint(place, f"there is no {place[-1]!r}", "", "correct the name, or remove it")
    expected = _EXPECTED.get(kind) or _limits(kind, limits)
    return Complaint(place, "this value does not fit", expected, "correct it")


def _limits(kind: str, limits: Mapping[str, Any]) -> str:
    if kind == "literal_error":
        return "one of " + re.sub(r"'([^']*)'", r'"\1"', str(limits["expected"])).replace(" or ", ", ")
    said = {"ge": "at least", "gt": "above", "le": "at most", "lt": "below"}
    return " and ".join(f"{said[name]} {limit:g}" for name, limit in limits.items() if name in said)
