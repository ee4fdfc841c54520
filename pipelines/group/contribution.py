"""A contribution as bytes, and back: what a practice packs, and what the coordinator takes on no trust."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Annotated, Any, Literal

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
from pydantic import Field

from pipelines.group.container import MEMBERS, Contents, seal
from pipelines.group.keys import PracticeKey
from pipelines.group.signed_file import read_json
from warehouse.disclosure import Release
from warehouse.disclosure.assessment import assess
from warehouse.errors import GroupError, MentonError
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.cases import result_column
from warehouse.pooled.handing_over import HandingOver
from warehouse.pooled.history import Moments, moments_from
from warehouse.pooled.member import Member, level_of
from warehouse.pooled.tables import (
    ALL,
    SCOPE,
    agree,
    breakdown_layout,
    breakdown_name,
    is_about,
    totals_layout,
    totals_name,
)
from warehouse.pooled.variables import ADVERSE, NOT_ADVERSE, RESULTS
from warehouse.store.chain import canonical
from warehouse.toml_files import shaped

_BATCH = 4_096
_MOST_FOOTER = 1_000_000
UNCOMPRESSED = 0
_ROW_GROUPS, _COLUMNS, _ABOUT_COLUMN, _CODEC = 4, 1, 3, 4
_DEEPEST = 24


def case_bytes(frame: pl.DataFrame) -> bytes:
    """Cases as Parquet: text columns, plain pages, no compression, no statistics, no dictionary."""
    schema = pa.schema([pa.field(name, pa.string(), nullable=False) for name in frame.columns])
    table = pa.table([pa.array(frame[name].to_list(), pa.string()) for name in frame.columns], schema=schema)
    buffer = io.BytesIO()
    pq.write_table(table, buffer, compression="none", use_dictionary=False, write_statistics=False, store_schema=False)
    return buffer.getvalue()


def read_cases(data: bytes, *, allowed: Mapping[str, Sequence[str]], most: int) -> pl.DataFrame:
    """Cases from Parquet: at ``most`` so many, columns and values as ``allowed``, in order; else GroupError."""
    try:
        if codecs_in(data) - {UNCOMPRESSED}:
            raise _wrong("a column is compressed")
        outline = _opened(data).metadata
        _check_outline(outline, list(allowed), most)
        opened = _opened(data, codes_for=list(allowed))
        parts: dict[str, list[str]] = {name: [] for name in allowed}
        for batch in opened.iter_batches(batch_size=_BATCH):
            for name, values in allowed.items():
                parts[name] += _decoded(batch.column(name), frozenset(values))
                if len(parts[name]) > most:
                    raise _wrong(f"it has more than {most:,} rows")
    except (pa.ArrowException, OSError, ValueError, MemoryError) as error:
        raise _wrong("it cannot be read as Parquet") from error
    if len({len(values) for values in parts.values()}) != 1:
        raise _wrong("its columns differ in length")
    return pl.DataFrame(parts, schema=dict.fromkeys(allowed, pl.String))


def codecs_in(data: bytes) -> set[int]:
    """The compressions stated in the footer, by their numbers in the format; ValueError where it states none.

    Asked about a column it does not understand, Arrow ends the whole process (so does its account of the compression),
    DuckDB wants a file on disk and Polars says nothing of compression: so the footer is looked at here first. It is a
    Thrift structure in the compact protocol (the specifications of Parquet and of Thrift, from memory; the tests hold
    this against files that Arrow writes).
    """
    length = int.from_bytes(data[-8:-4], "little")
    try:
        if data[:4] != b"PAR1" or data[-4:] != b"PAR1" or not 0 < length <= len(data) - 12:
            raise ValueError  # told below, as is whatever else is wrong with it
        groups = _value(12, iter(data[-8 - length : -8]), _DEEPEST).get(_ROW_GROUPS, [])
        codecs = {column[_ABOUT_COLUMN][_CODEC] for group in groups for column in group[_COLUMNS]}
        if not all(type(codec) is int for codec in codecs):
            raise ValueError
    except (ValueError, KeyError, TypeError, IndexError, AttributeError, StopIteration) as error:
        message = "no description of a Parquet file"
        raise ValueError(message) from error
    return codecs


def _value(kind: int, footer: Iterator[int], deepest: int) -> Any:  # noqa: ANN401 - whatever a footer holds
    """A value of a kind; a structure as number of a field -> value, in which no field may stand twice."""
    if kind in {1, 2}:
        return kind == 1
    if kind == 3:
        return next(footer)
    if kind in {4, 5, 6}:
        return (number := _number(footer)) >> 1 ^ -(number & 1)
    if kind in {7, 8}:
        return bytes(islice(footer, 8 if kind == 7 else _number(footer)))
    if not deepest:
        raise ValueError
    if kind in {9, 10}:
        head = next(footer)
        n = _number(footer) if head >> 4 == 15 else head >> 4
        return [_value(3 if head & 15 in {1, 2} else head & 15, footer, deepest - 1) for _ in range(n)]
    if kind != 12:
        raise ValueError
    fields: dict[int, Any] = {}
    field = 0
    while head := next(footer):
        field = field + (head >> 4) if head >> 4 else _value(4, footer, deepest)
        if field in fields:
            raise ValueError
        fields[field] = _value(head & 15, footer, deepest - 1)
    return fields


def _number(footer: Iterator[int]) -> int:
    """A whole number of variable length, in at most ten bytes."""
    value = 0
    for place in range(0, 70, 7):
        byte = next(footer)
        value |= (byte & 127) << place
        if byte < 128:
            return value
    raise ValueError


def _opened(data: bytes, *, codes_for: list[str] | None = None) -> pq.ParquetFile:
    return pq.ParquetFile(
        io.BytesIO(data),
        read_dictionary=codes_for,
        thrift_string_size_limit=_MOST_FOOTER,
        thrift_container_size_limit=_MOST_FOOTER,
    )


def _check_outline(outline: pq.FileMetaData, columns: list[str], most: int) -> None:
    """What the footer says, before a page is read."""
    if outline.num_rows > most or outline.num_row_groups > 1 + most // 1000:
        raise _wrong(f"it has more than {most:,} rows")
    if [outline.schema.column(i).path for i in range(len(outline.schema))] != columns:
        raise _wrong("its columns are not those agreed on")
    for i in range(len(columns)):
        column = outline.schema.column(i)
        if column.physical_type != "BYTE_ARRAY" or column.max_definition_level or column.max_repetition_level:
            raise _wrong("a column is not plain text")


def _decoded(column: pa.Array[Any], allowed: frozenset[str]) -> list[str]:
    if not isinstance(column, pa.DictionaryArray) or column.null_count:
        raise _wrong("a value is missing")
    words = [str(value) for value in column.dictionary.to_pylist()]
    if not set(words) <= allowed:
        raise _wrong("a value is not one of those agreed on")
    codes: list[int] = column.indices.to_numpy().tolist()
    return [words[code] for code in codes]


def _wrong(what: str) -> GroupError:
    found = f"the cases in the file are not as agreed: {what}"
    return GroupError(found, remedy="ask the practice to make it again with the group's current agreement")


FORMAT = "menton contribution, version 1"
THESE = ("these",)
"""What the tables of a contribution are about, for the coordinator: the practice's own marks stay with the practice."""

CASES, TABLES = tuple(MEMBERS)
_Text = Annotated[str, Field(max_length=200)]
_Whole = Annotated[int, Field(ge=0, lt=2**31)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """What a file says of itself; ``means`` and ``members`` are looked at where they are used."""

    format: Literal["menton contribution, version 1"]
    kind: Literal["contribution", "withdrawal"]
    group: _Text
    agreement: _Text
    sequence: _Whole
    made_on: _Text
    level: _Text
    cases: _Whole | None  # None where the tables hide it
    levels: dict[str, int]
    means: dict[str, object]
    invitation: _Text
    pseudonym: _Text
    public_key: _Text
    members: list[object]


def sealed_contribution(
    made: HandingOver, agreement: Agreement, key: PracticeKey, *, sequence: int, made_on: str, invitation: str
) -> bytes:
    """The file that leaves a practice."""
    manifest = _manifest(agreement, "contribution", sequence=sequence, made_on=made_on, invitation=invitation)
    manifest |= {"level": made.level, "cases": made.n_cases, "levels": dict(made.levels)}
    manifest["means"] = {outcome: found.to_list() for outcome, found in made.means.items()}
    if made.cases is not None:
        members = {CASES: case_bytes(made.cases)}
    else:
        members = {TABLES: canonical([_without_guards(one) for one in made.tables])}
    return seal(manifest, members, key, recipient=agreement.recipient)


def sealed_withdrawal(agreement: Agreement, key: PracticeKey, *, sequence: int, made_on: str) -> bytes:
    """The file by which a practice takes its contribution back."""
    manifest = _manifest(agreement, "withdrawal", sequence=sequence, made_on=made_on, invitation="")
    manifest |= {"level": "", "cases": 0, "levels": {}, "means": {}}
    return seal(manifest, {TABLES: b"[]"}, key, recipient=agreement.recipient)


def _manifest(agreement: Agreement, kind: str, *, sequence: int, made_on: str, invitation: str) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "kind": kind,
        "group": agreement.group,
        "agreement": agreement.digest,
        "sequence": sequence,
        "made_on": made_on,
        "invitation": invitation,
    }


def _without_guards(release: Release) -> dict[str, Any]:
    plain = release.to_dict()
    return {**plain, "guards": [], "scope": {SCOPE: list(THESE)}}


def check_manifest(manifest: Mapping[str, Any]) -> Manifest:
    """What a manifest says; refused where it does not say all it has to say, or more."""
    found, complaints = shaped(Manifest, dict(manifest))
    if not isinstance(found, Manifest):
        what = ".".join(str(step) for step in complaints[0].place) or "the whole"
        reason = f"the file does not say what a contribution of this version says of itself: {what} is not right"
        raise GroupError(reason, remedy="ask the practice to make it again with this version of the program")
    return found


def member_from(contents: Contents, agreement: Agreement, *, replaces: tuple[str, ...]) -> Member:
    """The contribution in an opened file; refused where it does not keep to what the group agreed on."""
    manifest = check_manifest(contents.manifest)
    level = manifest.level
    if level not in {"cases", "counts"} or (level == "cases" and agreement.level == "counts"):
        raise _off("its level is not one the group agreed on")
    if list(contents.members) != [CASES if level == "cases" else TABLES]:
        raise _off("its members are not those of its level")
    member = Member(id=contents.id, replaces=replaces, pseudonym=manifest.pseudonym)
    if level == "cases":
        levels = _levels(manifest.levels, agreement)
        cases = _cases(contents.members[CASES], levels, agreement)
        if cases.height != manifest.cases:
            raise _off("it says another number of cases than it holds")
        member = replace(member, cases=cases, levels=levels)
    else:
        member = replace(member, tables=_tables(contents.members[TABLES], agreement, manifest.cases))
    return replace(member, means=_means(manifest.means, member, agreement))


def _means(given: Mapping[str, Any], member: Member, agreement: Agreement) -> dict[str, Moments]:
    found = {}
    for outcome, plain in given.items():
        if outcome not in agreement.outcomes or agreement.definition(outcome).single_change is None:
            raise _off("it gives a mean the group did not agree on")
        moments, results = moments_from(plain), member.results(outcome)
        most = 0 if results is None else results[ADVERSE].high + results[NOT_ADVERSE].high
        if moments is None or not agreement.mean_minimum <= moments.n <= most:
            raise _off(f"its mean of {outcome} cannot be, or rests on too few cases")
        found[outcome] = moments
    return found


def _levels(given: Mapping[str, int], agreement: Agreement) -> dict[str, int]:
    names = [one.name for one in agreement.variables]
    if set(given) != set(names):
        raise _off("it does not say how each variable was generalised")
    for one in agreement.variables:
        if not 0 <= given[one.name] < len(one.levels):
            raise _off(f"{one.name} is at a level the group did not agree on")
    return {name: given[name] for name in names}


def _cases(data: bytes, levels: Mapping[str, int], agreement: Agreement) -> Any:  # noqa: ANN401 - a polars frame
    allowed = {one.name: tuple(dict.fromkeys(one.levels[levels[one.name]].values())) for one in agreement.variables}
    results = [result_column(outcome) for outcome in agreement.outcomes]
    frame = read_cases(data, allowed={**allowed, **dict.fromkeys(results, RESULTS)}, most=agreement.most_cases)
    found = assess(frame, quasi=list(allowed), sensitive=results)
    if not found.meets(k=agreement.k, l=agreement.l):
        raise _off(
            f"its smallest group of cases alike has {found.k or 0} cases or too few different outcomes; the group"
            f" agreed on {agreement.k} cases and {agreement.l} outcomes"
        )
    return frame


def _tables(data: bytes, agreement: Agreement, cases: int | None) -> dict[str, Release]:
    listed = read_json(data, most=MEMBERS[TABLES], what="the tables")
    if not isinstance(listed, list) or not 1 <= len(listed) <= len(agreement.outcomes) * (1 + len(agreement.groupings)):
        raise _off("it holds no tables, or too many")
    found: dict[str, Release] = {}
    for plain in listed:
        release = _release(plain, agreement)
        if release.name in found:
            raise _off("it holds a table twice")
        found[release.name] = release
    for outcome in agreement.outcomes:
        _check_together(list(found.values()), outcome, agreement, cases)
    return found


def _release(plain: object, agreement: Agreement) -> Release:
    if not isinstance(plain, dict):
        raise _off("a table cannot be read")
    try:
        release = Release.from_dict(plain)
    except MentonError as error:
        raise _off("a table cannot be read") from error
    if release.policy != agreement.contribution_policy or release.guards:
        raise _off(f"the table {release.name[:60]!r} was made by another rule")
    if not 0 <= release.withheld_from <= agreement.minimum or not _is_agreed(release, agreement):
        raise _off(f"the table {release.name[:60]!r} is not one the group agreed on")
    for cell in release.cells.values():
        if cell.value is not None and not _may_stand(cell.value, agreement):
            raise _off(f"the table {release.name[:60]!r} shows a count that must not stand there")
    return release


def _may_stand(count: int, agreement: Agreement) -> bool:
    return 0 <= count <= agreement.most_cases and not agreement.contribution_policy.is_small(count)


def _is_agreed(release: Release, agreement: Agreement) -> bool:
    for outcome in agreement.outcomes:
        if release.name == totals_name(outcome):
            return release.layout == totals_layout(outcome, THESE)
        for by in agreement.groupings:
            if release.name == breakdown_name(outcome, by) and release.layout.dimensions:
                members = dict(release.layout.dimensions[0].members)
                members.pop(ALL, None)
                expected = breakdown_layout(outcome, by, members, scope=THESE)
                return level_of(agreement, by, members) is not None and release.layout == expected
    return False


def _check_together(tables: list[Release], outcome: str, agreement: Agreement, cases: int | None) -> None:
    """Refuse tables of which no cases could be counted so, or without the totals they rest on."""
    totals = next((one for one in tables if one.name == totals_name(outcome)), None)
    mine = [one for one in tables if is_about(one, outcome)]
    if totals is None and mine:
        raise _off(f"it breaks {outcome} down without giving the totals")
    if totals is None:
        return
    if cases != totals.cells["started",].value:
        raise _off("it says another number of cases than its tables")
    for one in mine:
        if not agree([totals] if one is totals else [totals, one]):
            raise _off(f"the counts of {one.name!r} contradict each other")


def _off(what: str) -> GroupError:
    found = f"the contribution does not keep to the agreement: {what}"
    return GroupError(found, remedy="ask the practice to make it again with the group's current agreement")
