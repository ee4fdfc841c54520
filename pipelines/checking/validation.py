"""Holding deliveries against the rules: good rows, rows turned away with every reason, remarks on good rows.

Three things are kept apart: a bad file (``BadFileError``, nothing of it is kept), a bad row (turned away, counted,
named), and a broken rule (``BrokenRuleError``, a fault of ours, nothing of the load is kept).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import polars as pl

from pipelines.checking.computed import COMPUTED, OF_ANY_TABLE, row_key
from pipelines.checking.expectations import Examiner
from pipelines.checking.failures import cell_findings, findings, told_at_their_points
from pipelines.checking.rules import ALL_MEASURES, Rule, load_rules
from pipelines.checking.sorting import sort_delivery
from pipelines.checking.tables import Assembled, CheckedTables, Positions, assemble
from pipelines.contract.contract import Contract
from pipelines.contract.delivery import Delivery, Sorted
from warehouse.errors import BadFileError, BrokenRuleError, near_names
from warehouse.measures.measure import Measure

READING_COLUMNS = frozenset({"row", "case_id", "timepoint", "examiner", "repeat_no"})


def refuse_bad_files(deliveries: Sequence[Delivery], *, contract: Contract, catalogue: Mapping[str, Measure]) -> None:
    """Refuse the first file that cannot be used as a whole.

    Raises:
        BadFileError: It lacks a required column, has one that is empty in every row, has no rows, or holds a table,
            column or measure nobody knows. The message begins with the id of the rule.
    """
    for delivery in deliveries:
        if delivery.n_read == 0:
            raise _refusal("F004", "no rows", delivery, contract, catalogue)
        for table, frame in delivery.tables.items():
            found = _trouble(table, frame, delivery, contract, catalogue)
            if found is not None:
                rule, what = found
                raise _refusal(rule, what, delivery, contract, catalogue)


def _trouble(
    table: str, frame: pl.DataFrame, delivery: Delivery, contract: Contract, catalogue: Mapping[str, Measure]
) -> tuple[str, str] | None:
    """Id of the rule a table breaks, and the column or table in question."""
    if table == "readings":
        strangers = [name for name in frame.columns if name not in READING_COLUMNS and name not in catalogue]
        return ("F003", _named(strangers[0], catalogue)) if strangers else None
    if table not in {known.name for known in contract.tables}:
        return "F005", table
    known = {column.name for column in contract.table(table).columns}
    strangers = [name for name in frame.columns if name != "row" and name not in known]
    if strangers:
        return "F005", _named(strangers[0], known)
    return _required_trouble(table, frame, delivery, contract)


def _required_trouble(
    table: str, frame: pl.DataFrame, delivery: Delivery, contract: Contract
) -> tuple[str, str] | None:
    if delivery.layout == "wide" and table != "cases":
        return None  # made from cells of the row of the case, so a blank in it is a matter of that row
    required = [column.name for column in contract.table(table).columns if column.required]
    missing = [name for name in required if name not in frame.columns]
    if missing:
        return "F001", ", ".join(missing)
    # A cell that could not be understood is null too, but the column is not empty: its rows are turned away instead.
    doubted = set(delivery.problems["column"]) if delivery.problems.height else set()
    empty = [
        name
        for name in required
        if frame.height and frame[name].null_count() == frame.height and delivery.columns.get(name, name) not in doubted
    ]
    return ("F002", ", ".join(delivery.columns.get(name, name) for name in empty)) if empty else None


def _named(name: str, known: Mapping[str, Measure] | set[str]) -> str:
    hint = near_names(name, known)
    return f"{name} ({hint})" if hint else name


def _refusal(
    rule_id: str, what: str, delivery: Delivery, contract: Contract, catalogue: Mapping[str, Measure]
) -> BadFileError:
    rule = load_rules(contract, catalogue)[rule_id]
    source = delivery.source
    place = source.name if source.sheet is None else f"{source.name}, sheet {source.sheet}"
    return BadFileError(f"{rule.id}: {rule.reason}", where=f"{place}: {what}", remedy=rule.remedy)


SECOND_ROUND = "case_was_accepted"
"""What can be asked only once it is known which cases are turned away."""


def validate(
    deliveries: Sequence[Delivery],
    *,
    contract: Contract,
    catalogue: Mapping[str, Measure],
    known_cases: pl.Series | None = None,
) -> list[Sorted]:
    """Hold the deliveries of one load against every rule, together, so that rows are also held against each other.

    ``deliveries``: The files of the load, as interpreted. ``contract``: The contract. ``catalogue``: The measures,
    those of the practice's own included. ``known_cases``: Keys of the cases that earlier loads hold; None where there
    are none.

    Returns: One result a delivery, in the order given; in each, rows read = rows good + rows turned away.
    ``turned_away`` holds every finding on a row that is turned away, those of severity ``warn`` too, so that one
    correction can mend all of it.

    Raises:
        BadFileError: A file cannot be used as a whole.
        BrokenRuleError: A rule could not be evaluated, or the rows do not add up.
    """
    if not deliveries:
        return []
    refuse_bad_files(deliveries, contract=contract, catalogue=catalogue)
    rules = load_rules(contract, catalogue)
    assembled = assemble(deliveries, catalogue=catalogue, known_cases=known_cases)
    examiner = Examiner()
    first = [rule for rule in rules.values() if rule.value != SECOND_ROUND]
    cells = cell_findings(deliveries)
    found = findings(_failing(assembled.tables, first, examiner), rules, assembled, deliveries)
    found = pl.concat([cells, _without_doubled(found, cells, rules)])
    found = told_at_their_points(found, rules, deliveries, catalogue)
    rejecting = [rule.id for rule in rules.values() if rule.severity == "reject"]
    found = pl.concat([found, _second_round(found, rejecting, rules, assembled, deliveries, examiner)])
    return [
        sort_delivery(delivery, file, found, rejecting=rejecting, assembled=assembled)
        for file, delivery in enumerate(deliveries)
    ]


def _failing(tables: CheckedTables, rules: Sequence[Rule], examiner: Examiner) -> dict[str, Positions]:
    """Rule id -> positions of failing rows, table by table."""
    failing: dict[str, Positions] = {}
    for table, frame in tables.frames.items():
        asked = [rule for rule in rules if rule.table == table and not frame.is_empty() and _is_asked(rule, tables)]
        # rules on the columns themselves first: the computed ones are made meanwhile
        asked.sort(key=lambda rule: bool(rule.value or rule.measures))
        failing |= examiner.failing(asked, Judged(tables, table))
    for rule in rules:
        if rule.id in failing and rule.milder_than in failing:
            failing[rule.id] = np.setdiff1d(failing[rule.id], failing[rule.milder_than])
    return failing


class Judged:
    """Gives what rules of one table look at; each computed column is made once."""

    def __init__(self, tables: CheckedTables, table: str) -> None:
        self.tables, self.table, self.frame = tables, table, tables[table]

    def __call__(self, rule: Rule) -> pl.DataFrame:
        """One column, or two for a pair; shape (rows of the table,)."""
        try:
            asked = rule.judged()
            for name in {name for one in asked.values() for name in one.meta.root_names()}:
                if name not in self.frame.columns:
                    self.frame = self.frame.with_columns(self._computed(name, rule).alias(name))
            return self.frame.select(**asked)
        except (pl.exceptions.PolarsError, KeyError, TypeError, ValueError, IndexError) as fault:
            found = f"The rule {rule.id} could not be evaluated."
            said = f"{type(fault).__name__}: {str(fault).splitlines()[0][:200] if str(fault) else 'no reason given'}"
            remedy = f"This is a fault of the rule, not of the data: {said}"
            raise BrokenRuleError(
                found, where="validation", expected="an answer for every row", remedy=remedy
            ) from fault

    def _computed(self, name: str, rule: Rule) -> pl.Series:
        if name == "row_key":
            return row_key(self.tables, self.table, rule.columns)
        if name in OF_ANY_TABLE:
            return OF_ANY_TABLE[name](self.tables, self.table)
        return COMPUTED[self.table][name](self.tables)


def _is_asked(rule: Rule, tables: CheckedTables) -> bool:
    """Whether the load has what the rule needs, and the question can arise in it."""
    if not all(table in tables for table in rule.needs):
        return False
    if rule.value in ("case_is_known", SECOND_ROUND) and tables.wide.all():
        return False
    if rule.value in ("reading_given_once", "single_given_once") and not tables.wide.any():
        return False
    if rule.kind == "unique" and rule.table != "cases" and tables.wide.all():
        return False  # in files of one row a case only the case itself can be given twice
    if rule.columns == (ALL_MEASURES,):
        return True
    frame = tables[rule.table]
    if rule.kind == "required":
        return rule.columns[0] in frame.columns
    return all(name in frame.columns and frame[name].null_count() < frame.height for name in rule.columns)


def _without_doubled(found: pl.DataFrame, cells: pl.DataFrame, rules: Mapping[str, Rule]) -> pl.DataFrame:
    """Findings without those that call a cell empty which was given but not understood."""
    if cells.is_empty():
        return found
    required = [rule.id for rule in rules.values() if rule.kind == "required"]
    blank = pl.col("rule").is_in(required)
    given = found.filter(blank).join(cells, on=["file", "row", "column"], how="anti", nulls_equal=True)
    return pl.concat([found.filter(~blank), given])


def _second_round(
    found: pl.DataFrame,
    rejecting: Sequence[str],
    rules: Mapping[str, Rule],
    assembled: Assembled,
    deliveries: Sequence[Delivery],
    examiner: Examiner,
) -> pl.DataFrame:
    """Findings on rows whose case was turned away."""
    tables = assembled.tables
    if "cases" not in tables or tables.wide.all():
        return found.clear()
    turned = found.filter(pl.col("rule").is_in(rejecting)).select("file", "row").unique()
    accepted = np.zeros(tables.n_cases + 1, dtype=np.bool_)
    accepted[tables["cases"].join(turned, on=["file", "row"], how="anti")["case"].to_numpy()] = True
    tables = replace(tables, accepted=accepted)
    asked = [rule for rule in rules.values() if rule.value == SECOND_ROUND]
    return findings(_failing(tables, asked, examiner), rules, assembled, deliveries)
