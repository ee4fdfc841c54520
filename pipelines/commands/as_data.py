"""Any result as plain data, for ``--json``: nothing rounded, nothing left out but pictures that are arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from math import isfinite
from numbers import Integral
from typing import Any

import polars as pl

from warehouse.marts.grouping import Grouping
from warehouse.outcomes.definition import Definition
from warehouse.results import Caution, Interval
from warehouse.selection import Selection
from warehouse.words.sentences import caution_text


def as_data(value: object) -> Any:  # noqa: ANN401
    """The value as dictionaries, lists, texts, numbers and None.

    Definitions, groupings and selections are given by name and sentence, intervals as [low, high], cautions as their
    text, frames as lists of rows. What is infinite is the text ``infinity`` or ``-infinity``.
    """
    for kind, convert in _SPECIAL.items():
        if isinstance(value, kind):
            return convert(value)
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: as_data(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): as_data(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [as_data(item) for item in value]
    if isinstance(value, bool) or value is None:
        return value
    return int(value) if isinstance(value, Integral) else str(value)


def _definition(value: Definition) -> dict[str, str]:
    return {"id": value.id, "version": value.version, "family": value.family, "sentence": value.sentence}


def _number(value: float) -> float | str | None:
    if isfinite(value):
        return float(value)
    return None if value != value else ("infinity" if value > 0 else "-infinity")


_SPECIAL: dict[type, Any] = {
    Definition: _definition,
    Grouping: lambda way: way.name,
    Selection: lambda selection: selection.sentence(),
    Interval: lambda interval: [_number(interval.low), _number(interval.high)],
    Caution: caution_text,
    pl.DataFrame: lambda frame: [as_data(row) for row in frame.to_dicts()],
    float: _number,
}
