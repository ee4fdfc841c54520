"""Which way the axes of a picture run, told by points whose order in a face is certain."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import polars as pl

from pipelines.cells.numbers import read_numbers
from pipelines.cells.understood import Expected
from pipelines.contract.targets import Target

_ABOVE = (("N", "Me"), ("N'", "Me'"), ("N", "Gn"), ("Or", "Me"), ("ANS", "Me"), ("Prn", "Pog'"))
"""Pairs of which the first lies above the second in every upright face."""

_BEHIND = (("S", "N"), ("S", "A"), ("Go", "Me"), ("Po", "Or"), ("Ar", "A"))
"""Pairs of which the first lies behind the second in every profile."""

_SURE = 0.9
_ANY_DAY = date.max


def axes_seen(columns: Mapping[str, pl.Series], decimal: str) -> dict[str, object]:
    """``y_axis`` and ``faces`` as nine pictures of ten show them, and ``view`` where a point is seen in one only.

    Args:
        columns: Contract name -> cells: ``landmark``, ``x`` and ``y``, or a column a coordinate (``x_S``).
        decimal: The decimal mark.
    """
    places = _by_column(columns, decimal) if "landmark" not in columns else _by_row(columns, decimal)
    found: dict[str, object] = {}
    down = _share(places, _ABOVE, "y")
    right = _share(places, _BEHIND, "x")
    for name, share, often, seldom in (("y_axis", down, "down", "up"), ("faces", right, "right", "left")):
        if share is not None and (share >= _SURE or share <= 1 - _SURE):
            found[name] = often if share >= _SURE else seldom
    return found


def _numbers(cells: pl.Series, decimal: str) -> pl.Series:
    target = Target(name="x", table="landmarks", field="x", type="number")
    return read_numbers(cells, Expected(target=target, today=_ANY_DAY, decimal="," if decimal == "," else ".")).values


def _by_column(columns: Mapping[str, pl.Series], decimal: str) -> dict[str, pl.DataFrame]:
    return {
        name[2:]: pl.DataFrame({"x": _numbers(cells, decimal), "y": _numbers(columns[f"y_{name[2:]}"], decimal)})
        for name, cells in columns.items()
        if name.startswith("x_") and f"y_{name[2:]}" in columns
    }


def _by_row(columns: Mapping[str, pl.Series], decimal: str) -> dict[str, pl.DataFrame]:
    """The first place of each point in each picture, pictures in one order."""
    if not {"x", "y"} <= columns.keys():
        return {}
    keys = [name for name in ("case_id", "timepoint", "view", "examiner", "repeat_no") if name in columns]
    frame = pl.DataFrame({name: columns[name].cast(pl.String) for name in (*keys, "landmark")}).with_columns(
        x=_numbers(columns["x"], decimal), y=_numbers(columns["y"], decimal)
    )
    pictures = frame.select(keys).unique(maintain_order=True)
    return {
        str(code): pictures.join(points.unique(keys), on=keys, how="left", maintain_order="left").select("x", "y")
        for (code,), points in frame.partition_by("landmark", as_dict=True).items()
    }


def _share(places: Mapping[str, pl.DataFrame], pairs: tuple[tuple[str, str], ...], axis: str) -> float | None:
    """In what share of pictures the first of a pair has the smaller coordinate; None where no pair is there."""
    smaller = [places[one][axis] < places[other][axis] for one, other in pairs if one in places and other in places]
    told = pl.concat(smaller).drop_nulls() if smaller else pl.Series(dtype=pl.Boolean)
    return float(told.mean() or 0.0) if told.len() else None  # type: ignore[arg-type]
