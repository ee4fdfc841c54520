"""Which contract names the heading of a column may mean."""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from pipelines.contract.contract import Contract, ContractColumn
from pipelines.contract.targets import RULER, Targets, date_name
from pipelines.mapping.trade_words import squeezed, trade_terms, words_of
from warehouse.measures.landmarks import ALIASES, LANDMARKS
from warehouse.measures.measure import Measure

T_NUMBER = re.compile(r"t[0-9]")
_KNOWN_T = frozenset({"t1", "t2", "t3"})
OTHER_TIMES = "the file has a T0, so T1 and T2 may be other times"


@dataclass(frozen=True, slots=True)
class Match:
    """What a heading may mean."""

    names: tuple[str, ...] = ()  # Contract names, the likeliest first; empty where the heading says nothing
    why: str = ""  # Why it is left to the user; empty where the heading says exactly one thing

    @property
    def sure(self) -> bool:
        """Whether the heading says exactly one thing."""
        return len(self.names) == 1 and not self.why


NOTHING = Match()

_OF_ROWS = ("timepoint", "measure", "value", "unit", "repeat_no")
_COORDINATE = re.compile(r"(?:([xyXY])[ _.\-]?(.+?)|(.+?)[ _.\-]?([xyXY]))")


@dataclass(frozen=True, slots=True)
class _Heading:
    """A heading taken apart."""

    rest: tuple[str, ...]
    times: tuple[str, ...]
    number: int | None
    unit: str | None


class WideNames:
    """Matches headings of a file of one row a case, or of several rows a case.

    ``by_row``: Whether a row states its time, so that headings need not.
    """

    def __init__(self, contract: Contract, measures: Mapping[str, Measure], *, by_row: bool = False) -> None:
        self.measures, self._timepoints, self._by_row = measures, contract.timepoints, by_row
        self._targets = Targets("long" if by_row else "wide", None, contract=contract, measures=measures)
        self._of_rows = {squeezed(w): name for name in _OF_ROWS for w in (name, *trade_terms().tabular.get(name, ()))}
        self._columns = _column_index(contract)
        self._codes = _measure_index(measures)
        self._shared = {squeezed(word): shared for shared in trade_terms().ambiguous for word in shared.words}
        self._phrases = sorted(_time_phrases(), key=lambda phrase: -len(phrase[0]))

    def match(self, heading: str, *, t_numbers_unclear: bool = False) -> Match:
        """What a heading may mean.

        ``t_numbers_unclear``: Whether the file has a T0, so that T1 and T2 need not be start and finish.
        """
        target = self._targets.find("_".join(heading.lower().split()))
        if target is not None:
            return Match((target.name,))
        if self._by_row and squeezed(heading) in self._of_rows:
            return Match((self._of_rows[squeezed(heading)],))
        found = self._whole(heading) or self._taken_apart(heading)
        if found.sure and t_numbers_unclear and _KNOWN_T.intersection(words_of(heading)):
            return Match(self._other_times(found.names[0]), OTHER_TIMES)
        return found

    def names_a_time(self, text: str) -> bool:
        """Whether a text, such as the name of a sheet, names one time of records."""
        return len(self._times(_uncompounded(words_of(text)))[0]) == 1

    def measures_named(self, text: str) -> tuple[tuple[str, ...], str]:
        """The measures that a cell may name, and why it is not certain which; no measures where it names none."""
        for key in _keys(tuple(words_of(text))):
            if key in self._shared:
                return self._shared[key].measures, self._shared[key].why
            if key in self._codes:
                return (self._codes[key],), ""
        return (), ""

    def _whole(self, heading: str) -> Match | None:
        """A heading that as a whole is a word for a column of cases, such as ``Age at start``."""
        columns = [column for table, column in self._columns.get(squeezed(heading), ()) if table == "cases"]
        return Match((columns[0].name,)) if len(columns) == 1 else None

    def _taken_apart(self, heading: str) -> Match:
        parts = self._parts(heading)
        if trade_terms().filler.issuperset(parts.rest) and len(parts.times) == 1 and not self._by_row:
            return self._only_a_time(parts.times[0])
        for key in _keys(parts.rest):
            found = self._meaning(key, parts)
            if found.names:
                return found
        return NOTHING

    def _only_a_time(self, timepoint: str) -> Match:
        names = (date_name(timepoint), f"records_taken_{timepoint}")
        return Match(names, "the heading names a time and not what is recorded of it")

    def _parts(self, heading: str) -> _Heading:
        times, rest = self._times(_uncompounded(words_of(heading)))
        number = None
        if rest and rest[-1].isdigit():
            number, rest = int(rest[-1]), rest[:-1]
        elif rest and (glued := re.fullmatch(r"(\D+)(\d)", rest[-1])):
            number, rest = self._unglued(rest, glued)
        units = trade_terms().units
        unit = next((unit for word in rest for unit, spellings in units.items() if word in spellings), None)
        return _Heading(tuple(rest), times, number, unit)

    def _unglued(self, rest: list[str], glued: re.Match[str]) -> tuple[int | None, list[str]]:
        """``ANB1`` is ANB and 1, but the 1 of ``U1`` belongs to the name."""
        if self._known("".join(rest)):
            return None, rest
        shorter = [*rest[:-1], glued[1]]
        return (int(glued[2]), shorter) if any(map(self._known, _keys(tuple(shorter)))) else (None, rest)

    def _known(self, key: str) -> bool:
        return key in self._codes or key in self._shared or key in self._columns

    def _times(self, words: Sequence[str]) -> tuple[tuple[str, ...], list[str]]:
        """The timepoints named, and the words left over."""
        rest, times = list(words), []
        for phrase, timepoint in self._phrases:
            at = _position(rest, phrase)
            if at is not None:
                times.append(timepoint)
                del rest[at : at + len(phrase)]
        return tuple(dict.fromkeys(times)), rest

    def _meaning(self, key: str, parts: _Heading) -> Match:
        if key in self._shared:
            shared = self._shared[key]
            return Match(self._at_times(shared.measures, parts), shared.why)
        if key in self._codes:
            return self._measure(self._codes[key], parts)
        return self._column(self._columns.get(key, []), parts)

    def _measure(self, code: str, parts: _Heading) -> Match:
        names = self._at_times((code,), parts)
        why = self._why_time(parts)
        unit = self.measures[code].unit
        if not why and parts.unit and parts.unit != unit:
            why = f"the heading says {parts.unit}, the measure is kept in {unit}"
        return Match(names, why)

    def _at_times(self, codes: Iterable[str], parts: _Heading) -> tuple[str, ...]:
        if self._by_row and not parts.times:
            return tuple(codes)
        return tuple(f"{code}_{timepoint}" for timepoint in parts.times or ("start", "finish") for code in codes)

    def _column(self, columns: Sequence[tuple[str, ContractColumn]], parts: _Heading) -> Match:
        found = [self._column_names(table, column, parts) for table, column in columns]
        found = [match for match in found if match.names]
        names = tuple(dict.fromkeys(name for match in found for name in match.names))
        if len(names) == 1 or len(found) == 1:
            return found[0]
        return Match(names, "several columns of the contract may be meant") if names else NOTHING

    def _column_names(self, table: str, column: ContractColumn, parts: _Heading) -> Match:
        if table == "cases":
            return Match((column.name,)) if parts.times in ((), ("start",)) else NOTHING
        if table == "phases":
            why = "it is not stated which phase is meant" if parts.times else ""
            return Match((f"phase_{parts.number or 1}_{column.name}",), why)
        if self._by_row and not parts.times:
            return Match((column.name,))
        times = parts.times or self._timepoints
        if column.name == "age" and not parts.times:
            return NOTHING
        names = tuple(date_name(one) if column.type == "date" else f"{column.name}_{one}" for one in times)
        return Match(tuple(one.name for one in map(self._targets.find, names) if one), self._why_time(parts))

    def _why_time(self, parts: _Heading) -> str:
        return "" if self._by_row and not parts.times and parts.number is None else _why_time(parts)

    def _other_times(self, name: str) -> tuple[str, ...]:
        target = self._targets.find(name)
        if target is None or target.timepoint is None:
            return (name,)
        return tuple(name.replace(f"_{target.timepoint}", f"_{one}") for one in self._timepoints)


def _uncompounded(words: Iterable[str]) -> list[str]:
    """German compounds taken apart: ``abschlussdatum`` is two words, the first of ``behandlungsende`` says nothing."""
    parts: list[str] = []
    for word in words:
        short = word.removeprefix("behandlungs")
        stem = short.removesuffix("datum")
        parts += [stem, "datum"] if stem and stem != short else [short or word]
    return parts


def _why_time(parts: _Heading) -> str:
    if len(parts.times) == 1 and parts.number is None:
        return ""
    if len(parts.times) > 1:
        return "the heading names more than one time"
    if parts.number is not None:
        return f"it is not stated which time or reading the figure {parts.number} means"
    return "it is not stated whether this is at start or at finish"


def has_t_zero(headings: Iterable[str]) -> bool:
    """Whether times are counted from T0, so that T1 need not be the start."""
    return any("t0" in words_of(heading) for heading in headings)


def names_a_t_number(heading: str) -> bool:
    """Whether a heading names a time by T and a figure that the contract does not know."""
    return any(T_NUMBER.fullmatch(word) and word not in _KNOWN_T for word in words_of(heading))


def _position(words: Sequence[str], phrase: Sequence[str]) -> int | None:
    places = range(len(words) - len(phrase) + 1)
    return next((at for at in places if list(words[at : at + len(phrase)]) == list(phrase)), None)


def _keys(rest: tuple[str, ...]) -> list[str]:
    """The words run together: all, without units, without filler, without both."""
    units = {word for spellings in trade_terms().units.values() for word in spellings}
    filler = trade_terms().filler
    keys = ["".join(rest)]
    keys += ["".join(word for word in rest if word not in leave) for leave in (units, filler, units | filler)]
    return [key for key in dict.fromkeys(keys) if key]


def _column_index(contract: Contract) -> dict[str, list[tuple[str, ContractColumn]]]:
    index: dict[str, list[tuple[str, ContractColumn]]] = {}
    for table in contract.tables:
        for column in table.columns:
            if column.wide:
                terms = (column.name, *column.aliases, *trade_terms().columns.get(column.name, ()))
                for key in dict.fromkeys(map(squeezed, terms)):
                    index.setdefault(key, []).append((table.name, column))
    return index


def _measure_index(measures: Mapping[str, Measure]) -> dict[str, str]:
    index: dict[str, str] = {}
    for code, measure in measures.items():
        for words in (code, code.rsplit("_", 1)[0], measure.label, *trade_terms().measures.get(code, ())):
            index.setdefault(squeezed(words), code)
    shared = {squeezed(word) for one in trade_terms().ambiguous for word in one.words}
    return {key: code for key, code in index.items() if key not in shared}


def _time_phrases() -> Iterator[tuple[tuple[str, ...], str]]:
    for timepoint, phrases in trade_terms().timepoints.items():
        for phrase in phrases:
            yield tuple(words_of(phrase)), timepoint


class TabularNames:
    """Matches headings of a file of one row a reading, or one row a point."""

    def __init__(self, table: str, contract: Contract) -> None:
        own = {"case_id": contract.table("cases").column("case_id").aliases}
        more = {**trade_terms().columns, **trade_terms().tabular}
        self._is_points = table == "landmarks"
        self._index = {
            squeezed(word): column.name
            for column in contract.table(table).columns
            for word in (column.name, *own.get(column.name, ()), *more.get(column.name, ()))
        }

    def match(self, heading: str, *, t_numbers_unclear: bool = False) -> Match:
        """What a heading may mean; times are cells here, so T-numbers do not matter."""
        name = self._index.get(squeezed(heading)) or (coordinate(heading) if self._is_points else "")
        return Match((name,)) if name else NOTHING


def coordinate(heading: str) -> str:
    """``x_S`` for a column of the horizontal places of sella, however it is written (``S x``, ``S_X``); else empty."""
    match = _COORDINATE.fullmatch(heading.strip())
    axis, point = ((match[1] or match[4]).lower(), match[2] or match[3]) if match else ("", "")
    point = ALIASES.get(point, point)
    ruler = next((code for code, words in _RULERS.items() if squeezed(point) in words), "")
    return f"{axis}_{ruler or point}" if axis and (ruler or point in LANDMARKS) else ""


_RULERS = {one: tuple(f"{word}{one[-1]}" for word in trade_terms().ruler) for one in RULER}
