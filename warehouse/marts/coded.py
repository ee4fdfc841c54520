"""Columns of mart_cases that hold one of a few codes, kept as enumerations: smaller, and quicker to write and to group.

An enumeration reads as text everywhere (``Connection.frame`` gives strings).
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from warehouse.grouping import AGE_BANDS, VERTICAL_TYPES
from warehouse.marts.expressions import name, text
from warehouse.marts.statements import APPLIANCES, QUESTIONS_ASKED, TIMES
from warehouse.outcomes.definition import QUESTIONS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

_OWN: dict[str, tuple[str, ...]] = {
    "age_band": AGE_BANDS,
    "growth_stage": ("before the growth spurt", "around the growth spurt", "after the growth spurt"),
    "extraction": ("non-extraction", "extraction"),
    "extraction_pattern": (
        "none",
        "four_first_premolars",
        "four_second_premolars",
        "upper_first_premolars",
        "upper_first_lower_second",
        "single_lower_incisor",
        "other",
    ),
    "appliance_first": APPLIANCES,
    "appliance_group": (*APPLIANCES, "two_phase"),
    "vertical_type_start": VERTICAL_TYPES,
}
_CONTRACT = ("sex", "cvm_stage", "incisor_class", "molar_class", "selection", "status", "comparison", "wear_reported")


def coded_columns(labels: str) -> dict[str, tuple[str, ...]]:
    """Column -> its codes; ``labels`` is the contract's labels as registered, or an empty object."""
    lists: Mapping[str, Mapping[str, str]] = json.loads(labels)
    found = dict(_OWN)
    found |= {column: tuple(lists[column]) for column in _CONTRACT if column in lists}
    for question in QUESTIONS_ASKED:
        codes = lists.get("asked" if question in QUESTIONS else question)
        if codes:
            found |= {f"{question}_{time}": tuple(codes) for time in TIMES}
    return found


def coded_statement(statement: str, columns: Mapping[str, Sequence[str]]) -> str:
    """The statement with its coded columns cast to enumerations."""
    casts = ", ".join(
        f"cast({name(column)} as enum({', '.join(text(code) for code in codes)})) as {column}"
        for column, codes in columns.items()
    )
    return f"select * replace ({casts}) from ({statement}) as listed"
