"""Mappings remembered by practice and headings: next year's file of the same shape is read without a question.

They lie beside the warehouse folder, like the case key and never in it, since spellings of a practice may name people;
only their owner can read them. One is kept for each practice and set of headings, the last one that loaded.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence, Set
from pathlib import Path

import polars as pl

from pipelines.deidentify.keyer import case_numbers
from warehouse.private_files import write_private, write_whole
from warehouse.toml_files import toml_from

_QUOTED = re.compile(r"""["']([^"'\n]+)["']""")


def remembered_beside(warehouse: Path) -> Path:
    """The folder of a warehouse's mappings."""
    return warehouse.with_name(warehouse.name + ".mappings")


def _file(warehouse: Path, practice: str, headings: Sequence[str]) -> Path:
    shape = hashlib.sha256("\x1f".join(sorted(headings)).encode()).hexdigest()[:16]
    return remembered_beside(warehouse) / f"{practice}-{shape}.toml"


def remember(warehouse: Path, practice: str, headings: Sequence[str], mapping: Path) -> None:
    """Keep a mapping that loaded, for the next file of these headings."""
    path = _file(warehouse, practice, headings)
    text = mapping.read_text(encoding="utf-8-sig")
    if mapping.resolve() != path.resolve():
        path.parent.mkdir(mode=0o700, exist_ok=True)
        path.unlink(missing_ok=True)
        write_private(path, text)


def recalled(warehouse: Path, practice: str | None, headings: Sequence[str]) -> Path | None:
    """The mapping remembered for exactly these headings; None where there is none, or several practices have one."""
    found = list(remembered_beside(warehouse).glob(_file(warehouse, practice or "*", headings).name))
    return found[0] if len(found) == 1 else None


def speaking_of(warehouse: Path, practice: str, numbers: Sequence[str]) -> list[Path]:
    """The remembered mappings of a practice in which a case number stands, in quotes and in whichever spelling."""
    wanted = set(case_numbers(pl.Series(numbers, dtype=pl.String)))
    found = []
    for path in sorted(remembered_beside(warehouse).glob(f"{practice}-*.toml")):
        quoted = _QUOTED.findall(path.read_text(encoding="utf-8"))
        if wanted.intersection(case_numbers(pl.Series(quoted, dtype=pl.String))):
            found.append(path)
    return found


def renamed(warehouse: Path, old: str, new: str) -> None:
    """Let the mappings of a practice be found under its new name, and say it."""
    for path in remembered_beside(warehouse).glob(f"{old}-*.toml"):
        text = path.read_text(encoding="utf-8").replace(f'"{old}"', f'"{new}"')
        write_whole(path.with_name(f"{new}{path.name.removeprefix(old)}"), text.encode())
        path.unlink()


def nearest(folder: Path, headings: Set[str]) -> Path | None:
    """The remembered mapping that speaks of most of the headings, and at least of half of them."""
    best: tuple[int, float, Path] | None = None
    for path in sorted(folder.glob("*.toml")):
        said = toml_from(path.read_text(encoding="utf-8"))
        known = {*said.get("columns", {}), *said.get("ignored", {})}
        one = (len(known.intersection(headings)), path.stat().st_mtime, path)
        best = one if best is None or one > best else best
    return best[2] if best and best[0] * 2 >= len(headings) else None
