"""Loading and checking a mapping file."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.cells.codes import teeth_text
from pipelines.cells.reading import PSEUDONYM_FIELDS, read_cells
from pipelines.cells.understood import Expected, tidy
from pipelines.contract.contract import Contract
from pipelines.contract.targets import MEASURE_CODES, RULER, Target, Targets
from pipelines.contract.units import all_units, factor, unit_named, units_for
from pipelines.deidentify.file_names import screen_name
from pipelines.deidentify.pseudonyms import PSEUDONYM_IN_WORDS, is_pseudonym
from pipelines.deidentify.redaction import redact
from pipelines.mapping.column_mapping import (
    BY_FINISH,
    ColumnMapping,
    Constant,
    check_sources,
    missing_required,
    own_spellings,
)
from pipelines.mapping.settings import Faults, parse_settings
from warehouse.errors import MappingError, near_names
from warehouse.measures.landmarks import LANDMARKS
from warehouse.measures.measure import Measure
from warehouse.toml_files import shaped, toml_from, toml_text

_EXPECTED = {
    "clinician": PSEUDONYM_IN_WORDS,
    "examiner": PSEUDONYM_IN_WORDS,
    "landmark": f"one of {', '.join((*LANDMARKS, *RULER))}",
    "unit": f"one of {', '.join(all_units())}",
    "codes": "tooth codes with spaces between them, none, or pattern not known",
    **dict.fromkeys(
        ("number", "integer", "quarter", "date"), 'the empty text "", for a spelling that means "not known"'
    ),
    "text": "no codes: this column has none",
}


def _expected(check: Target | list[str]) -> str:
    if isinstance(check, list):
        return f"one of {', '.join(check)}"
    return _EXPECTED.get(check.field) or _EXPECTED[check.type]


def _code(text: str, check: Target | list[str]) -> str | None:
    """The canonical code among those listed, or of a target that has no code list; None where there is none."""
    if isinstance(check, list):
        return text if text == "" or text in check else None
    return "" if text == "" and check.field != "case_id" else _other_code(text, check)


def _other_code(text: str, target: Target) -> str | None:
    if target.type == "codes":
        return teeth_text(text)
    if target.field in PSEUDONYM_FIELDS:
        return text.upper() if is_pseudonym(text) else None
    if target.field == "landmark":
        return text if text in (*LANDMARKS, *RULER) else None
    return unit_named(text) if target.field == "unit" and target.type == "text" else None


@dataclass(frozen=True, slots=True)
class _Sections:
    """The sections of a mapping file."""

    file: dict[str, Any] = field(default_factory=dict)
    columns: dict[str, Any] = field(default_factory=dict)
    codes: dict[str, Any] = field(default_factory=dict)
    units: dict[str, Any] = field(default_factory=dict)
    constants: dict[str, Any] = field(default_factory=dict)
    ignored: dict[str, Any] = field(default_factory=dict)


def _sections(data: Mapping[str, Any], faults: Faults) -> _Sections:
    """The sections that are there and are sections; what is wrong with the others goes to ``faults``."""
    known = [one.name for one in fields(_Sections)]
    wrong = {str(one.place[0]) for one in shaped(_Sections, data)[1]}
    for name in wrong & set(known):
        remedy = f"begin the section with a line [{name}]"
        faults.add(name, "this is a value where a section belongs", expected=f"[{name}]", remedy=remedy)
    for name in [name for name in data if name not in known]:
        remedy = near_names(name, known) or f"the sections are {', '.join(known)}"
        faults.add(f"[{name}]", "this section does not exist", remedy=remedy)
    return _Sections(**{name: data[name] for name in known if name in data and name not in wrong})


def load_mapping(path: Path, *, contract: Contract, catalogue: Mapping[str, Measure]) -> ColumnMapping:
    """Load a mapping file and check all that can be checked without the file it is for.

    Raises MappingError: the file cannot be read, or something in it is wrong; every fault is told.
    """
    return parse_mapping(_text(path), origin=screen_name(path.name), contract=contract, catalogue=catalogue)


def mapping_sections(path: Path, *, contract: Contract, origin: str = "") -> dict[str, Any]:
    """The sections of a mapping file as they stand; of what they say only the settings of ``[file]`` are checked.

    ``origin``: What to call the file in an error.

    Raises MappingError: the file cannot be read, or a section or setting is not what it should be.
    """
    origin = origin or screen_name(path.name)
    data, faults = _toml(_text(path), origin), Faults(origin)
    parse_settings(_sections(data, faults).file, faults, contract=contract)
    faults.raise_any()
    return data


def _text(path: Path) -> str:
    try:
        return toml_text(path)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        said = str(error) if isinstance(error, tomllib.TOMLDecodeError) else getattr(error, "strerror", None)
        found = f"the mapping file cannot be read: {said or type(error).__name__}"
        remedy = "check its name, and that you may read it, or draft it anew with menton draft-mapping"
        raise MappingError(
            found, where=screen_name(path.name), expected="a UTF-8 text file in TOML", remedy=remedy
        ) from error


def _toml(text: str, origin: str) -> dict[str, Any]:
    try:
        return toml_from(text)
    except tomllib.TOMLDecodeError as error:
        found = f"the mapping file is not well-formed TOML: {_fault_place(error)}"
        remedy = "look at that line: a quote, a bracket, or a key that already stands further up"
        raise MappingError(found, where=origin, expected="TOML, each key once", remedy=remedy) from error


def parse_mapping(text: str, *, origin: str, contract: Contract, catalogue: Mapping[str, Measure]) -> ColumnMapping:
    """The mapping that a text states; see :func:`load_mapping`."""
    return _Parser(origin, _toml(text, origin), contract, catalogue).parse()


def _fault_place(error: tomllib.TOMLDecodeError) -> str:
    """What the parser says without the key it may quote."""
    message = str(error)
    place = message[message.rfind("(") :] if "(at " in message else "(at an unknown place)"
    return f"{'a key stands twice' if ('overwrite' in message or 'twice' in message) else 'it cannot be read'} {place}"


class _Parser:
    """Checks the sections one after the other, collecting faults."""

    def __init__(
        self, origin: str, data: Mapping[str, Any], contract: Contract, catalogue: Mapping[str, Measure]
    ) -> None:
        self.origin, self.contract, self.catalogue = origin, contract, catalogue
        self.faults = Faults(origin)
        self.sections = _sections(data, self.faults)

    def parse(self) -> ColumnMapping:
        settings = parse_settings(self.sections.file, self.faults, contract=self.contract)
        self.targets = Targets(settings.layout, settings.table, contract=self.contract, measures=self.catalogue)
        columns = self._columns()
        mapping = ColumnMapping(
            origin=self.origin,
            settings=settings,
            columns=columns,
            codes=self._codes(columns),
            units=self._units(columns),
            constants=self._constants(columns),
            ignored=self._ignored(columns),
        )
        self._check_whole(mapping)
        self.faults.raise_any()
        return mapping

    def _check_whole(self, mapping: ColumnMapping) -> None:
        for target in missing_required(mapping.targets(), self.targets):
            remedy = f"map the column that holds it, or give it in [constants]: {target.name} = ..."
            self.faults.add(f"[columns] {target.name}", "no column goes to this name, which is required", remedy=remedy)
        for name, found, remedy in check_sources(mapping.targets()):
            self.faults.add(f"[columns] {name}", found, remedy=remedy)

    def _columns(self) -> dict[str, Target]:
        columns: dict[str, Target] = {}
        seen: dict[str, str] = {}
        for given, name in self.sections.columns.items():
            column, where = given.strip(), f'[columns] "{given}"'
            target = self.targets.find(name) if isinstance(name, str) else None
            if target is None:
                self._unknown_name(where, name)
            elif column in columns:
                self.faults.add(where, "this column is mapped twice; spaces around a name do not matter")
            elif target.name in seen:
                found = f'two columns go to {target.name}: "{seen[target.name]}" is the other'
                self.faults.add(where, found, remedy="keep one and put the other in [ignored]")
            else:
                columns[column], seen[target.name] = target, column
        return columns

    def _unknown_name(self, where: str, name: object) -> None:
        if isinstance(name, str):
            remedy = self.targets.near(name) or "menton template lists the names"
            self.faults.add(where, f'there is no contract name "{name}" in a file of this layout', remedy=remedy)
        else:
            self.faults.add(where, "this is not a name in quotes", expected='"column in the file" = "contract name"')

    def _codes(self, columns: Mapping[str, Target]) -> dict[str, dict[str, str]]:
        """Section -> spelling in lower case -> code."""
        parsed: dict[str, dict[str, str]] = {}
        for name, entries in self.sections.codes.items():
            if not isinstance(entries, dict):
                self.faults.add(f"[codes] {name}", "this is not a section of spellings", expected=f"[codes.{name}]")
                continue
            check = self._check_of(name, columns)
            if check is not None:
                parsed[name] = self._entries(name, entries, check)
        return parsed

    def _check_of(self, name: str, columns: Mapping[str, Target]) -> Target | list[str] | None:
        """What the codes of a section must be: one of these, or of the form of this target."""
        named = (one for one in self.targets if one.field == name)
        target = columns.get(name) or self.targets.find(name) or next(named, None)
        if target is not None and target.type != "code":
            return target
        codes = name if target is None else str(target.codes)
        if codes == MEASURE_CODES:
            return list(self.catalogue)
        if codes in self.contract.codes:
            return [one.code for one in self.contract.codes[codes]]
        known = [*self.contract.codes, *columns, *(one.field for one in self.targets if not one.measure)]
        remedy = near_names(name, dict.fromkeys(known)) or "name a code list, a contract column or a column of the file"
        self.faults.add(f"[codes.{name}]", "there is no code list or column of this name", remedy=remedy)
        return None

    def _entries(self, name: str, entries: Mapping[str, Any], check: Target | list[str]) -> dict[str, str]:
        parsed: dict[str, str] = {}
        for place, (spelling, given) in enumerate(entries.items(), 1):
            where, key = f"[codes.{name}] entry {place}", tidy(spelling).lower()
            fits = isinstance(given, str | int) and not isinstance(given, bool)
            code = _code(tidy(str(given)), check) if fits else None
            if key in parsed:
                self.faults.add(where, "this spelling stands here twice; capitals and spaces do not matter")
            elif code is None:
                found = f"the code given for this spelling does not exist: {redact(given)}"
                listed = check if isinstance(check, list) else []
                self.faults.add(where, found, expected=_expected(check), remedy=near_names(str(given), listed))
            else:
                parsed[key] = code
        return parsed

    def _units(self, columns: Mapping[str, Target]) -> dict[str, str]:
        units: dict[str, str] = {}
        for given, unit in self.sections.units.items():
            column, where = given.strip(), f'[units] "{given}"'
            target = columns.get(column)
            if target is None:
                remedy = near_names(column, columns) or "units are given for columns of [columns]"
                self.faults.add(where, "no such column is mapped", remedy=remedy)
            elif _fits_unit(target, unit):
                units[column] = unit
            elif target.unit is None and not _per_row(target):
                self.faults.add(where, f"{target.name} has no unit")
            else:
                wanted = units_for(target.unit) if target.unit else all_units()
                found = f"this unit cannot be turned into {target.unit}" if target.unit else "there is no such unit"
                self.faults.add(where, found, expected=f"one of {', '.join(wanted)}")
        return units

    def _constants(self, columns: Mapping[str, Target]) -> dict[str, Constant]:
        constants: dict[str, Constant] = {}
        filled = {target.name: column for column, target in columns.items()}
        for name, value in self.sections.constants.items():
            where, target = f"[constants] {name}", self.targets.find(name)
            if target is None:
                self.faults.add(where, "there is no such contract name", remedy=self.targets.near(name))
            elif target.name in filled:
                found = f'this name already has the column "{filled[target.name]}"'
                self.faults.add(where, found, remedy="keep the column or the constant")
            elif target.field == "case_id" or target.type == "date":
                self.faults.add(where, "this cannot be the same for every row")
            else:
                constant = self._constant(where, target, value)
                if constant:
                    constants[target.name] = constant
        return constants

    def _constant(self, where: str, target: Target, value: object) -> Constant | None:
        if target.name == "status" and value == BY_FINISH:
            return Constant(target, BY_FINISH)
        expected = Expected(
            target=target,
            today=date.max,
            spellings=own_spellings(target, contract=self.contract, measures=self.catalogue),
        )
        if isinstance(value, str | int | float) and not isinstance(value, bool):
            understood = read_cells(pl.Series([str(value)]), expected).values[0]
            if understood is not None:
                return Constant(target, understood)
        codes = [code.code for code in self.contract.codes.get(target.codes or "", ())]
        codes += [BY_FINISH] if target.name == "status" else []
        wanted = f"one of {', '.join(codes)}" if codes and target.type == "code" else f"a value of type {target.type}"
        self.faults.add(where, "the value does not fit", expected=wanted, remedy=near_names(str(value), codes))
        return None

    def _ignored(self, columns: Mapping[str, Target]) -> dict[str, str]:
        ignored: dict[str, str] = {}
        for given, reason in self.sections.ignored.items():
            column, where = given.strip(), f'[ignored] "{given}"'
            if column in columns:
                self.faults.add(where, "this column is mapped and left out at once", remedy="keep one of the two")
            elif not isinstance(reason, str) or not reason.strip():
                self.faults.add(where, "the reason is missing", expected='"column in the file" = "why it is left out"')
            else:
                ignored[column] = reason
        return ignored


def _fits_unit(target: Target, unit: object) -> bool:
    if not isinstance(unit, str):
        return False
    if _per_row(target):
        return unit_named(unit) is not None
    return target.unit is not None and factor(unit, target.unit) is not None


def _per_row(target: Target) -> bool:
    """Whether the unit wanted depends on the measure of each row."""
    return target.table == "measurements" and target.field == "value" and not target.measure
