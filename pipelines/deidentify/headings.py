"""What the heading of a column gives away, and how a heading may be repeated in a message.

In a file without a header row the first person stands where the headings should be, so a heading that looks like
data is described by its place and not repeated.
"""

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache

from pipelines.deidentify.contents import NAME, kinds_of
from pipelines.deidentify.patterns import TITLES
from warehouse.toml_files import shipped, structure

_NUMBER = re.compile(r".*\d{5}.*|(?=.*\d)[^a-z]*", re.IGNORECASE | re.DOTALL)
"""A heading with five digits together, or with digits and no letter at all."""

_WORD = re.compile(r"[^\W_]+")
_SHORT = re.compile(r"[a-z]?\d{1,2}[a-z]?|[a-z]", re.IGNORECASE)
_SPELT_ALIKE = 0.85


@dataclass(frozen=True, slots=True)
class HeadingGroup:
    """Words of headings that share one reason for leaving the column out."""

    reason: str
    words: frozenset[str]
    parts: tuple[str, ...]


def heading_terms(heading: str) -> list[str]:
    """The words of a heading: lower case, accents taken off, split at anything but letters and digits.

    A capital after a small letter starts a word, so that ``patientName`` is two.
    """
    split = re.sub(r"(?<=[a-zäöüß])(?=[A-ZÄÖÜ])", " ", heading)
    return re.findall(r"[^\W_]+", plain(split))


def plain(text: str) -> str:
    """Lower case without accents: ``Überweiser`` becomes ``uberweiser``."""
    spread = unicodedata.normalize("NFKD", text.casefold())
    return "".join(letter for letter in spread if not unicodedata.combining(letter))


@lru_cache(maxsize=1)
def heading_groups() -> tuple[HeadingGroup, ...]:
    """The groups of ``identifying.toml``."""
    shipped_groups = shipped("pipelines.deidentify", "identifying.toml")["group"]
    groups: tuple[HeadingGroup, ...] = structure(tuple[HeadingGroup, ...], shipped_groups, where="identifying.toml")
    return groups


def heading_reason(heading: str) -> str | None:
    """What a column with this heading would hold about a person, or None."""
    words = heading_terms(heading)
    squeezed = "".join(words)
    for group in heading_groups():
        if group.words.intersection(words) or any(part in squeezed for part in group.parts):
            return group.reason
    return None


@lru_cache(maxsize=1)
def identifying_terms() -> frozenset[str]:
    """Every whole word that the groups know."""
    return frozenset(word for group in heading_groups() for word in group.words)


def shown_headings(headings: Sequence[str], known_words: Iterable[str] = ()) -> Mapping[str, str]:
    """How each heading may be repeated in a message: as it is in quotes, or by its place.

    A heading is withheld where it looks like data: an e-mail address, a telephone number, a date, a record number, a
    number, or capitalised words of which none is known. Where one looks like a number, date or contact, the row is
    probably no header at all, and every heading without a known word is withheld.

    ``headings``: The headings in file order. ``known_words``: Words of the contract and of the trade, lower case; words
    of ``identifying.toml`` are added.
    """
    known = identifying_terms().union(known_words).difference(TITLES)
    kinds = kinds_of(headings, long_text=False).to_list()
    kinds = [
        kind or ("a number" if _NUMBER.fullmatch(text) else None) for kind, text in zip(kinds, headings, strict=True)
    ]
    has_known = [bool(known.intersection(heading_terms(heading))) for heading in headings]
    no_header = any(kind not in (None, NAME) for kind in kinds)
    shown: dict[str, str] = {}
    for place, heading in enumerate(headings, 1):
        kind = kinds[place - 1]
        if kind == NAME and has_known[place - 1]:
            kind = None
        if kind or (no_header and not has_known[place - 1]):
            shown[heading] = f"column {place} (its heading looks like {kind or 'data'} and is not repeated)"
        else:
            shown[heading] = f'"{heading}"'
    return shown


def told_heading(heading: str, place: int | None, known_words: Iterable[str]) -> str:
    """A heading as a refusal may repeat it: a word that is not known may be a name, so ``…`` stands for it.

    ``heading``: The heading. ``place``: Its place in the file from 1, said where something is left out; None where the
    file has no such column. ``known_words``: Words of the contract and of the trade, lower case; words spelt nearly
    like one are repeated too.
    """
    known = identifying_terms().union(known_words).difference(TITLES)
    told = _WORD.sub(lambda word: word[0] if _names_nobody(word[0], known) else "…", heading)
    return f'"{told}"' if told == heading or place is None else f'column {place} ("{told}")'


def _names_nobody(text: str, known: frozenset[str]) -> bool:
    words = heading_terms(text)
    return all(
        word in known or _SHORT.fullmatch(word) or get_close_matches(word, known, n=1, cutoff=_SPELT_ALIKE)
        for word in words
    )
