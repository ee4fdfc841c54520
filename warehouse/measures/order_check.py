"""Points that look swapped or mirrored, told point by point, so that they can be turned away with the reason."""

from __future__ import annotations

import numpy as np
import polars as pl

from warehouse.measures.blocks import Block
from warehouse.measures.evaluation import BLOCK
from warehouse.measures.point_order import OrderFault, find_order_faults
from warehouse.measures.tracings import KEYS, Tracings, gather_tracings

_NOTHING = {"landmark": pl.String, "text": pl.String}


def points_out_of_order(landmarks: pl.DataFrame) -> pl.DataFrame:
    """The points that cannot be trusted because points of their tracing lie in an order that no face has.

    Args:
        landmarks: One row a point, columns as in ``tracings.gather_tracings``.

    Returns:
        The five key columns of the tracing, ``landmark`` (usual code; every code of the tracing where the face looks
        mirrored) and ``text`` (what looks wrong). No fault gives no rows. A tracing whose points state different
        directions or a point twice is not looked at: its own checks tell of that.

    Raises:
        RequestError: A needed column is missing or a view is unknown.
    """
    found = [frame for tracings in gather_tracings(landmarks) for frame in _of_view(tracings)]
    if not found:
        kinds = {name: landmarks.schema.get(name, pl.String()) for name in KEYS}
        return pl.DataFrame(schema={**kinds, **_NOTHING})
    return pl.concat(found)


def _of_view(tracings: Tracings) -> list[pl.DataFrame]:
    found: list[pl.DataFrame] = []
    for start in range(0, tracings.keys.height, BLOCK):
        part = slice(start, min(start + BLOCK, tracings.keys.height))
        block = Block(
            x={code: column[part] for code, column in tracings.x.items()},
            y={code: column[part] for code, column in tracings.y.items()},
            size=part.stop - part.start,
        )
        keys = tracings.keys[part]
        with np.errstate(all="ignore"):
            faults = find_order_faults(block).faults
        found += [_named(fault, keys, block) for fault in faults]
    return found


def _named(fault: OrderFault, keys: pl.DataFrame, block: Block) -> pl.DataFrame:
    """One row a tracing and point of one fault."""
    where = fault.where & keys["fault"].is_null().to_numpy()
    codes = sorted(fault.points) if fault.points else list(block.x)
    rows = keys.filter(pl.Series(where)).select(KEYS)
    named = rows.join(pl.DataFrame({"landmark": codes}, schema={"landmark": pl.String}), how="cross")
    return named.with_columns(text=pl.lit(fault.text))
