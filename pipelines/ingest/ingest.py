"""One ingest: read files, interpret and de-identify them, check them, load them in one transaction, publish."""

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from pipelines.checking.rules import load_rules
from pipelines.checking.validation import library_begun, validate
from pipelines.contract.contract import load_contract
from pipelines.contract.delivery import Delivery, RawTable, ReadingAssumption, Sorted
from pipelines.deidentify.file_names import kept_source, said_name, screen_name
from pipelines.deidentify.keyer import Keyer
from pipelines.deidentify.pseudonyms import check_practice
from pipelines.deidentify.shown_reading import discover_shown, read_shown
from pipelines.ingest.loading import LoadRecord, earlier_load, load, request_hash
from pipelines.ingest.own_numbers import knowing
from pipelines.ingest.quarantine import corrected, name_cases
from pipelines.ingest.remembered import headings_of, recalled_for, remember
from pipelines.interpreting.interpret import interpret
from pipelines.interpreting.reshaping import put_together
from pipelines.mapping.column_mapping import ColumnMapping, identity_mapping
from pipelines.mapping.file_columns import check_columns
from pipelines.mapping.mapping_file import load_mapping
from pipelines.points.film_size import with_size_notes
from pipelines.points.stored_records import records_measured_otherwise, stored_points, stored_visits
from pipelines.points.tracing import visits_of, with_readings
from pipelines.reading.settings import ReadSettings
from warehouse.errors import (
    BadFileError,
    KeyProblemError,
    MappingError,
    MentonError,
    RequestError,
    UnconfirmedError,
    WarehouseError,
    near_names,
)
from warehouse.marts.build import reading_columns
from warehouse.marts.catalogues import AS_WRITTEN, Catalogues, in_force, register, shipped
from warehouse.marts.publish import publish
from warehouse.measures.measure import Measure
from warehouse.plural import number_of
from warehouse.private_files import beside
from warehouse.store.quoting import name, statement
from warehouse.store.storage import Connection
from warehouse.store.store import STORE, open_store

_OF_CASE = ("sex", "age_at_start", "start_quarter", "cvm_stage", "incisor_class", "molar_class")
"""What of a case does not change between two exports."""

_FEWEST = 3
_SHARES = {3: 0.2, 2: 0.5}
"""Of age, quarter and measures, how many a case must tell to be taken for another, and the share of new cases that is
then asked about: the less each tells, the more of them must agree. Common practice, no source."""


def doubt_of_practice(store: Connection, practice: str) -> str:
    """What is to be confirmed of a practice that the warehouse has not seen; empty where there is nothing."""
    rows = store.rows("select practice, count(*) from case_registry group by practice order by practice")
    sizes = {str(known): int(n) for known, n in rows}
    if not sizes or practice in sizes:
        return ""
    held = ", ".join(f"{known} ({number_of(n, 'case')})" for known, n in sizes.items())
    near = near_names(practice, sizes)
    return f"the practice {practice} is new in this warehouse, which holds {held}" + (f"; {near}" if near else "")


def doubt_of_cases(store: Connection, checked: Sequence[Sorted], practice: str) -> tuple[str, int]:
    """What is to be confirmed of new cases like stored ones in all but number or practice (or empty), and how many.

    Compared is what was known at the start, so that a later export of the same people is found too.
    """
    cases = [one.good["cases"] for one in checked if "cases" in one.good]
    if not cases or not store.value("select count(*) from (select 1 from cases limit 1)"):
        return "", 0
    delivered = pl.concat(cases, how="diagonal_relaxed")
    fresh = _with_readings(delivered, checked, store)
    columns = [column for column in fresh.columns if column != "case_id" and fresh[column].null_count() < fresh.height]
    numbers = [one for one in columns if one in ("age_at_start", "start_quarter") or one not in _OF_CASE]
    told = pl.sum_horizontal(pl.lit(0), *(pl.col(column).is_not_null().cast(pl.Int32) for column in numbers))
    fresh = fresh.select("case_id", *columns, told.alias("told")).filter(pl.col("told") >= min(_SHARES))
    if fresh.is_empty():
        return "", 0
    parts = {
        "stored": ", ".join(map(_stored, columns)),
        "columns": ", ".join(columns),
        "same": " and ".join(f"stored.{column} is not distinct from alike.{column}" for column in columns),
    }
    with store.given(delivered=delivered.select("case_id")):
        known = store.frame("select case_key from case_registry where case_key in (select case_id from delivered)")
    fresh = fresh.join(known, left_on="case_id", right_on="case_key", how="anti")
    with store.given(fresh=fresh, delivered=delivered.select("case_id")):
        same = store.frame(statement("pipelines.ingest", "same_cases.sql", **parts))
    n_new = delivered["case_id"].n_unique() - known.height
    same = same.join(fresh.select("case_id", "told"), on="case_id")
    for least, share in _SHARES.items():
        found = same.filter(pl.col("told") >= least)
        if found.height >= max(_FEWEST, share * n_new):
            break
    else:
        return "", same.filter(pl.col("told") >= max(_SHARES)).height
    held = found["practice"].value_counts(name="n", sort=True)
    of = ", ".join(f"{other} ({n})" for other, n in held.iter_rows())
    what = "under other numbers" if held["practice"].to_list() == [practice] else "under other numbers or practices"
    return f"{found.height} of {number_of(n_new, 'new case')} are the same as cases of {of} {what}", found.height


def _stored(column: str) -> str:
    if column == "age_at_start":
        return "cases.age_at_start"
    return f"cast(cases.{name(column)} as varchar) as {column}" if column in _OF_CASE else f"readings.{name(column)}"


def _with_readings(delivered: pl.DataFrame, checked: Sequence[Sorted], store: Connection) -> pl.DataFrame:
    """Of each case what does not change, with its first reading of the start; measures the store has alone."""
    frame = delivered.select("case_id", *(column for column in _OF_CASE if column in delivered.columns))
    frame = frame.unique("case_id", keep="first", maintain_order=True)
    listed = [one.good["readings"] for one in checked if "readings" in one.good]
    if not listed:
        return frame
    readings = pl.concat(listed, how="diagonal_relaxed").filter(timepoint="start", repeat_no=1)
    kept = [column for column in reading_columns(store) if column in readings.columns]
    readings = readings.select("case_id", *kept).unique("case_id", keep="first", maintain_order=True)
    return frame.join(readings, on="case_id", how="left", maintain_order="left")


DEFAULT_PRACTICE = "PRACTICE"  # pseudonym of a practice that states none: a warehouse of one practice needs no other

LARGE = 50_000
"""Rows from which the validator comes up while they are interpreted; a smaller file that is refused need not wait."""

_TABLE_ORDER = ("cases", "phases", "visits", "measurements", "landmarks")


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
    confirm: Callable[[str], bool] = lambda _: False  # Asked where a load looks like a slip; says whether it is meant
    progress: Callable[[str], None] = lambda _: None


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
    unread: tuple[MentonError, ...]  # Why files of folders were left out
    n_alike: int  # New cases that agree in everything with one stored under another number
    recalled: Path | None = None  # The mapping that was remembered and read by


def ingest(request: Request) -> Outcome:
    """Carry out an ingest. Nothing is kept unless everything up to the load went well.

    Raises BadFileError: a file cannot be used; MappingError: a mapping is wrong or does not cover a file;
    KeyProblemError: the case key is not the one this warehouse was made with; WarehouseError: the warehouse cannot be
    written; UnconfirmedError: the practice is new among others, or cases are there under other numbers; nobody
    confirmed it.
    """
    # nothing is made or changed before every file has been read and mapped
    catalogues = catalogues_at(request.warehouse, request.encryption_key)
    request, recalled_as, reads = _with_remembered(request)
    mapped, headings, faults = _mapped(request, catalogues.measures, reads)
    reads.clear()
    if request.practice is not None:
        check_practice(request.practice, where="practice")
    practice = request.practice or mapped[0].mapping.settings.practice or DEFAULT_PRACTICE
    with open_store(request.warehouse, create=True, key=request.encryption_key) as store:
        outcome = _Ingest(request, catalogues, store, practice, faults).carry_out(mapped)
    if request.mapping and not recalled_as:
        remember(request.warehouse, practice, headings, request.mapping)
    return replace(outcome, recalled=recalled_as, unread=tuple(faults))


_Read = tuple[list[tuple[RawTable, bool]], list[MentonError]]
"""The tables of all files, each with whether its file was named itself; and why files of folders were left out."""


def _with_remembered(request: Request) -> tuple[Request, Path | None, dict[ReadSettings, _Read]]:
    """With the mapping that loaded files of the same headings before, where none is given; and the files as read."""
    reads: dict[ReadSettings, _Read] = {}

    def read(settings: ReadSettings) -> list[RawTable]:
        reads[settings] = _read(request, settings)
        return [table for table, _ in reads[settings][0]]

    found = None if request.mapping else recalled_for(request.warehouse, request.practice, read)
    if found:
        request = replace(request, mapping=found, practice=request.practice or found.stem.rsplit("-", 1)[0])
    return request, found, reads


@contextmanager
def _leaving_out(faults: list[MentonError], *, is_named: bool) -> Iterator[None]:
    """Go on without a file of a folder that cannot be used, noting why; one that was named is refused."""
    try:
        yield
    except (BadFileError, MappingError) as error:
        if is_named:
            raise
        faults.append(error)


def _read(request: Request, settings: ReadSettings) -> _Read:
    """Read all files, under names that may be said; BadFileError where one that was named cannot be read."""
    named = (request.practice or "",)
    tables: list[tuple[RawTable, bool]] = []
    faults: list[MentonError] = []
    found = discover_shown(request.paths, named)
    given = {path.resolve() for path in request.paths}
    for path in found:
        request.progress(f"reading {screen_name(path.name, named)}")
        is_named = path.resolve() in given
        with _leaving_out(faults, is_named=is_named):
            tables += [(table, is_named) for table in read_shown(path, settings, named)]
    return tables, faults


@dataclass(frozen=True, slots=True)
class _Mapped:
    """A table as read, its mapping, and what identifies the request to load it."""

    raw: RawTable
    mapping: ColumnMapping
    is_named: bool  # Whether its file was named itself, and is not one of a folder
    hashed: str = ""
    origin: pl.DataFrame | None = None  # Where its rows were turned away, if it is a workbook of such rows


def catalogues_at(folder: Path, key: str | None) -> Catalogues:
    """The catalogues in force, or those that come with the program where there is no warehouse yet; none is made."""
    if not (folder / STORE).exists():
        return shipped()
    with open_store(folder, key=key) as store:
        return in_force(store)


def _mapped(
    request: Request, measures: Mapping[str, Measure], reads: Mapping[ReadSettings, _Read]
) -> tuple[list[_Mapped], list[str], list[MentonError]]:
    """The tables of all files by the mapping or by contract names, their headings, and why files were left out."""
    contract = load_contract()
    stated = load_mapping(request.mapping, contract=contract, catalogue=measures) if request.mapping else None
    settings = stated.settings.read_settings() if stated else ReadSettings()
    tables, faults = reads.get(settings) or _read(request, settings)
    headings = headings_of(table for table, _ in tables)
    if tables and stated and stated.settings.together:
        tables = [(one, True) for one in put_together([table for table, _ in tables], stated.settings.together)]
    mapped = []
    for given, is_named in tables:
        table, origin = corrected(given)
        with _leaving_out(faults, is_named=is_named):
            mapping = stated or identity_mapping(table.frame.columns, contract=contract, catalogue=measures)
            check_columns(table, mapping, contract=contract, catalogue=measures)
            mapped.append(_Mapped(table, mapping, is_named, origin=origin))
    if faults and not mapped:
        raise faults[0]
    if len(mapped) < len(tables):
        headings = headings_of(one.raw for one in mapped)
    return mapped, headings, faults


class _Ingest:
    """One ingest, once the store is open."""

    def __init__(
        self, request: Request, catalogues: Catalogues, store: Connection, practice: str, faults: list[MentonError]
    ) -> None:
        self.request, self.store, self.practice, self.faults = request, store, practice, faults
        self.contract, self.measures = load_contract(), catalogues.measures
        self.origins: list[tuple[pl.DataFrame, pl.DataFrame]] = []

    def carry_out(self, mapped: list[_Mapped]) -> Outcome:
        """Check what is new, load what changes anything, publish; rows are let go as soon as they are done with."""
        request, store = self.request, self.store
        fresh, skipped = self._already_there(mapped)
        mapped.clear()
        keyer = self._keyer(as_written=fresh[0].mapping.settings.numbers == "as written") if fresh else None
        checked = self._check(fresh, keyer) if keyer else []
        unchanged = self._unchanged(checked)
        batch = [pair for pair, same in zip(checked, unchanged, strict=True) if not same]
        doubt, n_alike = doubt_of_cases(store, [one for one, _ in batch], self.practice)
        self._confirm(doubt, "correct the numbers or the practice")
        if keyer:
            self._register(keyer)
        for origin, delivered in self.origins:
            name_cases(store, self.practice, origin, delivered)
        version, progress = self.contract.version, request.progress
        records = load(store, batch, contract_version=version, progress=progress) if batch else []
        batch, checked = [], [(replace(one, good={}), hashed) for one, hashed in checked]
        build = self._publish() if request.publish_after else ""
        for (one, hashed), same in zip(checked, unchanged, strict=True):
            earlier = earlier_load(store, hashed) if same else None
            skipped += [Skipped(said_name(one.delivery.source), earlier[0])] if earlier else []
        return Outcome(
            practice=self.practice,
            build=build,
            loaded=tuple(records),
            skipped=tuple(skipped),
            checked=tuple(one for one, _ in checked),
            measures=self.measures,
            unread=(),
            n_alike=n_alike,
        )

    def _confirm(self, doubt: str, remedy: str) -> None:
        if doubt and not self.request.confirm(doubt):
            raise UnconfirmedError(doubt, remedy=remedy)

    def _publish(self) -> str:
        """Publish; if that fails, what was loaded before it stays, and it is said so."""
        request = self.request
        try:
            key, progress = request.encryption_key, request.progress
            return publish(request.warehouse, self.store, key=key, progress=progress).build_id
        except WarehouseError as error:
            found = f"{error.found}; the rows are in the store, but they are not published yet"
            remedy = f"{error.remedy}; then `menton publish` shows them" if error.remedy else "run `menton publish`"
            raise WarehouseError(found, where=error.where, expected=error.expected, remedy=remedy) from error

    def _already_there(self, mapped: Sequence[_Mapped]) -> tuple[list[_Mapped], list[Skipped]]:
        """Set aside the tables whose very request was loaded before with nothing turned away.

        Points are measured again where visits come with them that are new: their enlargement or scale may have changed.
        """
        fresh: list[_Mapped] = []
        known: list[tuple[_Mapped, int]] = []
        for one in mapped:
            hashed = replace(one, hashed=self._hash(one))
            earlier = earlier_load(self.store, hashed.hashed)
            if earlier and earlier[2] == 0 and not self.request.again:
                known.append((hashed, earlier[0]))
            else:
                fresh.append(hashed)
        settings = [one.mapping.settings for one in fresh]
        new_visits = any(one.layout in ("wide", "long") or one.table == "visits" for one in settings)
        again = [one for one, _ in known if new_visits and one.mapping.settings.layout == "points"]
        anew = {one.hashed for one in again}
        return [*fresh, *again], [
            Skipped(one.raw.source.name, load_id) for one, load_id in known if one.hashed not in anew
        ]

    def _hash(self, one: _Mapped) -> str:
        stated = self.request.mapping.read_bytes() if self.request.mapping else b""
        source = f"{one.raw.source.sha256}{one.raw.source.given_sheet or ''}{one.mapping.settings.table or ''}"
        digest = hashlib.sha256(stated).hexdigest()
        return request_hash(source, practice=self.practice, mapping=digest, contract=self.contract.version)

    def _check(self, fresh: list[_Mapped], keyer: Keyer) -> list[tuple[Sorted, str]]:
        """Interpret and validate the fresh tables together, so that rows find their cases."""
        remedy = "give the practice by its name with --practice, or in the mapping"
        self._confirm(doubt_of_practice(self.store, self.practice), remedy)
        if sum(one.raw.frame.height for one in fresh) >= LARGE:
            library_begun()
        contract, measures = self.contract, self.measures
        deliveries: list[tuple[Delivery, str]] = []
        while fresh:
            one = fresh.pop(0)
            held, one = [one.raw], replace(one, raw=replace(one.raw, frame=one.raw.frame.clear()))
            self.request.progress(f"interpreting {one.raw.source.name}")
            mapping = one.mapping
            if keyer.is_as_written(self.practice):
                mapping = replace(mapping, settings=replace(mapping.settings, numbers="as written"))
            with _leaving_out(self.faults, is_named=one.is_named):
                delivery = interpret(
                    held.pop(), mapping, contract=contract, catalogue=measures, practice=self.practice, keyer=keyer
                )
                kept = kept_source(one.raw.source, keyer, (self.practice,))
                deliveries.append((replace(delivery, source=kept), one.hashed))
                if one.origin is not None:
                    self.origins.append((one.origin, next(iter(delivery.tables.values()))))
        del one
        if not deliveries:
            raise self.faults[-1]
        deliveries.sort(key=lambda pair: _TABLE_ORDER.index(next(iter(pair[0].tables))))
        listed = self._with_measures([delivery for delivery, _ in deliveries])
        listed = [self._with_note_on_points(delivery) for delivery in with_size_notes(listed, measures)]
        self.request.progress("checking every row")
        known = self.store.frame(statement("pipelines.ingest", "known_cases.sql"), [self.practice])["case_key"]
        checked = validate(listed, contract=contract, catalogue=measures, known_cases=known)
        return [(one, hashed) for one, (_, hashed) in zip(checked, deliveries, strict=True)]

    def _with_measures(self, deliveries: Sequence[Delivery]) -> list[Delivery]:
        """The deliveries, those of points with the measures that follow from them and from what the store holds."""
        points = [delivery.tables["landmarks"]["case_id"] for delivery in deliveries if "landmarks" in delivery.tables]
        if not points:
            return list(deliveries)
        self.request.progress("measuring the points")
        cases = pl.concat(points).drop_nulls().unique().to_list()
        stored = stored_points(self.store, cases)
        visits = visits_of(deliveries, stored_visits(self.store, cases), self.contract)
        return [with_readings(one, stored=stored, visits=visits, catalogue=self.measures) for one in deliveries]

    def _with_note_on_points(self, delivery: Delivery) -> Delivery:
        """A delivery of visits, with a note where points of the store were measured at another enlargement or scale."""
        visits = delivery.tables.get("visits")
        n = 0 if visits is None else records_measured_otherwise(self.store, visits)
        if not n:
            return delivery
        taken = f"lengths of {n:,} records were made with another enlargement or scale"
        because = "give their points once more together with these visits, or with --again, to measure them anew"
        return replace(delivery, assumptions=(*delivery.assumptions, ReadingAssumption("points", taken, because)))

    def _keyer(self, *, as_written: bool) -> Keyer:
        """The keyer of this warehouse; a key of another warehouse would give every case a second identity."""
        request, store = self.request, self.store
        path = request.key_file or beside(request.warehouse, "key")
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
        keyer = knowing(keyer, store, in_force(store).settings)
        if earlier := keyer.renamed(self.practice):
            found = f"the practice {self.practice} was renamed here: it is now {earlier}"
            raise RequestError(found, remedy=f"load under {earlier}, with --practice or in the mapping")
        if not store.value("select count(*) from case_registry where practice = ?", [self.practice]):
            return keyer.taking(self.practice, as_written=as_written)
        if as_written and not keyer.is_as_written(self.practice):
            found = f"the case numbers of {self.practice} have been read by the rule since its first load"
            remedy = "take the line numbers out of the mapping; or take the loads of the practice back first"
            raise RequestError(found, where="[file] numbers", expected='numbers = "by rule"', remedy=remedy)
        return keyer

    def _register(self, keyer: Keyer) -> None:
        """Put in force what a screen needs to word these cases, and by which key they are known."""
        store = self.store
        labels = {name: {code.code: code.label for code in codes} for name, codes in self.contract.codes.items()}
        # what is wrong and what to do, so that a screen can say it without the checks at hand
        rules = load_rules(self.contract, in_force(store).measures).values()
        said = {rule.id: [rule.reason, rule.remedy] for rule in rules}
        with store.transaction():
            register(store, "setting", "case_key_fingerprint", "1", keyer.fingerprint())
            register(store, "setting", "labels", self.contract.version, json.dumps(labels))
            register(store, "setting", AS_WRITTEN, "1", json.dumps(sorted(keyer.as_written)))
            register(store, "setting", "rules", self.contract.version, json.dumps(said))

    def _unchanged(self, checked: Sequence[tuple[Sorted, str]]) -> list[bool]:
        """For each table, whether loading it changes nothing: the same request had the same rows turned away.

        Points may change with the visits loaded beside them.
        """
        same = []
        for one, hashed in checked:
            earlier = earlier_load(self.store, hashed)
            counted = (one.n_good, one.n_turned_away)
            same.append(earlier is not None and not self.request.again and earlier[1:] == counted)
        visits_change = any("visits" in one.good and not known for (one, _), known in zip(checked, same, strict=True))
        return [
            known and not (visits_change and "landmarks" in one.good)
            for (one, _), known in zip(checked, same, strict=True)
        ]
