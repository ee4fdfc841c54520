"""Dates, read only where their order of day, month and year is certain.

A date with its year first is taken as year, month, day. Any other needs an order that is stated, or that the column
itself shows: a first part above 12 somewhere can only be a day. A column that shows nothing is refused as a whole.
A month by its name (in five languages) needs no order, nor do five digits, the number of a day as spreadsheets count.
"""

import re
from datetime import date, timedelta
from functools import lru_cache
from typing import Literal

import polars as pl

from pipelines.cells.understood import Expected, Understood, bad_cells, text_of
from pipelines.contract.cell_rules import IMPOSSIBLE_DATE, NOT_A_DATE
from pipelines.contract.words import written_in_cells
from pipelines.deidentify.headings import plain

DateOrder = Literal["none needed", "dmy", "mdy", "ambiguous", "contradictory"]

EARLIEST_YEAR = 1900

_NAMED = re.compile(r"(?:(\d{1,2})[.\s\-/]*([^\W\d_]{3,12})\.?[\s\-/]*|([^\W\d_]{3,12})\.?\s*(\d{1,2}),?\s+)(\d{4})$")
"""A day, the name of its month, and the year; or the name first."""
_SERIAL = r"^[2-6]\d{4}(?:[.,]\d+)?$"
_SERIAL_ZERO = date(1899, 12, 30)
"""Day 0 of spreadsheets for days from 1900-03-01; they count a 29 February 1900 that never was."""


@lru_cache(maxsize=1)
def _month_numbers() -> dict[str, int]:
    """Name of a month, or three letters and more of it that begin no other month -> its number."""
    found: dict[str, set[int]] = {}
    for number, names in enumerate(written_in_cells().months, 1):
        for name in map(plain, names):
            for length in range(3, len(name) + 1):
                found.setdefault(name[:length], set()).add(number)
    return {text: numbers.pop() for text, numbers in found.items() if len(numbers) == 1}


def plainly(texts: pl.Series) -> pl.Series:
    """Dates with the name of a month, and days as spreadsheets count them, as ``YYYY-MM-DD``; others as they are."""
    parts = texts.alias("cell").to_frame().select(pl.col("cell").str.strip_chars())["cell"]
    rewritten = [_plainly(text) for text in parts.to_list()]
    return pl.Series(texts.name, rewritten, dtype=pl.String)


def _plainly(text: str | None) -> str | None:
    if text and re.match(_SERIAL, text):
        return (_SERIAL_ZERO + timedelta(days=int(text[:5]))).isoformat()
    match = _NAMED.match(text) if text else None
    month = _month_numbers().get(plain(match[2] or match[3])) if match else None
    return f"{match[5]}-{month}-{match[1] or match[4]}" if match and month else text


def serial_days(cells: pl.Series) -> int:
    """How many cells hold the number of a day as spreadsheets count them."""
    return int(text_of(cells).str.contains(_SERIAL).sum() or 0)


_YEAR_FIRST = r"^(?<year>\d{4})[\-/.](?<second>\d{1,2})[\-/.](?<third>\d{1,2})(?:[ T]\d.*)?$"
_YEAR_LAST = r"^(?<first>\d{1,2})\s?[\-/.]\s?(?<second>\d{1,2})\s?[\-/.]\s?(?<year>\d{4})(?:[ T]\d.*)?$"


def order_of(cells: pl.Series) -> DateOrder:
    """The order of day, month and year that a column shows.

    Dates by type and dates with the year first need no order.
    """
    if cells.dtype != pl.String:
        return "none needed"
    parts = _parts(cells.str.strip_chars().drop_nulls().unique(), _YEAR_LAST, ("first", "second"))
    parts = parts.drop_nulls().filter((pl.col("first") <= 12) | (pl.col("second") <= 12))
    if parts.is_empty():
        return "none needed"
    day_first, month_first = bool((parts["first"] > 12).any()), bool((parts["second"] > 12).any())
    if day_first and month_first:
        return "contradictory"
    if day_first:
        return "dmy"
    return "mdy" if month_first else "ambiguous"


def read_dates(cells: pl.Series, expected: Expected) -> Understood:
    """Dates of a column; times of day are dropped.

    Gives dates of shape (n,). Five digits are the number of a day as spreadsheets count. Cells that are no date break
    K003, those not in the calendar, before 1900 or after today K009.
    """
    if cells.dtype == pl.Date or isinstance(cells.dtype, pl.Datetime):
        dates = cells.cast(pl.Date)
        return _possible(dates, dates.cast(pl.String), expected)
    text = text_of(cells)
    distinct = text.drop_nulls().unique()
    if distinct.is_empty():
        return Understood(pl.Series(cells.name, [None], dtype=pl.Date).new_from_index(0, cells.len()))
    understood = _understand(distinct, expected)
    dates = text.replace_strict(distinct, understood["date"], default=None, return_dtype=pl.Date)
    bad = understood.filter(pl.col("rule").is_not_null())
    blanks = _blank_counts(text, distinct.filter(understood["blank"]))
    if bad.is_empty():
        return Understood(dates, blanks=blanks)
    rule = text.replace_strict(distinct, understood["rule"], default=None, return_dtype=pl.String)
    said = text.replace_strict(distinct, understood["said"], default=None, return_dtype=pl.String)
    return Understood(dates, bad_cells(rule, text, said), blanks)


def _blank_counts(text: pl.Series, spellings: pl.Series) -> dict[str, int]:
    counts = text.filter(text.is_in(spellings.to_list())).value_counts() if spellings.len() else None
    return {} if counts is None else {str(key).lower(): int(count) for key, count in counts.iter_rows() if key}


def _parts(text: pl.Series, pattern: str, names: tuple[str, ...]) -> pl.DataFrame:
    cell = text.alias("cell").to_frame().select(pl.col("cell").str.extract_groups(pattern)).unnest("cell")
    return cell.select(pl.col(name).cast(pl.Int32) for name in names)


def _understand(distinct: pl.Series, expected: Expected) -> pl.DataFrame:
    """Date, rule, what to say, and whether it means "not known", for each distinct text."""
    given, distinct = distinct, plainly(distinct)
    year_first = _parts(distinct, _YEAR_FIRST, ("year", "second", "third"))
    year_last = _parts(distinct, _YEAR_LAST, ("first", "second", "year"))
    day, month = ("second", "first") if expected.date_order == "mdy" else ("first", "second")
    usable = expected.date_order in ("dmy", "mdy")
    year = year_first["year"].zip_with(year_first["year"].is_not_null(), _if(usable, year_last["year"]))
    month_part = year_first["second"].zip_with(year_first["year"].is_not_null(), _if(usable, year_last[month]))
    day_part = year_first["third"].zip_with(year_first["year"].is_not_null(), _if(usable, year_last[day]))
    frame = pl.DataFrame({"text": given, "year": year, "month": month_part, "day": day_part})
    unknown = sorted(expected.missing | {spelling for spelling, code in expected.spellings.items() if code == ""})
    blank = pl.col("text").str.to_lowercase().is_in([*unknown, ""])
    frame = frame.with_columns(_calendar(), blank.alias("blank"))
    return frame.select("date", "blank", *_judgement(expected)).with_columns(
        pl.when(pl.col("rule").is_null()).then(pl.col("date")).alias("date")
    )


def _if(condition: bool, series: pl.Series) -> pl.Series:
    return series if condition else series.clear(series.len())


def _calendar() -> pl.Expr:
    text = pl.format(
        "{}-{}-{}",
        pl.col("year").cast(pl.String).str.zfill(4),
        pl.col("month").cast(pl.String).str.zfill(2),
        pl.col("day").cast(pl.String).str.zfill(2),
    )
    return text.str.to_date("%Y-%m-%d", strict=False).alias("date")


def _judgement(expected: Expected) -> tuple[pl.Expr, pl.Expr]:
    blank, legible, day = pl.col("blank"), pl.col("year").is_not_null(), pl.col("date")
    said = (
        pl.when(blank | ~legible)
        .then(None)
        .when(day.is_null())
        .then(pl.lit("a date that is not in the calendar"))
        .when(day.dt.year() < EARLIEST_YEAR)
        .then(pl.lit(f"a date before {EARLIEST_YEAR}"))
        .when(day > expected.today)
        .then(pl.lit("a date in the future"))
    )
    rule = (
        pl.when(blank)
        .then(None)
        .when(~legible)
        .then(pl.lit(NOT_A_DATE))
        .when(said.is_not_null())
        .then(pl.lit(IMPOSSIBLE_DATE))
    )
    return rule.cast(pl.String).alias("rule"), said.cast(pl.String).alias("said")


def _possible(dates: pl.Series, text: pl.Series, expected: Expected) -> Understood:
    frame = pl.DataFrame({"date": dates, "year": dates.dt.year(), "blank": dates.is_null()}).select(
        "date", *_judgement(expected)
    )
    good = frame["rule"].is_null()
    if good.all():
        return Understood(dates)
    return Understood(dates.zip_with(good, dates.clear(dates.len())), bad_cells(frame["rule"], text, frame["said"]))
