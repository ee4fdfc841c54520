"""Numbers in text, with a stated decimal mark; the other mark is taken where only a decimal mark can be meant.

A thousands separator is taken only where nothing else could be meant: an apostrophe or a space between groups of
three, or the other mark between groups when there are two of them or a decimal part follows. ``32,5`` is a decimal
number whatever is stated, since groups are of three; ``1,250`` with a decimal point may be one and a quarter in another
country, so it is refused. Ages may also come in years and months.
"""

import re
from collections.abc import Iterable
from functools import lru_cache
from math import isfinite
from typing import Literal

import polars as pl

from pipelines.cells.understood import Expected, ReadCell, Understood, by_distinct, cells_where, text_of, tidy
from pipelines.contract.cell_rules import NOT_A_NUMBER, NOT_WHOLE, UNIT_DOES_NOT_FIT
from pipelines.contract.units import factor, unit_named
from pipelines.reading.cells import marks_in

MAX_WHOLE = 2**31  # largest whole number taken: what counts phases and readings has no use for more

_YEARS_MONTHS = re.compile(
    r"(?P<years>\d{1,3}) ?(?:y(?:ea)?rs?|y|j(?:ahre)?|a(?:ns?|ños?|nni|nno)?|;|/) ?"
    r"(?P<months>\d{1,2}) ?(?:m(?:o(?:nths?|nate|is|s)?|ths?|eses|esi)?)?\.?"
)
"""An age in years and months: ``9y 4m``, ``9;4``, ``9 ans 4 mois``."""

_WITH_UNIT = re.compile(r"(?P<number>[+-]?[\d.,'’ ]*\d[.,]?) ?(?P<unit>[^\d\s.,][^\d]{0,12})?", re.ASCII)


def read_numbers(cells: pl.Series, expected: Expected) -> Understood:
    """Numbers of a column, in the target's unit.

    Typed numbers are taken as they are; not-a-number counts as blank. A text may end in the column's unit.

    Gives float64 of shape (n,), or Int64 where the target is of type integer.
    """
    text = None if cells.dtype.is_numeric() else text_of(cells)
    plain = cells.cast(pl.Float64).fill_nan(None) if text is None else _plain_numbers(text, expected)
    odd = plain.is_infinite() if text is None else text.is_not_null() & ~plain.is_finite().fill_null(False)
    odd = odd.fill_null(False)
    understood = Understood(plain)
    if odd.any():
        understood = _with_odd(plain, odd, text_of(cells) if text is None else text, expected)
    return _whole(_converted(understood, expected), expected)


def _plain_numbers(text: pl.Series, expected: Expected) -> pl.Series:
    """Numbers of texts of digits, a sign and the decimal mark; null where a text is anything else."""
    if expected.decimal == ".":
        numbers = text.cast(pl.Float64, strict=False)
    else:
        cell = pl.col("cell")
        pointed = pl.when(~cell.str.contains(".", literal=True)).then(cell.str.replace(",", ".", literal=True))
        numbers = text.alias("cell").to_frame().select(pointed.cast(pl.Float64, strict=False)).to_series()
    unknown = [spelling for spelling, code in expected.spellings.items() if code == ""]
    if unknown:
        numbers = numbers.zip_with(
            ~text.str.to_lowercase().is_in(unknown).fill_null(False), numbers.clear(numbers.len())
        )
    return numbers


def _with_odd(numbers: pl.Series, odd: pl.Series, text: pl.Series, expected: Expected) -> Understood:
    """The numbers, with the odd cells understood one distinct text at a time."""
    places = odd.arg_true()
    more = by_distinct(text.gather(places), lambda one: _understand(one, expected), pl.Float64)
    filled = numbers.clone().scatter(places, more.values)
    bad = more.bad.with_columns(places.gather(more.bad["index"]).cast(pl.UInt32).alias("index"))
    return Understood(filled, bad, more.blanks)


def _understand(text: str, expected: Expected) -> ReadCell:
    spelling = tidy(text).lower()
    if spelling in expected.missing or expected.spellings.get(spelling) == "":
        return ReadCell()
    aged = _YEARS_MONTHS.fullmatch(spelling) if expected.target.unit == expected.unit == "years" else None
    if aged:
        months = int(aged["months"])
        return ReadCell(int(aged["years"]) + months / 12) if months < 12 else ReadCell(rule=NOT_A_NUMBER)
    match = _WITH_UNIT.fullmatch(tidy(text).replace("−", "-"))
    if match is None:
        return ReadCell(rule=NOT_A_NUMBER)
    number = _grouped(match["number"].strip(), expected.decimal)
    if number is None:
        return ReadCell(rule=NOT_A_NUMBER)
    if match["unit"] is None:
        return ReadCell(number)
    by = factor(match["unit"], expected.unit) if expected.unit else None
    if by is None:
        return ReadCell(rule=UNIT_DOES_NOT_FIT if unit_named(match["unit"]) else NOT_A_NUMBER)
    return ReadCell(number * by)


def _grouped(text: str, decimal: str) -> float | None:
    if not _forms(decimal).fullmatch(text):
        other = "," if decimal == "." else "."
        if not re.fullmatch(rf"[+-]?\d*{re.escape(other)}(?:\d{{1,2}}|\d{{4,}})", text):
            return None
        decimal = other
    bare = re.sub(r"[ '’]", "", text).replace("." if decimal == "," else ",", "")
    number = float(bare.replace(decimal, "."))
    return number if isfinite(number) else None


@lru_cache(maxsize=2)
def _forms(decimal: str) -> re.Pattern[str]:
    """The ways of writing a number of which none can be read in two ways."""
    mark, other = re.escape(decimal), re.escape("," if decimal == "." else ".")
    forms = (
        rf"\d+(?:{mark}\d*)?",
        rf"{mark}\d+",
        rf"\d{{1,3}}(?:[ '’]\d{{3}})+(?:{mark}\d+)?",
        rf"\d{{1,3}}(?:{other}\d{{3}}){{2,}}(?:{mark}\d+)?",
        rf"\d{{1,3}}(?:{other}\d{{3}})+{mark}\d+",
    )
    return re.compile(rf"[+-]?(?:{'|'.join(forms)})")


def _converted(understood: Understood, expected: Expected) -> Understood:
    if expected.factor == 1.0:
        return understood
    return Understood(understood.values * expected.factor, understood.bad, understood.blanks)


def _whole(understood: Understood, expected: Expected) -> Understood:
    if not expected.target.whole:
        return understood
    values = understood.values
    broken = ((values != values.floor()) | (values.abs() > MAX_WHOLE)).fill_null(False)
    bad = understood.bad
    if broken.any():
        bad = pl.concat([bad, cells_where(broken, NOT_WHOLE, values.cast(pl.String))])
        values = values.zip_with(~broken, values.clear(values.len()))
    if expected.target.type == "integer":
        values = values.cast(pl.Int64, strict=False)
    return Understood(values, bad, understood.blanks)


DecimalFound = Literal[".", ",", "mixed", "open", ""]


def decimal_of(columns: Iterable[pl.Series]) -> DecimalFound:
    """The decimal mark that the number columns of a file use.

    Gives the mark; ``mixed`` where both occur; ``open`` where the only commas could be thousands separators; empty
    where no number has a mark.
    """
    texts = [column.unique().str.strip_chars() for column in columns if column.dtype == pl.String]
    found = [marks_in(column.drop_nulls()) for column in texts]
    certain = frozenset().union(*(one for one, _ in found))
    shown = certain.union(*(either for _, either in found))
    if len(shown) > 1:
        return "mixed"
    if "," in shown:
        return "," if certain else "open"
    return "." if shown else ""
