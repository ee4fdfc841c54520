"""Reading outcome definitions from TOML, checking them, and keeping them by id."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from warehouse.errors import DefinitionError, near_names
from warehouse.outcomes.definition import (
    FAMILIES,
    LEFT_OUT,
    QUESTIONS,
    SPANS,
    AnswerPart,
    ChangePart,
    CrossingPart,
    Definition,
    DefinitionPart,
    Part,
)
from warehouse.toml_files import toml_from, toml_text

DEFAULT_ID = "D1"

_ID = re.compile(r"[A-Z][A-Z0-9_]{0,15}")
_VERSION = re.compile(r"\d+\.\d+\.\d+")
_KEYS = {
    "change": {"kind", "measures", "span", "basis", "direction", "threshold", "beyond_error", "photographs"},
    "crossing": {"kind", "measures", "span", "low_to", "high_from", "at_risk_only"},
    "answer": {"kind", "question", "before", "after", "span"},
    "definition": {"kind", "definition"},
}
_CHOICES = {
    "span": tuple(SPANS),
    "basis": ("raw", "growth_adjusted"),
    "direction": ("rise", "fall"),
    "beyond_error": ("never", "own_repeats", "always"),
    "combine": ("all", "any", "at_least"),
    "missing": ("not_assessable", "decide"),
    "photographs": ("not_known_to_differ", "stated_alike"),
    "question": tuple(QUESTIONS),
    "family": tuple(FAMILIES),
}
_OF_CHANGE = {"basis": "raw", "direction": None, "beyond_error": "never", "photographs": "not_known_to_differ"}
_DEFINITION_KEYS = {
    "id", "version", "family", "label", "sentence", "combine", "at_least", "missing", "minimum_months", "source",
    "part", "leave_out", "formerly", "retired",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Registry:
    """Definitions by id, in order; the newest version of an id is the one in force."""

    definitions: tuple[Definition, ...]  # With the retired ones

    def __iter__(self) -> Iterator[Definition]:
        """The definitions in force, in order."""
        return (definition for definition in self.definitions if not definition.retired)

    def get(self, identifier: str) -> Definition:
        """The definition with this id or former id, or with this name (``D1 v1.0.0``); case does not matter.

        Raises DefinitionError: there is none; near ids and all ids are listed.
        """
        wanted = identifier.strip().upper()
        for definition in self.definitions:
            if wanted in (definition.id, definition.name.upper(), definition.formerly or None):
                return definition
        known = [definition.id for definition in self]
        found = f"there is no outcome definition {identifier!r}"
        remedy = near_names(wanted, known) or "see `menton definitions`"
        raise DefinitionError(found, expected=f"one of {', '.join(known)}", remedy=remedy)

    def with_added(self, added: Iterable[Definition]) -> Registry:
        """This registry with further definitions; a newer version takes the place of an older one.

        Raises DefinitionError: a version is not newer than the one in force, or a part names an unknown definition.
        """
        by_id = {definition.id: definition for definition in self.definitions}
        for definition in added:
            _refuse_not_newer(by_id.get(definition.id), definition)
            by_id[definition.id] = definition
        _check_references(by_id)
        return Registry(tuple(by_id.values()))

    def with_registered(self, registered: Iterable[Definition]) -> Registry:
        """The same with what a warehouse registered; of an older version than the shipped one, the shipped stands."""
        shipped = {definition.id: definition for definition in self.definitions}
        return self.with_added(
            one for one in registered if one.id not in shipped or not _is_newer(shipped[one.id], one)
        )


@lru_cache(maxsize=1)
def shipped_registry() -> Registry:
    """The definitions shipped with the program."""
    text = files("warehouse.outcomes").joinpath("definitions.toml").read_text(encoding="utf-8")
    return Registry(()).with_added(parse_definitions(text, where="definitions.toml"))


def load_definitions(path: Path, *, measures: Collection[str]) -> tuple[Definition, ...]:
    """Definitions a user wrote, from a TOML file.

    Raises DefinitionError: the file cannot be read, or a definition is not well formed.
    """
    try:
        text = toml_text(path)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        found = "the definition file cannot be read"
        raise DefinitionError(found, where=path.name, expected="a TOML file in UTF-8") from error
    return parse_definitions(text, where=path.name, measures=measures)


def parse_definitions(text: str, *, where: str, measures: Collection[str] | None = None) -> tuple[Definition, ...]:
    """Definitions from TOML text; ``measures`` limits the measure codes that may be named."""
    try:
        data = toml_from(text)
    except tomllib.TOMLDecodeError as error:
        found = f"the definition file is not TOML: {error}"
        raise DefinitionError(found, where=where, expected="see `menton definitions --example`") from error
    entries = data.get("definition")
    if not isinstance(entries, list) or not entries or set(data) != {"definition"}:
        found = "the file holds no list of definitions, or something besides it"
        raise DefinitionError(found, where=where, expected="one or more [[definition]] tables and nothing else")
    return tuple(_definition(entry, f"{where}, definition {n}", measures) for n, entry in enumerate(entries, 1))


def definition_from(entry: Mapping[str, Any], *, where: str) -> Definition:
    """A definition from plain data in the keys of its TOML form."""
    return _definition(entry, where, None)


def definition_to_dict(definition: Definition) -> dict[str, Any]:
    """A definition as plain data in the keys of its TOML form; ``definition_from`` reads it back."""
    data = asdict(replace(definition, parts=()))
    del data["parts"]
    parts = [{"kind": _KINDS[type(part)], **asdict(part)} for part in definition.parts]
    return {**data, "part": [{k: list(v) if isinstance(v, tuple) else v for k, v in part.items()} for part in parts]}


_KINDS: dict[type, str] = {
    ChangePart: "change",
    CrossingPart: "crossing",
    AnswerPart: "answer",
    DefinitionPart: "definition",
}


def _definition(entry: Mapping[str, Any], where: str, measures: Collection[str] | None) -> Definition:
    if not isinstance(entry, dict):
        raise _wrong("an entry is no definition", where, "[[definition]] tables")
    where = f"{where} ({str(entry.get('id', 'no id'))[:40]})"
    _known_keys(entry, _DEFINITION_KEYS, where)
    parts = entry.get("part")
    if not isinstance(parts, list) or not parts:
        raise _wrong("the definition has no part", where, "at least one [[definition.part]] table")
    definition = Definition(
        id=_matching(entry, "id", _ID, where, "capital letters and digits, at most 16, such as D8"),
        version=_matching(entry, "version", _VERSION, where, "three numbers, such as 1.0.0"),
        family=_choice(entry, "family", where, default="own"),
        label=_text(entry, "label", where),
        sentence=_text(entry, "sentence", where),
        source=_text(entry, "source", where),
        combine=_choice(entry, "combine", where, default="all"),  # type: ignore[arg-type]
        at_least=int(_number(entry, "at_least", where, default=0)),
        missing=_choice(entry, "missing", where, default="not_assessable"),  # type: ignore[arg-type]
        minimum_months=_number(entry, "minimum_months", where, default=6.0),
        leave_out=_leave_out(entry, where),
        formerly=str(entry.get("formerly", "")),
        retired=str(entry.get("retired", "")),
        parts=tuple(_part(part, f"{where}, part {n}", measures) for n, part in enumerate(parts, 1)),
    )
    if definition.combine == "at_least" and not 1 <= definition.at_least <= len(definition.parts):
        raise _wrong("at_least does not fit the number of parts", where, f"a number from 1 to {len(definition.parts)}")
    return definition


def _leave_out(entry: Mapping[str, Any], where: str) -> tuple[str, ...]:
    named = entry.get("leave_out", ())
    if not isinstance(named, list | tuple) or any(one not in LEFT_OUT for one in named):
        raise _wrong(f"leave_out is {named!r}", where, f"a list of {', '.join(LEFT_OUT)}")
    return tuple(named)


def _part(part: Mapping[str, Any], where: str, measures: Collection[str] | None) -> Part:
    if not isinstance(part, dict):
        raise _wrong("an entry is no part", where, "[[definition.part]] tables")
    kind = part.get("kind")
    if not isinstance(kind, str) or kind not in _KEYS:
        raise _wrong(f"kind is {kind!r}", where, "one of " + ", ".join(_KEYS))
    _known_keys(part, _KEYS[kind], where)
    span: Any = _choice(part, "span", where, default="start_to_finish")
    if kind == "answer":
        question = _choice(part, "question", where)
        before, after = (_answers(part, key, question, where) for key in ("before", "after"))
        if set(before) & set(after):
            raise _wrong("an answer stands in before and in after", where, "each in one of them")
        return AnswerPart(question=question, before=before, after=after, span=span)
    if kind == "definition":
        return DefinitionPart(definition=_matching(part, "definition", _ID, where, "the id of a definition"))
    codes = _measures(part, where, measures)
    if kind == "crossing":
        low_to, high_from = (_cuts(part, key, len(codes), where) for key in ("low_to", "high_from"))
        if any(low >= high for low, high in zip(low_to, high_from, strict=True)):
            raise _wrong("low_to is not below high_from", where, "low_to < high_from")
        only = part.get("at_risk_only", True)
        if not isinstance(only, bool):
            raise _wrong(f"at_risk_only is {only!r}", where, "true or false")
        return CrossingPart(measures=codes, low_to=low_to, high_from=high_from, span=span, at_risk_only=only)
    threshold = _number(part, "threshold", where)
    if threshold < 0:
        raise _wrong(f"threshold is {threshold}", where, "zero or more; direction says which way")
    stated: Any = {key: _choice(part, key, where, default=default) for key, default in _OF_CHANGE.items()}
    return ChangePart(measures=codes, span=span, threshold=threshold, **stated)


def _answers(part: Mapping[str, Any], key: str, question: str, where: str) -> tuple[str, ...]:
    """The answers named, or those a part that names none is about: "no" before, "yes" after."""
    known, given = QUESTIONS[question], part.get(key, ["no"] if key == "before" else ["yes"])
    if not isinstance(given, list) or not given or not set(map(str, given)) <= set(known):
        raise _wrong(f"{key} is {given!r}", where, f"a list of answers to {question}: {', '.join(known)}")
    return tuple(map(str, given))


def _cuts(part: Mapping[str, Any], key: str, n: int, where: str) -> tuple[float, ...]:
    """One number for all measures, or a list with one for each."""
    given = part.get(key)
    listed = given if isinstance(given, list) else [given] * n
    if len(listed) != n:
        raise _wrong(f"{key} has {len(listed)} numbers", where, f"one number, or a list of {n}, one a measure")
    return tuple(_number({key: one}, key, where) for one in listed)


def _measures(part: Mapping[str, Any], where: str, known: Collection[str] | None) -> tuple[str, ...]:
    codes = part.get("measures")
    if not isinstance(codes, list) or not codes or not all(isinstance(code, str) for code in codes):
        raise _wrong("measures is missing or not a list of codes", where, 'such as measures = ["sn_gogn_deg"]')
    for code in codes:
        if known is not None and code not in known:
            found = f"there is no measure {code!r}"
            raise DefinitionError(found, where=where, remedy=near_names(code, known) or "see `menton measures`")
    return tuple(codes)


def _wrong(found: str, where: str, expected: str) -> DefinitionError:
    return DefinitionError(found, where=where, expected=expected, remedy="correct the file and add it again")


def _known_keys(entry: Mapping[str, Any], known: set[str], where: str) -> None:
    for key in entry:
        if key not in known:
            found = f"there is no key {key!r} here"
            remedy = near_names(key, known) or f"keys are {', '.join(sorted(known))}"
            raise DefinitionError(found, where=where, remedy=remedy)


def _text(entry: Mapping[str, Any], key: str, where: str) -> str:
    value = entry.get(key)
    if not isinstance(value, str) or not value.strip():
        raise _wrong(f"{key} is missing", where, "a sentence in quotes")
    return value.strip()


def _matching(entry: Mapping[str, Any], key: str, pattern: re.Pattern[str], where: str, expected: str) -> str:
    value = entry.get(key)
    if not isinstance(value, str) or not pattern.fullmatch(value):
        raise _wrong(f"{key} is {value!r}", where, expected)
    return value


def _choice(entry: Mapping[str, Any], key: str, where: str, default: str | None = None) -> str:
    value = entry.get(key, default)
    if not isinstance(value, str) or value not in _CHOICES[key]:
        raise _wrong(f"{key} is {value!r}", where, "one of " + ", ".join(_CHOICES[key]))
    return str(value)


def _number(entry: Mapping[str, Any], key: str, where: str, default: float | None = None) -> float:
    value = entry.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise _wrong(f"{key} is {value!r}", where, "a number")
    return float(value)


def _is_newer(one: Definition, other: Definition) -> bool:
    return tuple(map(int, one.version.split("."))) > tuple(map(int, other.version.split(".")))


def _refuse_not_newer(present: Definition | None, added: Definition) -> None:
    if present is None or present == added:
        return
    if not _is_newer(added, present):
        found = f"{added.name} differs from {present.name}, which is in force, and is not a newer version"
        raise DefinitionError(found, expected="a higher version number, or a new id", remedy="raise version and add it")


def _check_references(by_id: Mapping[str, Definition]) -> None:
    for definition in by_id.values():
        for part in definition.parts:
            if isinstance(part, DefinitionPart):
                _check_reference(definition, part, by_id)


def _check_reference(definition: Definition, part: DefinitionPart, by_id: Mapping[str, Definition]) -> None:
    named = by_id.get(part.definition)
    if named is None:
        found = f"{definition.id} names the definition {part.definition}, which does not exist"
        raise DefinitionError(found, remedy=near_names(part.definition, by_id) or "add that definition first")
    if any(isinstance(inner, DefinitionPart) for inner in named.parts):
        found = f"{definition.id} names {named.id}, which itself names definitions"
        raise DefinitionError(found, expected="only one level", remedy="name the inner definitions directly")
