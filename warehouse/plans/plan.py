"""An audit plan: the question and how it will be answered, put on record before results are looked at."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from warehouse.analysis.positivity import USUAL_LIMITS, Limits
from warehouse.errors import DefinitionError, RequestError, WarehouseError, near_names
from warehouse.marts.catalogues import register
from warehouse.marts.reader import Reader
from warehouse.plans.covariates import default_strata
from warehouse.plans.looks import read_looks
from warehouse.plans.question import Question
from warehouse.selection import Selection
from warehouse.store.snapshot import current_snapshot
from warehouse.store.storage import Connection

KIND = "plan"
VERSION = "1"
_NOTHING: Mapping[str, tuple[str, ...]] = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """An audit plan."""

    id: str  # Short id such as `P1`
    question: str  # What is asked, in one sentence
    date: str  # The day it was agreed, as written in the plan (ISO)
    outcomes: tuple[str, ...]  # Definitions with their versions; the first is the primary outcome
    by: str  # The grouping
    # Code of the group whose excess is asked about; empty where every group is compared with `reference`
    first: str = ""
    second: str = ""  # Code of the group it is compared with; empty likewise
    reference: str = ""  # Code of the group all others are compared with; empty for the largest
    adjust: tuple[str, ...] = ()  # Variables to adjust for
    strata: tuple[str, ...] = ()  # Columns the stratified analysis is stratified by; empty for the usual ones
    primary: str = "crude"  # The primary analysis, a key of `warehouse.questions.methods.METHODS`
    subgroups: tuple[str, ...] = ()  # Filters whose values make the subgroups
    correction: str = "holm"  # How the p values of the family are corrected, `holm` or `benjamini_hochberg`
    level: float = 0.95  # Level of the intervals
    comparison: str = "treated"  # `treated` or `untreated`
    selection: str = "consecutive"  # `consecutive`, `selected` or `both`
    only: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: _NOTHING)  # Filter -> values kept
    within: str = "practice"  # Which cases are compared with each other, a key of `warehouse.plans.question.WITHIN`
    landmark: float | None = None  # Months after the start at which the groups are taken as known
    limits: Limits = USUAL_LIMITS  # How comparable the groups must be for an adjusted figure

    @property
    def is_pair(self) -> bool:
        """Whether two groups are compared, rather than all with a reference."""
        return bool(self.first)

    @property
    def cases(self) -> Selection:
        """The cases the plan is about."""
        return Selection(comparison=self.comparison, selection=self.selection, filters=self.only)

    @property
    def sha256(self) -> str:
        """Digest of everything the plan says."""
        return hashlib.sha256(json.dumps(plan_body(self), sort_keys=True).encode()).hexdigest()

    def asks(self, definition: str, selection: Selection) -> Question:
        """The plan's question on one outcome, among these cases."""
        return Question(
            definition=definition,
            by=self.by,
            first=self.first,
            second=self.second,
            reference=self.reference,
            selection=selection,
            adjust=self.adjust if self.is_pair else (),
            strata=(self.strata or default_strata(self.adjust)) if self.is_pair else None,
            method=self.primary if self.is_pair else "",
            level=self.level,
            within=self.within,
            landmark=self.landmark,
        )

    def subgroup(self, subgroup: str, value: str) -> Selection:
        """The cases of one subgroup."""
        return replace(self.cases, filters={**self.only, subgroup: (value,)})

    def covers(self, question: Question) -> bool:
        """Whether the plan lists who is compared with whom, on what and among which cases."""
        if question.outcome not in self.outcomes or (question.by, question.landmark) != (self.by, self.landmark):
            return False
        return self._has_pair(question) and self._has_cases(question.selection)

    def adjusts_like(self, question: Question) -> bool:
        """Whether the question is adjusted for what the plan says."""
        return set(self.adjust) == set(question.adjust or ())

    def _has_pair(self, question: Question) -> bool:
        if self.is_pair:
            return question.pair == {self.first, self.second}
        return not self.reference or self.reference in question.pair

    def _has_cases(self, asked: Selection) -> bool:
        if (asked.comparison, asked.selection) != (self.comparison, self.selection):
            return False
        kept = {name: set(values) for name, values in asked.filters.items() if values}
        meant = {name: set(values) for name, values in self.only.items()}
        if kept == meant:
            return True
        added = set(kept) - set(meant)
        return (
            len(added) == 1
            and added <= set(self.subgroups)
            and all(len(kept[name]) == 1 for name in added)
            and all(kept.get(name) == values for name, values in meant.items())
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisteredPlan:
    """A plan as it stands in the warehouse."""

    plan: Plan  # What it says
    sha256: str  # Its digest when it was registered
    registered_at: str  # When, in UTC
    build: str  # The build published at that time; empty where nothing was
    looks_before: int  # How many looks the record held then
    digest_before: str  # Digest of the record then


def plan_body(plan: Plan) -> dict[str, Any]:
    """A plan as plain data; :func:`plan_from_body` reads it back.

    What came later than the first plans is left out where it is as usual, so that their digests stay what they were.
    """
    body = {**asdict(replace(plan, only={})), "only": {name: list(kept) for name, kept in plan.only.items()}}
    usual = {"within": "practice", "landmark": None, "limits": asdict(USUAL_LIMITS)}
    return {key: value for key, value in body.items() if key not in usual or value != usual[key]}


def plan_from_body(body: Mapping[str, Any]) -> Plan:
    """A plan from what :func:`plan_body` gave (also after a round through JSON)."""
    plain: dict[str, Any] = {key: tuple(value) if isinstance(value, list) else value for key, value in body.items()}
    if "limits" in body:
        plain["limits"] = Limits(**{name: tuple(both) for name, both in body["limits"].items()})
    return Plan(**{**plain, "only": {name: tuple(kept) for name, kept in body["only"].items()}})


def register_plan(folder: Path, store: Connection, plan: Plan) -> bool:
    """Put a plan on record, with the build and the number of looks at this moment; False where it is there already.

    Raises DefinitionError: another plan of that id is on record; a plan is never changed.
    """
    present = store.value(
        "select body from registrations where kind = ? and name = ? order by entry desc limit 1", [KIND, plan.id]
    )
    if present is not None:
        return _refuse_change(json.loads(present), plan)
    record = read_looks(folder)
    body = {
        "plan": plan_body(plan),
        "sha256": plan.sha256,
        "build": _build(folder),
        "looks_before": len(record.looks),
        "digest_before": record.digest,
    }
    return register(store, KIND, plan.id, VERSION, body)


def _refuse_change(present: dict[str, str], plan: Plan) -> bool:
    if present["sha256"] == plan.sha256:
        return False
    found = f"a plan {plan.id} is on record and says something else"
    raise DefinitionError(
        found,
        where=plan.id,
        expected="a plan stays as it was registered",
        remedy="give the changed plan a new id; both then stay on record",
    )


def _build(folder: Path) -> str:
    try:
        return current_snapshot(folder).build_id
    except WarehouseError:
        return ""


def registered_plans(reader: Reader) -> tuple[RegisteredPlan, ...]:
    """The plans published with a snapshot, in the order registered."""
    rows = reader.connection.rows("select body, registered_at from mart_plans order by entry")
    return tuple(_registered(json.loads(body), at.isoformat() + "Z") for body, at in rows)


def _registered(body: dict[str, object], at: str) -> RegisteredPlan:
    plain: dict[str, object] = body["plan"]  # type: ignore[assignment]
    return RegisteredPlan(
        plan=plan_from_body(plain),
        sha256=str(body["sha256"]),
        registered_at=at,
        build=str(body["build"]),
        looks_before=int(str(body["looks_before"])),
        digest_before=str(body["digest_before"]),
    )


def registered_plan(reader: Reader, identifier: str) -> RegisteredPlan:
    """The plan of that id. Raises RequestError: there is none; near ids are offered."""
    plans = {registered.plan.id: registered for registered in registered_plans(reader)}
    found = plans.get(identifier.strip().upper())
    if found is None:
        message = f"there is no audit plan {identifier!r}"
        remedy = near_names(identifier.upper(), plans) or "add it with `menton plan --add FILE`"
        raise RequestError(message, expected=", ".join(plans) or "a plan on record", remedy=remedy)
    return found
