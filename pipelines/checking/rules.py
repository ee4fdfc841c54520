"""The rules as records: those written out in ``rules.toml`` and those that follow from contract and catalogue."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Literal

from pipelines.contract.cell_rules import cell_rules

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pipelines.contract.contract import Contract, ContractColumn, ContractTable
    from warehouse.measures.measure import Measure

Severity = Literal["reject", "warn"]
Kind = Literal["required", "range", "check", "file", "cell"]

ALL_MEASURES = "*"
"""Stands for every measure among the columns of a rule."""

LETTERS = {"cases": "C", "phases": "P", "visits": "V", "measurements": "M", "landmarks": "L"}
"""First letter of the ids of rules generated for the columns of a table."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule."""

    id: str  # Permanent id; never reused for another rule
    table: str  # Table whose rows fail: a contract table, `readings`, `file`, or empty for any
    # Columns it looks at, the one to name first; a table that lacks one is not held against the rule
    columns: tuple[str, ...]
    # `required` (no blank), `range` (between two limits), `check` (a named check), `file` (the file as a whole)
    # or `cell` (asked while the file is turned into contract terms)
    kind: Kind
    severity: Severity  # `reject` turns the row away, `warn` remarks on it
    reason: str  # What is wrong, in plain words
    remedy: str  # What to do
    check: str = ""  # Name of the check, for the kind `check`
    arguments: Mapping[str, Any] = field(default_factory=dict)  # Limits of the check or the range
    needs: tuple[str, ...] = ()  # Other tables that must have been handed over for the rule to be asked
    milder_than: str = ""  # Id of a stricter rule; where that one fails, this one is not said as well

    def number(self, name: str) -> float:
        """One of the limits, as a number."""
        return float(self.arguments[name])


def load_rules(contract: Contract, catalogue: Mapping[str, Measure]) -> dict[str, Rule]:
    """Every rule by id: those on single cells, generated ones in the order of the contract, those written out.

    Args:
        contract: The contract; each column with limits or without blanks gives a rule.
        catalogue: The measures, those of the practice's own included; each gives two range rules.
    """
    data = _data()
    written = (_written(entry) for entry in data["rules"])
    rules = [*_cell_rules(), *_generated(contract, catalogue, data["generated"]), *written]
    return {rule.id: rule for rule in rules}


@lru_cache(maxsize=1)
def _data() -> dict[str, Any]:
    return tomllib.loads(files("pipelines.checking").joinpath("rules.toml").read_text(encoding="utf-8"))


def _cell_rules() -> Iterator[Rule]:
    for rule in cell_rules().values():
        yield Rule(
            id=rule.id,
            table="",
            columns=(),
            kind="cell",
            severity="reject",
            reason=rule.reason,
            remedy=rule.remedy,
        )


def _written(entry: Mapping[str, Any]) -> Rule:
    return Rule(
        id=entry["id"],
        table=entry["table"],
        columns=tuple(entry["columns"]),
        kind="check" if "check" in entry else "file",
        severity=entry["severity"],
        reason=entry["reason"],
        remedy=entry["remedy"],
        check=entry.get("check", ""),
        arguments=entry.get("arguments", {}),
        needs=tuple(entry.get("needs", ())),
        milder_than=entry.get("milder_than", ""),
    )


def _generated(contract: Contract, catalogue: Mapping[str, Measure], words: Mapping[str, Any]) -> Iterator[Rule]:
    for table in contract.tables:
        for column in table.columns:
            yield from _column_rules(table, column, words)
        yield _key_rule(table, words["key"])
        if table.name != "cases":
            yield from _case_rules(table, words)
    for measure in catalogue.values():
        yield from _measure_rules(measure, words)


def _column_rules(table: ContractTable, column: ContractColumn, words: Mapping[str, Any]) -> Iterator[Rule]:
    stem = f"{LETTERS[table.name]}-{column.name}"
    if column.required:
        yield Rule(
            id=f"{stem}-required",
            table=table.name,
            columns=(column.name,),
            kind="required",
            **_worded(words["required"], column=column.name),
        )
    if column.min is not None and column.max is not None:
        yield Rule(
            id=f"{stem}-range",
            table=table.name,
            columns=(column.name,),
            kind="range",
            arguments={"low": column.min, "high": column.max},
            **_worded(
                words["range"],
                column=column.name,
                low=f"{column.min:g}",
                high=f"{column.max:g}",
                unit=column.unit or "",
            ),
        )


def _key_rule(table: ContractTable, words: Mapping[str, str]) -> Rule:
    thing = table.key[0] if len(table.key) == 1 else f"combination of {', '.join(table.key)}"
    return Rule(
        id=f"X-{table.name}-key",
        table=table.name,
        columns=table.key,
        kind="check",
        check="key_is_unique",
        **_worded(words, thing=thing),
    )


def _case_rules(table: ContractTable, words: Mapping[str, Any]) -> Iterator[Rule]:
    for ending in ("case", "case-refused"):
        yield Rule(
            id=f"X-{table.name}-{ending}",
            table=table.name,
            columns=("case_id",),
            kind="check",
            check="case_is_known" if ending == "case" else "case_was_accepted",
            **_worded(words[ending]),
        )


def _measure_rules(measure: Measure, words: Mapping[str, Any]) -> Iterator[Rule]:
    """The two range rules of a measure; the second is left out where the usual range is the plausible one."""
    for kind, (low, high) in (("plausible", measure.plausible), ("usual", measure.usual)):
        if kind == "usual" and measure.usual == measure.plausible:
            continue
        yield Rule(
            id=f"M-{measure.code}-{kind}",
            table="readings",
            columns=(measure.code,),
            kind="range",
            arguments={"low": low, "high": high},
            milder_than=f"M-{measure.code}-plausible" if kind == "usual" else "",
            **_worded(words[kind], label=measure.label, low=f"{low:g}", high=f"{high:g}", unit=measure.unit),
        )


def _worded(words: Mapping[str, str], **names: str) -> dict[str, Any]:
    reason = " ".join(words["reason"].format(**names).split()).replace(" .", ".")
    return {"severity": words["severity"], "reason": reason, "remedy": words["remedy"].format(**names)}
