"""An audit plan for the hand-made cohort, and a short way to put it on record."""

from __future__ import annotations

from pathlib import Path

from warehouse.marts.publish import publish
from warehouse.outcomes.registry import shipped_registry
from warehouse.plans.plan import register_plan
from warehouse.questions.plan_file import parse_plan
from warehouse.store.store import open_store

PLAN = """
id = "P1"
question = "Do faces lengthen more often with an expander?"
date = 2025-02-03
definition = "D1"
also = ["D2"]
by = "appliance_category"
first = "expander_tooth_borne"
second = "fixed_labial"
adjust = ["sex"]
primary = "crude"
subgroups = ["sex"]
"""


def add_plan(folder: Path, text: str = PLAN) -> bool:
    with open_store(folder) as store:
        with store.transaction():
            is_new = register_plan(folder, store, parse_plan(text, where="plan", definitions=shipped_registry()))
        publish(folder, store)
    return is_new
