"""The least generalisation that makes rows k-anonymous and l-diverse.

Every variable has a hierarchy of levels; one level is chosen for each, for all rows alike (full-domain recoding), so
that the result can still be tabulated. Among all combinations that meet the demand the one with the least loss is
taken: the mean normalised certainty penalty over rows and variables, 0 when nothing is merged and 1 when everything
is dropped. The combinations are gone through by loss, so the first that meets the demand is the best; one or two
variables that break it rule out whole parts of the lattice (the subset property of LeFevre, DeWitt & Ramakrishnan
2005, from memory). The result depends on nothing but the input.

No row is left out: that would spoil a consecutive series.
"""

import math
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

    def meets(self, node: Node) -> bool:
        """Whether every class meets the demand; one and two variables at these levels are asked before all of them.

        Classes by fewer variables are unions of the classes by all of them: were those large and diverse enough, so
        would be the unions. So a pair that fails rules out every combination it is part of, and each is judged once.
        """
        pairs = tuple(enumerate(node))
        few = (choice for size in (1, 2) for choice in combinations(pairs, size) if size < len(pairs))
        return not any(self.breaking(choice).any() for choice in (*few, pairs))

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
            known, shape = values >= 0, (sizes.size, int(values.max(initial=0)) + 1)
            counts = np.bincount(key[known] * shape[1] + values[known], minlength=math.prod(shape)).reshape(shape)
            n_values = (counts > 0).sum(axis=1)
            bad |= (n_values > 0) & (n_values < self.l)
        return np.asarray(bad[key], dtype=np.bool_)


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
        values, prices = _named(frame, hierarchy), map(hierarchy.penalty, range(len(hierarchy.levels)))
        codes.append([_codes(values.replace_strict(dict(level), return_dtype=pl.String)) for level in hierarchy.levels])
        losses.append([float(np.mean([price[value] for value in values] or [0.0])) for price in prices])
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


def _named(frame: pl.DataFrame, hierarchy: Hierarchy) -> pl.Series:
    """The values of a variable, each of which its hierarchy names."""
    values = frame[hierarchy.name].cast(pl.String).fill_null(MISSING)
    unknown = int((~values.is_in(list(hierarchy.base))).sum())
    if unknown:
        rows = number_of(unknown, "row has", "rows have")
        found = f"{rows} a value of {hierarchy.name} that its hierarchy does not name."
        raise RequestError(found, expected="every value in the hierarchy", remedy="add the value to the hierarchy")
    return values


def _codes(values: pl.Series) -> NDArray[np.int64]:
    """Whole numbers for the values, -1 where there is none."""
    return values.rank("dense").cast(pl.Int64).fill_null(0).to_numpy() - 1


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
    meeting = (one for one in lattice.nodes() if lattice.meets(one[1]))
    loss, node = next(meeting, (None, ())) if frame.height else (None, ())
    if loss is None:
        few = Caution("no_data", "no_generalisation", {"n": frame.height, "k": k, "l": l})
        none = few if frame.height else Caution("no_data", "no_case_to_contribute")
        return Anonymised(judged=len(lattice.judged), warnings=(none,))
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


def _changes(hierarchies: Sequence[Hierarchy], node: Node) -> tuple[str, ...]:
    sentences = []
    for hierarchy, level in zip(hierarchies, node, strict=True):
        labels = list(dict.fromkeys(hierarchy.levels[level].values()))
        if labels == [ANY]:
            sentences.append(f"{hierarchy.name} is dropped.")
        elif level > 0:
            sentences.append(f"{hierarchy.name} is merged to: {', '.join(labels)}.")
    return tuple(sentences)


def _check(frame: pl.DataFrame, hierarchies: Sequence[Hierarchy], k: int, l: int) -> None:  # noqa: E741
    names = [hierarchy.name for hierarchy in hierarchies]
    absent = [name for name in names if name not in frame.columns]
    if absent or len(set(names)) != len(names):
        found = f"Hierarchies for {', '.join(names)}, of which {', '.join(absent) or 'one'} cannot be used."
        raise RequestError(found, expected="each column once", remedy="check the names of the variables")
    if k < 1 or l < 1:
        raise RequestError(f"k = {k} and l = {l}.", expected="k and l at least 1", remedy="state other values")
