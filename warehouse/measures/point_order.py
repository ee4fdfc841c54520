"""Finds points that look swapped, and faces that look mirrored, from the order points keep in every face.

Some pairs of points always run forwards (sella to nasion, porion to orbitale ...) and some always run downwards
(point A to point B ...). Each pair says where "forwards" is; together they outvote a pair that was swapped. The
reasoning uses directions only, so the picture may be rotated and of any size. A swap of two points that no pair
holds in order (A and the upper root apex, say) is not found.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from warehouse.measures.blocks import Block, Flags, Floats, blocks
from warehouse.measures.formulae import LineThrough, lines_of
from warehouse.measures.tracings import KEYS, Tracings, gather_tracings

FORWARDS = lines_of("S-N PNS-ANS Po-Or Go-Me Go-Gn U6-U1T L6-L1T Ba-N")
DOWNWARDS = lines_of("A-B U1A-U1T L1T-L1A N-A B-Me ANS-Me S-Go Ar-Go Pt-Gn N'-Sn Sn-Gn' N'-Gn'")
_PAIRS = FORWARDS + DOWNWARDS
MIRRORED = (
    "the face looks mirrored or upside down: check which way it faces and the direction of the y axis, "
    "or whether S and N are swapped"
)


@dataclass(frozen=True, slots=True)
class OrderFault:
    """Points out of order in some tracings."""

    points: frozenset[str]  # The landmark codes not to be trusted; empty means all of them
    where: Flags  # Shape `(m,)`; the tracings concerned
    text: str  # What looks wrong


@dataclass(frozen=True, slots=True)
class OrderFaults:
    """The faults of one block."""

    faults: tuple[OrderFault, ...] = ()

    def touching(self, codes: tuple[str, ...]) -> Iterator[OrderFault]:
        """The faults that make any of these points untrustworthy."""
        for fault in self.faults:
            if not fault.points or not fault.points.isdisjoint(codes):
                yield fault


@dataclass(frozen=True, slots=True)
class _Votes:
    """Where each present pair says "forwards" is, one (x, y) a pair, and the sums of both kinds."""

    pairs: tuple[LineThrough, ...]
    claims: tuple[tuple[Floats, Floats], ...]
    forward: tuple[Floats, Floats]
    downward: tuple[Floats, Floats]

    def mirrored(self) -> Flags:
        """Where the forward and the downward pairs contradict each other as a whole."""
        flags: Flags = self.forward[0] * self.downward[0] + self.forward[1] * self.downward[1] < 0.0
        return flags

    def against(self) -> list[Flags]:
        """For each pair, where it points against all pairs together."""
        total_x = self.forward[0] + self.downward[0]
        total_y = self.forward[1] + self.downward[1]
        return [cx * total_x + cy * total_y < 0.0 for cx, cy in self.claims]


def _votes(block: Block) -> _Votes:
    pairs = tuple(pair for pair in _PAIRS if set(pair.points) <= block.x.keys())
    claims = tuple(_claim(block, pair) for pair in pairs)
    ahead = [claim for pair, claim in zip(pairs, claims, strict=True) if pair in FORWARDS]
    down = [claim for pair, claim in zip(pairs, claims, strict=True) if pair in DOWNWARDS]
    return _Votes(pairs, claims, _total(ahead, block.size), _total(down, block.size))


def _claim(block: Block, pair: LineThrough) -> tuple[Floats, Floats]:
    dx, dy = block.vector(pair)
    if np.isnan(dx).any() or np.isnan(dy).any():
        lost = np.isnan(dx) | np.isnan(dy)
        dx, dy = np.where(lost, 0.0, dx), np.where(lost, 0.0, dy)
    return (dx, dy) if pair in FORWARDS else (-dy, dx)


def _total(claims: list[tuple[Floats, Floats]], size: int) -> tuple[Floats, Floats]:
    total_x, total_y = np.zeros(size), np.zeros(size)
    for cx, cy in claims:
        total_x += cx
        total_y += cy
    return total_x, total_y


def find_order_faults(block: Block) -> OrderFaults:
    """The order faults of a block of tracings.

    A tracing whose fault goes away when two points change places is blamed on those two; one whose fault does
    not is blamed on every point of every pair out of order.
    """
    votes = _votes(block)
    against = votes.against()
    mirrored = votes.mirrored()
    suspect = mirrored.copy()
    for flags in against:
        suspect |= flags
    if not suspect.any():
        return OrderFaults()
    rows = np.flatnonzero(suspect)
    return OrderFaults(tuple(_explain(block, votes.pairs, [a[rows] for a in against], mirrored[rows], rows)))


def _explain(
    block: Block, pairs: tuple[LineThrough, ...], against: list[Flags], mirrored: Flags, rows: NDArray[np.intp]
) -> Iterator[OrderFault]:
    unexplained = ~mirrored
    if mirrored.any():
        yield OrderFault(frozenset(), _spread(mirrored, rows, block.size), MIRRORED)
    part = {code: (block.x[code][rows], block.y[code][rows]) for pair in pairs for code in pair.points}
    for pair, flags in zip(pairs, against, strict=True):
        cured = flags & unexplained
        if not cured.any():
            continue
        cured &= _sound_after_swap(part, pair, len(rows))
        unexplained &= ~cured
        if cured.any():
            text = f"{pair.start} and {pair.end} look swapped"
            yield OrderFault(frozenset(pair.points), _spread(cured, rows, block.size), text)
    for pair, flags in zip(pairs, against, strict=True):
        left = flags & unexplained
        if left.any():
            text = f"{pair.start} and {pair.end} lie in an order that no face has"
            yield OrderFault(frozenset(pair.points), _spread(left, rows, block.size), text)


def _spread(flags: Flags, rows: NDArray[np.intp], size: int) -> Flags:
    whole = np.zeros(size, dtype=np.bool_)
    whole[rows[flags]] = True
    return whole


def _sound_after_swap(part: Mapping[str, tuple[Floats, Floats]], pair: LineThrough, size: int) -> Flags:
    """Where exchanging the two points of ``pair`` leaves nothing out of order."""
    first, second = pair.points
    changed = {**part, first: part[second], second: part[first]}
    votes = _votes(
        Block(
            x={code: xy[0] for code, xy in changed.items()}, y={code: xy[1] for code, xy in changed.items()}, size=size
        )
    )
    sound: Flags = ~votes.mirrored()
    for flags in votes.against():
        sound &= ~flags
    return sound


def points_out_of_order(landmarks: pl.DataFrame) -> pl.DataFrame:
    """The points that cannot be trusted because points of their tracing lie in an order that no face has.

    ``landmarks`` has one row a point, columns as in ``tracings.gather_tracings``.

    Gives the five key columns of the tracing, ``landmark`` (usual code; every code of the tracing where the face looks
    mirrored) and ``text`` (what looks wrong). No fault gives no rows. A tracing whose points state different directions
    or a point twice is not looked at: its own checks tell of that. Raises RequestError: a needed column is missing or a
    view is unknown.
    """
    found = [frame for tracings in gather_tracings(landmarks) for frame in _of_view(tracings)]
    if not found:
        kinds = {name: landmarks.schema.get(name, pl.String()) for name in KEYS}
        return pl.DataFrame(schema={**kinds, "landmark": pl.String, "text": pl.String})
    return pl.concat(found)


def _of_view(tracings: Tracings) -> list[pl.DataFrame]:
    found: list[pl.DataFrame] = []
    for part, block in blocks(tracings.x, tracings.y, tracings.keys.height):
        with np.errstate(all="ignore"):
            faults = find_order_faults(block).faults
        found += [_named(fault, tracings.keys[part], block) for fault in faults]
    return found


def _named(fault: OrderFault, keys: pl.DataFrame, block: Block) -> pl.DataFrame:
    """One row a tracing and point of one fault."""
    where = fault.where & keys["fault"].is_null().to_numpy()
    codes = sorted(fault.points) if fault.points else list(block.x)
    rows = keys.filter(pl.Series(where)).select(KEYS)
    named = rows.join(pl.DataFrame({"landmark": codes}, schema={"landmark": pl.String}), how="cross")
    return named.with_columns(text=pl.lit(fault.text))
