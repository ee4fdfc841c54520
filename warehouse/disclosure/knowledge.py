"""What a reader of published tables knows: each cell and each guarded count as a sum of finest cells."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from warehouse.disclosure.layout import Layout
from warehouse.disclosure.published import Guard, Release
from warehouse.disclosure.space import Space, sets_of, space_of
from warehouse.disclosure.system import Knowledge


def space_for(releases: Sequence[Release], *layouts: Layout) -> Space:
    """The space of the releases and of further tables."""
    guarded = [sets for release in releases for guard in release.guards for sets in (guard.whole, guard.less or {})]
    return space_of([*layouts, *(release.layout for release in releases)], guarded)


def guarded_row(guard: Guard, space: Space) -> NDArray[np.int8]:
    """A guarded count as a sum of finest cells."""
    whole = space.row(guard.whole)
    return whole if guard.less is None else (whole - space.row(guard.less)).astype(np.int8)


def knowledge_of(releases: Sequence[Release], space: Space) -> Knowledge:
    """Everything the releases say, as ranges of sums of finest cells."""
    links = space.links()
    rows = [*links, *(row_of(release.layout, key, space) for release in releases for key in release.cells)]
    bounds = [(0.0, 0.0)] * len(links) + [release.bounds(key) for release in releases for key in release.cells]
    return Knowledge.of(
        np.array(rows, dtype=np.int8).reshape(len(rows), space.size),
        np.array(bounds, dtype=np.float64).reshape(len(rows), 2),
    )


def row_of(layout: Layout, key: tuple[str, ...], space: Space) -> NDArray[np.int8]:
    """A cell as a sum of finest cells."""
    return space.row(sets_of(layout, layout.values(key)))
