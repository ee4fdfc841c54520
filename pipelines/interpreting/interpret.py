"""From a raw table and a mapping to a delivery in contract terms."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import date

import polars as pl

from pipelines.cells.reading import PSEUDONYM_FIELDS
from pipelines.cells.understood import Understood, text_of
from pipelines.contract.contract import Contract
from pipelines.contract.delivery import Delivery, RawTable, ReadingAssumption
from pipelines.contract.targets import Target
from pipelines.deidentify.contents import ONE_IS_ENOUGH, kinds_of
from pipelines.deidentify.keyer import Keyer, case_numbers
from pipelines.deidentify.pseudonyms import PSEUDONYM_IN_WORDS, check_practice
from pipelines.deidentify.refusing import PLURALS
from pipelines.interpreting.columns import BadCells, problem_frame, read_columns
from pipelines.interpreting.derived import DerivedValue, derive
from pipelines.interpreting.plan import make_plan
from pipelines.interpreting.reshaping import reshaped, without_doubles
from pipelines.interpreting.tabular import POINTS, tabular_table
from pipelines.interpreting.wide import wide_tables
from pipelines.mapping.column_mapping import ColumnMapping
from pipelines.mapping.file_columns import check_columns
from warehouse.errors import MappingError
from warehouse.measures.measure import Measure

_FEWEST_DISTINCT = 3
"""Fewer different texts are more likely a spelling of a code than names."""


def refuse_identifying(raw: RawTable, mapping: ColumnMapping, read: Mapping[str, Understood]) -> None:
    """Refuse the file if a mapped column identifies persons.

    Raises:
        MappingError: Names every such column and what it holds, never a value.
    """
    reasons = []
    pseudonyms = False
    for column, target in mapping.columns.items():
        reason = _reason(target, read[target.name])
        if reason:
            reasons.append(f'"{column}", mapped to {target.name}, holds {reason}')
            pseudonyms = pseudonyms or target.field in PSEUDONYM_FIELDS
    if not reasons:
        return
    found = "\n".join(
        ["what identifies a person cannot be taken in; nothing was kept:", *(f"  {one}" for one in reasons)]
    )
    expected = f"pseudonyms: {PSEUDONYM_IN_WORDS}" if pseudonyms else "numbers, codes or blanks"
    remedy = "put the column in [ignored]"
    if pseudonyms:
        remedy += ', or give each spelling a pseudonym in [codes], as in [codes.clinician] "their spelling" = "C1"'
    raise MappingError(found, where=raw.source.name, expected=expected, remedy=remedy)


def _reason(target: Target, understood: Understood) -> str | None:
    if target.type == "date" or target.field == "case_id" or understood.bad.is_empty():
        return None
    texts = understood.bad["text"].value_counts(name="n")
    texts = texts.with_columns(kinds_of(texts["text"]).alias("kind"))
    kinds = texts.drop_nulls("kind").group_by("kind").agg(pl.col("n").sum(), pl.len().alias("distinct"))
    if target.field in PSEUDONYM_FIELDS:
        return _reason_against_pseudonyms(kinds.sort("n", descending=True), texts["text"])
    filled = understood.values.len() - understood.values.null_count() + understood.bad.height
    for kind, n, distinct in kinds.sort("n", descending=True).iter_rows():
        mostly = 2 * n > filled and distinct >= _FEWEST_DISTINCT and 2 * distinct > n
        if kind in ONE_IS_ENOUGH or mostly:
            return PLURALS[kind]
    return None


def _reason_against_pseudonyms(kinds: pl.DataFrame, texts: pl.Series) -> str | None:
    if kinds.height:
        return PLURALS[kinds["kind"][0]]
    return "words where pseudonyms belong" if texts.str.contains(r"\p{L}{3,}").any() else None


def remarks_on(
    mapping: ColumnMapping, read: Mapping[str, Understood], derived: DerivedValue
) -> Iterator[ReadingAssumption]:
    """Columns left out, constants, units, spellings for "not known", and what became of dates and old ages."""
    stated = "the mapping file says so"
    if mapping.ignored:
        n = len(mapping.ignored)
        yield ReadingAssumption("columns left out", f"{n} {'column' if n == 1 else 'columns'}", stated)
    for name, constant in mapping.constants.items():
        yield ReadingAssumption(f"{name} of every row", str(constant.value), stated)
    for column, unit in mapping.units.items():
        yield ReadingAssumption(f'unit of "{column}"', unit, stated)
    yield from _blanks(read)
    if "start_date" in read:
        yield ReadingAssumption("dates", "an age, a quarter and months from start", "full dates are not kept")
    if derived.n_capped:
        yield ReadingAssumption(
            "age at start", f"{derived.n_capped} above 90 kept as 90", "older ages single out a person"
        )


def _blanks(read: Mapping[str, Understood]) -> Iterator[ReadingAssumption]:
    counts: Counter[str] = Counter()
    for understood in read.values():
        counts.update(understood.blanks)
    for spelling, count in sorted(counts.items()):
        cells = "cell" if count == 1 else "cells"
        yield ReadingAssumption(
            f'"{spelling}" in {count} {cells}', "not known", "the contract or the mapping lists it as missing"
        )


def _of_numbers(raw: RawTable, mapping: ColumnMapping) -> Iterator[ReadingAssumption]:
    """By which rule case numbers are read, and how many stand in the file in more than one spelling."""
    column = next((column for column, target in mapping.columns.items() if target.field == "case_id"), None)
    if column is None:
        return
    written = text_of(raw.frame[column]).drop_nulls().unique()
    numbers = case_numbers(written)
    if (numbers == written).all():
        return
    n = written.len() - numbers.n_unique()
    taken = "without spaces, capitals, zeros before a number, or .0 behind one"
    yield ReadingAssumption("case numbers", taken, "one number, one case, however it is typed")
    if n:
        taken = f"{n} written in another way than elsewhere in the file, and taken for the same"
        yield ReadingAssumption("case numbers", taken, "number different cases so that they differ in more than that")


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
    shaped = reshaped(without_doubles(raw), mapping, contract=contract, catalogue=catalogue)
    raw, mapping = shaped.raw, shaped.mapping
    plan = make_plan(raw, mapping, contract=contract, catalogue=catalogue, today=today or date.today())
    read = read_columns(raw, mapping, plan, practice=practice, keyer=keyer)
    refuse_identifying(raw, mapping, read)
    derived = derive(raw.rows, read, mapping)
    more_bad: list[BadCells] = []
    if mapping.settings.layout == "wide":
        tables = wide_tables(derived, mapping, contract=contract, catalogue=catalogue)
    else:
        tables, more_bad = tabular_table(derived, mapping, contract=contract, catalogue=catalogue)
    bad = [*shaped.bad, *((name, one.bad) for name, one in read.items()), *derived.bad, *more_bad]
    n_ruler = raw.frame.height - tables[POINTS].height if mapping.settings.layout == "points" else 0
    return Delivery(
        source=raw.source,
        layout=mapping.settings.layout,
        practice=practice,
        n_read=raw.frame.height - n_ruler,
        tables=tables,
        columns={target.name: column for column, target in mapping.columns.items()},
        problems=problem_frame(bad, raw.rows, mapping, contract=contract),
        assumptions=(
            *raw.assumptions,
            *plan.assumptions,
            *_of_numbers(raw, mapping),
            *remarks_on(mapping, read, derived),
        ),
    )
