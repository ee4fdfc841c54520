"""Columns that identify a person, by heading and by content; headings that may not be repeated."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl
import pytest

from pipelines.deidentify.contents import kinds_of
from pipelines.deidentify.headings import heading_reason, shown_headings
from pipelines.deidentify.pseudonyms import check_practice, is_pseudonym
from pipelines.deidentify.refusing import refusals
from warehouse.errors import MappingError


@pytest.mark.parametrize(
    ("heading", "holds"),
    [
        ("Name", "a personal name"),
        ("Nachname", "a personal name"),
        ("Vorname des Patienten", "a personal name"),
        ("patientName", "a personal name"),
        ("Prénom", "a personal name"),
        ("DOB", "a date of birth"),
        ("Geb.-Datum", "a date of birth"),
        ("Telefon privat", "contact details"),
        ("E-Mail", "contact details"),
        ("Straße", "an address"),
        ("PLZ", "an address"),
        ("Krankenkasse", "an insurance"),
        ("Chart no.", "a record number"),
        ("Patientennummer", "a record number"),
        ("Bemerkungen", "free text"),
        ("Notes", "free text"),
        ("Photo file", "a picture"),
        ("Überweiser", "a relative or of somebody who cares"),
        ("Mother", "a relative or of somebody who cares"),
        ("School", "details of a person's life"),
        ("Datum", "full dates"),
    ],
)
def test_headings_tell_what_a_column_holds(heading: str, holds: Any) -> None:
    assert holds in str(heading_reason(heading))


@pytest.mark.parametrize("heading", ["ANB", "SN-MP Anf.", "Overjet", "sex", "Alter", "Extraktionen", "Gerät"])
def test_headings_of_measures_and_codes_are_harmless(heading: str) -> None:
    assert heading_reason(heading) is None


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("anna@example.org", "an e-mail address"),
        ("https://example.org/a", "a web address"),
        ("01632 960123", "a telephone number"),
        ("(555) 010-0199", "a telephone number"),
        ("03/12/2010", "a date"),
        ("Dr Bell", "a personal name"),
        ("Frau Marsh", "a personal name"),
        ("Bell, Anna", "a personal name"),
        ("Anna van der Berg", "a personal name"),
        ("BELL ANNA", "a personal name"),
        ("A-123456", "a record number"),
        ("was ill in spring and came back only in autumn", "free text"),
        ("0.0000001", None),
        ("14, 24", None),
        ("fixed_labial", None),
        ("32.5", None),
        ("C1", None),
    ],
)
def test_content_is_recognised(text: str, kind: Any) -> None:
    assert kinds_of([text]).to_list() == [kind]


def test_a_column_is_refused_by_heading_else_by_content() -> None:
    samples = {
        "Vorname": pl.Series(["x"]),
        "code": pl.Series(["Anna Bell", "Bert Marsh", "C1"]),
        "few": pl.Series(["Anna Bell", "C1", "C2"]),
        "one": pl.Series(["C1", "C2", "anna@example.org"]),
        "seen": pl.Series([date(2010, 1, 1), None]),
        "empty": pl.Series([None, None], dtype=pl.Date),
        "number": pl.Series([1.5, 2.5]),
    }
    found = refusals([*samples, "Telefon"], samples)
    assert found == {
        "Vorname": "a personal name",
        "code": "what look like personal names",
        "one": "e-mail addresses",
        "seen": "full dates",
        "Telefon": "contact details",
    }


def test_headings_are_repeated_in_quotes() -> None:
    assert shown_headings(["ANB", "Patient Name"], ["anb"]) == {"ANB": '"ANB"', "Patient Name": '"Patient Name"'}


def test_a_heading_that_looks_like_a_name_is_told_by_its_place() -> None:
    shown = shown_headings(["Anna Bell", "ANB start"], ["anb"])
    assert shown["Anna Bell"] == "column 1 (its heading looks like a personal name and is not repeated)"
    assert shown["ANB start"] == '"ANB start"'


def test_without_a_header_row_no_unknown_heading_is_repeated() -> None:
    shown = shown_headings(["Bell", "12.03.2010", "4711", "ANB"], ["anb"])
    assert "Bell" not in shown["Bell"]
    assert "looks like a date" in shown["12.03.2010"]
    assert "looks like a number" in shown["4711"]
    assert shown["ANB"] == '"ANB"'


@pytest.mark.parametrize("text", ["C1", "c1", "EX02", "A", "HARBOUR-C1", "Dr 3", "op-12"])
def test_pseudonyms(text: str) -> None:
    assert is_pseudonym(text)


@pytest.mark.parametrize("text", ["Anna", "Dr Bell", "AB", "C1234", "12", "", "Anna1", "C1?", "Ö1"])
def test_not_pseudonyms(text: str) -> None:
    assert not is_pseudonym(text)


def test_a_practice_is_a_short_word_in_capitals() -> None:
    assert check_practice("HARBOUR", where="x") == "HARBOUR"
    for name in ("Lantern Bay Dental", "harbour", "Q", "A" * 17, "HÄFEN"):
        with pytest.raises(MappingError) as refused:
            check_practice(name, where="x")
        assert name not in str(refused.value)


def test_a_practice_does_not_bear_the_name_of_a_total() -> None:
    with pytest.raises(MappingError, match="not ALL, which heads totals"):
        check_practice("ALL", where="x")
    assert check_practice("ALLEY", where="x") == "ALLEY"
