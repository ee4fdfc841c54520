"""Making text harmless that a spreadsheet program would take for a formula, or a page for Markdown.

A cell of a CSV file or workbook that begins with ``=``, ``+``, ``-`` or ``@`` may be run as a formula when it is opened
("formula injection"; the characters are those that the OWASP page on CSV injection lists, from memory). A leading
apostrophe makes it plain text. Numbers keep their sign, and a lone dash, the customary mark for a missing value, stays.
"""

import re

import polars as pl

MARK = "'"

PLAIN_CELLS = {
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
    "nan_inf_to_errors": True,
}
"""Options of a workbook to be written: text stays text, also where it reads like an address one could click on."""

_NUMBER = r"[+\-]?(?:\d+(?:[.,]\d+)*|[.,]\d+)(?:[eE][+\-]?\d+)?\s?%?"
_STARTS = r"\s*[=+\-@＝＋－＠]|[\t\r\n]"
_DANGEROUS = re.compile(rf"(?:{_STARTS})")
_HARMLESS = re.compile(rf"(?:{_NUMBER}|-)?")
_MARKDOWN = re.compile(
    r"[\\`*\[\]$~]"  # code, emphasis, links and pictures, formulas, struck out
    r"|(?<![A-Za-z0-9])_|_(?![A-Za-z0-9])"  # emphasis at the edge of a word; codes keep theirs
    r"|<(?=[A-Za-z/!?])|&(?=[#A-Za-z0-9])|:(?=[A-Za-z])"  # HTML, entities, directives of Streamlit
    r"|^(?:>|\#(?=\#*(?:\s|$))|[+\-](?=[\s\-]|$))"  # quotations, headings, lists, rules
)
_COMMAND = re.compile(r"`([^`]+)`")
_ADDRESS = re.compile(r"https?:(?=//)|www(?=\.)|@(?=[\w.-]*\w)", re.IGNORECASE)
JOINER = "\N{WORD JOINER}"
"""Nothing to be seen; in an address it keeps readers of Markdown from making a link of it."""

_NUMBERED = re.compile(r"^(\d{1,9})([.)])(?=\s|$)")


def as_markdown(text: str) -> str:
    """The text as Markdown that shows it as it stands, on one line (CommonMark 0.31.2, section 2.4).

    Addresses are no links either, which some readers make of them unasked (GitHub Flavored Markdown 0.29, section 6.9).
    """
    line = _ADDRESS.sub(rf"\g<0>{JOINER}", " ".join(text.split()))
    return _NUMBERED.sub(r"\1\\\2", _MARKDOWN.sub(r"\\\g<0>", line))


def with_commands(text: str) -> str:
    """The same, but what stands between backticks is a command and set as one: it is text there too."""
    parts = _COMMAND.split(" ".join(text.split()))
    return "".join(f"`{part}`" if n % 2 else _edged(part) for n, part in enumerate(parts))


def _edged(part: str) -> str:
    """A part of a line with the blanks at its ends, which :func:`as_markdown` takes off."""
    return f"{' ' * part.startswith(' ')}{as_markdown(part)}{' ' * (part.endswith(' ') and bool(part.strip()))}"


def neutralise(text: str) -> str:
    """The text, with a leading apostrophe where a spreadsheet program would take it for a formula."""
    return MARK + text if _DANGEROUS.match(text) and not _HARMLESS.fullmatch(text) else text


def neutralise_formulas(frame: pl.DataFrame) -> pl.DataFrame:
    """A frame to be written to CSV or XLSX, safe to open in a spreadsheet program.

    Text columns (also categories) are made safe cell by cell, and column names too; other types cannot hold a formula.
    Doing it twice changes nothing more.

    ``frame``: any frame. Gives a frame of the same shape; null stays null.
    """
    safe = [
        pl.when(text.str.contains(rf"^(?:{_STARTS})") & ~text.str.contains(rf"^(?:{_NUMBER}|-)$"))
        .then(pl.lit(MARK) + text)
        .otherwise(text)
        .alias(name)
        for name, dtype in frame.schema.items()
        if dtype == pl.String or isinstance(dtype, pl.Categorical | pl.Enum)
        for text in [pl.col(name).cast(pl.String)]
    ]
    return frame.with_columns(safe).rename(neutralise)
