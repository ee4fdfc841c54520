"""Checks of records in Parquet before anything is made from them.

The store keeps its own promises: keys stand once, every row has a case, codes are known. A folder that came another
way promises nothing, and a key that stands twice would count a case twice without an error. So it is asked first.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping

from warehouse.engine.layout import FAMILY_WORDS, TABLES, StoredColumn, layout, schema_number
from warehouse.engine.place import Family, Place
from warehouse.errors import EngineError, near_names
from warehouse.marts.catalogues import Catalogues
from warehouse.store.quoting import name, text
from warehouse.upkeep.verify import CODED, found_by

SUMS_AND_KEYS = (
    "keys_stand_once",
    "registry_stands_once",
    "every_case_has_a_row",
    "no_orphan_rows",
    "load_sums",
    "loaded_rows_are_present",
    "turned_away_rows_have_reasons",
)
"""Checks of the store (``warehouse/upkeep/checks``) that hold for its records anywhere."""

_QUARTER = re.compile(r"\d{4}-Q[1-4]")
_RIGHT_RECORDS = "records as `menton records --out FOLDER` writes them"


def offer_records(place: Place, records: str) -> None:
    """Make every table but ``readings`` readable, once its columns are seen to be there.

    Raises:
        EngineError: A table or column is missing or of another kind; or the records are of another schema.
    """
    for table in TABLES:
        held = _held(place, table, records)
        _refuse_columns(table, held, layout()[table])
        if table != "readings":
            place.offer(table, {column.name: column.type for column in layout()[table]})
        if table == "migrations":
            _refuse_schema(place, records)


def offer_readings(place: Place, catalogues: Catalogues, records: str) -> None:
    """Make the readings readable: their own columns, and one for each measure in force that the records have.

    Raises:
        EngineError: A column is neither of the layout nor a measure in force, or holds no numbers.
    """
    held = _held(place, "readings", records)
    own = {column.name: column.type for column in layout()["readings"]}
    measures = [column for column in held if column not in own]
    for measure in measures:
        if measure not in catalogues.measures:
            found = f"the column {measure!r} of readings is no measure in force"
            remedy = near_names(measure, list(catalogues.measures)) or "leave it out, or register the measure"
            raise EngineError(found, where="readings.parquet", expected="a code of `menton measures`", remedy=remedy)
    _refuse_columns("readings", held, [StoredColumn(measure, "DOUBLE", False) for measure in measures])
    place.offer("readings", own | dict.fromkeys(measures, "DOUBLE"))


def _held(place: Place, table: str, records: str) -> dict[str, Family]:
    held = place.families(table)
    if held is None:
        found = f"the records have no table {table}"
        columns = ", ".join(column.name for column in layout()[table])
        expected = f"a file or folder {table}.parquet with the columns {columns}"
        raise EngineError(found, where=f"{records}/{table}.parquet", expected=expected, remedy=_RIGHT_RECORDS)
    return held


def _refuse_columns(
    table: str, held: Mapping[str, Family], wanted: tuple[StoredColumn, ...] | list[StoredColumn]
) -> None:
    missing = [column.name for column in wanted if column.name not in held]
    if missing:
        found = f"the table {table} of the records lacks {'columns' if len(missing) > 1 else 'the column'} "
        expected = ", ".join(f"{column.name} ({column.words})" for column in wanted)
        raise EngineError(found + ", ".join(missing), where=f"{table}.parquet", expected=expected)
    for column in wanted:
        if not column.accepts(held[column.name]):
            found = f"the column {column.name} of the table {table} holds {FAMILY_WORDS[held[column.name]]}"
            raise EngineError(found, where=f"{table}.parquet", expected=column.words)


def _refuse_schema(place: Place, records: str) -> None:
    stated, needed = place.value("select max(number) from migrations"), schema_number()
    if stated == needed:
        return
    found = f"the records are of schema {stated}, this program builds from schema {needed}"
    remedy = "write them again with this version of menton" if (stated or 0) < needed else "use a newer menton"
    raise EngineError(found, where=f"{records}/migrations.parquet", remedy=remedy)


def refuse_faults(place: Place, catalogues: Catalogues) -> None:
    """Ask for all that would make figures wrong without an error.

    Raises:
        EngineError: Something was found; all of it is named.
    """
    found = [*_values(place, catalogues), *_quarters(place)]
    found += [sentence for check in SUMS_AND_KEYS for sentence in found_by(place, check)]
    if found:
        listed = "\n    ".join(found)
        message = f"the records are not sound:\n    {listed}"
        raise EngineError(message, expected=_RIGHT_RECORDS, remedy="nothing was built; correct the records first")


def _values(place: Place, catalogues: Catalogues) -> Iterator[str]:
    """Missing values where there must be one, numbers that are none, codes that are not known."""
    lists = json.loads(catalogues.settings.get("labels", "{}"))
    for table in TABLES:
        asked: dict[str, str] = {}
        for column in place.columns(table):
            asked |= _questions(table, column, lists)
        if not asked:
            continue
        counts = ", ".join(f"count(case when {condition} then 1 end)" for condition in asked.values())
        (row,) = place.rows(f"select {counts} from {name(table)}")
        for said, n in zip(asked, row, strict=True):
            if n:
                yield f"{n} rows of {table}: {said}"


def _questions(table: str, column: str, lists: Mapping[str, Mapping[str, str]]) -> dict[str, str]:
    """What is said of a column -> the condition under which it is said."""
    known = {one.name: one for one in layout()[table]}
    described = known.get(column, StoredColumn(column, "DOUBLE", False))
    asked: dict[str, str] = {}
    if described.is_required:
        asked[f"no value in {column}"] = f"{name(column)} is null"
    if described.type == "DOUBLE":
        asked[f"{column} is not a number (a missing value must be null)"] = (
            f"isnan({name(column)}) or abs({name(column)}) > 1e300"
        )
    if column == "magnification_pct":
        asked["magnification_pct is -100 or less"] = "magnification_pct <= -1e2"
    codes = described.codes or tuple(lists.get(CODED.get((table, column), ""), ()))
    if codes:
        listed = ", ".join(text(code) for code in codes)
        asked[f"a code in {column} that the contract does not know"] = f"{name(column)} not in ({listed})"
    return asked


def _quarters(place: Place) -> Iterator[str]:
    rows = place.rows("select distinct start_quarter from cases where start_quarter is not null")
    if any(not _QUARTER.fullmatch(quarter) for (quarter,) in rows):
        yield "start_quarter of cases is not of the form 2021-Q3 everywhere"
