"""Small pieces of SQL made from checked parts: names from an allow-list form, numbers as doubles, quoted text.

The pieces keep to what DuckDB and Spark SQL read alike: explicit DOUBLE literals (``2.0e0``; a bare ``2.0`` is a
decimal in both and divides differently), CASE, COALESCE, NULLIF, ROUND, GREATEST and LEAST.
"""

import re
from collections.abc import Iterable
from importlib.resources import files
from math import isfinite
from string import Template

from warehouse.errors import DefinitionError
from warehouse.outcomes.growth_reference import GROWTH_OVER_AT, GrowthCurve

_NAME = re.compile(r"[a-z][a-z0-9_]{0,59}")
SETTLED_DIGITS = 6
"""Differences of readings are rounded to this many decimals before they meet a threshold: readings carry at most two,
and 36.1 - 34.1 is 2.0000000000000004 in binary."""


def statement(package: str, file: str, **parts: str) -> str:
    """The text of a query file with its parts filled in; a missing part is an error."""
    return Template(files(package).joinpath(file).read_text(encoding="utf-8")).substitute(parts)


def name(text: str) -> str:
    """A column or measure name, refused unless it is plain lower-case letters, digits and underscores."""
    if not _NAME.fullmatch(text):
        found = f"{text!r} is not a name that may stand in a query"
        raise DefinitionError(found, expected="lower-case letters, digits and underscores, a letter first")
    return text


def number(value: float) -> str:
    """A DOUBLE literal."""
    if not isfinite(value):
        raise DefinitionError(f"{value!r} is not a number that may stand in a query", expected="a finite number")
    return f"({float(value)!r})" if "e" in repr(float(value)) else f"({float(value)!r}e0)"


def text(value: str) -> str:
    """A quoted text literal."""
    doubled = value.replace("'", "''")
    return f"'{doubled}'"


def either(expressions: Iterable[str]) -> str:
    """The first of the expressions that is not null."""
    listed = list(expressions)
    return listed[0] if len(listed) == 1 else f"coalesce({', '.join(listed)})"


def settled(expression: str) -> str:
    """The expression rounded so that binary noise cannot decide a threshold."""
    return f"round({expression}, {SETTLED_DIGITS})"


def curve_at(curve: GrowthCurve, age: str) -> str:
    """The curve at the age held by a column; null outside the curve's ages."""
    branches = [f"when {age} < {number(curve.ages[0])} then null"]
    for left in range(len(curve.ages) - 1):
        a, b = curve.ages[left], curve.ages[left + 1]
        slope = (curve.means[left + 1] - curve.means[left]) / (b - a)
        piece = f"{number(curve.means[left])} + {number(slope)} * ({age} - {number(a)})"
        branches.append(f"when {age} <= {number(b)} then {piece}")
    return f"case {' '.join(branches)} end"


def curve_years(curve: GrowthCurve, age_from: str, age_to: str) -> str:
    """Years of the interval in which the curve changes at all (growth years), for the spread between children."""
    pieces = [
        f"greatest({number(0)}, least({age_to}, {number(b)}) - greatest({age_from}, {number(a)}))"
        for a, b, before, after in zip(curve.ages, curve.ages[1:], curve.means, curve.means[1:], strict=False)
        if before != after or b <= GROWTH_OVER_AT
    ]
    return " + ".join(pieces) if pieces else number(0)
