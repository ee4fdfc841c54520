"""The [file] section of a mapping, and the faults of a mapping file, which are told at once."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal, NoReturn

from pipelines.contract.contract import Contract
from pipelines.contract.delivery import Layout
from pipelines.deidentify.pseudonyms import check_practice
from pipelines.reading.settings import ReadSettings
from warehouse.errors import MappingError, near_names
from warehouse.toml_files import shaped

SHOWN = 40  # faults that are told one by one; a file with more of them is seldom a mapping
KEY_SHOWN = 120  # letters of a key that are shown


@dataclass(frozen=True, slots=True)
class MappingFault:
    """One thing that is wrong: its place in the file, what was found, what was expected, what to do."""

    key: str
    found: str
    expected: str
    remedy: str


class Faults:
    """Collects faults of one file."""

    def __init__(self, origin: str) -> None:
        self.origin = origin
        self._all: list[MappingFault] = []

    def add(self, key: str, found: str, *, expected: str = "", remedy: str = "") -> None:
        """Note a fault."""
        self._all.append(MappingFault(key, found, expected, remedy))

    def stop(self) -> NoReturn:
        """Raise what was noted: for a fault after which nothing further can be checked."""
        raise self._error()

    def raise_any(self) -> None:
        """Raise what was noted, if anything was. Raises MappingError: one error for all faults."""
        if self._all:
            self.stop()

    def _error(self) -> MappingError:
        if len(self._all) == 1:
            fault = self._all[0]
            where = f"{self.origin}, {fault.key}" if fault.key else self.origin
            return MappingError(fault.found, where=where, expected=fault.expected, remedy=fault.remedy)
        shown = self._all[:SHOWN]
        lines = [f"  {fault.key[:KEY_SHOWN]}: {_line(fault)}" for fault in shown]
        lines += [f"  and {len(self._all) - SHOWN:,} more"] if len(self._all) > SHOWN else []
        found = "\n".join([f"{len(self._all)} things are wrong in the mapping file:", *lines])
        where = f"{self.origin}: {'; '.join(dict.fromkeys(fault.key[:KEY_SHOWN] for fault in shown))}"
        return MappingError(found, where=where, remedy="correct each of them and try again")


def _line(fault: MappingFault) -> str:
    parts = [fault.found, f"expected {fault.expected}" if fault.expected else "", fault.remedy]
    return "; ".join(part for part in parts if part)


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSettings:
    """How a file is laid out and written; None means that it is not stated."""

    # `wide` (one row a case), `long` (several rows a case: one a visit or a measurement, or several sheets),
    # `tabular` (one contract table) or `points` (landmarks, one row a point or a column a coordinate)
    layout: Layout = "wide"
    together: tuple[str, ...] = ()  # Headings of the case number, where several sheets or files belong together
    table: str | None = None  # Contract table of a tabular file
    practice: str | None = None  # Pseudonym of the practice
    encoding: str | None = None  # Name of the character encoding
    delimiter: str | None = None  # Character between cells
    decimal: Literal[".", ","] | None = None  # Decimal mark
    date_order: Literal["dmy", "mdy", "ymd"] | None = None  # Order of day, month and year
    teeth: Literal["iso3950", "universal"] | None = None  # How teeth are numbered
    numbers: Literal["by rule", "as written"] = "by rule"  # Whether capitals and zeros tell case numbers apart
    ruler_mm: float | None = None  # Length of the ruler whose ends are the points ruler_1 and ruler_2
    header_row: int | None = None  # Row of the headings as a spreadsheet counts rows
    sheet: str | None = None  # Name of the sheet
    skip_totals: bool = True  # Whether rows of totals and notes below the table are left out

    def read_settings(self) -> ReadSettings:
        """What the reader needs to know."""
        return ReadSettings(**{one.name: getattr(self, one.name) for one in fields(ReadSettings)})


def parse_settings(section: Mapping[str, Any], faults: Faults, *, contract: Contract) -> FileSettings:
    """The settings of a [file] section; what is wrong goes to ``faults``."""
    wrong = {key: "a text in quotes" for key, value in section.items() if value == ""}
    if isinstance(section.get("header_row"), int) and section["header_row"] < 1:
        wrong["header_row"] = _EXPECTED["header_row"]
    for one in shaped(FileSettings, section)[1]:
        wrong[str(one.place[0])] = _EXPECTED.get(str(one.place[0]), one.expected)
    known = [field.name for field in fields(FileSettings)]
    for key, expected in wrong.items():
        if key in known:
            remedy = "correct it, or take the line out"
            faults.add(f"[file] {key}", "the value of this setting does not fit", expected=expected, remedy=remedy)
        else:
            faults.add(f"[file] {key}", "this setting does not exist", remedy=near_names(key, known) or "remove it")
    given = {key: value for key, value in section.items() if key not in wrong}
    _check_practice(given, faults)
    if given.get("together") and given.setdefault("layout", "long") != "long":
        faults.add(
            "[file] together",
            "sheets or files that belong together have several rows a case",
            expected='layout = "long"',
        )
    given["together"] = tuple(given.get("together", ()))
    return FileSettings(**_with_table(given, faults, contract))


_EXPECTED = {"header_row": "a row number from 1"}


def _check_practice(given: dict[str, Any], faults: Faults) -> None:
    try:
        if "practice" in given:
            check_practice(given["practice"], where="[file] practice")
    except MappingError as error:
        faults.add("[file] practice", error.found, expected=error.expected, remedy=error.remedy)
        del given["practice"]


def _with_table(given: dict[str, Any], faults: Faults, contract: Contract) -> dict[str, Any]:
    tables = [table.name for table in contract.tables]
    table = given.get("table")
    if table is not None and table not in tables:
        remedy = near_names(str(table), tables)
        faults.add("[file] table", "there is no such table", expected=f"one of {', '.join(tables)}", remedy=remedy)
        faults.stop()
    layout = given.get("layout") or _layout_of(table)
    if layout == "tabular" and table is None:
        faults.add("[file] table", "a tabular file needs its table", expected=f"one of {', '.join(tables)}")
        faults.stop()
    if (layout == "points" and table not in (None, "landmarks")) or (layout in ("wide", "long") and table is not None):
        faults.add("[file] table", f"this table does not go with the layout {layout}", remedy="leave table out")
    return given | {"layout": layout, "table": "landmarks" if layout == "points" else table}


def _layout_of(table: str | None) -> Layout:
    if table is None:
        return "wide"
    return "points" if table == "landmarks" else "tabular"
