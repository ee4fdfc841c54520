"""The catalogues in force in one warehouse: what is shipped, and what its users registered."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any

from warehouse.errors import DefinitionError
from warehouse.measures.catalogue import CATALOGUE, Catalogue
from warehouse.measures.measure import Measure
from warehouse.outcomes.definition import Definition
from warehouse.outcomes.growth_reference import GrowthCurve, GrowthReference, choose, constant_slopes
from warehouse.outcomes.registry import DEFAULT_ID, Registry, definition_from, shipped_registry
from warehouse.store.storage import utc_now
from warehouse.store.tables import Tables

SETTINGS = {"growth_reference": "R1", "definition": DEFAULT_ID}
"""Settings a warehouse has, with their values until someone chooses another."""


@dataclass(frozen=True, slots=True)
class Catalogues:
    """Measures, definitions and growth references in force, and the settings that choose among them."""

    measures: Catalogue
    definitions: Registry
    references: dict[str, GrowthReference]
    settings: dict[str, str]

    @property
    def reference(self) -> GrowthReference:
        """The growth reference in force."""
        return choose(self.references, self.settings["growth_reference"])

    def definition(self, identifier: str | None) -> Definition:
        """The definition asked for, or the headline one in force."""
        return self.definitions.get(identifier or self.settings["definition"])


def shipped() -> Catalogues:
    """What is in force before anyone registered anything."""
    r1 = constant_slopes()
    return Catalogues(CATALOGUE, shipped_registry(), {r1.id: r1}, dict(SETTINGS))


def in_force(connection: Tables) -> Catalogues:
    """The catalogues of the warehouse behind a store connection."""
    base = shipped()
    entries = connection.rows("select kind, name, body from registrations order by entry")
    bodies = [(kind, name, json.loads(body)) for kind, name, body in entries]
    own = {name: _measure(body) for kind, name, body in bodies if kind == "measure"}
    added = [definition_from(body, where=name) for kind, name, body in bodies if kind == "definition"]
    references = {name: _reference(body) for kind, name, body in bodies if kind == "growth_reference"}
    settings = {name: body for kind, name, body in bodies if kind == "setting"}
    return Catalogues(
        measures=base.measures.with_own(own.values()),
        definitions=base.definitions.with_added(added),
        references=base.references | references,
        settings=base.settings | settings,
    )


def register(connection: Tables, kind: str, name: str, version: str, body: object) -> bool:
    """Put an entry in force; gives False where it is already in force as it stands.

    Raises:
        DefinitionError: A measure of that name is registered with other contents.
    """
    text = json.dumps(body, sort_keys=True)
    present = connection.value(
        "select body from registrations where kind = ? and name = ? order by entry desc limit 1", [kind, name]
    )
    if present == text:
        return False
    if kind == "measure" and present is not None:
        found = f"the measure {name} is already registered with another meaning"
        raise DefinitionError(found, remedy="give the changed measure a new code: values kept under the old one stay")
    connection.execute(
        "insert into registrations select coalesce(max(entry), 0) + 1, ?, ?, ?, ?, ? from registrations",
        [kind, name, version, text, utc_now()],
    )
    return True


def measure_body(measure: Measure) -> dict[str, Any]:
    """A user's measure as plain data (it has no formula)."""
    return {key: value for key, value in asdict(measure).items() if value is not None}


def _measure(body: dict[str, Any]) -> Measure:
    plain: dict[str, Any] = {key: tuple(value) if isinstance(value, list) else value for key, value in body.items()}
    return Measure(**plain)


def _frozen(value: Any) -> Any:  # noqa: ANN401 - a field of any kind
    return tuple(_frozen(part) for part in value) if isinstance(value, list) else value


def _reference(body: dict[str, Any]) -> GrowthReference:
    curves = tuple(GrowthCurve(**{name: _frozen(value) for name, value in curve.items()}) for curve in body["curves"])
    return GrowthReference(body["id"], body["version"], body["label"], body["provenance"], curves)
