"""Numbers in the marks of the reader's language, and nothing else changed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.parts.screen import POINT, NumberMarks, localised, localised_spec, marks_of

GERMAN = NumberMarks(",", ".")


@pytest.mark.parametrize(
    ("given_text", "expected"),
    [
        ("Of the 1,234 cases counted, 56 went adverse: 4.5%", "Of the 1.234 cases counted, 56 went adverse: 4,5%"),
        ("(95% interval 11.0% to 16.0%)", "(95% interval 11,0% to 16,0%)"),
        ("−1.0 and +1.3 degrees", "−1,0 and +1,3 degrees"),
        ("1,234,567.89", "1.234.567,89"),
        ("D1 v1.0.0, published 2026-11-25 08:26:14 UTC", "D1 v1.0.0, published 2026-11-25 08:26:14 UTC"),
        ("ages 8-9, 10-11, 12-13", "ages 8-9, 10-11, 12-13"),
        ("menton 0.1.0 wrote mart-0001.duckdb", "menton 0.1.0 wrote mart-0001.duckdb"),
        ("It moved by 2.5.", "It moved by 2,5."),
        ("Houston 1983, 1999", "Houston 1983, 1999"),
        ("under 0.001", "under 0,001"),
    ],
)
def test_numbers_are_turned_and_versions_dates_and_bands_are_not(given_text: str, expected: str) -> None:
    assert localised(given_text, GERMAN) == expected


@pytest.mark.parametrize(
    ("language", "marks"),
    [
        ("en-GB", POINT),
        ("", POINT),
        (None, POINT),
        ("xx-unknown", POINT),
        ("de-AT", GERMAN),
        ("de-CH", NumberMarks(".", "’")),
        ("fr", NumberMarks(",", "\u202f")),
        ("pt-BR", GERMAN),
        ("pt-PT", NumberMarks(",", "\u00a0")),
        ("es-MX", POINT),
    ],
)
def test_marks_follow_the_language(language: str | None, marks: NumberMarks) -> None:
    assert marks_of(language) == marks


@given(st.floats(min_value=-1e9, max_value=1e9), st.integers(min_value=0, max_value=4))
def test_a_number_keeps_its_digits(value: float, digits: int) -> None:
    shown = f"{value:,.{digits}f}"
    turned = localised(shown, GERMAN)
    assert turned.replace(".", "").replace(",", ".") == shown.replace(",", "")


def test_a_reader_with_points_gets_the_text_as_it_is() -> None:
    assert localised("1,234.5", POINT) == "1,234.5"


def test_a_chart_is_turned_in_its_words_but_not_in_its_workings() -> None:
    spec = {
        "encoding": {"x": {"field": "a.5", "title": "over 1,000.5", "axis": {"format": ".1f"}}},
        "datasets": {"one": [{"said": "4.5%", "share": 0.045}]},
        "transform": [{"filter": "datum.share > 0.5"}],
    }
    turned = localised_spec(spec, GERMAN)
    assert turned["encoding"]["x"] == {"field": "a.5", "title": "over 1.000,5", "axis": {"format": ".1f"}}
    assert turned["datasets"]["one"] == [{"said": "4,5%", "share": 0.045}]
    assert turned["transform"] == [{"filter": "datum.share > 0.5"}]
    assert turned["config"]["locale"]["number"]["decimal"] == ","
    assert spec["encoding"]["x"]["title"] == "over 1,000.5", "the chart given is left as it was"
