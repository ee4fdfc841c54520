"""The sentences of `sentences.toml`, with numbers set into them.

A text names its numbers in braces, and after a colon how each is set: a style of `STYLES` ("{share:percent}"), Python's
own format ("{value:.1f}"), or the noun for one and for many ("{n:case|cases}"). Of an estimate the value is set, its
interval where the style is a range ("{share:percent_range}"), or its level. A key that has a text for ``one`` and
one for ``many`` goes by the number ``n``.
"""

import tomllib
from collections.abc import Callable, Mapping
from functools import cache
from importlib.resources import files
from string import Formatter
from typing import Any

from warehouse.outcomes.definition import FAMILIES
from warehouse.plural import number_of
from warehouse.results import Caution, Estimate
from warehouse.words.numbers import (
    and_list,
    cases,
    column_words,
    level_name,
    number,
    p_words,
    percent,
    percent_range,
    points,
    points_range,
    sentence,
    signed,
    signed_range,
    span,
    uncapped,
)

STYLES: dict[str, Callable[[Any], str]] = {
    "percent": percent,
    "whole_percent": lambda share: percent(share, digits=0),
    "percent_range": percent_range,
    "points": points,
    "points_range": points_range,
    "number": number,
    "signed": signed,
    "mean": lambda value: signed(value, digits=2),
    "mean_range": lambda ends: signed_range(*ends),
    "span": span,
    "level": level_name,
    "p": p_words,
    "cases": cases,
    "family": FAMILIES.__getitem__,
    "list": and_list,
    "commas": ", ".join,
    "columns": lambda names: column_words(", ".join(names)),
    "lower": uncapped,
    "capital": lambda text: text[:1].upper() + text[1:],
}


class _Setting(Formatter):
    def format_field(self, value: Any, format_spec: str) -> str:  # noqa: ANN401 - as the base class has it
        if "|" in format_spec:
            return number_of(value, *format_spec.split("|"))
        if isinstance(value, Estimate):  # the style says which part of it is set
            parts = {"level": _level(value), "range": value.interval, "span": value.interval}
            value = parts.get(format_spec.split("_")[-1], value.value)
        style = STYLES.get(format_spec)
        return style(value) if style else str(super().format_field(value, format_spec))


_SETTING = _Setting()


@cache
def texts() -> Mapping[str, str | Mapping[str, str]]:
    """Key -> text, the keys with the name of their table before a dot."""
    tables = tomllib.loads((files("warehouse.words") / "sentences.toml").read_text("utf-8"))
    return {f"{name}.{key}": text for name, table in tables.items() for key, text in table.items()}


def say(key: str, /, **numbers: object) -> str:
    """The sentence of a key, with its numbers set."""
    text = texts()[key]
    if not isinstance(text, str):
        text = text["one" if numbers["n"] == 1 else "many"]
    return fill(text, numbers)


def fill(text: str, numbers: Mapping[str, object]) -> str:
    """A text with its numbers set."""
    return _SETTING.vformat(text, (), numbers)


def caution_text(caution: Caution) -> str:
    """What a caution says."""
    return say(f"caution.{caution.code}", **dict(caution.numbers))


def why_none(estimate: Estimate) -> str:
    """The reason a result has no value."""
    return caution_text(estimate.warnings[0]) if estimate.warnings else say("number.cannot_say")


def more_or_less(estimate: Estimate, *, unit: str, than: str, scale: float = 1.0, digits: int = 1) -> str:
    """A difference in words: how much higher or lower, and what else the data are compatible with.

    ``estimate``: a difference, first minus second. ``unit``: unit after scaling. ``than``: what the first group is
    higher or lower than, such as "than with fixed appliances". ``scale``: what values are multiplied by for display,
    100 for percentage points. ``digits``: decimals shown.
    """
    if estimate.value is None:
        return why_none(estimate)
    said = f"{_directed(scale * estimate.value, unit, digits)} {than}"
    if estimate.interval is None:
        return say("number.no_interval", said=said, why=why_none(estimate))
    low, high = scale * estimate.interval.low, scale * estimate.interval.high
    ends = [number(abs(end), digits=digits) for end in (low, high)]
    key = "number.both_higher" if low > 0.0 else "number.both_lower" if high < 0.0 else "number.either_side"
    return say(key, said=said, low=ends[0], high=ends[1], unit=unit, level=estimate.interval.level)


def _directed(value: float, unit: str, digits: int) -> str:
    size = number(abs(value), digits=digits)
    if not size.strip("0."):
        return say("number.no_difference")
    return say("number.higher" if value > 0 else "number.lower", size=size, unit=unit)


def ratio_words(estimate: Estimate) -> str:
    """A ratio with its interval."""
    return _with_interval("number.ratio", estimate)


def share_words(estimate: Estimate) -> str:
    """A share with its interval."""
    return _with_interval("number.share", estimate)


def _with_interval(key: str, estimate: Estimate) -> str:
    if estimate.value is None:
        return why_none(estimate)
    return say(key, estimate=estimate)


def _level(estimate: Estimate) -> float:
    return estimate.interval.level if estimate.interval else 0.95


def said_of(label: str, estimate: Estimate) -> str:
    """The reason why there is no value, said of someone or something."""
    return sentence(f"{label}: {why_none(estimate)}")
