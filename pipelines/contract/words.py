"""Words people write in cells, read from ``words.toml``; the contract joins those of codes to its own."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from warehouse.toml_files import shipped, structure

_NOT_CODES = ("asks", "sexes", "between", "months", "units")


@dataclass(frozen=True, slots=True)
class AskedWord:
    """Words that may mean several codes of a list: the user is asked which."""

    codes: str
    words: tuple[str, ...]
    among: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True)
class CellWords:
    """What ``words.toml`` holds, languages put together; as written there."""

    aliases: Mapping[str, Mapping[str, tuple[str, ...]]]  # List of codes -> code -> words
    asks: tuple[AskedWord, ...]
    sexes: tuple[tuple[str, str], ...]  # Letters or figures of (male, female) that go together
    between: tuple[str, ...]  # What stands between appliances of one cell that follow each other
    months: tuple[tuple[str, ...], ...]  # Names of each of the twelve months


@lru_cache(maxsize=1)
def written_in_cells() -> CellWords:
    """The words shipped with the package."""
    data = shipped("pipelines.contract", "words.toml")
    aliases: dict[str, dict[str, tuple[str, ...]]] = {}
    for codes in data.keys() - set(_NOT_CODES):
        joined: defaultdict[str, list[str]] = defaultdict(list)
        for language in data[codes].values():
            for code, words in language.items():
                joined[code] += words
        aliases[codes] = {code: tuple(dict.fromkeys(words)) for code, words in joined.items()}
    return CellWords(
        aliases=aliases,
        asks=structure(tuple[AskedWord, ...], data["asks"], where="words.toml"),
        sexes=tuple((pair["male"], pair["female"]) for pair in data["sexes"]),
        between=tuple(data["between"]["words"]),
        months=tuple(tuple(filter(None, names)) for names in zip(*data["months"].values(), strict=True)),
    )
