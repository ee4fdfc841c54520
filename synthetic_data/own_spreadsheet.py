"""A spreadsheet as a practice might really keep it, with everything that makes such files hard to read.

A title above the table, group headings over spans of columns, other names for everything, semicolons, decimal commas,
dates with the day first, a legacy encoding, stray blanks, capitals here and there, two ways of writing a missing value,
lists of teeth with commas, a column of names that must not get in, and a row of totals at the end.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from synthetic_data.cohort import Cohort
from synthetic_data.layouts import wide_frame
from synthetic_data.stated import stated

ENCODING = "cp1252"
TITLE = "KFO-Verlauf – Auswertung der Fälle"
HEADER_ROW = 3
TOTALS = "Summe"
MISSING = ("n/a", "-")
ONE_IN = 18
"""One cell in so many has a blank before it, one has blanks after it, one is in capitals."""


@dataclass(frozen=True, slots=True)
class Heading:
    """A column of the spreadsheet: group above it (blank where the one to the left goes on), name, contract name."""

    group: str
    name: str
    goes_to: str | None


_STATED = stated("own_spreadsheet.toml")
HEADINGS = tuple(Heading(group, name, goes_to or None) for group, name, goes_to in _STATED["headings"])
WORDS: dict[str, dict[str, str]] = _STATED["words"]
"""Code list -> code -> how this practice writes it."""

NO_TEETH = "keine"
FIRST_WORDS = ("Quill", "Tamber", "Osk", "Brindle", "Fenna", "Lorrow", "Mave", "Pirrik")
LAST_WORDS = ("Underglass", "Tidewick", "Saltmarrow", "Fogbell", "Reedlamp", "Gullstep", "Wharfinch")
"""Invented words that look like names."""

CONSTANTS = {"selection": "consecutive", "comparison": "treated"}
DERIVED = {"birth_date": "age_at_start", "start_date": "start_quarter", "finish_date": "months_from_start_finish"}
"""What the dates of the spreadsheet become."""


def clean_frame(cohort: Cohort) -> pl.DataFrame:
    """The same content with contract names: what reading the spreadsheet must lead to.

    The cohort must be of one practice of consecutive treated cases, for the spreadsheet has no column for either.
    """
    wide = wide_frame(cohort)
    names = [DERIVED.get(heading.goes_to, heading.goes_to) for heading in HEADINGS if heading.goes_to is not None]
    missing = [pl.lit(None, pl.String).alias(name) for name in names if name not in wide.columns]
    constants = [pl.lit(value).alias(name) for name, value in CONSTANTS.items()]
    return wide.with_columns(missing).select(*names, *constants)


def write_own_spreadsheet(cohort: Cohort, path: Path, rng: np.random.Generator) -> Path:
    """Write the spreadsheet of a cohort of one practice."""
    clean = clean_frame(cohort)
    columns = [_column(heading, clean, cohort.dates, rng) for heading in HEADINGS]
    rows = [list(row) for row in zip(*columns, strict=True)]
    with path.open("w", encoding=ENCODING, newline="") as file:
        writer = csv.writer(file, delimiter=";", lineterminator="\r\n")
        writer.writerow([TITLE, *([""] * (len(HEADINGS) - 1))])
        writer.writerow([heading.group for heading in HEADINGS])
        writer.writerow([heading.name for heading in HEADINGS])
        writer.writerows(rows)
        writer.writerow([TOTALS, *(_total(heading, clean) for heading in HEADINGS[1:])])
    return path


def _column(heading: Heading, clean: pl.DataFrame, dates: pl.DataFrame, rng: np.random.Generator) -> list[str]:
    n = clean.height
    if heading.goes_to is None:
        picked = rng.integers(0, [len(FIRST_WORDS), len(LAST_WORDS)], (n, 2))
        return [f"{FIRST_WORDS[first]} {LAST_WORDS[last]}" for first, last in picked]
    if heading.goes_to in DERIVED:
        values: list[object] = dates[heading.goes_to].dt.strftime("%d.%m.%Y").to_list()
    else:
        values = clean[heading.goes_to].to_list()
    missing = [MISSING[i] for i in rng.integers(0, len(MISSING), n)]
    texts = [_written(heading.goes_to, value, no) for value, no in zip(values, missing, strict=True)]
    return texts if heading.goes_to == "case_id" else _untidied(texts, rng)


def _written(name: str, value: object, missing: str) -> str:
    if value is None:
        return missing
    if name == "extracted_teeth":
        return NO_TEETH if value == "none" else str(value).replace(" ", ", ")
    if isinstance(value, float):
        return f"{value:g}".replace(".", ",")
    words = next((words for codes, words in WORDS.items() if codes in name), {})
    return words.get(str(value), str(value))


def _untidied(texts: list[str], rng: np.random.Generator) -> list[str]:
    """Stray blanks and other capitals in some cells."""
    kinds = rng.integers(0, ONE_IN, len(texts))
    changes = {0: lambda text: f" {text}", 1: lambda text: f"{text}  ", 2: _capitals}
    return [changes[int(kind)](text) if int(kind) in changes else text for text, kind in zip(texts, kinds, strict=True)]


def _capitals(text: str) -> str:
    """Capitals; a sharp s, whose capital is two letters, keeps the word as it is."""
    return text if "ß" in text else text.upper()


def _total(heading: Heading, clean: pl.DataFrame) -> str:
    """The sum of a column of numbers; blank for others."""
    if heading.goes_to not in clean.columns or clean[heading.goes_to].dtype != pl.Float64:
        return ""
    return f"{clean[heading.goes_to].sum():.1f}".replace(".", ",")


def mapping_text(practice: str) -> str:
    """The mapping file that ties the spreadsheet to the contract."""
    lines = [
        "# Ties the spreadsheet of this practice to the contract.",
        "[file]",
        'layout = "wide"',
        f'practice = "{practice}"',
        f'encoding = "{ENCODING}"',
        'delimiter = ";"',
        'decimal = ","',
        'date_order = "dmy"',
        f"header_row = {HEADER_ROW}",
        "",
        "[columns]",
    ]
    names = _full_names()
    lines += [f'"{name}" = "{h.goes_to}"' for name, h in zip(names, HEADINGS, strict=True) if h.goes_to is not None]
    for codes, words in WORDS.items():
        lines += ["", f"[codes.{codes}]", *(f'"{theirs}" = "{ours}"' for ours, theirs in words.items())]
    lines += ["", "[constants]", *(f'{name} = "{value}"' for name, value in CONSTANTS.items())]
    lines += ["", "[ignored]"]
    lines += [f'"{name}" = "a personal name"' for name, h in zip(names, HEADINGS, strict=True) if h.goes_to is None]
    return "\n".join(lines) + "\n"


def _full_names() -> list[str]:
    """Names as a reader joins them: group and name, the group going on to the right."""
    names, group = [], ""
    for heading in HEADINGS:
        group = heading.group or group
        names.append(f"{group} {heading.name}".strip())
    return names
