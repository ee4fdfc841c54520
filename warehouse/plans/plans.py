"""Registering audit plans in the store, and reading them from a snapshot."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from warehouse.errors import DefinitionError, RequestError, WarehouseError, near_names
from warehouse.marts.catalogues import register
from warehouse.plans.looks import read_looks
from warehouse.plans.plan import RegisteredPlan, plan_body, plan_from_body
from warehouse.store.snapshot import current_snapshot

if TYPE_CHECKING:
    from pathlib import Path

    from warehouse.marts.reader import Reader
    from warehouse.plans.plan import Plan
    from warehouse.store.storage import Connection

KIND = "plan"
VERSION = "1"


def register_plan(folder: Path, store: Connection, plan: Plan) -> bool:
    """Put a plan on record, with the build and the number of looks at this moment; False where it is there already.

    Raises:
        DefinitionError: Another plan of that id is on record; a plan is never changed.
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
    """The plan of that id.

    Raises:
        RequestError: There is none; near ids are offered.
    """
    plans = {registered.plan.id: registered for registered in registered_plans(reader)}
    found = plans.get(identifier.strip().upper())
    if found is None:
        message = f"there is no audit plan {identifier!r}"
        remedy = near_names(identifier.upper(), plans) or "add it with `menton plan --add FILE`"
        raise RequestError(message, expected=", ".join(plans) or "a plan on record", remedy=remedy)
    return found
