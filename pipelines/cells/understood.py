"""What a column must hold, the values found in it, and the cells that could not be understood."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Literal, NamedTuple

import polars as pl

from pipelines.contract.targets import Target
from warehouse.errors import BadFileError


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What one column must hold, and how it is written."""

    target: Target  # Where the column goes
    today: date  # No date may lie after it
    # Spelling in lower case -> code; the empty string where the spelling means "not known"
    spellings: Mapping[str, str] = field(default_factory=dict)
    missing: frozenset[str] = frozenset()  # Spellings, in lower case, that mean "not known" in every column
    decimal: Literal[".", ","] = "."  # The decimal mark
    unit: str | None = None  # Unit of the numbers in the file, or None where the target has none
    factor: float = 1.0  # What turns that unit into the target's
    teeth: str | None = None  # `universal` where teeth are numbered from 1 to 32
    date_order: str | None = None  # Order of day, month and year where the year does not come first


BAD_SCHEMA = {"index": pl.UInt32, "rule": pl.String, "text": pl.String, "said": pl.String}
"""Position in the column, rule, the cell as given, and what to say of it where a description is ready.

``text`` never leaves the step that interprets a file: it is redacted first.
"""

_INVISIBLE = dict.fromkeys(map(ord, "\u200b\u200c\u200d\u2060\ufeff\u00ad"))


class ReadCell(NamedTuple):
    """One distinct text understood: a value, a rule it breaks, or neither where it means "not known"."""

    value: str | float | None = None
    rule: str | None = None


@dataclass(frozen=True, slots=True)
class Understood:
    """One column understood."""

    values: pl.Series  # Values of shape (n,); null where blank or not understood
    # The cells that were not understood (BAD_SCHEMA)
    bad: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=BAD_SCHEMA))
    # Spelling that means "not known" -> how often; cells without any text are not counted
    blanks: Mapping[str, int] = field(default_factory=dict)
    n_others: int | None = None  # Of case numbers: spellings beyond the first of each; None where all are by the rule


def tidy(text: str) -> str:
    """Without invisible characters, with single spaces, trimmed."""
    return " ".join(text.translate(_INVISIBLE).split())


def text_of(cells: pl.Series, *, trimmed: bool = True) -> pl.Series:
    """Cells of any type as text; whole numbers without a decimal part.

    Raises BadFileError: the column holds lists or records.
    """
    kind = cells.dtype
    if kind == pl.String:
        text = cells.str.strip_chars() if trimmed else cells
    elif kind.is_float() or kind.is_decimal():
        text = _number_text(cells.cast(pl.Float64))
    elif kind.is_nested() or kind == pl.Binary or kind == pl.Object:
        found = "a column holds lists, records or bytes instead of single values"
        raise BadFileError(found, expected="one value a cell", remedy="export the table with one value a cell")
    else:
        text = cells.cast(pl.String)
    return text


def _number_text(numbers: pl.Series) -> pl.Series:
    frame = numbers.fill_nan(None).alias("number").to_frame()
    number = pl.col("number")
    whole = (number == number.floor()) & (number.abs() < 2**53)
    text = pl.when(whole).then(number.cast(pl.Int64, strict=False).cast(pl.String)).otherwise(number.cast(pl.String))
    return frame.select(text.alias(numbers.name)).to_series()


def by_distinct(cells: pl.Series, understand: Callable[[str], ReadCell], dtype: type[pl.DataType]) -> Understood:
    """Understand a column by its distinct texts.

    ``understand`` is given each text as it stands, not trimmed.
    """
    text = text_of(cells, trimmed=False)
    distinct = text.drop_nulls().unique()
    if distinct.is_empty():
        return Understood(pl.Series(text.name, [None], dtype=dtype).new_from_index(0, text.len()))
    texts = distinct.to_list()
    means = [understand(one) for one in texts]
    if all(cell.value == one for cell, one in zip(means, texts, strict=True)):
        return Understood(text)  # every cell is already as it is kept
    values = _spread(text, distinct, pl.Series([cell.value for cell in means], dtype=dtype))
    rules = pl.Series([cell.rule for cell in means], dtype=pl.String)
    known_blank = [one for one, cell in zip(texts, means, strict=True) if tidy(one) and cell == ReadCell()]
    return Understood(values, _bad(text, distinct, rules), _count(text, known_blank))


def _spread(text: pl.Series, distinct: pl.Series, values: pl.Series) -> pl.Series:
    return text.replace_strict(distinct, values, default=None, return_dtype=values.dtype)


def _bad(text: pl.Series, distinct: pl.Series, rules: pl.Series) -> pl.DataFrame:
    if rules.null_count() == rules.len():
        return pl.DataFrame(schema=BAD_SCHEMA)
    return bad_cells(_spread(text, distinct, rules), text)


def bad_cells(rule: pl.Series, text: pl.Series, said: pl.Series | None = None) -> pl.DataFrame:
    """The cells with a rule, as a frame of BAD_SCHEMA.

    ``rule``: Rule id of each cell, null where it is good; ``said``: what to say of it; all of shape (n,).
    """
    columns = {"rule": rule, "text": text, "said": said if said is not None else pl.Series([None], dtype=pl.String)}
    if said is None:
        columns["said"] = columns["said"].new_from_index(0, rule.len())
    frame = pl.DataFrame(columns).with_row_index("index").filter(pl.col("rule").is_not_null())
    return frame.select(pl.col(name).cast(dtype) for name, dtype in BAD_SCHEMA.items())


def cells_where(where: pl.Series, rule: str, text: pl.Series | None = None, said: str | None = None) -> pl.DataFrame:
    """The cells of a mask of shape (n,), which break one rule, as a frame of BAD_SCHEMA."""
    kept = {"index": where.arg_true()} if text is None else {"index": where.arg_true(), "text": text.filter(where)}
    made = {"rule": pl.lit(rule), "said": pl.lit(said)} | ({"text": pl.lit(None)} if text is None else {})
    frame = pl.DataFrame(kept).with_columns(**made)
    return frame.select(pl.col(name).cast(dtype) for name, dtype in BAD_SCHEMA.items())


def _count(text: pl.Series, spellings: list[str]) -> dict[str, int]:
    if not spellings:
        return {}
    counts = text.filter(text.is_in(spellings)).value_counts()
    total: dict[str, int] = {}
    for spelling, count in counts.iter_rows():
        key = tidy(spelling).lower()
        total[key] = total.get(key, 0) + count
    return total
