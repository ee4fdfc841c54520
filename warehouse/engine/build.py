"""The marts and rates of a registry whose records lie in Parquet: the same statements, in the place they are given."""

import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

import polars as pl

from warehouse.engine.layout import TABLES, StoredColumn, layout, schema_number
from warehouse.engine.place import FAMILIES, Family, Place
from warehouse.errors import EngineError, near_names
from warehouse.marts.build import build_marts
from warehouse.marts.catalogues import Catalogues, in_force
from warehouse.marts.publish import describe_build, store_state
from warehouse.marts.reader import Reader
from warehouse.questions.shares import Rates, rates_as_data
from warehouse.results import Caution, Estimate
from warehouse.store.quoting import name, text
from warehouse.store.snapshot import Snapshot
from warehouse.store.storage import utc_now
from warehouse.upkeep.verify import CODED, STORE_CHECKS, found_by

_OF_A_STORE = ("repeats_are_counted", "publications_are_of_loads")
SUMS_AND_KEYS = tuple(one for one in STORE_CHECKS if one not in _OF_A_STORE)
"""Checks of the store (``warehouse/upkeep/checks``) that hold for its records anywhere."""

_QUARTER = re.compile(r"\d{4}-Q[1-4]")
_RIGHT_RECORDS = "records as `menton records --out FOLDER` writes them"


def offer_records(place: Place, records: str) -> None:
    """Make every table but ``readings`` readable, once its columns are seen to be there.

    Raises EngineError: a table or column is missing or of another kind; or the records are of another schema.
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

    Raises EngineError: a column is neither of the layout nor a measure in force, or holds no numbers.
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
            found = f"the column {column.name} of the table {table} holds {FAMILIES['words'][held[column.name]]}"
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

    Raises EngineError: something was found; all of it is named.
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


RATES = "rates"  # the table of rates; written last, so that a folder that has it is whole


def build(place: Place, *, records: str, out: str, progress: Callable[[str], None] = lambda _: None) -> Reader:
    """Build every mart in ``place`` and open them for reading.

    Raises EngineError: records are missing or not sound, or the place failed.
    """
    progress("looking at the records")
    offer_records(place, records)
    catalogues = in_force(place)
    offer_readings(place, catalogues, records)
    progress("checking the records")
    refuse_faults(place, catalogues)
    progress("building the marts")
    build_marts(place, catalogues)
    state = store_state(place)
    build_id, published_at = f"records-{state.digest}", utc_now().isoformat() + "Z"
    describe_build(place, build_id, published_at, state)
    place.finish()
    return Reader(Snapshot(build_id, published_at, Path(out)), place)


def rates_table(results: Sequence[Rates], said: Callable[[Caution], str]) -> pl.DataFrame:
    """Rates as one table: a row a group, with definition, version, growth reference, n, interval and build.

    ``said`` gives the text of a caution.
    """
    import polars as pl

    rows = [row for result in results for row in _rows(result, said)]
    numbers = ("share", "low", "high", "level", "share_if_none_of_the_missing", "share_if_all_of_the_missing")
    named = ("share_favourable", "net", "expected_untreated", "error_corrected", "all_started")
    beside = [f"{name}{end}" for name in named for end in ("", "_low", "_high")]
    counts = dict.fromkeys(("n_favourable", "n_favourable_of"), pl.Int64)
    types = {**dict.fromkeys((*numbers, *beside), pl.Float64), **counts, "grouped_by": pl.String}
    return pl.DataFrame(rows, schema_overrides=types)


def _rows(result: Rates, said: Callable[[Caution], str]) -> list[dict[str, object]]:
    data = rates_as_data(result)
    return [
        {
            "definition_id": result.definition.id,
            "definition_version": result.definition.version,
            "grouped_by": data["by"],
            "group": group["group"],
            "label": group["label"],
            "n_started": group["n_started"],
            "n_finished": group["n_finished"],
            "n_assessable": group["n_assessable"],
            "n_adverse": group["n_adverse"],
            "n_missing_due": group["n_missing_due"],
            "n_turned_away": group["n_turned_away"],
            "share": group["rate"],
            "low": (group["interval"] or [None, None])[0],
            "high": (group["interval"] or [None, None])[1],
            "level": group["level"],
            "method": group["method"],
            "n_favourable": group["n_favourable"],
            "n_favourable_of": group["n_favourable_of"],
            **_with_ends("share_favourable", group["share_favourable"]),
            **_with_ends("net", group["net"]),
            **_with_ends("expected_untreated", row.beside.expected.share if row.beside.expected else None),
            **_with_ends("error_corrected", row.beside.corrected.share if row.beside.corrected else None),
            **_with_ends("all_started", row.beside.all_started),
            "share_if_none_of_the_missing": group["if_none_of_the_missing"],
            "share_if_all_of_the_missing": group["if_all_of_the_missing"],
            "warnings": "; ".join(map(said, group["warnings"])),
            "cases": data["cases"],
            "growth_reference": data["growth_reference"],
            "build": data["build"],
        }
        for group, row in zip(data["groups"], result.groups, strict=True)
    ]


def _with_ends(name: str, found: Estimate | None) -> dict[str, object]:
    """An estimate and the ends of its interval, a column each."""
    interval = found.interval if found else None
    return {
        name: found.value if found else None,
        f"{name}_low": interval.low if interval else None,
        f"{name}_high": interval.high if interval else None,
    }
