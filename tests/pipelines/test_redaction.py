"""What may be shown of a cell that was not understood."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.contract.contract import load_contract
from pipelines.deidentify.redaction import contract_codes, redact, redact_series

SEX = load_contract().codes["sex"]


@pytest.mark.parametrize("shown", ["12", "-3.5", "999", "0.1234", "32,5", "+4", "32 mm", "12,5°", "55 %", "99"])
def test_small_numbers_are_shown(shown: Any) -> None:
    assert redact(shown) == shown


@pytest.mark.parametrize(
    ("value", "described"),
    [
        ("1000", "a number above 999"),
        ("-1000.5", "a number below -999"),
        ("1.12345", "a number with 5 decimals"),
        ("0012", "digits only, 4 of them"),
        ("Anna Bell", "text of 9 characters"),
        ("Bellamy", "a word of 7 letters"),
        ("Ö", "a word of 1 letter"),
        ("?", "text of 1 character"),
        ("anna@example.org", "an e-mail address"),
        ("write to anna@example.org", "an e-mail address"),
        ("www.example.org", "a web address"),
        ("07700 900123", "a telephone number"),
        ("+44 7700 900123", "a telephone number"),
        ("555-010-0199", "a telephone number"),
        ("12.03.2010", "a date"),
        ("2010-03-12", "a date"),
        ("2010-03-12 00:00:00", "a date"),
        ("20100312", "a date"),
        ("12 March 2010", "a date"),
        ("March 12, 2010", "a date"),
        ("", "a blank cell"),
        ("   ", "a blank cell"),
        (None, "a blank cell"),
        (date(2010, 3, 12), "a date"),
        (True, "true"),
        (4711, "a number above 999"),
    ],
)
def test_anything_else_is_described(value: Any, described: Any) -> None:
    assert redact(value) == described


def test_codes_of_the_column_are_shown_and_near_spellings_named_by_their_code() -> None:
    values = pl.Series(["MALE", "femal", "Weiblich", "Bellamy", "12"])
    assert redact_series(values, SEX).to_list() == [
        "male",
        'a spelling close to "female"',
        'a word often used for "female"',
        "a word of 7 letters",
        "12",
    ]


def test_a_name_close_to_a_code_is_not_shown() -> None:
    assert redact("Stuart") == 'a spelling close to "start"'


def test_without_codes_only_the_form_is_told() -> None:
    assert redact("male", ()) == "a word of 4 letters"


SHOWN = {code.code for code in contract_codes()} | {also for code in contract_codes() for also in code.also}


@settings(deadline=None, max_examples=60)
@given(st.text(max_size=60))
def test_no_text_gets_through_but_numbers_codes_and_units(text: str) -> None:
    said = redact(text)
    allowed = said in SHOWN or said.startswith(("a ", "an ", "text of ", "digits only"))
    number_shown = said == text.strip() and any(letter.isdigit() for letter in text) and len(said) <= 22
    assert allowed or number_shown


@settings(deadline=None, max_examples=60)
@given(st.lists(st.one_of(st.none(), st.text(max_size=20)), min_size=1, max_size=20))
def test_a_series_is_redacted_as_its_cells(texts: Any) -> None:
    together = redact_series(pl.Series(texts, dtype=pl.String)).to_list()
    assert together == [redact(text) for text in texts]
