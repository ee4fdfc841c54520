"""What a study group agreed on before anything was pooled: definitions, protection, variables and tables."""

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from itertools import combinations
from types import MappingProxyType
from typing import Any, Literal, TypeAlias, get_args

from warehouse.disclosure import Policy
from warehouse.disclosure.hierarchy import Hierarchy
from warehouse.errors import GroupError, MentonError
from warehouse.outcomes.definition import Definition, DefinitionPart
from warehouse.outcomes.growth_reference import GrowthReference
from warehouse.outcomes.registry import definition_from, definition_to_dict
from warehouse.pooled.variables import KNOWN_VARIABLES
from warehouse.store.chain import canonical
from warehouse.toml_files import shaped

Level: TypeAlias = Literal["cases", "counts", "sums"]
LEVELS: tuple[Level, ...] = get_args(Level)

FORMAT = "menton agreement, version 2"
_NUMBERS = {
    "version": (1, 10_000),
    "k": (2, 100),
    "l": (1, 4),
    "minimum": (3, 100),
    "mean_minimum": (3, 1000),
    "fewest_new": (1, 10_000),
    "fewest_practices": (3, 100),
    "most_cases": (1, 1_000_000),
}
_TEXTS = {
    "group": r"[0-9a-f]{16}",
    "name": r"[^\x00-\x1f\x7f]{1,60}",
    "made_on": r"\d{4}-\d{2}-\d{2}",
    "growth_name": r"[^\x00-\x1f\x7f]{1,200}",
    "growth_digest": r"[0-9a-f]{64}",
}
_LISTS = ("definitions", "outcomes", "variables", "groupings")
_KEYS = {"format", "level", "round_to", "spread", "coordinators", *_NUMBERS, *_TEXTS, *_LISTS}
MOST_COORDINATORS = 10


@dataclass(frozen=True, slots=True)
class Coordinator:
    """Someone who can open what practices send, and sign what the group gets: each of a group can do all of it."""

    name: str
    recipient: str  # Public key that contributions are encrypted to (age)
    public: str  # Public key that files are signed with (Ed25519, hex)


def plain_coordinators(coordinators: Iterable[Coordinator]) -> list[list[str]]:
    """Coordinators as plain data."""
    return [[one.name, one.recipient, one.public] for one in coordinators]


def coordinators_from(data: object) -> tuple[Coordinator, ...]:
    """Coordinators from plain data; none, too many, or two of one name or key are refused."""
    forms = (_TEXTS["name"], r"age1[0-9a-z]{58}", r"[0-9a-f]{64}")
    listed, _ = shaped(list[tuple[str, str, str]], data)
    listed = listed or []
    told = {(place, text) for one in listed for place, text in enumerate(one)}
    if not 1 <= len(listed) <= MOST_COORDINATORS or len(told) < 3 * len(listed):
        raise _wrong("it names no coordinators, too many, or one of them twice")
    if not all(re.fullmatch(form, text) for one in listed for form, text in zip(forms, one, strict=True)):
        raise _wrong("a coordinator is not named as it should be")
    return tuple(Coordinator(*one) for one in listed)


def fingerprint_of(digest: str) -> str:
    """The beginning of a digest or key in groups of four, short enough to read out over the telephone."""
    start = digest[:20].upper()
    return " ".join(start[i : i + 4] for i in range(0, 20, 4))


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """A group's agreement."""

    group: str  # Id of the group, made at random
    name: str
    version: int  # Counts up with every change
    made_on: str  # Date, ISO 8601
    coordinators: tuple[Coordinator, ...]  # Any one of them can open contributions and sign
    definitions: tuple[Definition, ...]  # The outcome definitions, and those they name
    outcomes: tuple[str, ...]  # Ids of those that are pooled; the first is the headline
    growth_name: str  # The growth reference all use
    growth_digest: str  # Digest of its curves
    # The most that is asked of a practice: cases, or counts, which it may always give instead; or `sums`, where its
    # counts are added up with those of others before anybody sees them
    level: Level = "cases"
    spread: bool = False  # At the level `sums`: whether the sums that tell how far practices differ are added too
    k: int = 5  # Fewest cases alike in a case-level contribution
    # Fewest different outcomes among cases alike
    l: int = 2  # noqa: E741 - the name the literature gives it
    minimum: int = 5  # Smallest count shown, in contributions of counts and in everything pooled
    round_to: int | None = None  # Counts in what is pooled are rounded to this; None shows them as they are
    mean_minimum: int = 8  # Fewest cases behind a mean
    fewest_new: int = 10  # Fewest new or changed cases a practice may renew its contribution with
    fewest_practices: int = 3  # Fewest practices behind anything pooled
    most_cases: int = 50_000  # Most cases taken from one practice
    variables: tuple[Hierarchy, ...]  # What is known of a case, with the ways it may be made coarser
    groupings: tuple[str, ...]  # Variables that shares are also pooled by

    @property
    def contribution_policy(self) -> Policy:
        """The rule for counts that leave a practice; they are exact where shown, so that they can be added up."""
        return Policy(minimum=self.minimum, mean_minimum=self.mean_minimum)

    @property
    def pooled_policy(self) -> Policy:
        """The rule for what is pooled."""
        return Policy(minimum=self.minimum, round_to=self.round_to, mean_minimum=self.mean_minimum)

    @property
    def weights(self) -> dict[str, float]:
        """What should be kept finest when cases are generalised: the variables that shares are pooled by."""
        return {one.name: 3.0 if one.name in self.groupings else 1.0 for one in self.variables}

    def hierarchy(self, name: str) -> Hierarchy:
        """The levels of a variable the group agreed on."""
        for one in self.variables:
            if one.name == name:
                return one
        raise GroupError(f"the group did not agree on {name!r}", expected=", ".join(one.name for one in self.variables))

    def definition(self, identifier: str) -> Definition:
        """A definition that is pooled; refused where the group did not agree on it."""
        for one in self.definitions:
            if one.id == identifier and identifier in self.outcomes:
                return one
        raise GroupError(f"the group did not agree on the outcome {identifier!r}", expected=", ".join(self.outcomes))

    @property
    def digest(self) -> str:
        """SHA-256 of everything agreed."""
        return hashlib.sha256(canonical(self.to_dict())).hexdigest()

    @property
    def levels(self) -> tuple[Level, ...]:
        """What a practice may give under it."""
        return ("cases", "counts") if self.level == "cases" else (self.level,)

    @property
    def terms(self) -> str:
        """SHA-256 of what is asked and promised: what is left when coordinators, version and day are taken away."""
        told = {"version", "made_on", "coordinators"}
        return hashlib.sha256(canonical({k: v for k, v in self.to_dict().items() if k not in told})).hexdigest()

    @property
    def recipients(self) -> list[str]:
        """Public keys that a contribution is encrypted to, in order."""
        return sorted(one.recipient for one in self.coordinators)

    @property
    def fingerprint(self) -> str:
        """The beginning of the digest in groups of four, short enough to read out over the telephone."""
        return fingerprint_of(self.digest)

    def to_dict(self) -> dict[str, Any]:
        """The agreement as plain data."""
        plain: dict[str, Any] = {name: getattr(self, name) for name in (*_TEXTS, *_NUMBERS)}
        return plain | {
            "format": FORMAT,
            "level": self.level,
            "round_to": self.round_to,
            "spread": self.spread,
            "coordinators": plain_coordinators(self.coordinators),
            "definitions": [definition_to_dict(one) for one in self.definitions],
            "outcomes": list(self.outcomes),
            "groupings": list(self.groupings),
            "variables": [
                {
                    "name": one.name,
                    "base": list(one.base),
                    "levels": [[level[value] for value in one.base] for level in one.levels],
                }
                for one in self.variables
            ],
        }


def check_format(found: object, expected: str) -> None:
    """Refuse a file of the same kind but another version, naming both."""
    kind, _, version = expected.rpartition(" version ")
    named, _, other = str(found)[:60].rpartition(" version ")
    if named == kind and other.isdigit() and other != version:
        name = kind.removeprefix("menton ").rstrip(",")
        article = "an" if name[0] in "aeiou" else "a"
        who = "this program" if int(other) > int(version) else "the program that made the file"
        message = (
            f"this is not {article} {name} that can be read here: it is of version {other}; version {version} is read"
        )
        raise GroupError(message, expected=expected, remedy=f"bring {who} up to date, and make or read the file again")


def agreement_from(data: object) -> Agreement:
    """An agreement from plain data; anything missing, unknown or out of range is refused as a whole."""
    if isinstance(data, dict):
        check_format(data.get("format"), FORMAT)
    if not isinstance(data, dict) or set(data) != _KEYS:
        raise _wrong("its parts are not those of an agreement of this version")
    for name, pattern in _TEXTS.items():
        if not isinstance(data[name], str) or not re.fullmatch(pattern, data[name], flags=re.ASCII):
            raise _wrong(f"{name} is not as it should be")
    for name, (low, high) in _NUMBERS.items():
        if type(data[name]) is not int or not low <= data[name] <= high:
            raise _wrong(f"{name} is not a whole number from {low} to {high}")
    try:
        made = _made(data)
    except (KeyError, TypeError, ValueError, AttributeError, MentonError) as error:
        raise _wrong(getattr(error, "found", type(error).__name__)) from error
    _check(made)
    return made


def _made(data: Mapping[str, Any]) -> Agreement:
    date.fromisoformat(data["made_on"])
    if data["level"] not in LEVELS or type(data["spread"]) is not bool:
        raise _wrong("level is none of cases, counts and sums, or spread is neither yes nor no")
    return Agreement(
        **{name: data[name] for name in (*_TEXTS, *_NUMBERS)},
        level=data["level"],
        round_to=data["round_to"],
        spread=data["spread"],
        coordinators=coordinators_from(data["coordinators"]),
        definitions=tuple(definition_from(one, where="agreement") for one in data["definitions"]),
        outcomes=_texts(data["outcomes"]),
        groupings=_texts(data["groupings"]),
        variables=tuple(_hierarchy(one) for one in data["variables"]),
    )


def _texts(listed: object) -> tuple[str, ...]:
    texts = isinstance(listed, list) and all(isinstance(one, str) for one in listed)
    if not isinstance(listed, list) or not texts or len(set(listed)) < len(listed):
        raise _wrong("a list of names is not one, or names something twice")
    return tuple(listed)


def _hierarchy(data: Mapping[str, Any]) -> Hierarchy:
    base = _texts(data["base"])
    levels = tuple(MappingProxyType(dict(zip(base, level, strict=True))) for level in data["levels"])
    if len(base) > 60 or not levels or len(levels) > 8 or dict(levels[0]) != {value: value for value in base}:
        raise _wrong("a variable has too many values or levels, or its first level changes them")
    labels = [label for level in levels for label in level.values()]
    if not all(isinstance(one, str) and 0 < len(one) <= 80 and one.isprintable() for one in (*base, *labels)):
        raise _wrong("a variable has values that are not short texts")
    return Hierarchy(str(data["name"]), base, levels)


def _check(made: Agreement) -> None:
    names = [one.name for one in made.variables]
    if len(set(names)) < len(names) or not set(names) <= set(KNOWN_VARIABLES) or len(names) > len(KNOWN_VARIABLES):
        raise _wrong("a variable is unknown or named twice")
    if not set(made.groupings) <= set(names):
        raise _wrong("shares are to be pooled by a variable that is not among those agreed")
    if not made.outcomes or not set(made.outcomes) <= {one.id for one in made.definitions}:
        raise _wrong("an outcome has no definition")
    by_id = {one.id: one for one in made.definitions}
    for first, second in combinations([by_id[one] for one in made.outcomes], 2):
        if are_linked(first, second):
            raise _wrong(
                f"{first.name} and {second.name} rest on the same change, so that their counts, subtracted, would be"
                " counts of few cases; agree on one of them"
            )
    if made.round_to is not None and (type(made.round_to) is not int or not 2 <= made.round_to <= 20):
        raise _wrong("round_to is neither nothing nor a whole number from 2 to 20")


def are_linked(first: Definition, second: Definition) -> bool:
    """Whether one definition may hold all adverse cases of the other: the same change, or one is part of the other."""
    named = {part.definition for one in (first, second) for part in one.parts if isinstance(part, DefinitionPart)}
    one, other = first.single_change, second.single_change
    is_same_change = (
        one is not None
        and other is not None
        and (one.measures, one.direction, one.basis, one.span)
        == (other.measures, other.direction, other.basis, other.span)
    )
    return is_same_change or bool(named & {first.id, second.id})


def _wrong(what: str) -> GroupError:
    found = f"this is not an agreement of a study group: {what}"
    return GroupError(found, expected="the file the coordinator sent", remedy="ask the coordinator for it again")


def growth_digest(name: str, rows: Iterable[tuple[Any, ...]]) -> str:
    """Digest of a growth reference: its name and, a row a curve, measure, sex, ages, means and slopes' SD and SE."""
    listed = sorted(([*row[:2], list(row[2]), list(row[3]), *row[4:]] for row in rows), key=lambda row: row[:2])
    return hashlib.sha256(canonical([name, listed])).hexdigest()


def digest_of_reference(reference: GrowthReference) -> str:
    """The same of a reference at hand."""
    return growth_digest(
        reference.name,
        [(one.measure, one.sex, one.ages, one.means, one.slope_sd, one.slope_se) for one in reference.curves],
    )
