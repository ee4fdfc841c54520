"""What may be kept and shown of the name of a file or a sheet, since people name files after patients.

A name made of ordinary words of this trade, of a code of one word, of the practice's pseudonym and of at most one
number or year stays as it is. Of any other the ordinary words stay, and a keyed hash tells one such name from another.
"""

import os
import re
import sys
from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path, PurePath

from pipelines.contract.contract import load_contract
from pipelines.contract.delivery import FileSource
from pipelines.deidentify.headings import heading_terms
from pipelines.deidentify.keyer import Keyer
from pipelines.reading.kinds import SUFFIXES
from warehouse.measures.catalogue import CATALOGUE
from warehouse.toml_files import shipped

WITHHELD = "name-withheld"
OWN_SCREEN = "MENTON_OWN_SCREEN"
"""Variable by which a page says that what a command says is shown to the owner of the files alone."""

_NUMBERED = re.compile(r"([a-z]+?)\d{0,2}")
_NUMBER = re.compile(r"\d{1,2}|(?:19|20)\d\d")
_LETTER = re.compile(r"[a-z]\d{0,2}")


@lru_cache(maxsize=1)
def _known() -> frozenset[str]:
    """Ordinary words, and those of the contract's tables and columns and of the measures."""
    contract = load_contract()
    names = [
        *shipped("pipelines.deidentify", "identifying.toml")["harmless"].split(),
        *(table.name for table in contract.tables),
        *CATALOGUE,
        *contract.codes,
    ]
    return frozenset(word for one in names for word in heading_terms(one) if len(word) > 1)


def shown_file_name(name: str, also: Iterable[str] = ()) -> str:
    """The name of a file as it may be shown: as it is, or its ordinary words.

    ``name``: The name without its folder. ``also``: Further words that name nobody, such as the pseudonym of the
    practice.
    """
    path = PurePath(name)
    suffix = path.suffix if path.suffix.lower() in SUFFIXES else ""
    stem = name[: len(name) - len(suffix)]
    shown = _shown(stem, also)
    return name if shown is None else shown + suffix.lower()


def on_own_screen() -> bool:
    """Whether what is said goes to the owner of the files alone: a terminal, or the page that handed them over."""
    return OWN_SCREEN in os.environ or (sys.stdout.isatty() and sys.stderr.isatty())


def screen_name(name: str, also: Iterable[str] = ()) -> str:
    """The name of a file as it is said: on its owner's own screen as it is, else as it may be kept."""
    return name if on_own_screen() else shown_file_name(name, also)


def said_name(source: FileSource) -> str:
    """The name of the file a table came from, as it is said."""
    return (on_own_screen() and source.given_name) or source.name


def shown_sheet_name(name: str | None, also: Iterable[str] = ()) -> str | None:
    """The name of a sheet as it may be shown; None stays None."""
    return None if name is None else _shown(name, also) or name


def _shown(stem: str, also: Iterable[str]) -> str | None:
    """None where the whole text may be shown, else its ordinary words."""
    known = _known() | {word for one in also for word in heading_terms(one)}
    words = heading_terms(stem)
    numbers = [word for word in words if _NUMBER.fullmatch(word)]
    harmless = [word for word in words if _is_known(word, known)]
    letters = [word for word in words if _LETTER.fullmatch(word) and word not in harmless]
    if len(numbers) <= 1 and len(letters) <= 1 and len(numbers) + len(harmless) + len(letters) == len(words):
        return None
    return "-".join([*harmless, WITHHELD])


def _is_known(word: str, known: frozenset[str]) -> bool:
    match = _NUMBERED.fullmatch(word)
    return word in known or (match is not None and match[1] in known)


def shown_source(source: FileSource, also: Iterable[str] = ()) -> FileSource:
    """The origin of a table with the names that may be said; the given ones stay beside them, in memory only."""
    also = tuple(also)
    return replace(
        source,
        name=screen_name(source.name, also),
        sheet=source.sheet if on_own_screen() else shown_sheet_name(source.sheet, also),
        given_name=source.name,
        given_sheet=source.sheet,
    )


def kept_source(source: FileSource, keyer: Keyer, also: Iterable[str] = ()) -> FileSource:
    """The origin of a table as the warehouse keeps it: a keyed hash stands for what may not be shown."""
    name, sheet = _kept_name(source.given_name, keyer, also), shown_sheet_name(source.given_sheet, also)
    if sheet is not None and source.given_sheet is not None and sheet != source.given_sheet:
        sheet = f"{sheet}-{_token(keyer, source.given_sheet)}"
    return replace(source, name=name, sheet=sheet)


def _kept_name(given: str, keyer: Keyer, also: Iterable[str]) -> str:
    shown = shown_file_name(given, also)
    path = PurePath(shown)
    return shown if shown == given else f"{path.stem}-{_token(keyer, given)}{path.suffix}"


def own_names(folders: Iterable[Path], keyer: Keyer, practices: Iterable[str]) -> dict[str, str]:
    """Name as the warehouse keeps it -> name, of the files that lie in folders and bear another name there."""
    given = [file.name for folder in folders for file in folder.iterdir()]
    kept = ((_kept_name(name, keyer, (one,)), name) for one in practices for name in given)
    return {known: name for known, name in kept if known != name}


def _token(keyer: Keyer, name: str) -> str:
    """Eight hex digits; no practice has a pseudonym in small letters, so no case has the same."""
    return keyer.key("file name", name)[:8]
