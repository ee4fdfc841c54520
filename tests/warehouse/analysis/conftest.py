"""Published check cases by item and name, and comparison to the digits their source printed."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

# A deadline for single examples would be a timing assertion, and fail on a busy machine
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")

FILE = Path(__file__).parents[2] / "reference" / "statistics-check-values.json"


class Printed(float):
    """A number that remembers how many decimals its source printed."""

    decimals: int

    @classmethod
    def read(cls, text: str) -> Printed:
        number = cls(text)
        mantissa, _, exponent = text.lower().partition("e")
        number.decimals = len(mantissa.partition(".")[2]) - int(exponent or 0)
        return number


def _decimals(value: Any) -> int:
    if isinstance(value, list):
        return max(_decimals(part) for part in value if part is not None)
    return value.decimals if isinstance(value, Printed) else 0


@pytest.fixture(scope="session")
def check_cases() -> list[dict[str, Any]]:
    """Every published check case, floats keeping their printed digits."""
    return json.loads(FILE.read_text(encoding="utf-8"), parse_float=Printed.read)


@pytest.fixture(scope="session")
def reference_case(check_cases: list[dict[str, Any]]) -> Callable[[int, str], dict[str, Any]]:
    """The one case of an item with a given name."""

    def find(item: int, name: str) -> dict[str, Any]:
        (found,) = (case for case in check_cases if case["item"] == item and case["name"] == name)
        return found

    return find


@pytest.fixture(scope="session")
def as_printed() -> Callable[[Any], Any]:
    """Equality to within half a unit of the last printed digit (of the most precise number of a list).

    The digits of JSON drop trailing zeros, so a list is judged by its longest number.
    """

    def expected(value: Any) -> Any:
        half = 0.5 * 10.0 ** -_decimals(value)
        return pytest.approx(value, abs=half * 1.000001, rel=0.0)

    return expected
