"""From a raw table and a mapping to a delivery in contract terms."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from pipelines.contract.contract import Contract
from pipelines.contract.delivery import Delivery, RawTable
from pipelines.deidentify.keyer import Keyer
from pipelines.deidentify.pseudonyms import check_practice
from pipelines.interpreting.columns import read_columns
from pipelines.interpreting.derived import derive
from pipelines.interpreting.identifying import refuse_identifying
from pipelines.interpreting.plan import make_plan
from pipelines.interpreting.problems import BadCells, problem_frame
from pipelines.interpreting.remarks import remarks_on
from pipelines.interpreting.tabular import tabular_table
from pipelines.interpreting.wide import wide_tables
from pipelines.mapping.column_mapping import ColumnMapping
from pipelines.mapping.file_columns import check_columns
from warehouse.measures.measure import Measure


def interpret(
    raw: RawTable,
    mapping: ColumnMapping,
    *,
    contract: Contract,
    catalogue: Mapping[str, Measure],
    practice: str,
    keyer: Keyer,
    today: date | None = None,
) -> Delivery:
    """Turn a raw table into contract tables.

    Case numbers become keyed hashes, dates become ages, months and quarters and are dropped, ages of 90 and over are
    kept as 90. Whatever of a cell is not a number, a code, a tooth list, a quarter or a pseudonym does not get in: it
    becomes a problem, described after redaction.

    Args:
        raw: The table as read.
        mapping: Where its columns go.
        contract: The contract.
        catalogue: Measures, with those the practice added.
        practice: Pseudonym of the practice.
        keyer: Hashes case numbers with the practice's key.
        today: The day that no date may lie after; None takes the clock's.

    Returns:
        The delivery; a table of no rows gives tables of no rows.

    Raises:
        MappingError: The mapping does not cover the file, a column needs something stated (decimal, date_order), or a
            mapped column holds what identifies a person.
    """
    check_practice(practice, where="practice")
    check_columns(raw, mapping, contract=contract, catalogue=catalogue)
    plan = make_plan(raw, mapping, contract=contract, catalogue=catalogue, today=today or date.today())
    read = read_columns(raw, mapping, plan, practice=practice, keyer=keyer)
    refuse_identifying(raw, mapping, read)
    derived = derive(raw.rows, read, mapping)
    more_bad: list[BadCells] = []
    if mapping.settings.layout == "wide":
        tables = wide_tables(derived, mapping, contract=contract, catalogue=catalogue)
    else:
        tables, more_bad = tabular_table(derived, mapping, contract=contract, catalogue=catalogue)
    bad = [*((name, one.bad) for name, one in read.items()), *derived.bad, *more_bad]
    return Delivery(
        source=raw.source,
        layout=mapping.settings.layout,
        practice=practice,
        n_read=raw.frame.height,
        tables=tables,
        columns={target.name: column for column, target in mapping.columns.items()},
        problems=problem_frame(bad, raw.rows, mapping, contract=contract),
        assumptions=(*raw.assumptions, *plan.assumptions, *remarks_on(mapping, read, derived)),
    )
