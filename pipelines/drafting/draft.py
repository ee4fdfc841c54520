"""Drafting a mapping: every column of a file with what it may be, and every code seen."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Literal, get_args

import polars as pl

from pipelines.cells.codes import teeth_by_letters, teeth_text
from pipelines.cells.dates import order_of
from pipelines.cells.numbers import decimal_of, read_numbers
from pipelines.cells.phases_in_turn import in_turn
from pipelines.cells.reading import PSEUDONYM_FIELDS, read_cells
from pipelines.cells.understood import Expected, text_of
from pipelines.contract.contract import Contract
from pipelines.contract.delivery import Layout, RawTable
from pipelines.contract.targets import IN_TURN, Target, Targets
from pipelines.contract.units import factor, units_for
from pipelines.contract.words import written_in_cells
from pipelines.deidentify.contents import RECORD_NUMBER
from pipelines.deidentify.headings import heading_reason, shown_headings
from pipelines.deidentify.refusing import PLURALS, content_reason
from pipelines.drafting.codes_seen import CodesSeen, alias_spellings, codes_seen, is_universal, teeth_spellings
from pipelines.drafting.names import (
    NOTHING,
    T_NUMBER,
    Match,
    TabularNames,
    WideNames,
    coordinate,
    has_t_zero,
    names_a_t_number,
)
from pipelines.mapping.column_mapping import check_sources, missing_required, own_spellings
from pipelines.mapping.trade_words import known_terms, squeezed
from pipelines.reading.cells import share_of_numbers
from pipelines.reading.decimals import MIN_NUMBERS, SAMPLE_ROWS
from warehouse.errors import BadFileError
from warehouse.measures.measure import Measure

ENOUGH = 0.8  # share of the filled cells that must fit for the content not to speak against a name

MANY_DIFFERENT = 30
"""A coded column with more different values, of which (of teeth: of most) none is known, is hardly one."""


def doubt(cells: pl.Series, expected: Expected, *, contract: Contract, measures: Mapping[str, Measure]) -> str:
    """Why the cells speak against the name, or the empty string.

    The spellings of ``expected`` are those that drafts know too.
    """
    target = expected.target
    understood = read_cells(cells, expected)
    filled = understood.values.len() - understood.values.null_count() + understood.bad.height
    if filled == 0:
        return ""
    if target.field == "case_id":
        return _doubt_of_keys(understood.values) if target.table == "cases" else ""
    if target.field in PSEUDONYM_FIELDS:
        return (
            "it holds words that are not pseudonyms; give each one in [codes], or leave the column out"
            if understood.bad.height
            else ""
        )
    fitting, different = filled - understood.bad.height, understood.bad["text"].n_unique()
    if target.type == "code":
        none_known = not fitting and different > MANY_DIFFERENT
        return f"it holds {different} different values, and none is known as a code" if none_known else ""
    if fitting < filled * ENOUGH and not (target.type == "codes" and fitting and different <= MANY_DIFFERENT):
        short = target.type == "date" and understood.bad["text"].str.contains(r"\D\d\d$").all()
        what = f"{_PLURALS[target.type]}{'; a year needs four digits' if short else ''}"
        return f"only {fitting} of {filled} filled cells are {what}"
    return _doubt_of_range(understood.values, target, contract, measures) if target.type == "number" else ""


_PLURALS = {
    "number": "numbers",
    "integer": "whole numbers",
    "codes": "tooth codes",
    "quarter": "quarters",
    "date": "dates",
    "text": "of the right form",
}


def _doubt_of_keys(values: pl.Series) -> str:
    filled = values.drop_nulls()
    if filled.n_unique() >= ENOUGH * filled.len():
        return ""
    return "the same values stand in many rows, which a number of a case would not"


def _doubt_of_range(values: pl.Series, target: Target, contract: Contract, measures: Mapping[str, Measure]) -> str:
    limits = _limits(target, contract, measures)
    if limits is None or _within(values, limits) >= ENOUGH:
        return ""
    low, high = limits
    for unit in units_for(str(target.unit))[1:]:
        if _within(values * (factor(unit, str(target.unit)) or 1.0), limits) >= ENOUGH:
            return f'the values fit if they are in {unit}: then add "..." = "{unit}" to [units]'
    share = _within(values, limits)
    return f"only {share:.0%} of the values lie within {low:g} to {high:g} {target.unit}"


def _limits(target: Target, contract: Contract, measures: Mapping[str, Measure]) -> tuple[float, float] | None:
    if target.measure:
        return measures[target.field].plausible
    column = contract.table(target.table).column(target.field)
    return None if column.min is None or column.max is None else (column.min, column.max)


def _within(values: pl.Series, limits: tuple[float, float]) -> float:
    filled = values.drop_nulls()
    return float(filled.is_between(*limits).mean() or 0.0)  # type: ignore[arg-type]


def hint(cells: pl.Series, contract: Contract) -> str:
    """What the cells of a column with an unknown heading look like, in words; empty where they say nothing.

    No value is repeated.
    """
    reason = content_reason(cells)
    if reason:
        return f"its cells hold {reason}"
    texts = text_of(cells).drop_nulls().unique().head(200).str.to_lowercase()
    texts = texts.filter(~texts.is_in(sorted(contract.missing)))
    if texts.is_empty():
        return "it is empty"
    if all(teeth_text(text) for text in texts):
        return "its cells hold tooth codes" if texts.len() > 1 else ""
    sexes = {spelling for code in contract.codes["sex"] for spelling in (code.code, *code.also, *code.aliases)}
    sexes |= {letter for pair in written_in_cells().sexes for letter in pair}
    return "its cells hold codes of sex" if set(texts) <= sexes and texts.len() > 1 else ""


_ABOVE = (("N", "Me"), ("N'", "Me'"), ("N", "Gn"), ("Or", "Me"), ("ANS", "Me"), ("Prn", "Pog'"))
"""Pairs of which the first lies above the second in every upright face."""

_BEHIND = (("S", "N"), ("S", "A"), ("Go", "Me"), ("Po", "Or"), ("Ar", "A"))
"""Pairs of which the first lies behind the second in every profile."""

_SURE = 0.9
_ANY_DAY = date.max


def axes_seen(columns: Mapping[str, pl.Series], decimal: str) -> dict[str, object]:
    """``y_axis`` and ``faces`` as nine pictures of ten show them, and ``view`` where a point is seen in one only.

    ``columns``: Contract name -> cells: ``landmark``, ``x`` and ``y``, or a column a coordinate (``x_S``).
    """
    places = _by_column(columns, decimal) if "landmark" not in columns else _by_row(columns, decimal)
    found: dict[str, object] = {}
    down = _share(places, _ABOVE, "y")
    right = _share(places, _BEHIND, "x")
    for name, share, often, seldom in (("y_axis", down, "down", "up"), ("faces", right, "right", "left")):
        if share is not None and (share >= _SURE or share <= 1 - _SURE):
            found[name] = often if share >= _SURE else seldom
    return found


def _numbers(cells: pl.Series, decimal: str) -> pl.Series:
    target = Target(name="x", table="landmarks", field="x", type="number")
    return read_numbers(cells, Expected(target=target, today=_ANY_DAY, decimal="," if decimal == "," else ".")).values


def _by_column(columns: Mapping[str, pl.Series], decimal: str) -> dict[str, pl.DataFrame]:
    return {
        name[2:]: pl.DataFrame({"x": _numbers(cells, decimal), "y": _numbers(columns[f"y_{name[2:]}"], decimal)})
        for name, cells in columns.items()
        if name.startswith("x_") and f"y_{name[2:]}" in columns
    }


def _by_row(columns: Mapping[str, pl.Series], decimal: str) -> dict[str, pl.DataFrame]:
    """The first place of each point in each picture, pictures in one order."""
    if not {"x", "y"} <= columns.keys():
        return {}
    keys = [name for name in ("case_id", "timepoint", "view", "examiner", "repeat_no") if name in columns]
    frame = pl.DataFrame({name: columns[name].cast(pl.String) for name in (*keys, "landmark")}).with_columns(
        x=_numbers(columns["x"], decimal), y=_numbers(columns["y"], decimal)
    )
    pictures = frame.select(keys).unique(maintain_order=True)
    return {
        str(code): pictures.join(points.unique(keys), on=keys, how="left", maintain_order="left").select("x", "y")
        for (code,), points in frame.partition_by("landmark", as_dict=True).items()
    }


def _share(places: Mapping[str, pl.DataFrame], pairs: tuple[tuple[str, str], ...], axis: str) -> float | None:
    """In what share of pictures the first of a pair has the smaller coordinate; None where no pair is there."""
    smaller = [places[one][axis] < places[other][axis] for one, other in pairs if one in places and other in places]
    told = pl.concat(smaller).drop_nulls() if smaller else pl.Series(dtype=pl.Boolean)
    return float(told.mean() or 0.0) if told.len() else None  # type: ignore[arg-type]


Kind = Literal["mapped", "unsure", "identifying", "ignored", "unknown", "withheld"]
Order = Literal["dmy", "mdy", "unclear", ""]


@dataclass(frozen=True, slots=True)
class DraftLine:
    """One column of the file in a draft."""

    column: str  # Its heading; for `withheld` what is said instead of it
    # `mapped`, `unsure` (left to the user), `identifying` and `ignored` (left out), `unknown`, or `withheld` where the
    # heading looks like a name and is not repeated
    kind: Kind
    names: tuple[str, ...] = ()  # Contract names it may go to, the likeliest first
    why: str = ""  # Why it is not mapped


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A proposal for a mapping file."""

    source: str  # Name of the file it is for
    layout: Layout  # Layout taken
    table: str | None  # Contract table of a tabular file
    decimal: str  # Decimal mark seen, or empty
    date_order: Order  # Order of dates seen; `unclear` where dates can be read both ways
    settings: Mapping[str, object]  # Further settings of [file]: seen in the file, or those of an earlier mapping
    lines: tuple[DraftLine, ...]  # The columns in file order
    codes: tuple[CodesSeen, ...]  # Spellings seen in the coded columns that are mapped
    units: Mapping[str, str]  # Column -> unit
    constants: Mapping[str, object]  # Contract name -> value for every row
    missing: tuple[Target, ...]  # Required contract names that no column fills
    targets: Targets  # Every contract name of the layout
    notes: tuple[str, ...]  # Remarks on the file as a whole


def draft_mapping(
    raw: RawTable,
    *,
    contract: Contract,
    catalogue: Mapping[str, Measure],
    earlier: Mapping[str, Any] | None = None,
    together: Sequence[str] = (),
) -> Draft:
    """Propose a mapping for a file.

    Headings propose; cells only confirm or raise doubts. Whatever could mean two things is left to the user.

    ``earlier``: Sections of an earlier mapping: what it says of columns and spellings of this file stays as it is.
    ``together``: Headings of the case number, where the table was put together from several. Raises BadFileError: the
    headings look like data: the file has no header row, or another one.
    """
    return _Drafter(raw, contract, catalogue, earlier or {}, tuple(together)).draft()


class _Drafter:
    def __init__(
        self,
        raw: RawTable,
        contract: Contract,
        catalogue: Mapping[str, Measure],
        earlier: Mapping[str, Any],
        together: tuple[str, ...],
    ) -> None:
        self.raw, self.contract, self.catalogue = raw, contract, catalogue
        self.earlier = {name: dict(section) for name, section in earlier.items() if isinstance(section, Mapping)}
        self.together = together
        self.shown = shown_headings(raw.frame.columns, known_terms(contract, catalogue))
        self._refuse_data_as_headings()
        self.times = self._column_of_times()
        self.layout, self.table = self._layout()
        self.targets = Targets(self.layout, self.table, contract=contract, measures=catalogue)
        by_row = self.layout == "long" and bool(self.times)
        wide = WideNames(contract, catalogue, by_row=by_row)
        self.wide_names = wide
        self.names = wide if self.layout in ("wide", "long") else TabularNames(str(self.table), contract)
        self.decimal = self._decimal()

    def _refuse_data_as_headings(self) -> None:
        places = [place for place, text in enumerate(self.shown.values(), 1) if _looks_like_data(text)]
        if places:
            found = f"the headings look like data (columns {', '.join(map(str, places))})"
            remedy = "export the file with a row of headings, or say which row they are in with header_row"
            raise BadFileError(found, where=self.raw.source.name, expected="a row of headings", remedy=remedy)

    def _layout(self) -> tuple[Layout, str | None]:
        stated = self.earlier.get("file", {})
        if "layout" in stated or "table" in stated:
            said = str(stated.get("layout") or ("points" if stated["table"] == "landmarks" else "tabular"))
            layouts: tuple[Layout, ...] = get_args(Layout)
            layout: Layout = next((one for one in layouts if one == said), "wide")
            return layout, "landmarks" if layout == "points" else str(stated["table"]) if "table" in stated else None
        points = [coordinate(heading) for heading in self.raw.frame.columns]
        named = {name for heading in self.raw.frame.columns for name in self._tabular("landmarks", heading)}
        if named >= {"landmark", "x", "y"} or sum(map(bool, points)) >= _FEWEST_COORDINATES:
            return "points", "landmarks"
        named = {name for heading in self.raw.frame.columns for name in self._tabular("measurements", heading)}
        if self.together or (self.times and not named >= {"measure", "value"}):
            return "long", None
        if named >= {"measure", "value"} and ("timepoint" in named or self.times):
            wide = WideNames(self.contract, self.catalogue)
            cases = {name for heading in self.raw.frame.columns for name in wide.match(heading).names}
            return ("long", None) if cases & {"sex", "age_at_start", "birth_date"} else ("tabular", "measurements")
        return "wide", None

    def _tabular(self, table: str, heading: str) -> tuple[str, ...]:
        return TabularNames(table, self.contract).match(heading).names

    def _column_of_times(self) -> str:
        """The column of several times by its heading, or by its cells alone where cases have several rows; or empty."""
        known = alias_spellings(self.contract.codes["timepoint"])
        names = {heading: self._tabular("measurements", heading) for heading in self.raw.frame.columns}
        cases = [self.raw.frame[heading] for heading, named in names.items() if named == ("case_id",)]
        several = any(cells.drop_nulls().n_unique() < cells.drop_nulls().len() for cells in cases)
        for wanted in (("timepoint",), ()) if several else (("timepoint",),):
            for heading in (one for one, named in names.items() if named == wanted):
                texts = [squeezed(text) for text in text_of(self.raw.frame[heading]).drop_nulls().unique()]
                times = [known.get(text, text) for text in texts if text in known or T_NUMBER.fullmatch(text)]
                if len(set(times)) > 1 and (wanted or len(times) == len(texts)):
                    return heading
        return ""

    def _decimal(self) -> str:
        texts = self.raw.frame.select(pl.col(pl.String)).iter_columns()
        found = decimal_of(column for column in texts if share_of_numbers(column.head(SAMPLE_ROWS)) >= MIN_NUMBERS)
        return found if found in (".", ",") else ""

    def draft(self) -> Draft:
        lines = self._with_case_number([self._line(heading) for heading in self.raw.frame.columns])
        lines = self._without_clashes(lines)
        mapped = {line.column: self._target(line.names[0]) for line in lines if line.kind == "mapped"}
        constants = {**self._seen_constants(mapped), **self.earlier.get("constants", {})}
        filled = [*mapped.values(), *filter(None, map(self.targets.find, constants))]
        stated = self.earlier.get("file", {})
        offered = {line.names[0] for line in lines if line.kind == "unsure"}
        return Draft(
            source=self.raw.source.name,
            layout=self.layout,
            table=self.table if self.layout == "tabular" else None,
            decimal=stated.get("decimal", self.decimal),
            date_order=stated.get("date_order") or self._date_order(lines),
            settings=self._settings(mapped, stated),
            lines=tuple(lines),
            codes=self._codes(mapped),
            units={column: unit for column, unit in self.earlier.get("units", {}).items() if column in mapped},
            constants=constants,
            missing=tuple(one for one in missing_required(filled, self.targets) if one.name not in offered),
            targets=self.targets,
            notes=tuple(self._notes(list(mapped.values()))),
        )

    def _settings(self, mapped: Mapping[str, Target], stated: Mapping[str, Any]) -> dict[str, object]:
        found: dict[str, object] = {"together": list(self.together)} if self.together else {}
        if any(is_universal(self.raw.frame[column]) for column, target in mapped.items() if target.type == "codes"):
            found["teeth"] = "universal"
        told = ("layout", "table", "decimal", "date_order")
        return found | {name: value for name, value in stated.items() if name not in told}

    def _seen_constants(self, mapped: Mapping[str, Target]) -> dict[str, object]:
        if self.layout != "points":
            return {}
        columns = {target.name: self.raw.frame[column] for column, target in mapped.items()}
        seen = axes_seen(columns, "," if self.decimal == "," else ".")
        return {name: value for name, value in seen.items() if name not in columns}

    def _target(self, name: str) -> Target:
        target = self.targets.find(name)
        if target is None:  # pragma: no cover - names come from the targets
            raise KeyError(name)
        return target

    def _line(self, heading: str) -> DraftLine:
        stated = self.earlier.get("columns", {}).get(heading)
        if stated is not None and stated in self.targets:
            return DraftLine(heading, "mapped", (self._target(stated).name,))
        if heading in self.earlier.get("ignored", {}):
            return DraftLine(heading, "ignored", why=str(self.earlier["ignored"][heading]))
        if not self.shown[heading].startswith('"'):
            return DraftLine(self.shown[heading], "withheld", why="repeat the heading yourself")
        if heading in self.together:
            return DraftLine(heading, "mapped", ("case_id",))
        match = self._by_dates(heading, self._match(heading))
        if self.layout == "long" and match.names == ("age_at_start",) and self._varies(heading):
            match = Match(("age",))
        if match.names == ("phase_1_appliance_category",):
            texts = text_of(self.raw.frame[heading]).drop_nulls().unique()
            match = Match((IN_TURN,)) if any(len(in_turn(text)) > 1 for text in texts) else match
        if match.sure:
            why = self._doubt(heading, match.names[0])
            return DraftLine(heading, "unsure" if why else "mapped", match.names, why)
        if match.names:
            return DraftLine(heading, "unsure", match.names, match.why)
        return self._unmatched(heading)

    def _match(self, heading: str) -> Match:
        if heading == self.times and self.layout == "long":
            return Match(("timepoint",))
        match = self.names.match(heading, t_numbers_unclear=has_t_zero(self.raw.frame.columns))
        return Match(tuple(name for name in match.names if name in self.targets), match.why) if match.names else NOTHING

    def _by_dates(self, heading: str, match: Match) -> Match:
        """Of names of which one is of a date, that one where the cells hold dates."""
        dates = tuple(name for name in match.names if self._target(name).type == "date")
        if match.sure or len(dates) != 1:
            return match
        read = read_cells(self.raw.frame[heading], self._expected(heading, self._target(dates[0])))
        n_dates = read.values.len() - read.values.null_count()
        return Match(dates) if n_dates and n_dates >= ENOUGH * (n_dates + read.bad.height) else match

    def _with_case_number(self, lines: list[DraftLine]) -> list[DraftLine]:
        """Where nothing else is one, a column of numbers left out as a record number or name may be the case number."""
        found = [line for line in lines if line.kind == "identifying" and self._numbers_cases(line.column)]
        if len(found) != 1 or any("case_id" in line.names for line in lines):
            return lines
        why = "no other column holds a number of the case; it is kept as a keyed hash alone"
        offered = replace(found[0], kind="unsure", names=("case_id",), why=why)
        return [offered if line is found[0] else line for line in lines]

    def _numbers_cases(self, heading: str) -> bool:
        """Whether the cells of a column left out for its heading are words with a figure, one for each case."""
        texts = text_of(self.raw.frame[heading]).drop_nulls()
        if heading_reason(heading) is None or not texts.len() or not texts.str.contains(r"^\S*\d\S*$").all():
            return False
        return content_reason(texts) in (None, PLURALS[RECORD_NUMBER]) and not self._doubt(heading, "case_id")

    def _varies(self, heading: str) -> bool:
        """Whether most cases of several rows have several values in a column."""
        case = next((one for one in self.raw.frame.columns if self._match(one).names == ("case_id",)), None)
        if case is None:
            return False
        several = self.raw.frame.group_by(case).agg(pl.len().alias("n"), pl.col(heading).drop_nulls().n_unique())
        several = several.filter(pl.col("n") > 1)
        return bool(several.height and (several[heading] > 1).sum() * 2 > several.height)

    def _unmatched(self, heading: str) -> DraftLine:
        reason = heading_reason(heading)
        if reason:
            return DraftLine(heading, "identifying", why=reason)
        cells = self.raw.frame[heading]
        content = content_reason(cells)
        if content and content != "full dates":
            return DraftLine(heading, "identifying", why=content)
        said = hint(cells, self.contract)
        if names_a_t_number(heading):
            said = "the contract has no time of that number" + (f"; {said}" if said else "")
        return DraftLine(heading, "unknown", why=said)

    def _doubt(self, heading: str, name: str) -> str:
        if self.layout == "long" and name == "case_id":
            return ""
        expected = self._expected(heading, self._target(name))
        return doubt(self.raw.frame[heading], expected, contract=self.contract, measures=self.catalogue)

    def _expected(self, heading: str, target: Target) -> Expected:
        spellings = dict(own_spellings(target, contract=self.contract, measures=self.catalogue))
        if target.type == "codes" or (target.type == "code" and target.codes in self.contract.codes):
            coded = self.contract.codes[str(target.codes)] if target.type == "code" else ()
            known = alias_spellings(coded) if coded else teeth_spellings()
            texts = text_of(self.raw.frame[heading]).drop_nulls().unique().str.to_lowercase()
            spellings |= {" ".join(t.split()): known[key] for t in texts if (key := squeezed(t)) in known}
            if not coded and not is_universal(self.raw.frame[heading]):
                spellings |= {" ".join(t.split()): teeth for t in texts if (teeth := teeth_by_letters(t))}
        order = order_of(self.raw.frame[heading]) if target.type == "date" else ""
        return Expected(
            target=target,
            today=date.today(),
            spellings=spellings,
            missing=self.contract.missing,
            decimal="," if self.decimal == "," else ".",
            unit=target.unit,
            date_order="mdy" if order == "mdy" else "dmy",
            teeth="universal" if target.type == "codes" and is_universal(self.raw.frame[heading]) else None,
        )

    def _without_clashes(self, lines: list[DraftLine]) -> list[DraftLine]:
        """Two columns for one name: neither is mapped."""
        counts = Counter(line.names[0] for line in lines if line.kind == "mapped")
        twice = {name for name, count in counts.items() if count > 1}
        why = "another column may be the same thing: choose one and put the other in [ignored]"
        return [
            replace(line, kind="unsure", why=why) if line.kind == "mapped" and line.names[0] in twice else line
            for line in lines
        ]

    def _date_order(self, lines: Sequence[DraftLine]) -> Order:
        orders = {
            order_of(self.raw.frame[line.column])
            for line in lines
            if line.kind in ("mapped", "unsure") and line.names and self._target(line.names[0]).type == "date"
        } - {"none needed"}
        if not orders:
            return ""
        certain = orders - {"ambiguous"}
        if certain == {"dmy"}:
            return "dmy"
        return "mdy" if certain == {"mdy"} else "unclear"

    def _codes(self, mapped: Mapping[str, Target]) -> tuple[CodesSeen, ...]:
        sections: dict[str, CodesSeen] = {}
        for column, target in mapped.items():
            if target.type not in ("code", "codes"):
                continue
            stated = {
                " ".join(text.lower().split()): str(code)
                for section in (target.codes, target.field, target.name, column)
                for text, code in self.earlier.get("codes", {}).get(section, {}).items()
            }
            seen = codes_seen(
                self.raw.frame[column],
                self.raw.rows,
                target,
                contract=self.contract,
                names=self.wide_names,
                stated=stated,
            )
            sections[seen.section] = _joined(sections[seen.section], seen) if seen.section in sections else seen
        return tuple(sections.values())

    def _notes(self, mapped: Sequence[Target]) -> Iterator[str]:
        for name, found, remedy in check_sources(mapped):
            yield f"{name}: {found}; {remedy}"
        gone = [heading for heading in self.earlier.get("columns", {}) if heading not in self.raw.frame.columns]
        if gone:
            yield f"the earlier mapping names columns that this file has not: {', '.join(gone)}"


_FEWEST_COORDINATES = 6  # columns of coordinates from which on a file is taken for one of points


def _looks_like_data(shown: str) -> bool:
    return not shown.startswith('"') and "personal name" not in shown and "like data" not in shown


def _joined(first: CodesSeen, second: CodesSeen) -> CodesSeen:
    known = {one.text for one in first.spellings}
    return replace(first, spellings=(*first.spellings, *(one for one in second.spellings if one.text not in known)))
