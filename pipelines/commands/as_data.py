"""Any answer as plain data, for ``--json``: nothing rounded. `json.md` beside this file says what every key means."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from math import isfinite
from numbers import Integral
from typing import TYPE_CHECKING, Any

from warehouse.plans.question import Question, Stamp
from warehouse.questions.shares import rates_as_data
from warehouse.results import Estimate
from warehouse.words.sentences import caution_text

if TYPE_CHECKING:  # a command loads the questions it asks, and no others
    from warehouse.cases.occlusal_results import OcclusalResults
    from warehouse.outcomes.definition import Definition
    from warehouse.questions.crossed import CrossedComparison
    from warehouse.questions.drift import DriftPicture
    from warehouse.questions.missing import GroupMissing

FORMAT = 2
"""Number of the form described in `json.md`; it rises when a key goes, or comes to mean something else."""


_KEYS = {"selection": "cases", "cautions": "warnings"}
"""Fields that have another key, so that the same thing has the same key everywhere."""


def as_data(value: object) -> Any:  # noqa: ANN401
    """The value as dictionaries, lists, texts, numbers and None.

    The stamp of an answer stands among its own keys, groupings are given by name, cases by sentence, intervals as
    [low, high], cautions as their text, frames as lists of rows. What is infinite is the text ``infinity`` or
    ``-infinity``.
    """
    for kind in type(value).__mro__:
        if kind.__name__ in _SPECIAL:
            return _SPECIAL[kind.__name__](value)
    if is_dataclass(value) and not isinstance(value, type):
        return _fields(value)
    if isinstance(value, Mapping):
        return {str(key): as_data(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [as_data(item) for item in value]
    if isinstance(value, bool) or value is None:
        return value
    return int(value) if isinstance(value, Integral) else str(value)


def _fields(value: Any) -> dict[str, Any]:  # noqa: ANN401 - any dataclass
    data: dict[str, Any] = {}
    for field in fields(value):
        part = getattr(value, field.name)
        if isinstance(part, Stamp):
            data |= _fields(part)
        else:
            data[_KEYS.get(field.name, field.name) if not isinstance(part, str) else field.name] = as_data(part)
    return data


def _definition(value: Definition) -> dict[str, str]:
    return {name: getattr(value, name) for name in ("id", "version", "sentence")}


def _question(value: Question) -> dict[str, Any]:
    named = {name: getattr(value, name) for name in ("outcome", "by", "first", "second")}
    return {**named, "cases": value.selection.sentence(), "adjust": list(value.adjust or ())}


def _estimate(value: Estimate) -> dict[str, Any]:
    return _fields(value) | {"level": value.interval.level if value.interval else None}


def _drift(value: DriftPicture) -> dict[str, Any]:
    from warehouse.words.drift import refused_sentence

    return {**_fields(value), "refused": refused_sentence(value)}


def _crossed(value: CrossedComparison) -> dict[str, Any]:
    return _fields(value) | {"groups": _named(value.groups), "levels": _named(value.levels)}


def _named(labels: Mapping[str, str]) -> list[dict[str, str]]:
    return [{"group": code, "label": label} for code, label in labels.items()]


def _teeth(value: OcclusalResults) -> dict[str, Any]:
    improvement = [
        {"group": name, "n": value.counts[name], "share": as_data(share)} for name, share in value.shares.items()
    ]
    means = {"n_finished": value.n_finished, "reduction": value.reduction, "points": value.points}
    return {"improvement": improvement, **as_data(means)}


def _missing(value: GroupMissing) -> dict[str, Any]:
    return {"group": value.rate.group, "label": value.rate.label, "tipping": as_data(value.tipping)}


def _number(value: float) -> float | str | None:
    if isfinite(value):
        return float(value)
    return None if value != value else ("infinity" if value > 0 else "-infinity")


_SPECIAL: dict[str, Any] = {
    "Definition": _definition,
    "Variable": lambda way: way.name,
    "Selection": lambda selection: selection.sentence(),
    "Question": _question,
    "Rates": lambda rates: as_data(rates_as_data(rates)),
    "CrossedComparison": _crossed,
    "OcclusalResults": _teeth,
    "GroupMissing": _missing,
    "Estimate": _estimate,
    "Interval": lambda interval: [_number(interval.low), _number(interval.high)],
    "Caution": caution_text,
    "DriftPicture": _drift,
    "DataFrame": lambda frame: [as_data(row) for row in frame.to_dicts()],
    "ndarray": lambda array: as_data(array.tolist()),
    "float": _number,
}
"""By name of the class, which stands for one class in the whole tree."""
