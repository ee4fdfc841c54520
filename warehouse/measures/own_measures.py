"""Measures a practice defines for itself, read from a TOML file.

The file holds one ``[[measure]]`` table a measure::

    [[measure]]
    code = "tongue_space_mm"
    label = "Tongue space"
    definition = "Distance from the tongue tip to the palate at rest."
    unit = "mm"
    plausible = [0, 40]
    usual = [2, 25]
    up_means = "lower tongue posture"
    sign = 0
    source = "practice protocol"

Such a measure is read by hand: it has no formula.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, Literal, NoReturn, cast

from warehouse.errors import DefinitionError, near_names
from warehouse.measures.measure import UNITS, Measure, Unit
from warehouse.toml_files import toml_from, toml_text

_FIELDS = ("code", "label", "definition", "unit", "plausible", "usual", "up_means", "sign", "source")
_ENDINGS = {"degrees": ("_deg",), "mm": ("_mm",), "percent": ("_pct",), "points": ("_points", "_score")}
_CODE = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)+")


def load_own_measures(path: Path) -> tuple[Measure, ...]:
    """The measures defined in a TOML file, in file order.

    Args:
        path: The file.

    Raises:
        DefinitionError: The file cannot be read as TOML, or a measure in it is not well formed.
    """
    import tomllib

    try:
        content = toml_from(toml_text(path))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as fault:
        message = f"The file of own measures cannot be read: {type(fault).__name__}."
        raise DefinitionError(
            message,
            where=path.name,
            expected="a UTF-8 text file in TOML with [[measure]] tables",
            remedy="correct the file; the part of the manual on own measures has an example",
        ) from fault
    _refuse_unknown(content, known=("measure",), where=path.name)
    tables = content.get("measure", [])
    if not isinstance(tables, list):
        tables = [tables]
    return tuple(_own_measure(table, where=f"{path.name}, measure {i}") for i, table in enumerate(tables, 1))


def _own_measure(table: Any, *, where: str) -> Measure:  # noqa: ANN401 - whatever the TOML file held
    if not isinstance(table, dict):
        _refuse("An own measure is not a table.", where, "[[measure]] followed by its fields")
    _refuse_unknown(table, known=_FIELDS, where=where)
    missing = [name for name in _FIELDS if name not in table]
    if missing:
        _refuse(f"An own measure lacks {', '.join(missing)}.", where, f"all of {', '.join(_FIELDS)}")
    unit = _unit(table["unit"], where)
    plausible = _range(table, "plausible", where)
    usual = _range(table, "usual", where)
    if not plausible[0] <= usual[0] <= usual[1] <= plausible[1]:
        _refuse("The usual range does not lie within the plausible range.", where, "usual inside plausible")
    return Measure(
        code=_code(table["code"], unit, where),
        label=_text(table, "label", where),
        definition=_text(table, "definition", where),
        unit=unit,
        plausible=plausible,
        usual=usual,
        up_means=_text(table, "up_means", where),
        sign=_sign(table["sign"], where),
        family="own",
        source=_text(table, "source", where),
    )


def _refuse(found: str, where: str, expected: str, remedy: str = "correct the file") -> NoReturn:
    raise DefinitionError(found, where=where, expected=expected, remedy=remedy)


def _refuse_unknown(table: dict[str, Any], *, known: tuple[str, ...], where: str) -> None:
    for name in table:
        if name not in known:
            remedy = near_names(name, known) or "remove it"
            _refuse(f"{name!r} is not a field of an own measure.", where, ", ".join(known), remedy)


def _text(table: dict[str, Any], name: str, where: str) -> str:
    value = table[name]
    if not isinstance(value, str) or not value.strip():
        _refuse(f"{name!r} is empty or not text.", where, "a short text in quotes")
    return value.strip()


def _unit(value: object, where: str) -> Unit:
    if value not in UNITS:
        _refuse(f"{value!r} is not a unit.", where, f"one of {', '.join(UNITS)}")
    return cast("Unit", value)


def _code(value: object, unit: Unit, where: str) -> str:
    endings = _ENDINGS[unit]
    if not isinstance(value, str) or not _CODE.fullmatch(value) or not value.endswith(endings):
        expected = f"small letters, digits and underscores, ending in {' or '.join(endings)}"
        _refuse(f"{value!r} cannot be the code of a measure in {unit}.", where, expected)
    return value


def _range(table: dict[str, Any], name: str, where: str) -> tuple[float, float]:
    value = table[name]
    if not isinstance(value, list) or len(value) != 2 or not all(_is_number(part) for part in value):
        _refuse(f"{name!r} is not a pair of numbers.", where, f"{name} = [lowest, highest]")
    low, high = float(value[0]), float(value[1])
    if not low < high:
        _refuse(f"{name!r} does not run from low to high.", where, f"{name} = [lowest, highest]")
    return low, high


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < float("inf")


def _sign(value: object, where: str) -> Literal[-1, 0, 1]:
    if isinstance(value, bool | float) or value not in (-1, 0, 1):
        _refuse("'sign' is not -1, 0 or 1.", where, "1 where a rise means a longer face, -1, or 0")
    return value
