"""What may be shown of a cell that could not be understood.

Shown as they are: numbers below 1000 with at most four decimals, codes of the contract, and numbers with a unit.
Everything else becomes a description. A spelling close to a code is described by the code it is close to, so that a
name that happens to be close to one is not shown.
"""

from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from functools import lru_cache

import polars as pl

from pipelines.contract.contract import Code, load_contract
from pipelines.deidentify import patterns
from pipelines.deidentify.contents import DATE, EMAIL, PHONE, WEB, kind_expression

BLANK = "a blank cell"
_SIGN = r"[+\-−]?"
_UNIT = r"\s?(?:mm|cm|m|px|°|deg|degrees?|rad|radians?|%|pct|percent|points?|years?|months?)"
SMALL_NUMBER = rf"^{_SIGN}\d{{1,3}}(?:[.,]\d{{1,4}})?$"
_SMALL_NUMBER_UNIT = rf"(?i)^{_SIGN}\d{{1,3}}(?:[.,]\d{{1,4}})?{_UNIT}$"
_LONG_NUMBER = rf"^{_SIGN}0*[1-9]\d{{3,}}(?:[.,]\d+)?$"
_PADDED_NUMBER = r"^0\d{3,}$"
_MANY_DECIMALS = rf"^{_SIGN}\d{{1,3}}[.,]\d{{5,}}$"
MAX_NEAR = 500  # distinct values compared with codes one by one; the rest are only described


@lru_cache(maxsize=1)
def contract_codes() -> tuple[Code, ...]:
    """Every code of the contract but teeth, which are numbers."""
    return tuple(code for name, codes in load_contract().codes.items() if name != "tooth" for code in codes)


def redact(value: object, codes: Sequence[Code] | None = None) -> str:
    """What may be shown of one cell.

    ``value``: The cell, of any type. ``codes``: Codes of its column; None takes all of the contract.
    """
    text = None if value is None else str(value).lower() if isinstance(value, bool) else str(value)
    return str(redact_series(pl.Series("text", [text], dtype=pl.String), codes)[0])


def redact_series(values: pl.Series, codes: Sequence[Code] | None = None) -> pl.Series:
    """What may be shown of each cell: text of shape (n,), never null.

    ``values``: Text cells, best distinct ones. ``codes``: Codes of the column; None takes all of the contract.
    """
    described = values.alias("text").to_frame().select(_description(pl.col("text").str.strip_chars())).to_series()
    codes = contract_codes() if codes is None else codes
    said = _near_codes(values, codes) if codes else {}
    if not said:
        return described.alias("found")
    exact = values.replace_strict(said, default=None, return_dtype=pl.String)
    return pl.select(pl.coalesce(exact, described)).to_series().alias("found")


def _description(text: pl.Expr) -> pl.Expr:
    kind = kind_expression(text, long_text=False)
    length = text.str.len_chars()
    return (
        pl.when(text.is_null() | (length == 0))
        .then(pl.lit(BLANK))
        .when(text.str.contains(SMALL_NUMBER) | text.str.contains(_SMALL_NUMBER_UNIT))
        .then(text)
        .when(kind.is_in([EMAIL, WEB, DATE, PHONE]))
        .then(kind)
        .when(text.str.contains(_PADDED_NUMBER))
        .then(pl.format("digits only, {} of them", length))
        .when(text.str.contains(_LONG_NUMBER))
        .then(
            pl.when(text.str.contains("^[-−]"))
            .then(pl.lit("a number below -999"))
            .otherwise(pl.lit("a number above 999"))
        )
        .when(text.str.contains(_MANY_DECIMALS))
        .then(pl.format("a number with {} decimals", text.str.extract(r"[.,](\d+)$", 1).str.len_chars()))
        .when(text.str.contains(patterns.WORD))
        .then(pl.format("a word of {} letters", length))
        .otherwise(pl.format("text of {} characters", length))
        .str.replace(r"\b1 letters$", "1 letter")
        .str.replace(r"\b1 characters$", "1 character")
    )


def _near_codes(values: pl.Series, codes: Iterable[Code]) -> dict[str, str]:
    """Value -> what to say, for values that are a code or close to one."""
    exact, loose, aliases = _spellings(tuple(codes))
    said: dict[str, str] = {}
    for value in values.drop_nulls().head(MAX_NEAR).to_list():
        key = " ".join(value.split()).lower()
        phrase = exact.get(key) or _phrase(key, loose, aliases)
        if phrase:
            said[value] = phrase
    return said


def _phrase(key: str, loose: Mapping[str, str], aliases: Mapping[str, str]) -> str | None:
    if key in aliases:
        return f'a word often used for "{aliases[key]}"'
    if len(key) < 4 or any(letter.isdigit() for letter in key):
        return None
    close = get_close_matches(key, list(loose), n=1, cutoff=0.8)
    return f'a spelling close to "{loose[close[0]]}"' if close else None


@lru_cache(maxsize=32)
def _spellings(codes: tuple[Code, ...]) -> tuple[dict[str, str], dict[str, str], dict[str, str]]:
    exact: dict[str, str] = {}
    loose: dict[str, str] = {}
    aliases: dict[str, str] = {}
    for code in codes:
        exact[code.code.lower()] = code.code
        for spelling in code.also:
            exact.setdefault(spelling.lower(), spelling)
        for spelling in (code.code, *code.also):
            loose.setdefault(spelling.lower().replace("_", " "), code.code)
        for spelling in code.aliases:
            aliases.setdefault(spelling.lower(), code.code)
    return exact, loose, aliases
