"""Pieces of sentences: numbers, differences, ratios and p values, set the same way everywhere."""

from __future__ import annotations

import re
from math import isfinite
from typing import TYPE_CHECKING

from warehouse.plural import number_of
from warehouse.words.shares import cases, percent, percent_range

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from warehouse.results import Estimate, Interval

NO_NUMBER = "These cases cannot say."


def number(value: float | None, *, digits: int = 2) -> str:
    """A number with a real minus sign; a dash where there is none, ``without end`` where it is infinite."""
    if value is None:
        return "—"
    if not isfinite(value):
        return "without end"
    text = f"{value:.{digits}f}"
    is_zero = not text.strip("-0.")
    return text.lstrip("-") if is_zero else text.replace("-", "−")


def signed(value: float | None, *, digits: int = 2) -> str:
    """A number with its sign, plus too."""
    text = number(value, digits=digits)
    return f"+{text}" if value is not None and value > 0 and text.strip("0.") else text


def points(value: float | None, *, digits: int = 1) -> str:
    """A difference of shares in percentage points, with its sign."""
    return signed(None if value is None else 100 * value, digits=digits)


def span(interval: Interval | None, *, digits: int = 2, scale: float = 1.0) -> str:
    """An interval as "low to high"; a dash where there is none."""
    if interval is None:
        return "—"
    return f"{number(scale * interval.low, digits=digits)} to {number(scale * interval.high, digits=digits)}"


def p_words(p_value: float | None) -> str:
    """A p value; words where there was no test."""
    if p_value is None:
        return "no test"
    return "p < 0.001" if p_value < 0.001 else f"p = {p_value:.2g}" if p_value < 0.1 else f"p = {p_value:.2f}"


def level_words(level: float) -> str:
    """The name of an interval of that level."""
    return f"{100 * level:g}% interval"


def and_list(words: Sequence[str]) -> str:
    """Words joined by commas and a last "and"; "nothing" for none."""
    if not words:
        return "nothing"
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def counted(n_adverse: int, n: int) -> str:
    """A count with its share: "24 of 82 (29.3%)"."""
    return f"{n_adverse:,} of {n:,} ({percent(n_adverse / n)})" if n else "none counted"


def why_none(estimate: Estimate) -> str:
    """The reason a result has no value."""
    return estimate.warnings[0].text if estimate.warnings else NO_NUMBER


def more_or_less(estimate: Estimate, *, unit: str, than: str, scale: float = 1.0, digits: int = 1) -> str:
    """A difference in words: how much higher or lower, and what else the data are compatible with.

    Args:
        estimate: A difference, first minus second.
        unit: Unit after scaling.
        than: What the first group is higher or lower than, such as "than with fixed appliances".
        scale: What values are multiplied by for display, 100 for percentage points.
        digits: Decimals shown.
    """
    if estimate.value is None:
        return why_none(estimate)
    said = f"{_directed(scale * estimate.value, unit, digits)} {than}"
    if estimate.interval is None:
        return f"{said} (no interval: {why_none(estimate)})"
    low, high = scale * estimate.interval.low, scale * estimate.interval.high
    return f"{said} ({_compatible(low, high, unit, digits, estimate.interval.level)})"


def _directed(value: float, unit: str, digits: int) -> str:
    size = number(abs(value), digits=digits)
    if not size.strip("0."):
        return "no higher and no lower"
    return f"{size} {unit} {'higher' if value > 0 else 'lower'}"


def _compatible(low: float, high: float, unit: str, digits: int, level: float) -> str:
    ends = [number(abs(end), digits=digits) for end in (low, high)]
    if low > 0.0:
        said = f"{ends[0]} to {ends[1]} {unit} higher"
    elif high < 0.0:
        said = f"{ends[1]} to {ends[0]} {unit} lower"
    else:
        said = f"anything from {ends[0]} {unit} lower to {ends[1]} {unit} higher"
    return f"the data are compatible with {said}, {level_words(level)}"


def ratio_words(estimate: Estimate) -> str:
    """A ratio with its interval."""
    if estimate.value is None:
        return why_none(estimate)
    return f"{number(estimate.value)} ({level_words(_level(estimate))} {span(estimate.interval)})"


def _level(estimate: Estimate) -> float:
    return estimate.interval.level if estimate.interval else 0.95


def share_words(estimate: Estimate) -> str:
    """A share with its interval."""
    if estimate.value is None:
        return why_none(estimate)
    return f"{percent(estimate.value)} ({level_words(_level(estimate))} {percent_range(estimate.interval)})"


def column_words(text: str) -> str:
    """Names of model columns as a person reads them: ``age'`` is its curved part, ``sex=male`` a level."""
    return re.sub(r"(?<=\w)=(?=\w)", ": ", re.sub(r"(?<=\w)'+(?!\w)", " (curved part)", text))


def left_out_words(left_out: Mapping[str, int]) -> str:
    """Who was left out and why; empty where nobody was."""
    return ", ".join(f"{cases(n)} ({reason})" for reason, n in left_out.items() if n)


def due_words(n: int) -> str:
    """How many outcomes are missing that should be there."""
    return number_of(n, "outcome is due but not known", "outcomes are due but not known")


def uncapped(text: str) -> str:
    """A sentence to be said on after a colon: without its capital."""
    return text[:1].lower() + text[1:]


def sentence(text: str) -> str:
    """The text with a capital letter and a full stop."""
    ended = text if text.endswith((".", "!", "?")) else f"{text}."
    return ended[:1].upper() + ended[1:]
