"""Mappings remembered by practice and headings: next year's file of the same shape is read without a question.

They lie beside the warehouse folder, like the case key and never in it, since spellings of a practice may name people;
only their owner can read them. One is kept for each practice and set of headings, the last one that loaded.
"""

import hashlib
import re
from collections.abc import Callable, Iterable, Sequence, Set
from contextlib import suppress
from dataclasses import fields
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.contract.contract import load_contract
from pipelines.contract.delivery import RawTable
from pipelines.deidentify.keyer import case_numbers
from pipelines.ingest.quarantine import corrected
from pipelines.mapping.mapping_file import mapping_sections
from pipelines.reading.settings import ReadSettings
from warehouse.errors import BadFileError
from warehouse.private_files import beside, write_private, write_whole

_QUOTED = re.compile(r"""["']([^"'\n]+)["']""")


def _file(warehouse: Path, practice: str, headings: Sequence[str]) -> Path:
    shape = hashlib.sha256("\x1f".join(sorted(headings)).encode()).hexdigest()[:16]
    return beside(warehouse, "mappings") / f"{practice}-{shape}.toml"


def remember(warehouse: Path, practice: str, headings: Sequence[str], mapping: Path) -> None:
    """Keep a mapping that loaded, for the next file of these headings."""
    path = _file(warehouse, practice, headings)
    text = mapping.read_text(encoding="utf-8-sig")
    if mapping.resolve() != path.resolve():
        path.parent.mkdir(mode=0o700, exist_ok=True)
        path.unlink(missing_ok=True)
        write_private(path, text)


def _sections(mapping: Path) -> dict[str, Any]:
    """What a remembered mapping says; MappingError where somebody changed it into what cannot be read."""
    origin = f"{mapping.parent.name}/{mapping.name}" if mapping.parent.suffix == ".mappings" else ""
    return mapping_sections(mapping, contract=load_contract(), origin=origin)


def read_by(mapping: Path) -> ReadSettings:
    """How a mapping has files read; MappingError where it cannot be told."""
    said = _sections(mapping).get("file", {})
    return ReadSettings(**{one.name: said[one.name] for one in fields(ReadSettings) if one.name in said})


def settings_remembered(warehouse: Path, practice: str | None) -> list[ReadSettings]:
    """Each way in which the mappings of a practice, or of all, have files read."""
    return list(dict.fromkeys(map(read_by, beside(warehouse, "mappings").glob(f"{practice or '*'}-*.toml"))))


def recalled(warehouse: Path, practice: str | None, headings: Sequence[str], settings: ReadSettings) -> Path | None:
    """The mapping remembered for exactly these headings, read so; None without one, or where several practices have."""
    listed = beside(warehouse, "mappings").glob(_file(warehouse, practice or "*", headings).name)
    found = [one for one in listed if read_by(one) == settings]
    return found[0] if len(found) == 1 else None


def headings_of(tables: Iterable[RawTable]) -> list[str]:
    """The headings by which a mapping is remembered."""
    return sorted({heading for table in tables for heading in corrected(table)[0].frame.columns})


def recalled_for(
    warehouse: Path, practice: str | None, read: Callable[[ReadSettings], Iterable[RawTable]]
) -> Path | None:
    """The mapping remembered for files, read in one of the ways of the mappings there are."""
    for settings in settings_remembered(warehouse, practice):
        with suppress(BadFileError):
            if found := recalled(warehouse, practice, headings_of(read(settings)), settings):
                return found
    return None


def speaking_of(warehouse: Path, practice: str, numbers: Sequence[str]) -> list[Path]:
    """The remembered mappings of a practice in which a case number stands, in quotes and in whichever spelling."""
    wanted = set(case_numbers(pl.Series(numbers, dtype=pl.String)))
    found = []
    for path in sorted(beside(warehouse, "mappings").glob(f"{practice}-*.toml")):
        quoted = _QUOTED.findall(path.read_text(encoding="utf-8", errors="replace"))
        if wanted.intersection(case_numbers(pl.Series(quoted, dtype=pl.String))):
            found.append(path)
    return found


def renamed(warehouse: Path, old: str, new: str) -> None:
    """Let the mappings of a practice be found under its new name, and say it."""
    for path in beside(warehouse, "mappings").glob(f"{old}-*.toml"):
        text = path.read_bytes().replace(f'"{old}"'.encode(), f'"{new}"'.encode())
        write_whole(path.with_name(f"{new}{path.name.removeprefix(old)}"), text)
        path.unlink()


def nearest(folder: Path, headings: Set[str]) -> Path | None:
    """The remembered mapping that speaks of most of the headings, and at least of half of them."""
    best: tuple[int, float, Path] | None = None
    for path in sorted(folder.glob("*.toml")):
        said = _sections(path)
        known = {*said.get("columns", {}), *said.get("ignored", {})}
        one = (len(known.intersection(headings)), path.stat().st_mtime, path)
        best = one if best is None or one > best else best
    return best[2] if best and best[0] * 2 >= len(headings) else None
