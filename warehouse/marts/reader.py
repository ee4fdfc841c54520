"""Reading a published snapshot: which build, definitions, growth reference and labels it carries."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import TracebackType

from warehouse.errors import RequestError, near_names
from warehouse.outcomes.definition import Definition
from warehouse.outcomes.growth_reference import shipped_references
from warehouse.outcomes.registry import Registry, definition_from
from warehouse.selection import VARIABLES, listed
from warehouse.store.snapshot import Snapshot, open_snapshot
from warehouse.store.tables import Tables

_AGES = {code: f"{code.replace('-', ' to ')} years" for code in VARIABLES["age_band"].values if "-" in code}
SHOWN = 12
"""Values to filter by that a refusal names."""


@dataclass(slots=False)
class Reader:
    """A snapshot open for reading. Use it in a ``with`` block."""

    snapshot: Snapshot
    connection: Tables

    @classmethod
    def open(cls, folder: Path, *, key: str | None = None) -> Reader:
        """Open the current snapshot of a warehouse folder."""
        snapshot, connection = open_snapshot(folder, key=key)
        return cls(snapshot, connection)

    def __enter__(self) -> Reader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the snapshot."""
        self.connection.close()

    @cached_property
    def settings(self) -> dict[str, str]:
        """Settings in force when the snapshot was published."""
        return dict(self.connection.rows("select name, value from mart_settings"))

    @cached_property
    def registry(self) -> Registry:
        """Outcome definitions in force when the snapshot was published."""
        bodies = self.connection.rows("select definition_id, body from mart_definitions")
        return Registry(tuple(definition_from(json.loads(body), where=name) for name, body in bodies))

    def definition(self, identifier: str | None = None) -> Definition:
        """The definition asked for, or the headline one."""
        return self.registry.get(identifier or self.settings["definition"])

    def definition_settled(self, outcome: str) -> Definition:
        """The definition of a question on record (``D1 v1.0.0``): that version where it is known, else the id's."""
        named = [one for one in self.registry.definitions if one.name == outcome]
        return named[0] if named else self.definition(outcome.split(" v")[0])

    @property
    def usual_adjustment(self) -> tuple[str, ...]:
        """The variables usually adjusted for, as far as cases have them."""
        return tuple(filter(None, self.settings["adjust"].split(",")))

    @property
    def recorded(self) -> tuple[str, ...]:
        """The variables to adjust for that some case has."""
        return tuple(filter(None, self.settings["recorded"].split(",")))

    @cached_property
    def _growth(self) -> list[tuple[str, str]]:
        """Measure, and the reference that judges it with its provenance; those of the warehouse's own come first."""
        rows = self.connection.rows(
            "select distinct measure, reference_id, version, label, provenance from mart_growth order by measure"
        )
        rows = sorted(rows, key=lambda row: row[1] in shipped_references())
        return [(measure, f"{code} v{version}: {label} ({given})") for measure, code, version, label, given in rows]

    @property
    def growth_reference(self) -> str:
        """Name and provenance of every growth reference in force."""
        return "; ".join(dict.fromkeys(said for _, said in self._growth))

    def growth_used(self, definition: Definition) -> str:
        """Name and provenance of what a definition allows for growth by; what it rests on where that is nothing."""
        asked = definition.grown_measures(self.registry.definitions)
        used = dict.fromkeys(said for measure, said in self._growth if measure in asked)
        return "; ".join(used) if used else ("none has its measure" if asked else "none: growth is not taken off")

    @cached_property
    def labels(self) -> dict[str, dict[str, str]]:
        """Code list -> code -> label, as the contract words them."""
        found: dict[str, dict[str, str]] = json.loads(self.settings.get("labels", "{}"))
        return found

    @cached_property
    def practices(self) -> tuple[str, ...]:
        """Pseudonyms of the practices that have cases here."""
        rows = self.connection.rows("select distinct practice from mart_cases order by practice")
        return tuple(practice for (practice,) in rows)

    def refuse_unknown(self, filters: Mapping[str, tuple[str, ...]]) -> None:
        """Refuse values to filter by that no case has and no list of codes knows: an empty table would hide the slip.

        Raises RequestError: there is such a value.
        """
        for variable in listed("filters"):
            asked = filters.get(variable.filter, ())
            if not asked or variable.column is None:
                continue
            rows = self.connection.rows(
                f"select distinct coalesce(cast({variable.column} as varchar), 'not known') from mart_cases order by 1"
            )
            there = [str(value) for (value,) in rows]
            known = {*there, *self.labels.get(variable.codes, ()), *variable.values, "not known"}
            unknown = [value for value in asked if value not in known]
            if unknown:
                found = f"no case has {variable.filter.replace('_', ' ')} {unknown[0]!r}"
                raise RequestError(found, expected=", ".join(there[:SHOWN]), remedy=near_names(unknown[0], known))

    def label(self, codes: str, code: str) -> str:
        """The label of a code; several joined by ``>`` or ``+`` are labelled one by one, bands of ages say of what."""
        known = self.labels.get(codes, {}) | {"two_phase": "two phases (growth appliance, then alignment)"}
        for mark in (" > ", " + "):
            if mark in code:
                return mark.join(known.get(part, part) for part in code.split(mark))
        return known.get(code) or _AGES.get(code, code)
