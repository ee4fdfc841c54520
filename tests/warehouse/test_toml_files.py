"""TOML of users: what would take the standard library minutes is refused at once; the rest is read as ever."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date
from typing import Literal

import pytest

from warehouse.errors import DefinitionError
from warehouse.toml_files import MOST_PARTS, shaped, structure, toml_from

CHAINS = (
    "[" + "a." * MOST_PARTS + "a]\nb = 1",
    "a . " * MOST_PARTS + "b = 1",
    "x = 1\n" + "\"a.b\".'c'." * (MOST_PARTS // 2) + "b = 1",
    '"\\"".' * MOST_PARTS + "b = 1",
    "x = {" + "a." * MOST_PARTS + "b = 1}",
)


@pytest.mark.parametrize("text", CHAINS)
def test_a_name_of_more_than_a_hundred_parts_is_refused(text: str) -> None:
    tomllib.loads(text)  # well formed all the same
    with pytest.raises(tomllib.TOMLDecodeError, match="more than 100 parts"):
        toml_from(text)


@pytest.mark.parametrize(
    "text",
    [
        "a." * (MOST_PARTS - 1) + "b = 1",
        "x = [" + "1.5, " * 500 + "]",
        'x = "' + "Teeth, lips and jaws... " * 200 + '"',
        "# " + ". " * 500,
        "".join(f"a.b.c{n} = 1.5\n" for n in range(500)),
    ],
)
def test_many_points_elsewhere_are_read_as_ever(text: str) -> None:
    assert toml_from(text) == tomllib.loads(text)


@pytest.mark.parametrize("text", ["\\" * 500_000, '"\\' * 500_000, '"a' * 500_000, "a" * 500_000, " " * 500_000 + "]"])
def test_looking_for_long_names_takes_no_time_with_the_square_of_the_text(text: str) -> None:
    with pytest.raises(tomllib.TOMLDecodeError):  # hours, if it did
        toml_from(text)


def test_sections_within_sections_end_somewhere() -> None:
    assert toml_from("a = " + "[" * 90 + "]" * 90)
    with pytest.raises(tomllib.TOMLDecodeError, match="nested too deeply"):
        toml_from("a = " + "[" * 110 + "]" * 110)


@dataclass(frozen=True)
class Shape:
    name: str
    size: float = 1.0
    kind: Literal["round", "square"] = "round"
    parts: tuple[int, ...] = ()


def test_what_fits_a_form_becomes_a_value_of_it() -> None:
    assert shaped(Shape, {"name": "a", "size": 2, "parts": [1, 2]}) == (Shape("a", 2.0, "round", (1, 2)), [])


@pytest.mark.parametrize(
    ("data", "place", "found", "expected"),
    [
        ({"size": 2}, ("name",), "'name' is missing", ""),
        ({"name": "a", "sise": 2}, ("sise",), "there is no 'sise'", ""),
        ({"name": 3}, ("name",), "this value does not fit", "a text in quotes"),
        ({"name": date(2020, 1, 1)}, ("name",), "this value does not fit", "a text in quotes"),
        ({"name": "a", "size": True}, ("size",), "this value does not fit", "a number"),
        ({"name": "a", "kind": "oval"}, ("kind",), "this value does not fit", 'one of "round", "square"'),
        ({"name": "a", "parts": [1, "2"]}, ("parts", 1), "this value does not fit", "a whole number"),
        ({"name": "a", "parts": 3}, ("parts",), "this value does not fit", "a list in square brackets"),
        ([], (), "this value does not fit", "a section"),
    ],
)
def test_what_does_not_fit_is_told_with_its_place(
    data: object, place: tuple[str | int, ...], found: str, expected: str
) -> None:
    (complaint,) = shaped(Shape, data)[1]
    assert (complaint.place, complaint.found, complaint.expected) == (place, found, expected)
    assert complaint.remedy
    with pytest.raises(DefinitionError) as refusal:
        structure(Shape, data, where="shape.toml")
    assert refusal.value.where.startswith("shape.toml")
