"""Rules on a file as a whole: one that breaks them is refused, and nothing of it is kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipelines.checking.rules import load_rules
from warehouse.errors import BadFileError, near_names

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import polars as pl

    from pipelines.contract.contract import Contract
    from pipelines.contract.delivery import Delivery
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
