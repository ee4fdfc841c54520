"""Reading an audit plan from TOML, strictly: an unknown key or name is refused, and near names are offered."""

import math
import re
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import asdict
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import Any

from warehouse.analysis.positivity import USUAL_LIMITS, Limits
from warehouse.errors import DefinitionError, MentonError, near_names
from warehouse.marts.grouping import DATED, GROUPINGS, check_group
from warehouse.outcomes.registry import Registry
from warehouse.plans.covariates import ADJUSTABLE, DEFAULT_ADJUSTMENT, check_strata
from warehouse.plans.plan import Plan
from warehouse.plans.question import MOST_MONTHS, WITHIN
from warehouse.questions.methods import METHODS
from warehouse.selection import FILTERS
from warehouse.toml_files import toml_from, toml_text

EXAMPLE = files(__package__).joinpath("plan_example.toml").read_text(encoding="utf-8")

CORRECTIONS = ("holm", "benjamini_hochberg")
_KEYS = (
    "id", "question", "date", "definition", "also", "by", "first", "second", "reference", "adjust", "strata",
    "primary", "subgroups", "correction", "level", "comparison", "selection", "only", "within", "landmark", "limits",
)  # fmt: skip
_ID = re.compile(r"[A-Z][A-Z0-9_-]{0,15}")


def load_plan(path: Path, *, definitions: Registry) -> Plan:
    """The plan of a file. Raises DefinitionError: the file cannot be read or says something that does not exist."""
    try:
        text = toml_text(path)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        found = "the plan file cannot be read"
        raise DefinitionError(found, where=path.name, expected="a TOML file in UTF-8") from error
    return parse_plan(text, where=path.name, definitions=definitions)


def parse_plan(text: str, *, where: str, definitions: Registry) -> Plan:
    """The plan of a TOML text. Raises DefinitionError: it is not TOML, or says something that does not exist."""
    try:
        entry = toml_from(text)
    except tomllib.TOMLDecodeError as error:
        found = f"the plan file is not TOML: {error}"
        raise DefinitionError(found, where=where, expected="see `menton plan --example`") from error
    try:
        return _Entry(entry, where).plan(definitions)
    except DefinitionError as error:
        if error.where:
            raise
        raise _refused(error, where) from error
    except MentonError as error:
        raise _refused(error, where) from error


def _refused(error: MentonError, where: str) -> DefinitionError:
    return DefinitionError(error.found, where=where, expected=error.expected, remedy=error.remedy)


class _Entry:
    """The keys of a plan file, read one by one."""

    def __init__(self, entry: Mapping[str, Any], where: str) -> None:
        self.entry = entry
        self.where = where

    def plan(self, definitions: Registry) -> Plan:
        for key in self.entry:
            self._known(key, _KEYS, "there is no key {!r} in a plan")
        by = self._choice("by", GROUPINGS)
        first, second, reference = (self._group(by, key) for key in ("first", "second", "reference"))
        self._check_pair(first, second, reference)
        is_pair = bool(first)
        if not is_pair:
            for key in ("adjust", "strata", "primary"):
                if key in self.entry:
                    raise self._wrong(f"{key} is given without first and second", "two groups to adjust between")
        adjust = self._names("adjust", ADJUSTABLE, default=DEFAULT_ADJUSTMENT) if is_pair else ()
        return Plan(
            id=self._id(),
            question=self._text("question"),
            date=self._date(),
            outcomes=self._outcomes(definitions),
            by=by,
            first=first,
            second=second,
            reference=reference,
            adjust=adjust,
            strata=check_strata(self._list("strata")),
            primary=self._choice("primary", METHODS, default="overlap") if is_pair else "crude",
            subgroups=self._names("subgroups", FILTERS),
            correction=self._choice("correction", CORRECTIONS, default="holm"),
            level=self._level(),
            comparison=self._choice("comparison", ("treated", "untreated"), default="treated"),
            selection=self._choice("selection", ("consecutive", "selected", "both"), default="consecutive"),
            only=self._only(),
            within=self._choice("within", WITHIN, default="practice"),
            landmark=self._landmark(by, is_pair=is_pair),
            limits=self._limits(),
        )

    def _landmark(self, by: str, *, is_pair: bool) -> float | None:
        value = self.entry.get("landmark")
        if value is None:
            return None
        if type(value) not in {int, float} or not 0.0 < value <= MOST_MONTHS or not is_pair or by not in DATED:
            raise self._wrong(f"landmark is {value!r}", f"months, such as 12, for two groups by {', '.join(DATED)}")
        return float(value)

    def _check_pair(self, first: str, second: str, reference: str) -> None:
        if bool(first) != bool(second):
            raise self._wrong("one of first and second is missing", "both, or neither")
        if first and first == second:
            raise self._wrong(f"{first!r} is compared with itself", "two different groups")
        if first and reference:
            raise self._wrong("reference is given beside first and second", "one or the other")

    def _wrong(self, found: str, expected: str, remedy: str = "") -> DefinitionError:
        advice = remedy or "correct the file and add it again"
        return DefinitionError(found, where=self.where, expected=expected, remedy=advice)

    def _known(self, value: object, known: Collection[str], found: str) -> str:
        if not isinstance(value, str) or value not in known:
            remedy = near_names(str(value), known)
            raise self._wrong(found.format(value), "one of " + ", ".join(known), remedy)
        return value

    def _id(self) -> str:
        value = self.entry.get("id")
        if not isinstance(value, str) or not _ID.fullmatch(value):
            raise self._wrong(f"id is {value!r}", "capital letters, digits and dashes, at most 16, such as P1")
        return value

    def _text(self, key: str) -> str:
        value = self.entry.get(key)
        if not isinstance(value, str) or not value.strip():
            raise self._wrong(f"{key} is missing", "a sentence in quotes")
        return value.strip()

    def _date(self) -> str:
        value = self.entry.get("date")
        if type(value) is not date:
            raise self._wrong(f"date is {value!r}", "a day without quotes, such as 2025-02-03")
        return value.isoformat()

    def _level(self) -> float:
        value = self.entry.get("level", 0.95)
        is_number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        if not is_number or not 0.0 < value < 1.0:
            raise self._wrong(f"level is {value!r}", "a number between 0 and 1, such as 0.95")
        return float(value)

    def _choice(self, key: str, known: Collection[str], *, default: str | None = None) -> str:
        return self._known(self.entry.get(key, default), known, f"{key} is {{!r}}")

    def _list(self, key: str) -> tuple[str, ...]:
        value = self.entry.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self._wrong(f"{key} is {value!r}", 'a list of names, such as ["sex"]')
        if len(set(value)) < len(value):
            raise self._wrong(f"{key} names something twice", "each name once")
        return tuple(value)

    def _names(self, key: str, known: Collection[str], *, default: tuple[str, ...] = ()) -> tuple[str, ...]:
        if key not in self.entry:
            return default
        return tuple(self._known(item, known, f"{key} names {{!r}}") for item in self._list(key))

    def _outcomes(self, definitions: Registry) -> tuple[str, ...]:
        listed = [self._text("definition"), *self._list("also")]
        names = tuple(definitions.get(identifier).name for identifier in listed)
        if len(set(names)) < len(names):
            raise self._wrong("an outcome is named twice", "each definition once, in definition or also")
        return names

    def _group(self, by: str, key: str) -> str:
        if key not in self.entry:
            return ""
        return check_group(by, self._text(key))

    def _limits(self) -> Limits:
        given, usual = self.entry.get("limits", {}), asdict(USUAL_LIMITS)
        if not isinstance(given, dict):
            raise self._wrong(f"limits is {given!r}", "a table such as [limits] with effective = [20, 5]")
        for name, both in given.items():
            self._known(name, usual, "limits names {!r}")
            good, least = both if isinstance(both, list) and len(both) == 2 else (math.nan, math.nan)
            right = all(type(one) in {int, float} and math.isfinite(one) for one in (good, least))
            if not right or (good - least) * (usual[name][0] - usual[name][1]) < 0.0:
                expected = f"two numbers, first for no caution, then for any figure, such as {list(usual[name])}"
                raise self._wrong(f"limits.{name} is {both!r}", expected)
        return Limits(**{name: (float(both[0]), float(both[1])) for name, both in (usual | given).items()})

    def _only(self) -> dict[str, tuple[str, ...]]:
        value = self.entry.get("only", {})
        if not isinstance(value, dict):
            raise self._wrong(f"only is {value!r}", 'a table of filters, such as [only] with sex = ["female"]')
        kept = {}
        for name, values in value.items():
            self._known(name, FILTERS, "only names {!r}")
            if not isinstance(values, list) or not values or not all(isinstance(item, str) for item in values):
                raise self._wrong(f"only.{name} is {values!r}", 'a list of values, such as ["female"]')
            kept[name] = tuple(values)
        return kept
