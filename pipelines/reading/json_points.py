"""Tracings in nested JSON, taken apart into one flat record a point.

The form is our own and plain: a list of tracings, each an object of flat values and ``points``, in which every
landmark's code stands with its two coordinates::

    [{"case_id": "17", "timepoint": "start", "view": "lateral_radiograph", "unit": "px",
      "y_axis": "down", "faces": "right", "points": {"S": [812.5, 640.0], "N": [1302, 571.5]}}]

``examiner`` and ``repeat_no`` may stand beside; a landmark whose value is null was not marked and gives no record.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pipelines.contract.delivery import ReadingAssumption
from warehouse.errors import BadFileError

POINTS = "points"
_MADE = ("landmark", "x", "y")
_FORM = (
    '[{"case_id": ..., "timepoint": ..., "view": ..., "unit": ..., "y_axis": ..., "faces": ..., '
    '"points": {"S": [x, y], ...}}]'
)


def is_nested(records: object) -> bool:
    """Whether a list of records holds tracings with their points inside."""
    return isinstance(records, list) and any(
        isinstance(one, dict) and isinstance(one.get(POINTS), dict) for one in records
    )


def one_a_point(records: Sequence[object], where: str) -> list[object]:
    """One record a point, in the order of the file, with the values of its tracing.

    Raises:
        BadFileError: An entry is no tracing, or a point is not made of two coordinates.
    """
    found: list[object] = []
    for number, tracing in enumerate(records, start=1):
        place = f"{where}, tracing {number}"
        if not isinstance(tracing, dict) or not isinstance(tracing.get(POINTS), dict):
            raise _odd("an entry of the list is not a tracing with its points", place)
        shared = {name: value for name, value in tracing.items() if name != POINTS}
        twice = [name for name in _MADE if name in shared]
        if twice:
            raise _odd(f"the tracing has points and {twice[0]!r} beside them", place)
        found += [{**shared, **point} for point in _points(tracing[POINTS], place)]
    return found


def _points(points: dict[str, object], place: str) -> Iterator[dict[str, object]]:
    for code, xy in points.items():
        if xy is None:
            continue
        if not isinstance(xy, list) or len(xy) != 2 or any(isinstance(value, list | dict) for value in xy):
            raise _odd("a point is not made of two coordinates", place)
        yield {"landmark": code, "x": xy[0], "y": xy[1]}


def note(n_tracings: int, n_points: int) -> ReadingAssumption:
    """What rows are in such a file."""
    taken = f"{n_points:,} points of {n_tracings:,} tracings, numbered from 2 in the order of the file"
    return ReadingAssumption("rows", taken, "the file holds tracings with their points inside")


def _odd(found: str, where: str) -> BadFileError:
    remedy = "give every tracing its points as pairs of numbers, or one flat record a point"
    return BadFileError(found, where=where, expected=_FORM, remedy=remedy)
