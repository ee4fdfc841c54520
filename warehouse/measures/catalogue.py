"""The catalogue of measures: every code of the contract, and those a practice adds, by one reader.

``measures.toml`` holds the shipped ones. A practice's own file has one ``[[measure]]`` table a measure, as the manual
shows; its measures are read by hand, or made from points by a formula in the notation of ``measures.toml``.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal, NoReturn, cast

from warehouse.errors import DefinitionError, near_names
from warehouse.measures.formulae import Formula, WeightedTotal, formula_from, unit_of
from warehouse.measures.landmarks import LANDMARKS, LATERAL, VIEWS
from warehouse.measures.measure import RANGES_SOURCE, UNITS, Measure, Norm, StatedError, Unit
from warehouse.toml_files import toml_from, toml_text

_FIELDS = ("code", "label", "definition", "unit", "plausible", "usual", "up_means", "sign", "source")
_SHIPPED_ALONE = (
    "formula", "family", "norm", "other_norms", "method_error", "variants", "from_points", "views", "needs_scale",
    "on_film",
)  # fmt: skip
_ENDINGS = {"degrees": ("_deg",), "mm": ("_mm",), "percent": ("_pct",), "points": ("_points", "_score")}
_CODE = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)+")


class Catalogue(Mapping[str, Measure]):
    """Measures by code, in a fixed order; DefinitionError where a code occurs twice."""

    __slots__ = ("_by_code",)

    def __init__(self, measures: Iterable[Measure]) -> None:
        self._by_code: dict[str, Measure] = {}
        for entry in measures:
            if entry.code in self._by_code:
                message = f"The measure {entry.code!r} is defined twice."
                raise DefinitionError(
                    message,
                    where="catalogue of measures",
                    expected="each code once; a built-in measure cannot be replaced",
                    remedy="give the added measure another code",
                )
            self._by_code[entry.code] = entry

    def __getitem__(self, code: str) -> Measure:
        """The measure with that code; KeyError if there is none (see :meth:`measure` for the kind error)."""
        return self._by_code[code]

    def __iter__(self) -> Iterator[str]:
        """The codes, in catalogue order."""
        return iter(self._by_code)

    def __len__(self) -> int:
        """How many measures there are."""
        return len(self._by_code)

    def measure(self, code: str) -> Measure:
        """The measure with that code. Raises DefinitionError: there is none; the message offers near codes."""
        found = self._by_code.get(code)
        if found is not None:
            return found
        message = f"There is no measure called {code!r}."
        raise DefinitionError(
            message,
            where="measure code",
            expected=f"one of {', '.join(self._by_code)}",
            remedy=near_names(code, self._by_code) or "choose one of the listed codes, or define your own",
        )

    def with_own(self, own: Iterable[Measure]) -> Catalogue:
        """This catalogue and the measures a practice adds. Raises DefinitionError: an added code is already taken."""
        return Catalogue((*self._by_code.values(), *own))


def load_own_measures(path: Path) -> tuple[Measure, ...]:
    """The measures a practice defined in a TOML file, in file order.

    Raises DefinitionError: the file cannot be read as TOML, or a measure in it is not well formed.
    """
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
    return tuple(own_measure(table, where=f"{path.name}, measure {i}") for i, table in enumerate(tables, 1))


def own_measure(table: Any, *, where: str) -> Measure:  # noqa: ANN401 - whatever the file held
    """A measure of a practice out of its table; what its formula implies (views, scale) follows from the points.

    Raises DefinitionError: the table is not well formed.
    """
    found = _measure(table, (*_FIELDS, "formula"), where=where)
    if found.formula is None:
        return found
    if isinstance(found.formula, WeightedTotal) or unit_of(found.formula_text) != found.unit:
        made = "a total" if isinstance(found.formula, WeightedTotal) else unit_of(found.formula_text)
        _refuse(f"The formula makes {made} and the measure is in {found.unit}.", where, "a formula in the unit stated")
    points = found.formula.points
    views = tuple(view for view in VIEWS if all(view in LANDMARKS[point].views for point in points))
    if not views:
        _refuse(f"No view shows all of {', '.join(points)}.", where, "points that are seen in one picture")
    is_length = found.unit == "mm"
    return replace(found, views=views, needs_scale=is_length, on_film=is_length and views == (LATERAL,))


def _measure(table: Any, known: tuple[str, ...], *, where: str) -> Measure:  # noqa: ANN401 - whatever the file held
    if not isinstance(table, dict):
        _refuse("An own measure is not a table.", where, "[[measure]] followed by its fields")
    _refuse_unknown(table, known=known, where=where)
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
        family=table.get("family", "own"),
        formula=_formula(table["formula"], where) if "formula" in table else None,
        formula_text=str(table.get("formula", "")),
        norm=_norm(table["norm"]) if "norm" in table else None,
        other_norms=tuple(map(_norm, table.get("other_norms", ()))),
        method_error=StatedError(**table["method_error"]) if "method_error" in table else None,
        variants=tuple(table.get("variants", ())),
        from_points=table.get("from_points", ""),
        views=tuple(table.get("views", ())),
        needs_scale=table.get("needs_scale", False),
        on_film=table.get("on_film", False),
        source=_text(table, "source", where),
    )


def _formula(text: object, where: str) -> Formula:
    try:
        return formula_from(str(text), PAR_WEIGHTS)
    except ValueError as fault:
        _refuse(f"The formula is not understood: {fault}.", where, "a formula such as planes(S-N, Go-Me)")


def _norm(table: Mapping[str, Any]) -> Norm:
    return Norm(**{"sd": None, **table})


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


_SHIPPED = tomllib.loads(files("warehouse.measures").joinpath("measures.toml").read_text(encoding="utf-8"))
PAR_WEIGHTS: Mapping[str, WeightedTotal] = MappingProxyType(
    {name: WeightedTotal(tuple(weights.items())) for name, weights in _SHIPPED["weights"].items()}
)
CATALOGUE = Catalogue(
    _measure({"source": RANGES_SOURCE, **table}, (*_FIELDS, *_SHIPPED_ALONE), where=f"measures.toml, {table['code']}")
    for table in _SHIPPED["measure"]
)


def measure(code: str) -> Measure:
    """The built-in measure with that code. Raises DefinitionError: there is none; the message offers near codes."""
    return CATALOGUE.measure(code)
