"""What the cells of a column look like: e-mail addresses, telephone numbers, names and the like."""

from collections.abc import Iterable

import polars as pl

from pipelines.deidentify import patterns

EMAIL = "an e-mail address"
WEB = "a web address"
DATE = "a date"
PHONE = "a telephone number"
NAME = "a personal name"
RECORD_NUMBER = "a record number"
LONG_TEXT = "free text"

ONE_IS_ENOUGH = frozenset({EMAIL, WEB, PHONE})
"""Kinds of which a single cell refuses a column: nothing else looks like them."""


def kind_expression(text: pl.Expr, *, long_text: bool = True) -> pl.Expr:
    """The kind of identifying text in each cell, or null.

    ``text``: Trimmed text. ``long_text``: Whether many words count (off for headings, which may be long).
    """
    digits = text.str.count_matches(r"\d")
    phone = (
        text.str.contains(patterns.PHONE)
        & (digits >= patterns.PHONE_DIGITS)
        & ~text.str.contains(patterns.PLAIN_DECIMAL)
    )
    kinds = (
        pl.when(text.str.contains(patterns.EMAIL))
        .then(pl.lit(EMAIL))
        .when(text.str.contains(patterns.WEB))
        .then(pl.lit(WEB))
        .when(text.str.contains(patterns.DATE))
        .then(pl.lit(DATE))
        .when(phone)
        .then(pl.lit(PHONE))
        .when(text.str.contains(patterns.TITLED_NAME) | text.str.contains(patterns.NAMES))
        .then(pl.lit(NAME))
        .when(text.str.contains(patterns.RECORD_NUMBER))
        .then(pl.lit(RECORD_NUMBER))
    )
    if long_text:
        kinds = kinds.when(text.str.contains(patterns.LONG_TEXT)).then(pl.lit(LONG_TEXT))
    return kinds.otherwise(None)


def kinds_of(texts: Iterable[str | None] | pl.Series, *, long_text: bool = True) -> pl.Series:
    """The kind of identifying text in each cell, or null: shape (n,), of the same order."""
    series = pl.Series("text", texts, dtype=pl.String)
    return series.to_frame().select(kind_expression(pl.col("text").str.strip_chars(), long_text=long_text)).to_series()
