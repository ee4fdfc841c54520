"""What is taken to be so before a cell is read: decimal mark, date orders, units, spellings."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Literal, cast

import polars as pl

from pipelines.cells.codes import is_sex_letter, sexes_settled
from pipelines.cells.dates import order_of, serial_days
from pipelines.cells.numbers import decimal_of
from pipelines.cells.understood import Expected, text_of
from pipelines.contract.contract import Contract
from pipelines.contract.delivery import RawTable, ReadingAssumption
from pipelines.contract.targets import Target
from pipelines.contract.units import factor
from pipelines.mapping.column_mapping import ColumnMapping
from pipelines.reading.settings import ABOUT_DECIMAL
from warehouse.errors import MappingError
from warehouse.measures.measure import Measure

Decimal = Literal[".", ","]

_MARKS = {".": "point", ",": "comma"}
_ORDERS = {"dmy": "day, month, year", "mdy": "month, day, year", "ymd": "year, month, day"}
_WHY_ORDER = {"dmy": "the first part is above 12 somewhere", "mdy": "the second part is above 12 somewhere"}


@dataclass(frozen=True, slots=True)
class InterpretingPlan:
    """What each column must hold, and what was taken to be so."""

    expected: Mapping[str, Expected]  # Column in the file -> what its cells must hold
    assumptions: tuple[ReadingAssumption, ...]  # What was not stated but found out, or stated and used


def make_plan(
    raw: RawTable, mapping: ColumnMapping, *, contract: Contract, catalogue: Mapping[str, Measure], today: date
) -> InterpretingPlan:
    """Settle what can only be settled by looking at whole columns.

    Raises MappingError: the decimal mark or an order of dates is needed, not stated, and not certain.
    """
    decimal, about_decimal = _decimal(raw, mapping)
    orders, about_orders = _date_orders(raw, mapping)
    expected = {
        column: Expected(
            target=target,
            today=today,
            spellings=_spellings(raw, column, target, mapping, contract=contract, catalogue=catalogue),
            missing=contract.missing,
            decimal=decimal,
            unit=mapping.units.get(column, target.unit),
            factor=_factor(mapping.units.get(column), target),
            date_order=orders.get(column),
            teeth=mapping.settings.teeth,
        )
        for column, target in mapping.columns.items()
    }
    return InterpretingPlan(expected, (*about_decimal, *about_orders))


def _spellings(
    raw: RawTable,
    column: str,
    target: Target,
    mapping: ColumnMapping,
    *,
    contract: Contract,
    catalogue: Mapping[str, Measure],
) -> dict[str, str]:
    """Spelling -> code; letters of sex by the set they stand in: M is male beside F, and female beside H."""
    spellings = mapping.spellings(column, target, contract=contract, measures=catalogue)
    if target.codes != "sex":
        return spellings
    own = contract.spellings("sex")
    stated = {text: code for text, code in spellings.items() if own.get(text) != code}
    stated |= {text: code for section in ("sex", column) for text, code in mapping.codes.get(section, {}).items()}
    present = {" ".join(text.lower().split()) for text in text_of(raw.frame[column]).drop_nulls().unique()}
    letters = {text for text in present if is_sex_letter(text)}
    if len(letters) < 2 and not stated:
        return spellings
    settled = sexes_settled(present, stated) | stated
    return {text: code for text, code in spellings.items() if text not in letters} | settled


def _factor(unit: str | None, target: Target) -> float:
    if unit is None or target.unit is None:
        return 1.0
    return factor(unit, target.unit) or 1.0


def _decimal(raw: RawTable, mapping: ColumnMapping) -> tuple[Decimal, list[ReadingAssumption]]:
    if mapping.settings.decimal:
        return mapping.settings.decimal, []
    read = next((one.taken for one in raw.assumptions if one.about == ABOUT_DECIMAL), None)
    if read in _MARKS:
        return cast("Decimal", read), []
    columns = [column for column, target in mapping.columns.items() if target.type in ("number", "integer")]
    found = decimal_of(raw.frame[column] for column in columns)
    if found == "open":
        raise _undecided(raw)
    if found in ("", "mixed"):
        return ".", []
    decimal = cast("Decimal", found)
    taken = ReadingAssumption("decimal mark", _MARKS[decimal], "the numbers of the file use it, and no other")
    return decimal, [taken]


def _undecided(raw: RawTable) -> MappingError:
    message = "the commas in the numbers could be decimal marks or thousands separators"
    remedy = 'say decimal = "," or decimal = "." in [file] of the mapping file'
    return MappingError(message, where=f"{raw.source.name}, [file] decimal", expected="one decimal mark", remedy=remedy)


def _date_orders(raw: RawTable, mapping: ColumnMapping) -> tuple[dict[str, str], list[ReadingAssumption]]:
    orders: dict[str, str] = {}
    about: list[ReadingAssumption] = []
    unclear: list[str] = []
    contrary: list[str] = []
    stated = mapping.settings.date_order
    for column, target in mapping.columns.items():
        if target.type != "date":
            continue
        shown = order_of(raw.frame[column])
        days = serial_days(raw.frame[column])
        if days:
            taken = f"{days} {'cell' if days == 1 else 'cells'} as days since 1899-12-30"
            because = "they hold five digits, as spreadsheets count days; those that count from 1904 are not meant"
            about.append(ReadingAssumption(f'dates in "{column}"', taken, because))
        if stated and shown in ("dmy", "mdy", "contradictory") and shown != stated:
            contrary.append(f'"{column}" ({_contrary(raw, column, stated)})')
        elif stated:
            orders[column] = stated
            about.append(ReadingAssumption(f'dates in "{column}"', _ORDERS[stated], "the mapping file says so"))
        elif shown in _WHY_ORDER:
            orders[column] = shown
            about.append(ReadingAssumption(f'dates in "{column}"', _ORDERS[shown], _WHY_ORDER[shown]))
        elif shown != "none needed":
            unclear.append(f'"{column}"' + (" (both orders occur)" if shown == "contradictory" else ""))
    if contrary:
        found = f"the dates contradict the stated order {stated} in {', '.join(contrary)}; nothing of the file was read"
        remedy = "correct date_order in [file] of the mapping file, or the dates"
        where = f"{raw.source.name}, [file] date_order"
        raise MappingError(found, where=where, expected=f"dates as {_ORDERS[str(stated)]}", remedy=remedy)
    if unclear:
        raise _ambiguous(raw, unclear)
    return orders, about


def _contrary(raw: RawTable, column: str, stated: str) -> str:
    """How many dates cannot be of the stated order, and where the first of them stands."""
    part = {"dmy": r"^\s*\d{1,2}\D+(\d{1,2})\D", "mdy": r"^\s*(\d{1,2})\D"}.get(stated, r"^\s*(\d{1,2})\D")
    above = raw.frame[column].str.extract(part).cast(pl.Int32, strict=False) > 12
    rows = raw.rows.filter(above.fill_null(value=False))
    return f"{rows.len()} {'cell' if rows.len() == 1 else 'cells'}, the first in row {rows[0]}" if rows.len() else "all"


def _ambiguous(raw: RawTable, unclear: list[str]) -> MappingError:
    found = f"the order of day and month is not certain in {', '.join(unclear)}"
    remedy = 'say date_order = "dmy" or "mdy" in [file] of the mapping file'
    where = f"{raw.source.name}, [file] date_order"
    return MappingError(found, where=where, expected="a stated order, or dates as yyyy-mm-dd", remedy=remedy)
