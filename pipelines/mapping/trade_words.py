"""Words people write above columns, for drafting a mapping and for telling headings from data."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache

from pipelines.contract.contract import Contract
from pipelines.deidentify.headings import heading_terms
from warehouse.measures.measure import Measure
from warehouse.toml_files import shipped, structure


@dataclass(frozen=True, slots=True)
class SharedName:
    """A name that several measures share."""

    words: tuple[str, ...]
    measures: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True)
class TradeWords:
    """What ``trade_words.toml`` holds; phrases as written there."""

    timepoints: Mapping[str, tuple[str, ...]]  # Timepoint -> phrases
    filler: frozenset[str]  # Words without meaning for the choice of a column
    units: Mapping[str, tuple[str, ...]]  # Unit -> words
    measures: Mapping[str, tuple[str, ...]]  # Code of a measure -> names that mean it alone
    ambiguous: tuple[SharedName, ...]  # Names that several measures share
    columns: Mapping[str, tuple[str, ...]]  # Contract column -> more names
    tabular: Mapping[str, tuple[str, ...]]  # Column of a table of readings or points -> names
    ruler: tuple[str, ...]  # Names of a ruler's ends, before 1 and 2


@lru_cache(maxsize=1)
def trade_terms() -> TradeWords:
    """The words shipped with the package."""
    words: TradeWords = structure(
        TradeWords, shipped("pipelines.mapping", "trade_words.toml"), where="trade_words.toml"
    )
    return words


def words_of(heading: str) -> list[str]:
    """The words of a heading, with the signs of units spelt out."""
    return heading_terms(heading.replace("%", " pct ").replace("°", " deg "))


def squeezed(heading: str) -> str:
    """A heading without case, accents, spaces and punctuation, for comparing."""
    return "".join(words_of(heading))


def known_terms(contract: Contract, measures: Mapping[str, Measure]) -> frozenset[str]:
    """Every word of three letters or more that tells a heading of a file that fits the contract from data."""
    found = (word for phrase in _phrases(contract, measures) for word in words_of(phrase))
    return frozenset(word for word in (*found, *trade_terms().filler) if len(word) > 2)


def _phrases(contract: Contract, measures: Mapping[str, Measure]) -> Iterator[str]:
    words = trade_terms()
    for section in (words.timepoints, words.units, words.measures, words.columns, words.tabular):
        for phrases in section.values():
            yield from phrases
    for shared in words.ambiguous:
        yield from shared.words
    for measure in measures.values():
        yield from (measure.code, measure.label)
    for table in contract.tables:
        for column in table.columns:
            yield from (column.name, *column.aliases)
