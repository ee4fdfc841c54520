"""Numbers in the marks of the reader's own language: 1,234.5 becomes 1.234,5 or 1 234,5 at the edge of the screen.

Results are worded once, with a point and commas; only what is shown is turned. Versions (v1.0.0), file names and
identifiers keep their points. Marks by language: common practice, from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

_NUMBER = re.compile(r"(?<![\w.,:/-])[-−]?(?:\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+\.\d+)(?![\w:/]|[.,-]\w)")

_THIN = "\u202f"
_NO_BREAK = "\u00a0"


@dataclass(frozen=True, slots=True)
class NumberMarks:
    """The mark before decimals and the one between thousands."""

    decimal: str
    thousands: str


POINT = NumberMarks(".", ",")
_BY_LANGUAGE = {
    **dict.fromkeys(
        ("da", "de", "el", "es", "hr", "id", "it", "nl", "ro", "sl", "sr", "tr", "vi"), NumberMarks(",", ".")
    ),
    **dict.fromkeys(
        ("bg", "cs", "fi", "hu", "nb", "no", "pl", "pt", "ru", "sk", "sv", "uk"), NumberMarks(",", _NO_BREAK)
    ),
    "fr": NumberMarks(",", _THIN),
    "pt-br": NumberMarks(",", "."),
    "de-ch": NumberMarks(".", "’"),
    "it-ch": NumberMarks(".", "’"),
    "es-mx": POINT,
    "es-us": POINT,
}


def marks_of(language: str | None) -> NumberMarks:
    """The marks of a language tag such as ``de-AT``; a point and commas where it is not known."""
    tag = (language or "").casefold()
    return _BY_LANGUAGE.get(tag) or _BY_LANGUAGE.get(tag.split("-")[0]) or POINT


def localised(text: str, marks: NumberMarks) -> str:
    """The text with its numbers in these marks."""
    return text if marks == POINT else _NUMBER.sub(lambda match: _turned(match.group(), marks), text)


def _turned(number: str, marks: NumberMarks) -> str:
    return number.replace(",", "\0").replace(".", marks.decimal).replace("\0", marks.thousands)


def localised_spec(spec: Any, marks: NumberMarks) -> Any:  # noqa: ANN401 - a tree of plain data
    """A chart as plain data with every text turned, and axes told the marks."""
    if marks == POINT:
        return spec
    turned = _walked(spec, marks)
    number = {"decimal": marks.decimal, "thousands": marks.thousands, "grouping": [3], "currency": ["", ""]}
    turned.setdefault("config", {})["locale"] = {"number": number}
    return turned


def _walked(node: Any, marks: NumberMarks) -> Any:  # noqa: ANN401
    if isinstance(node, dict):
        return {key: _walked(value, marks) if _may_turn(key, value) else value for key, value in node.items()}
    if isinstance(node, list):
        return [_walked(value, marks) for value in node]
    return localised(node, marks) if isinstance(node, str) else node


def _may_turn(key: str, value: object) -> bool:
    """Whether a value may be turned; formats, field names and expressions are written for the chart, not the reader."""
    return isinstance(value, dict | list) or key not in {"field", "format", "$schema", "type", "filter", "expr", "name"}
