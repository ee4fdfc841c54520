"""The catalogues in force in one warehouse: what is shipped, and what its users registered."""

import json
from dataclasses import asdict, dataclass, replace
from typing import Any

from warehouse.errors import DefinitionError
from warehouse.measures.catalogue import CATALOGUE, Catalogue
from warehouse.measures.formulae import formula_from
from warehouse.measures.measure import Measure
from warehouse.outcomes.definition import Definition
from warehouse.outcomes.growth_reference import GrowthCurve, GrowthReference, shipped_references
from warehouse.outcomes.registry import DEFAULT_ID, Registry, definition_from, shipped_registry
from warehouse.store.storage import utc_now
from warehouse.store.tables import Tables

JOINED, RENAMED, AS_WRITTEN = "joined_numbers", "practice_names", "numbers_as_written"
"""Settings: key of a second number -> key of its case; practice -> the masked name its keys are made with; marks of
practices in which capitals and zeros tell case numbers apart."""

SETTINGS = {"growth_reference": "", "definition": DEFAULT_ID}
"""Settings a warehouse has, with their values until someone chooses another.

``growth_reference`` is what an earlier version chose for all measures at once: it serves those it has a curve for.
"""
CHOSEN = "growth_reference."
"""Start of the settings that choose the growth reference of one measure: ``growth_reference.lafh_mm``."""


@dataclass(frozen=True, slots=True)
class Catalogues:
    """Measures, definitions and growth references in force, and the settings that choose among them."""

    measures: Catalogue
    definitions: Registry
    references: dict[str, GrowthReference]
    settings: dict[str, str]

    @property
    def references_used(self) -> dict[str, GrowthReference]:
        """Measure -> the growth reference that judges it: the one chosen for it, else the first shipped that has it."""
        listed = dict.fromkeys(measure for one in self.references.values() for measure in one.measures)
        found: dict[str, GrowthReference] = {}
        for measure in listed:
            chosen = (self.settings.get(CHOSEN + measure, ""), self.settings["growth_reference"], *shipped_references())
            there = (self.references[name] for name in chosen if name in self.references)
            reference = next((one for one in there if measure in one.measures), None)
            if reference is not None:
                found[measure] = reference
        return found

    @property
    def curves_used(self) -> tuple[tuple[GrowthReference, GrowthCurve], ...]:
        """The curves in force, each with its reference; those of a warehouse's own come first."""
        used = self.references_used
        every = [(one, curve) for one in self.references.values() for curve in one.curves]
        pairs = [(one, curve) for one, curve in every if used.get(curve.measure) is one]
        return tuple(sorted(pairs, key=lambda pair: pair[0].id in shipped_references()))

    @property
    def reference(self) -> GrowthReference:
        """The curves in force as one reference; ``id`` names all they are of."""
        pairs = self.curves_used
        name = " and ".join(sorted({one.name for one, _ in pairs}))
        return GrowthReference(name, "", "In force", "chosen for each measure", tuple(curve for _, curve in pairs))

    def definition(self, identifier: str | None) -> Definition:
        """The definition asked for, or the headline one in force."""
        return self.definitions.get(identifier or self.settings["definition"])


def shipped() -> Catalogues:
    """What is in force before anyone registered anything."""
    return Catalogues(CATALOGUE, shipped_registry(), shipped_references(), dict(SETTINGS))


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
        definitions=base.definitions.with_registered(added),
        references=base.references | references,
        settings=base.settings | settings,
    )


def register(connection: Tables, kind: str, name: str, version: str, body: object) -> bool:
    """Put an entry in force; gives False where it is already in force as it stands.

    Raises DefinitionError: a measure of that name is registered with other contents.
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
    """A user's measure as plain data; its formula as it was written."""
    kept = asdict(replace(measure, formula=None))
    return {key: value for key, value in kept.items() if value is not None and (key != "formula_text" or value)}


def _measure(body: dict[str, Any]) -> Measure:
    plain: dict[str, Any] = {key: tuple(value) if isinstance(value, list) else value for key, value in body.items()}
    made = Measure(**plain)
    return replace(made, formula=formula_from(made.formula_text, {})) if made.formula_text else made


def _frozen(value: Any) -> Any:  # noqa: ANN401 - a field of any kind
    return tuple(_frozen(part) for part in value) if isinstance(value, list) else value


def _reference(body: dict[str, Any]) -> GrowthReference:
    curves = tuple(GrowthCurve(**{name: _frozen(value) for name, value in curve.items()}) for curve in body["curves"])
    return GrowthReference(body["id"], body["version"], body["label"], body["provenance"], curves)
