"""Rows counted once for all levels, so that each combination of levels is judged quickly."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations, product

import numpy as np
import polars as pl
from numpy.typing import NDArray

from warehouse.disclosure.hierarchy import MISSING, Hierarchy
from warehouse.errors import RequestError
from warehouse.plural import number_of

Node = tuple[int, ...]


@dataclass(slots=True)
class Lattice:
    """All combinations of levels over the rows at hand."""

    hierarchies: tuple[Hierarchy, ...]  # One a variable
    codes: list[list[NDArray[np.int64]]]  # Variable, level -> group of each row, shape `(n,)`
    losses: list[list[float]]  # Variable, level -> mean penalty over the rows
    sensitive: list[NDArray[np.int64]]  # Values of each sensitive variable as codes, -1 where missing, each `(n,)`
    k: int  # Smallest class wanted
    # Different values of each wanted in a class
    l: int  # noqa: E741 - the name the literature gives it
    weights: NDArray[np.float64]  # Weight of each variable in the loss, summing to 1
    rows: int  # Number of rows
    # Combinations of one, two or all variables judged so far
    judged: dict[tuple[tuple[int, int], ...], NDArray[np.bool_]] = field(default_factory=dict)

    def nodes(self) -> Iterator[tuple[float, Node]]:
        """All combinations by loss, then by levels, with their loss."""
        every = product(*(range(len(hierarchy.levels)) for hierarchy in self.hierarchies))
        yield from sorted((self.loss(node), node) for node in every)

    def loss(self, node: Node) -> float:
        """Weighted mean penalty of the rows, 0 (nothing merged) to 1 (everything dropped); it only grows upwards."""
        parts = [
            weight * self.losses[i][level] for i, (weight, level) in enumerate(zip(self.weights, node, strict=True))
        ]
        return round(float(sum(parts)), 12)

    def may_meet(self, node: Node) -> bool:
        """Whether no one or two variables at these levels already break the demand.

        Classes by fewer variables are unions of the classes by all of them: were those large and diverse enough, so
        would be the unions. So a pair that fails rules out every combination it is part of, and each is judged once.
        """
        pairs = list(enumerate(node))
        few = [(pair,) for pair in pairs] + list(combinations(pairs, 2))
        return all(not self.breaking(choice).any() for choice in few if len(choice) < len(pairs))

    def breaking(self, choice: tuple[tuple[int, int], ...]) -> NDArray[np.bool_]:
        """Rows in classes that break the demand, for these (variable, level) pairs; shape ``(n,)``."""
        if choice not in self.judged:
            self.judged[choice] = self._judge(choice)
        return self.judged[choice]

    def _judge(self, choice: tuple[tuple[int, int], ...]) -> NDArray[np.bool_]:
        key = np.zeros(self.rows, dtype=np.int64)
        for variable, level in choice:
            codes = self.codes[variable][level]
            key = key * (int(codes.max(initial=0)) + 1) + codes
            _, key = np.unique(key, return_inverse=True)
        sizes = np.bincount(key)
        bad = sizes < self.k
        for values in self.sensitive:
            bad |= self._too_uniform(key, values, sizes.size)
        return np.asarray(bad[key], dtype=np.bool_)

    def _too_uniform(self, key: NDArray[np.int64], values: NDArray[np.int64], classes: int) -> NDArray[np.bool_]:
        known = values >= 0
        width = int(values.max(initial=0)) + 1
        counts = np.bincount(key[known] * width + values[known], minlength=classes * width).reshape(classes, width)
        n_values = (counts > 0).sum(axis=1)
        too_uniform: NDArray[np.bool_] = (n_values > 0) & (n_values < self.l)
        return too_uniform


def build_lattice(
    frame: pl.DataFrame,
    hierarchies: Sequence[Hierarchy],
    *,
    sensitive: Sequence[str],
    k: int,
    l: int,  # noqa: E741
    weights: Sequence[float],
) -> Lattice:
    """Code the rows for every level of every variable.

    A missing value stands for "missing", which the hierarchy must name where it occurs.
    """
    codes, losses = [], []
    for hierarchy in hierarchies:
        position = _positions(frame, hierarchy)
        of_level = [_groups(hierarchy, level)[position] for level in range(len(hierarchy.levels))]
        cost = [
            np.array([hierarchy.penalty(level)[value] for value in hierarchy.base])[position]
            for level in range(len(hierarchy.levels))
        ]
        codes.append(of_level)
        losses.append([float(np.mean(one)) if one.size else 0.0 for one in cost])
    total = sum(weights)
    return Lattice(
        hierarchies=tuple(hierarchies),
        codes=codes,
        losses=losses,
        sensitive=[_codes(frame[name]) for name in sensitive],
        k=k,
        l=l,
        weights=np.array(weights, dtype=np.float64) / total,
        rows=frame.height,
    )


def _positions(frame: pl.DataFrame, hierarchy: Hierarchy) -> NDArray[np.int64]:
    places = {value: i for i, value in enumerate(hierarchy.base)}
    values = frame[hierarchy.name].cast(pl.String).fill_null(MISSING)
    unknown = int((~values.is_in(list(places))).sum())
    if unknown:
        rows = number_of(unknown, "row has", "rows have")
        found = f"{rows} a value of {hierarchy.name} that its hierarchy does not name."
        raise RequestError(found, expected="every value in the hierarchy", remedy="add the value to the hierarchy")
    return np.array([places[value] for value in values], dtype=np.int64)


def _groups(hierarchy: Hierarchy, level: int) -> NDArray[np.int64]:
    labels = [hierarchy.levels[level][value] for value in hierarchy.base]
    order = {label: i for i, label in enumerate(dict.fromkeys(labels))}
    return np.array([order[label] for label in labels], dtype=np.int64)


def _codes(values: pl.Series) -> NDArray[np.int64]:
    order = {value: i for i, value in enumerate(values.drop_nulls().unique().sort())}
    return np.array([-1 if value is None else order[value] for value in values], dtype=np.int64)
