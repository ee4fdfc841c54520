"""A report as a document: sentences, tables and pictures in which every number is formatted once.

HTML, PDF, slides, sheets and figures are all made from this, so that they agree to the last digit shown, and nothing
that is not in it can get into any of them.
"""

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from importlib.resources import files
from math import isfinite
from typing import Any, Literal, TypeAlias

from altair.utils.schemapi import debug_mode

from dashboard.charts.figure import ChartFigure
from dashboard.charts.intervals import Intervals
from warehouse.disclosure import Count
from warehouse.results import Interval
from warehouse.words.numbers import level_name, percent, signed
from warehouse.words.sentences import say

Kind: TypeAlias = Literal["words", "span", "count", "percent", "change", "mean", "ratio", "number"]

_COLUMNS = tomllib.loads(files("dashboard.report.sections").joinpath("columns.toml").read_text(encoding="utf-8"))
SUBJECTS_OF_THE_TALK = tuple(say("talk.subjects").splitlines())
"""What the slides of a talk are about, in the order in which a room asks."""

DIGITS = 1  # decimal places of shares (in percent) and of changes
MEAN_DIGITS = 2  # decimal places of means over practices
MOST_DRAWN = 25  # groups in a picture: more do not fit on a page. The table has all of them
MOST_READ = 8  # groups that a room can read at once


@dataclass(frozen=True, slots=True)
class FlowEntry:
    """One cell of a table."""

    text: str  # As printed
    # The number as printed: rounded to the last digit of `text`, a share in percent; None for words
    number: float | None = None


NONE_COUNTED = FlowEntry("none counted")
NOT_SHOWN = FlowEntry("not shown")
NO_ENTRY = FlowEntry("–")


def words(text: str) -> FlowEntry:
    """Words."""
    return FlowEntry(text)


def count(cell: Count | None) -> FlowEntry:
    """A count, or the words that stand for a hidden one."""
    if cell is None:
        return NO_ENTRY
    return FlowEntry(cell.shown) if cell.value is None else FlowEntry(f"{cell.value:,}", cell.value)


def share(value: float | None, *, absent: FlowEntry = NOT_SHOWN) -> FlowEntry:
    """A share, in percent."""
    return absent if value is None else FlowEntry(percent(value, digits=DIGITS), float(f"{100 * value:.{DIGITS}f}"))


def change(value: float | None) -> FlowEntry:
    """A change with its sign, in the unit of its measure."""
    if value is None:
        return NOT_SHOWN
    return FlowEntry(signed(value, digits=DIGITS), float(f"{value:.{DIGITS}f}") + 0.0)


def mean(value: float | None) -> FlowEntry:
    """A mean change over practices: two decimals, since means differ by less than changes do."""
    if value is None:
        return NOT_SHOWN
    return FlowEntry(signed(value, digits=MEAN_DIGITS), float(f"{value:.{MEAN_DIGITS}f}") + 0.0)


def points(value: float | None) -> FlowEntry:
    """A difference of shares with its sign, in percentage points."""
    return change(None if value is None else 100 * value)


def ratio(value: float | None) -> FlowEntry:
    """A ratio, or a number of standard deviations: two decimals; words where it has no end."""
    if value is None:
        return NOT_SHOWN
    if not isfinite(value):
        return FlowEntry("no end")
    number = float(f"{value:.2f}") + 0.0  # never −0.00
    return FlowEntry(f"{number:.2f}".replace("-", "−"), number)


def ends(
    interval: Interval | None, *, of: Literal["share", "change", "points", "ratio"] = "share"
) -> tuple[FlowEntry, FlowEntry]:
    """Both ends of an interval."""
    if interval is None:
        return NO_ENTRY, NO_ENTRY
    made = {"share": share, "change": change, "points": points, "ratio": ratio}[of]
    return made(interval.low), made(interval.high)


def span(low: FlowEntry, high: FlowEntry) -> FlowEntry:
    """An interval in one cell; words where there is none."""
    return low if low.number is None else FlowEntry(f"{low.text} to {high.text}")


@dataclass(frozen=True, slots=True)
class TableColumn:
    """A column of a table."""

    key: str  # Its name in a sheet
    heading: str  # Its heading on a page
    kind: Kind = "words"  # What its cells are
    on_page: bool = True  # Whether a page shows it; `on_sheet` whether a sheet does
    on_sheet: bool = True


def interval_columns(level: float, kind: Kind, *, prefix: str = "", suffix: str = "") -> tuple[TableColumn, ...]:
    """An interval, in one column on a page and in two on a sheet, as :func:`interval_entries` fills them."""
    return (
        TableColumn(f"{prefix}interval", level_name(level), "span", on_sheet=False),
        TableColumn(f"{prefix}low{suffix}", "low", kind, on_page=False),
        TableColumn(f"{prefix}high{suffix}", "high", kind, on_page=False),
    )


def interval_entries(low: FlowEntry, high: FlowEntry) -> tuple[FlowEntry, FlowEntry, FlowEntry]:
    """Both ends in one entry, then each."""
    return span(low, high), low, high


@dataclass(frozen=True, slots=True, kw_only=True)
class DocumentTable:
    """A table."""

    name: str  # File or sheet name
    caption: str  # What it shows
    columns: tuple[TableColumn, ...]
    rows: tuple[tuple[FlowEntry, ...], ...]  # One entry a column
    on_page: bool = True  # Whether pages show it, or only sheets


def tabled(
    name: str,
    caption: str,
    rows: Iterable[tuple[FlowEntry, ...]],
    parts: str,
    *,
    level: float = 0.95,
    unit: str = "",
    on_page: bool = True,
) -> DocumentTable:
    """A table whose columns are put together from ``parts`` of ``columns.toml``."""
    made: list[TableColumn] = []
    for key, heading, *rest in (column for part in parts.split() for column in _COLUMNS[part]):
        if key == "interval":
            made += interval_columns(level, heading, prefix=rest[0], suffix=rest[1])
        else:
            made.append(TableColumn(key, heading.format(unit=unit), rest[0], "sheet" not in rest, "page" not in rest))
    return DocumentTable(name=name, caption=caption, columns=tuple(made), rows=tuple(rows), on_page=on_page)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One share in a picture: its name, the counts it rests on, and its entries."""

    label: str
    counts: str
    share: FlowEntry
    low: FlowEntry
    high: FlowEntry
    if_none: FlowEntry = NO_ENTRY
    if_all: FlowEntry = NO_ENTRY


def share_told(bar: Bar) -> str:
    """A share with its counts and interval, or what is said in its place."""
    if bar.low.number is None:
        return bar.counts if bar.share == NOT_SHOWN else f"{bar.counts}, {bar.share.text}"
    return f"{bar.counts}, {bar.share.text} ({bar.low.text} to {bar.high.text})"


@dataclass(frozen=True, slots=True)
class ShownDifference:
    """A difference of two groups by one method, in percentage points; ``is_main``: the method decided on beforehand."""

    label: str
    value: FlowEntry
    low: FlowEntry
    high: FlowEntry
    is_main: bool


def difference_told(row: ShownDifference) -> str:
    """A difference with its interval, or what is said in its place."""
    return row.value.text if row.low.number is None else f"{row.value.text} ({row.low.text} to {row.high.text})"


@dataclass(frozen=True, slots=True)
class StageBar:
    """One stage from started to counted: its name, cases, and what is said of those that went no further."""

    title: str
    n: FlowEntry
    fewer: str


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A picture with its title and what is said below it."""

    name: str
    title: str
    caption: str
    figure: ChartFigure
    groups: tuple[str, str] | None = None  # The two groups, where it shows the first less the second

    @property
    def alt(self) -> str:
        """What it shows, for those who do not see it."""
        return self.figure.alt

    @cached_property
    def chart(self) -> dict[str, Any]:
        """The figure as Vega-Lite, with as many rows as fit on a page: once for all files, which set its width."""
        figure = self.figure
        if isinstance(figure, Intervals) and not figure.is_close:
            figure = replace(figure, frame=figure.frame.head(MOST_DRAWN))
        with debug_mode(False):  # charts are held against their schema by the tests, not here
            return figure.chart().to_dict(validate=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One section."""

    name: str  # Its name in files
    title: str  # Its heading
    paragraphs: tuple[str, ...] = ()  # Sentences before the picture
    facts: tuple[tuple[str, str], ...] = ()  # Label and text
    picture: Picture | None = None  # Its picture, if it has one
    tables: tuple[DocumentTable, ...] = ()
    remarks: tuple[str, ...] = ()  # Quieter sentences at the end
    finding: str = ""  # What it found, in a sentence that can be a title


def pictured(
    name: str,
    title: str,
    figure: ChartFigure,
    *,
    caption: str,
    paragraphs: tuple[str, ...] = (),
    tables: tuple[DocumentTable, ...] = (),
    remarks: tuple[str, ...] = (),
    picture_title: str = "",
    finding: str = "",
    groups: tuple[str, str] | None = None,
) -> Section:
    """A section about one picture; empty sentences are left out."""
    return Section(
        name=name,
        title=title,
        paragraphs=tuple(text for text in paragraphs if text),
        picture=Picture(name=name, title=picture_title or title, caption=caption, figure=figure, groups=groups),
        tables=tables,
        remarks=tuple(text for text in remarks if text),
        finding=finding,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Imprint:
    """What every page, slide, sheet and figure carries."""

    definition: str
    growth: str
    build: str
    published: str
    tool: str
    made_for: str

    @property
    def line(self) -> str:
        """In one line."""
        return f"{self.definition} · growth {self.growth} · build {self.build} of {self.published} · {self.tool}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A whole report."""

    title: str
    cases: str  # Which cases, and of which practices, in words
    made_for: str  # Whom it is made for, and what that means for its counts
    stamp: Imprint  # What every part carries
    answer: str  # The answer in a sentence
    headline: tuple[tuple[str, str], ...]  # The same in large figures, each with what it is
    lead: tuple[str, ...]  # The sentences that go with it
    caution: str  # The usual caution
    sections: tuple[Section, ...]  # In order
    limits: tuple[str, ...]  # What the figures cannot tell, in short sentences
    steps: tuple[str, ...]  # What would make the audit firmer, the most pressing first
    cautions: tuple[str, ...]  # Further cautions that go with single figures
    methods: tuple[str, ...]  # How it was done, in paragraphs; `references` are cited there by number
    references: tuple[str, ...]
    with_questions: bool = True  # Whether slides for questions follow those of the talk

    def section(self, name: str) -> Section:
        """The section with this name."""
        return next(section for section in self.sections if section.name == name)

    def has(self, name: str) -> bool:
        """Whether there is a section with this name."""
        return any(section.name == name for section in self.sections)

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """All pictures, in order."""
        return tuple(section.picture for section in self.sections if section.picture is not None)

    @property
    def tables(self) -> tuple[DocumentTable, ...]:
        """All tables, in order."""
        return tuple(table for section in self.sections for table in section.tables)
