"""TOML of users: what would take the standard library minutes is refused at once; the rest is read as ever."""

from __future__ import annotations

import tomllib

import pytest

from warehouse.toml_files import MOST_PARTS, toml_from

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
