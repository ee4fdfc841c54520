"""One ingest: read files, interpret and de-identify them, check them, load them in one transaction, publish."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import polars as pl

from pipelines.checking.rules import load_rules
from pipelines.checking.validation import validate
from pipelines.contract.contract import Contract, load_contract
from pipelines.contract.delivery import Delivery, RawTable, ReadingAssumption, Sorted
from pipelines.deidentify.file_names import kept_source, shown_file_name
from pipelines.deidentify.keyer import Keyer
from pipelines.deidentify.shown_reading import discover_shown, read_shown
from pipelines.ingest.loading import LoadRecord, earlier_load, load, request_hash
from pipelines.interpreting import interpret
from pipelines.mapping import ColumnMapping, check_columns, identity_mapping, load_mapping
from pipelines.points.film_size import with_size_notes
from pipelines.points.stored_records import records_measured_otherwise, stored_points, stored_visits
from pipelines.points.tracing import visits_of, with_readings
from pipelines.reading import ReadSettings
from warehouse.errors import KeyProblemError, RequestError, WarehouseError
from warehouse.marts.catalogues import Catalogues, in_force, register, shipped
from warehouse.marts.publish import publish
from warehouse.measures.measure import Measure
from warehouse.store.quoting import statement
from warehouse.store.storage import Connection
from warehouse.store.store import STORE, open_store

DEFAULT_PRACTICE = "PRACTICE"
"""Pseudonym of a practice that states none: a warehouse of one practice needs no other."""

_TABLE_ORDER = ("cases", "phases", "visits", "measurements", "landmarks")


def _silent(_: str) -> None:
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What is asked of an ingest."""

    paths: tuple[Path, ...]  # Files and folders
    warehouse: Path  # The warehouse folder
    mapping: Path | None = None  # A mapping file that applies to every file, or None for contract names
    practice: str | None = None  # Pseudonym; None takes it from the mapping, else the default
    key_file: Path | None = None  # File of the case key; None for the one beside the warehouse folder
    encryption_key: str | None = None  # Key of an encrypted warehouse, or None
    again: bool = False  # Load a file even if the very same one was loaded before
    publish_after: bool = True  # Publish at the end; False where more files follow at once
    progress: Callable[[str], None] = field(default=_silent)


@dataclass(frozen=True, slots=True)
class Skipped:
    """A file that changed nothing: the same request was loaded before."""

    source: str
    load_id: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What an ingest did."""

    practice: str
    build: str
    loaded: tuple[LoadRecord, ...]
    skipped: tuple[Skipped, ...]
    checked: tuple[Sorted, ...]
    measures: Mapping[str, Measure]


def key_file_beside(warehouse: Path) -> Path:
    """Where the case key lies unless another file is named: beside the warehouse folder, never in it."""
    return warehouse.with_name(warehouse.name + ".key")


def ingest(request: Request) -> Outcome:
    """Carry out an ingest. Nothing is kept unless everything up to the load went well.

    Raises:
        BadFileError: A file cannot be used.
        MappingError: A mapping is wrong or does not cover a file.
        KeyProblemError: The case key is not the one this warehouse was made with.
        WarehouseError: The warehouse cannot be written.
    """
    contract = load_contract()
    # nothing is made or changed before every file has been read and mapped
    catalogues = _catalogues(request)
    stated = _stated_mapping(request, contract, catalogues)
    settings = stated.settings.read_settings() if stated else ReadSettings()
    named = tuple(name for name in (request.practice, stated.settings.practice if stated else None) if name)
    raw = [table for path in discover_shown(request.paths, named) for table in _read(path, settings, request, named)]
    interpreted = [(table, _mapping_for(table, stated, contract, catalogues)) for table in raw]
    with open_store(request.warehouse, create=True, key=request.encryption_key) as store:
        practice = _practice(request, interpreted[0][1])
        fresh, skipped = _already_there(store, interpreted, practice, contract, request)
        checked = _check(store, fresh, practice, contract, catalogues, request)
        unchanged = _unchanged(store, checked, request)
        batch = [pair for pair, same in zip(checked, unchanged, strict=True) if not same]
        same = [one for (one, _), same in zip(checked, unchanged, strict=True) if same]
        records = load(store, batch, contract_version=contract.version, progress=request.progress) if batch else []
        build = _publish(store, request) if request.publish_after else ""
        repeated = [Skipped(one.delivery.source.name, _last(store, one, checked)) for one in same]
    return Outcome(
        practice=practice,
        build=build,
        loaded=tuple(records),
        skipped=(*skipped, *repeated),
        checked=tuple(one for one, _ in checked),
        measures=catalogues.measures,
    )


def _publish(store: Connection, request: Request) -> str:
    """Publish; if that fails, what was loaded before it stays, and it is said so."""
    try:
        return publish(request.warehouse, store, key=request.encryption_key, progress=request.progress).build_id
    except WarehouseError as error:
        found = f"{error.found}; the rows are in the store, but they are not published yet"
        remedy = f"{error.remedy}; then `menton publish` shows them" if error.remedy else "run `menton publish`"
        raise WarehouseError(found, where=error.where, expected=error.expected, remedy=remedy) from error


def _catalogues(request: Request) -> Catalogues:
    """The catalogues in force, without making a warehouse where there is none yet."""
    if not (request.warehouse / STORE).exists():
        return shipped()
    with open_store(request.warehouse, key=request.encryption_key) as store:
        return in_force(store)


def _read(path: Path, settings: ReadSettings, request: Request, named: Sequence[str]) -> list[RawTable]:
    """The tables of a file, under names that may be shown: a file may bear a person's name."""
    shown = shown_file_name(path.name, named)
    request.progress(f"reading {shown}")
    return read_shown(path, settings, named)


def _stated_mapping(request: Request, contract: Contract, catalogues: Catalogues) -> ColumnMapping | None:
    if request.mapping is None:
        return None
    return load_mapping(request.mapping, contract=contract, catalogue=catalogues.measures)


def _mapping_for(
    raw: RawTable, stated: ColumnMapping | None, contract: Contract, catalogues: Catalogues
) -> ColumnMapping:
    """The stated mapping, or contract names; either must cover every column of the table."""
    measures = catalogues.measures
    mapping = stated or identity_mapping(raw.frame.columns, contract=contract, catalogue=measures)
    check_columns(raw, mapping, contract=contract, catalogue=measures)
    return mapping


def _practice(request: Request, mapping: ColumnMapping) -> str:
    return request.practice or mapping.settings.practice or DEFAULT_PRACTICE


_Fresh = tuple["RawTable", ColumnMapping, str]


def _already_there(
    store: Connection,
    interpreted: Sequence[tuple[RawTable, ColumnMapping]],
    practice: str,
    contract: Contract,
    request: Request,
) -> tuple[list[_Fresh], list[Skipped]]:
    """Set aside the tables whose very request was loaded before with nothing turned away.

    Points are measured again where visits come with them that are new: their enlargement or scale may have changed.
    """
    fresh: list[_Fresh] = []
    known: list[tuple[_Fresh, int]] = []
    for raw, mapping in interpreted:
        hashed = _hash(raw, mapping, practice, contract, request)
        earlier = earlier_load(store, hashed)
        if earlier and earlier[2] == 0 and not request.again:
            known.append(((raw, mapping, hashed), earlier[0]))
        else:
            fresh.append((raw, mapping, hashed))
    new_visits = any(mapping.settings.layout == "wide" or mapping.settings.table == "visits" for _, mapping, _ in fresh)
    again = [one for one, _ in known if new_visits and one[1].settings.layout == "points"]
    anew = {hashed for _, _, hashed in again}
    skipped = [Skipped(raw.source.name, load_id) for (raw, _, hashed), load_id in known if hashed not in anew]
    return [*fresh, *again], skipped


def _hash(raw: RawTable, mapping: ColumnMapping, practice: str, contract: Contract, request: Request) -> str:
    stated = request.mapping.read_bytes() if request.mapping else b""
    digest = hashlib.sha256(stated).hexdigest()
    source = f"{raw.source.sha256}{raw.source.given_sheet or ''}{mapping.settings.table or ''}"
    return request_hash(source, practice=practice, mapping=digest, contract=contract.version)


def _check(
    store: Connection,
    fresh: Sequence[_Fresh],
    practice: str,
    contract: Contract,
    catalogues: Catalogues,
    request: Request,
) -> list[tuple[Sorted, str]]:
    """Interpret and validate the fresh tables together, so that rows find their cases."""
    if not fresh:
        return []
    keyer = _keyer(store, request)
    deliveries: list[tuple[Delivery, str]] = []
    for raw, mapping, hashed in fresh:
        request.progress(f"interpreting {raw.source.name}")
        kept = replace(raw, source=kept_source(raw.source, keyer))
        delivery = interpret(
            kept, mapping, contract=contract, catalogue=catalogues.measures, practice=practice, keyer=keyer
        )
        deliveries.append((delivery, hashed))
    deliveries.sort(key=lambda pair: _position(pair[0]))
    listed = _with_measures([delivery for delivery, _ in deliveries], store, contract, catalogues, request)
    listed = with_size_notes(listed, catalogues.measures)
    listed = [_with_note_on_points(delivery, store) for delivery in listed]
    request.progress("checking every row")
    checked = validate(
        listed,
        contract=contract,
        catalogue=catalogues.measures,
        known_cases=_known_cases(store, practice),
    )
    return [(one, hashed) for one, (_, hashed) in zip(checked, deliveries, strict=True)]


def _with_measures(
    deliveries: Sequence[Delivery], store: Connection, contract: Contract, catalogues: Catalogues, request: Request
) -> list[Delivery]:
    """The deliveries, those of points with the measures that follow from them and from what the store holds."""
    if not any("landmarks" in delivery.tables for delivery in deliveries):
        return list(deliveries)
    request.progress("measuring the points")
    keys = pl.concat([one.tables["landmarks"]["case_id"] for one in deliveries if "landmarks" in one.tables])
    cases = keys.drop_nulls().unique().to_list()
    stored = stored_points(store, cases)
    visits = visits_of(deliveries, stored_visits(store, cases), contract)
    return [
        with_readings(delivery, stored=stored, visits=visits, catalogue=catalogues.measures) for delivery in deliveries
    ]


def _with_note_on_points(delivery: Delivery, store: Connection) -> Delivery:
    """A delivery of visits, with a note where points of the store were measured at another enlargement or scale."""
    n = records_measured_otherwise(store, delivery.tables["visits"]) if "visits" in delivery.tables else 0
    if not n:
        return delivery
    taken = f"lengths of {n:,} records were made with another enlargement or scale"
    because = "give their points once more together with these visits, or with --again, to measure them anew"
    return replace(delivery, assumptions=(*delivery.assumptions, ReadingAssumption("points", taken, because)))


def _position(delivery: Delivery) -> int:
    table = next(iter(delivery.tables))
    return _TABLE_ORDER.index(table) if table in _TABLE_ORDER else 0


def _known_cases(store: Connection, practice: str) -> pl.Series:
    return store.frame(statement("pipelines.ingest", "known_cases.sql"), [practice])["case_key"]


def _keyer(store: Connection, request: Request) -> Keyer:
    """The keyer of this warehouse; a key of another warehouse would give every case a second identity."""
    path = request.key_file or key_file_beside(request.warehouse)
    if path.resolve().is_relative_to(request.warehouse.resolve()):
        found = "the case key would lie inside the warehouse folder"
        remedy = "name a file elsewhere with --key-file: whoever gets the folder must not get the key"
        raise RequestError(found, where=path.name, remedy=remedy)
    keyer = Keyer.from_file(path)
    known = in_force(store).settings.get("case_key_fingerprint")
    if known is not None and known != keyer.fingerprint():
        found = "the case key is not the one this warehouse was made with"
        remedy = "name the right key file with --key-file: with another key every case would get a second identity"
        raise KeyProblemError(found, where=path.name, expected=f"the key with fingerprint {known}", remedy=remedy)
    with store.transaction():
        register(store, "setting", "case_key_fingerprint", "1", keyer.fingerprint())
        register(store, "setting", "labels", load_contract().version, _labels())
        register(store, "setting", "rules", load_contract().version, _rules(in_force(store).measures))
    return keyer


def _rules(measures: Mapping[str, Measure]) -> str:
    """Rule -> what is wrong and what to do, so that a screen can say it without the checks at hand."""
    rules = load_rules(load_contract(), measures)
    return json.dumps({rule.id: [rule.reason, rule.remedy] for rule in rules.values()})


def _labels() -> str:
    codes = load_contract().codes
    return json.dumps({name: {code.code: code.label for code in listed} for name, listed in codes.items()})


def _unchanged(store: Connection, checked: Sequence[tuple[Sorted, str]], request: Request) -> list[bool]:
    """For each table, whether loading it changes nothing; points may change with the visits loaded beside them."""
    same = [_changes_nothing(store, one, hashed, request) for one, hashed in checked]
    visits_change = any("visits" in one.good and not known for (one, _), known in zip(checked, same, strict=True))
    return [
        known and not (visits_change and "landmarks" in one.good) for (one, _), known in zip(checked, same, strict=True)
    ]


def _changes_nothing(store: Connection, one: Sorted, hashed: str, request: Request) -> bool:
    """Whether the same request, loaded before, had the same rows turned away: then loading it again changes nothing."""
    earlier = earlier_load(store, hashed)
    return earlier is not None and not request.again and earlier[1:] == (one.n_good, one.n_turned_away)


def _last(store: Connection, one: Sorted, checked: Sequence[tuple[Sorted, str]]) -> int:
    hashed = next(hashed for other, hashed in checked if other is one)
    earlier = earlier_load(store, hashed)
    return earlier[0] if earlier else 0
