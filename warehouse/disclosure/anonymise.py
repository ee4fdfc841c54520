"""The least generalisation that makes rows k-anonymous and l-diverse.

Every variable has a hierarchy of levels; one level is chosen for each, for all rows alike (full-domain recoding), so
that the result can still be tabulated. Among all combinations that meet the demand the one with the least loss is
taken: the mean normalised certainty penalty over rows and variables, 0 when nothing is merged and 1 when everything
is dropped. The combinations are gone through by loss, so the first that meets the demand is the best; one or two
variables that break it rule out whole parts of the lattice (the subset property of LeFevre, DeWitt & Ramakrishnan
2005, from memory). The result depends on nothing but the input.

No row is left out: that would spoil a consecutive series.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations, product
from types import MappingProxyType

import numpy as np
import polars as pl
from numpy.typing import NDArray

from warehouse.disclosure.assessment import Anonymity, assess
from warehouse.disclosure.hierarchy import ANY, MISSING, Hierarchy
from warehouse.errors import RequestError
from warehouse.plural import number_of
from warehouse.results import Caution

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Anonymised:
    """Rows made anonymous, or nothing but the reason in ``warnings``."""

    frame: pl.DataFrame | None = None  # The rows, variables generalised; None when no combination meets the demand
    levels: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))  # Variable -> level chosen
    changes: tuple[str, ...] = ()  # Sentences saying what was merged or dropped
    loss: float | None = None  # Mean normalised certainty penalty
    after: Anonymity | None = None  # Anonymity of `frame`
    judged: int  # Combinations looked at, of one, two or all variables
    warnings: tuple[Caution, ...]  # Cautions to show before anything leaves


def anonymise(
    frame: pl.DataFrame,
    hierarchies: Sequence[Hierarchy],
    *,
    k: int,
    l: int = 1,  # noqa: E741 - the name the literature gives it
    sensitive: Sequence[str] = (),
    weights: Mapping[str, float] | None = None,
) -> Anonymised:
    """Generalise the variables of ``frame`` until it is k-anonymous and l-diverse.

    ``frame``: One case a row; other columns than the hierarchies' are carried along unchanged. ``hierarchies``: The
    quasi-identifiers, each with its levels. A missing value must be named "missing" there. ``k``: Rows every class must
    have, >= 1. ``l``: Different values every sensitive variable must have in every class, >= 1. ``sensitive``: Columns
    that must not be learnt. ``weights``: Variable -> weight in the loss (1 when not named): what should be kept finest
    weighs most.
    """
    _check(frame, hierarchies, k, l)
    quasi = [hierarchy.name for hierarchy in hierarchies]
    heavy = [float((weights or {}).get(name, 1.0)) for name in quasi]
    lattice = build_lattice(frame, hierarchies, sensitive=sensitive, k=k, l=l, weights=heavy)
    best = None if frame.is_empty() else _best(lattice)
    if best is None:
        return Anonymised(judged=len(lattice.judged), warnings=(_why_none(frame, k, l),))
    loss, node = best
    made = frame.with_columns(
        pl.col(hierarchy.name)
        .cast(pl.String)
        .fill_null(MISSING)
        .replace_strict(dict(hierarchy.levels[level]), return_dtype=pl.String)
        for hierarchy, level in zip(hierarchies, node, strict=True)
    )
    much = Caution("small_sample", "much_detail_given_up")
    return Anonymised(
        frame=made,
        levels=MappingProxyType(dict(zip(quasi, node, strict=True))),
        changes=_changes(hierarchies, node),
        loss=loss,
        after=assess(made, quasi=quasi, sensitive=sensitive),
        judged=len(lattice.judged),
        warnings=(much,) if quasi and loss > 0.5 else (),
    )


def _best(lattice: Lattice) -> tuple[float, Node] | None:
    """Loss and combination of the least loss that meets the demand with every row."""
    for loss, node in lattice.nodes():
        if lattice.may_meet(node) and not lattice.breaking(tuple(enumerate(node))).any():
            return loss, node
    return None


def _changes(hierarchies: Sequence[Hierarchy], node: Node) -> tuple[str, ...]:
    sentences = []
    for hierarchy, level in zip(hierarchies, node, strict=True):
        labels = list(dict.fromkeys(hierarchy.levels[level].values()))
        if labels == [ANY]:
            sentences.append(f"{hierarchy.name} is dropped.")
        elif level > 0:
            sentences.append(f"{hierarchy.name} is merged to: {', '.join(labels)}.")
    return tuple(sentences)


def _why_none(frame: pl.DataFrame, k: int, l: int) -> Caution:  # noqa: E741
    if frame.is_empty():
        return Caution("no_data", "no_case_to_contribute")
    return Caution("no_data", "no_generalisation", {"n": frame.height, "k": k, "l": l})


def _check(frame: pl.DataFrame, hierarchies: Sequence[Hierarchy], k: int, l: int) -> None:  # noqa: E741
    names = [hierarchy.name for hierarchy in hierarchies]
    absent = [name for name in names if name not in frame.columns]
    if absent or len(set(names)) != len(names):
        found = f"Hierarchies for {', '.join(names)}, of which {', '.join(absent) or 'one'} cannot be used."
        raise RequestError(found, expected="each column once", remedy="check the names of the variables")
    if k < 1 or l < 1:
        raise RequestError(f"k = {k} and l = {l}.", expected="k and l at least 1", remedy="state other values")
