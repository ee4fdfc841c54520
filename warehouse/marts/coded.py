"""Columns that hold one of a few values, kept as enumerations: smaller, and quicker to write and to group.

An enumeration reads as text everywhere (``Connection.frame`` gives strings).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence

from warehouse.marts.statements import APPLIANCES, BANDED, QUESTIONS_ASKED, TIMES
from warehouse.outcomes.definition import QUESTIONS
from warehouse.selection import VARIABLES
from warehouse.store.quoting import name, text
from warehouse.store.tables import Tables

MOST_VALUES = 1000
"""Values up to which a column of free text is kept as an enumeration."""

_OWN: dict[str, tuple[str, ...]] = {
    **{VARIABLES[name].column or name: VARIABLES[name].values for name in BANDED},
    "appliance_first": APPLIANCES,
    "appliance_group": (*APPLIANCES, "two_phase"),
}
_CONTRACT = (
    "sex", "cvm_stage", "incisor_class", "molar_class", "selection", "status", "comparison", "wear_reported",
    "dentition_stage", "habits", "retention_regime", "cleft_or_syndrome",
)  # fmt: skip


_SEEN = {
    "practice": "select distinct practice from loads",
    "extracted_teeth": "select distinct extracted_teeth from cases where replaced_by is null",
    "start_quarter": "select distinct start_quarter from cases where replaced_by is null",
    "clinician": "select distinct clinician from cases where replaced_by is null",
}
_SEEN_APPLIANCES = "select distinct appliance_category from phases where replaced_by is null"
_AT_A_TIME = ("porion_kind", "gonion_kind", "head_pose", "photo_lips")


def coded_columns(labels: str) -> dict[str, tuple[str, ...]]:
    """Column of mart_cases -> its codes; ``labels`` is the contract's labels as registered, or an empty object."""
    lists: Mapping[str, Mapping[str, str]] = json.loads(labels)
    found = dict(_OWN)
    found |= {column: tuple(lists[column]) for column in _CONTRACT if column in lists}
    answers = coded_answers(lists)
    return found | {f"{question}_{time}": codes for question, codes in answers.items() for time in TIMES}


def coded_times(labels: str) -> dict[str, tuple[str, ...]]:
    """Column of mart_timeline -> its codes."""
    lists: Mapping[str, Mapping[str, str]] = json.loads(labels)
    listed = {column: tuple(lists[column]) for column in _AT_A_TIME if column in lists}
    return {"timepoint": TIMES} | listed | coded_answers(lists)


def coded_answers(lists: Mapping[str, Mapping[str, str]]) -> dict[str, tuple[str, ...]]:
    """Question -> its codes."""
    code_lists = {question: "asked" if question in QUESTIONS else question for question in QUESTIONS_ASKED}
    return {question: tuple(lists[codes]) for question, codes in code_lists.items() if codes in lists}


def seen_columns(connection: Tables, *, n_phases: int) -> dict[str, tuple[str, ...]]:
    """Column of mart_cases -> the values it has, for text that is free but of few values.

    Sequences of appliances are not looked through where there is more than one phase.
    """
    found = {column: _values(connection.rows(question)) for column, question in _SEEN.items()}
    if n_phases <= 1:
        appliances = _values(connection.rows(_SEEN_APPLIANCES))
        found |= {"appliance_sequence": appliances, "appliance_ever": appliances}
    return {column: values for column, values in found.items() if 0 < len(values) <= MOST_VALUES}


def _values(rows: Iterable[tuple[str | None, ...]]) -> tuple[str, ...]:
    return tuple(sorted(value for (value,) in rows if value is not None))


def coded_statement(statement: str, columns: Mapping[str, Sequence[str]]) -> str:
    """The statement with its coded columns cast to enumerations."""
    casts = ", ".join(
        f"cast({name(column)} as enum({', '.join(text(code) for code in codes)})) as {column}"
        for column, codes in columns.items()
    )
    return f"select * replace ({casts}) from ({statement}) as listed"
