"""R3: a growth reference out of a table that somebody has, as CSV, workbook or TOML.

The table has one row a measure, sex and age: ``measure``, ``sex`` (male, female or any), ``age`` (years), and either
``mean`` with or without ``sd``, or ``L``, ``M`` and ``S``. ``change_sd`` may say how much the yearly change differs
between children, in the unit per year (the same in every row of a measure and sex); without it the reference cannot
say how surely a single change is unusual. ``change_sd_low``, ``change_sd_average`` and ``change_sd_high`` may say it
for the vertical types at start. A TOML file holds the same as ``[[row]]`` tables, with ``source`` and, if
wanted, ``label`` above them.
"""

import itertools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any, NoReturn

from pipelines.deidentify.shown_reading import read_shown
from warehouse.errors import DefinitionError, near_names
from warehouse.measures.catalogue import Catalogue
from warehouse.outcomes.growth_reference import OLDEST, GrowthCurve, GrowthReference, Sex
from warehouse.toml_files import shaped, toml_from, toml_text

ID = "R3"
_BY_TYPE = {f"change_sd_{kind}": kind for kind in ("low", "average", "high")}
COLUMNS = ("measure", "sex", "age", "mean", "sd", "L", "M", "S", "change_sd", *_BY_TYPE)
_CHANGES = ("change_sd", *_BY_TYPE)
_SEXES: Mapping[str, Sex] = {
    "male": "male", "m": "male", "1": "male", "female": "female", "f": "female", "2": "female", "any": "any",
    "both": "any", "": "any",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class _File:
    """What a TOML file of this kind holds."""

    source: str = ""
    label: str = ""
    row: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One row, read: where it stands in the file, and its numbers by column."""

    where: str
    measure: str
    sex: Sex
    age: float
    numbers: Mapping[str, float]


def read_growth_table(
    path: Path, *, measures: Catalogue, version: str, identifier: str = ID, source: str = "", label: str = ""
) -> GrowthReference:
    """The reference that a table makes; a TOML file may say its source and label itself.

    Raises BadFileError: the file cannot be read; DefinitionError: no source is stated, or a row is not well formed; the
    message names the row.
    """
    rows, said = _toml(path) if path.suffix.lower() == ".toml" else (_table(path), {})
    source = source or said.get("source", "")
    if not source.strip():
        _refuse("it is not said where the table comes from", path.name, "a source", "add --source TEXT (author, year)")
    if not rows:
        _refuse("the table has no rows", path.name, f"rows of {', '.join(COLUMNS)}", "add the rows")
    read = [_row(row, where, measures) for where, row in rows]
    groups: dict[tuple[str, Sex], list[_Row]] = {}
    for row in read:
        groups.setdefault((row.measure, row.sex), []).append(row)
    curves = tuple(_curve(listed, source.strip(), path.name) for listed in groups.values())
    name = label or said.get("label", "") or "Imported table"
    return GrowthReference(identifier, version, name, f"imported table; {source.strip()}", curves)


def _refuse(found: str, where: str, expected: str, remedy: str) -> NoReturn:
    raise DefinitionError(found, where=where, expected=expected, remedy=remedy)


def _toml(path: Path) -> tuple[list[tuple[str, Mapping[str, Any]]], dict[str, str]]:
    try:
        content = toml_from(toml_text(path))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        found = f"the growth table cannot be read: {error if isinstance(error, tomllib.TOMLDecodeError) else 'no text'}"
        raise DefinitionError(found, where=path.name, expected="TOML with [[row]] tables") from error
    file, wrong = shaped(_File, content)
    for one in wrong:
        if one.place[:1] != ("row",) or len(one.place) == 1:
            found = f"{one.place[0]!r} is not understood"
            _refuse(found, path.name, "source, label and [[row]] tables", "correct the file")
        _refuse("an entry is not a row", f"{path.name}, row {int(one.place[1]) + 1}", ", ".join(COLUMNS), "correct it")
    rows = [(f"{path.name}, row {number}", row) for number, row in enumerate(file.row, start=1)]
    return rows, {"source": file.source, "label": file.label}


def _table(path: Path) -> list[tuple[str, Mapping[str, Any]]]:
    (raw, *others) = read_shown(path)
    if others:
        _refuse("the workbook has several sheets", path.name, "one sheet", "keep the sheet with the table")
    named = zip(raw.rows.to_list(), raw.frame.to_dicts(), strict=True)
    return [(f"{path.name}, row {number}", row) for number, row in named]


def _row(row: Mapping[str, Any], where: str, measures: Catalogue) -> _Row:
    for name in row:
        if name not in COLUMNS:
            _refuse(f"there is no column {name!r}", where, ", ".join(COLUMNS), near_names(name, COLUMNS) or "remove it")
    numbers = {
        name: _number(row[name], name, where) for name in COLUMNS[2:] if row.get(name) is not None and row[name] != ""
    }
    measure = measures.measure(str(row.get("measure") or "").strip())
    sex = _SEXES.get(str(row.get("sex") or "").strip().lower())
    if sex is None:
        _refuse("the sex is not understood", where, "male, female or any", "correct the cell")
    if not 0.0 <= numbers.get("age", -1.0) <= OLDEST:
        _refuse("the age is missing or impossible", where, f"years, 0 to {OLDEST:g}", "correct the cell")
    kept = {name: value for name, value in numbers.items() if name != "age"}
    _check(kept, measure.plausible, where)
    return _Row(where=where, measure=measure.code, sex=sex, age=numbers["age"], numbers=kept)


def _number(value: object, name: str, where: str) -> float:
    text = str(value).strip().replace("−", "-")
    try:
        number = float(text.replace(",", ".") if "." not in text else text)
    except ValueError:
        number = float("nan")
    if isinstance(value, bool) or not isfinite(number):
        _refuse(f"{name!r} is not a number", where, "a number", "correct the cell")
    return number


def _check(numbers: Mapping[str, float], plausible: tuple[float, float], where: str) -> None:
    lms = {"L", "M", "S"} & set(numbers)
    if ("mean" in numbers) == bool(lms) or (lms and (len(lms) < 3 or "sd" in numbers)):
        _refuse("the row gives no middle, or gives it twice", where, "mean (and sd), or L, M and S", "fill in the row")
    middle = numbers.get("mean", numbers.get("M", 0.0))
    if not plausible[0] <= middle <= plausible[1]:
        expected = f"{plausible[0]:g} to {plausible[1]:g}, the plausible range of the measure"
        _refuse(f"a mean of {middle:g}", where, expected, "correct the cell or the unit")
    wrong = [name for name in ("sd", "M", "S") if numbers.get(name, 1.0) <= 0.0]
    wrong += [name for name in _CHANGES if numbers.get(name, 0.0) < 0.0]
    if wrong:
        _refuse(f"{wrong[0]!r} is not above 0", where, "a number above 0", "correct the cell")
    if "change_sd" not in numbers and any(name in numbers for name in _BY_TYPE):
        _refuse(
            "the spread is given by type alone", where, "change_sd as well, for faces of unknown type", "fill it in"
        )


def _curve(rows: list[_Row], source: str, file: str) -> GrowthCurve:
    """The rows of one measure and sex as a curve; their ages must rise from row to row."""
    first = rows[0]
    where = f"{file}: {first.measure}, {first.sex}"
    if len(rows) < 2:
        _refuse("there is a single age", where, "two ages or more", "add rows, or remove the measure")
    for one, other in itertools.pairwise(rows):
        if other.age <= one.age:
            found = f"the ages do not rise: {one.age:g} is followed by {other.age:g}"
            _refuse(found, other.where, "each age once, from young to old", "correct the age, or sort the rows")
    kinds = {frozenset(set(row.numbers) - set(_CHANGES)) for row in rows}
    if len(kinds) > 1:
        _refuse("some rows give their spread and others do not", where, "the same columns in every row", "fill in")
    differing = [name for name in _CHANGES if len({row.numbers.get(name) for row in rows}) > 1]
    if differing:
        _refuse(f"{differing[0]!r} differs between ages", where, "one value for a measure and sex", "give one value")
    lms = tuple((row.numbers["L"], row.numbers["M"], row.numbers["S"]) for row in rows if "L" in row.numbers)
    return GrowthCurve(
        measure=first.measure,
        sex=first.sex,
        ages=tuple(row.age for row in rows),
        means=tuple(row.numbers.get("mean", row.numbers.get("M", 0.0)) for row in rows),
        slope_sd=first.numbers.get("change_sd"),
        slope_se=None,
        source=source,
        evidence="imported",
        spread_evidence="imported",
        spread_by_type=tuple((kind, first.numbers[name]) for name, kind in _BY_TYPE.items() if name in first.numbers),
        sds=tuple(row.numbers["sd"] for row in rows if "sd" in row.numbers),
        lms=lms,
    )
