"""The rules as records: those written out in ``rules.toml`` and those that follow from contract and catalogue."""

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import Any, Literal

import polars as pl

from pipelines.checking.computed import landmarks_in_views
from pipelines.contract.cell_rules import cell_rules
from pipelines.contract.contract import Contract, ContractColumn, ContractTable
from warehouse.measures.measure import Measure
from warehouse.measures.plausibility import PLAUSIBILITY_RULES, PlausibilityRule, tolerance_of
from warehouse.toml_files import structure

Severity = Literal["reject", "warn"]
Kind = Literal["required", "unique", "range", "among", "without", "above", "equal", "holds", "file", "cell"]

ALL_MEASURES = "*"  # stands for every measure among the columns of a rule

LETTERS = {"cases": "C", "phases": "P", "visits": "V", "measurements": "M", "landmarks": "L"}
"""First letter of the ids of rules generated for the columns of a table."""

PLAUSIBLE = {rule.id: rule for rule in PLAUSIBILITY_RULES}
SLACK = 1e-9
"""So that a difference of exactly the tolerance, written in binary, does not break a rule."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule."""

    id: str  # Permanent id; never reused for another rule
    table: str  # Table whose rows fail: a contract table, `readings`, `file`, or empty for any
    # Columns it looks at, the one to name first; a table that lacks one is not held against the rule
    columns: tuple[str, ...]
    # What is asked of `value`, blanks aside: `required` (no blank), `unique`, `range` (`low` to `high`, or `within`
    # so much of 0), `among` values, `without` a pattern, `above` or `equal` to `than`, `holds` (true);
    # `file` for the file as a whole, `cell` where it is asked while the file is turned into contract terms
    kind: Kind
    severity: Severity  # `reject` turns the row away, `warn` remarks on it
    reason: str  # What is wrong, in plain words
    remedy: str  # What to do
    value: str = ""  # SQL over columns of the table and those of `computed`; empty for the first of `columns`
    than: str = ""  # The other side of a pair, in the same way
    arguments: Mapping[str, Any] = field(default_factory=dict)  # Limits
    needs: tuple[str, ...] = ()  # Other tables that must have been handed over for the rule to be asked
    milder_than: str = ""  # Id of a stricter rule; where that one fails, this one is not said as well
    measures: str = ""  # Id of the plausibility rule of the measures that it asks, in place of `value`

    def judged(self) -> dict[str, pl.Expr]:
        """What is looked at, by name: one column, or two for a pair."""
        if self.measures:
            return {"value": _plausible(PLAUSIBLE[self.measures])}
        asked = {"value": self.value, "than": self.than}
        found = {name: pl.sql_expr(text) for name, text in asked.items() if text}
        return found or {"value": pl.col(self.columns[0])}

    def limits(self) -> tuple[float | None, float | None]:
        """Lowest and highest value of a range, both allowed; None for no limit."""
        if "within" in self.arguments:
            within = float(self.arguments["within"]) + SLACK
            return -within, within
        low, high = (self.arguments.get(name) for name in ("low", "high"))
        return None if low is None else float(low), None if high is None else float(high)


def _plausible(rule: PlausibilityRule) -> pl.Expr:
    """How far the measures are from agreeing, or whether they agree; null where one of them is missing."""
    complete = pl.all_horizontal(pl.col(code).is_not_null() for code in rule.codes)
    if rule.difference is None:
        return pl.when(complete).then(~rule.broken) if rule.broken is not None else pl.lit(value=True)
    return pl.when(complete).then(rule.difference.cast(pl.Float64).fill_nan(float("inf")))


def load_rules(contract: Contract, catalogue: Mapping[str, Measure]) -> dict[str, Rule]:
    """Every rule by id: those on single cells, those of contract and measures in their order, those written out."""
    data = _data()
    rules = [*_cell_rules(), *_generated(contract, catalogue, data["generated"]), *_written()]
    return {rule.id: rule for rule in rules}


@lru_cache(maxsize=1)
def _data() -> dict[str, Any]:
    return tomllib.loads(files("pipelines.checking").joinpath("rules.toml").read_text(encoding="utf-8"))


@lru_cache(maxsize=1)
def _written() -> tuple[Rule, ...]:
    rules: tuple[Rule, ...] = structure(tuple[Rule, ...], [_whole(one) for one in _data()["rules"]], where="rules.toml")
    return rules


def _whole(entry: dict[str, Any]) -> dict[str, Any]:
    """An entry with its kind and, where it asks a plausibility rule, the tolerance of that, unless it says its own."""
    tolerance = tolerance_of(PLAUSIBLE[entry["measures"]]) if "measures" in entry else None
    if tolerance is not None:
        return {"kind": "range", "arguments": {"within": tolerance}, **entry}
    return {"kind": "file" if entry["table"] == "file" else "holds", **entry}


def _cell_rules() -> Iterator[Rule]:
    for rule in cell_rules().values():
        yield Rule(
            id=rule.id, table="", columns=(), kind="cell", severity="reject", reason=rule.reason, remedy=rule.remedy
        )


def _generated(contract: Contract, catalogue: Mapping[str, Measure], words: Mapping[str, Any]) -> Iterator[Rule]:
    for table in contract.tables:
        for column in table.columns:
            yield from _column_rules(table, column, words)
        thing = table.key[0] if len(table.key) == 1 else f"combination of {', '.join(table.key)}"
        worded = _worded(words["key"], thing=thing)
        yield Rule(
            id=f"X-{table.name}-key", table=table.name, columns=table.key, kind="unique", value="row_key", **worded
        )
        for ending, value in (("case", "case_is_known"), ("case-refused", "case_was_accepted")):
            if table.name != "cases":
                name, worded = f"X-{table.name}-{ending}", _worded(words[ending])
                yield Rule(id=name, table=table.name, columns=("case_id",), kind="holds", value=value, **worded)
    for measure in catalogue.values():
        yield from _measure_rules(measure, words)


def _column_rules(table: ContractTable, column: ContractColumn, words: Mapping[str, Any]) -> Iterator[Rule]:
    stem, columns = f"{LETTERS[table.name]}-{column.name}", (column.name,)
    if column.required:
        worded = _worded(words["required"], column=column.name)
        yield Rule(id=f"{stem}-required", table=table.name, columns=columns, kind="required", **worded)
    if column.min is not None and column.max is not None:
        low, high = f"{column.min:g}", f"{column.max:g}"
        worded = _worded(words["range"], column=column.name, low=low, high=high, unit=column.unit or "")
        limits = {"low": column.min, "high": column.max}
        yield Rule(id=f"{stem}-range", table=table.name, columns=columns, kind="range", arguments=limits, **worded)


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


def allowed(rule: Rule) -> list[Any]:
    """The values of a rule of kind ``among``."""
    values = rule.arguments["values"]
    return landmarks_in_views() if values == "landmarks in their views" else list(values)
