"""The least generalisation that makes rows k-anonymous and l-diverse.

Every variable has a hierarchy of levels; one level is chosen for each, for all rows alike (full-domain recoding), so
that the result can still be tabulated. Among all combinations that meet the demand the one with the least loss is
taken: the mean normalised certainty penalty over rows and variables, 0 when nothing is merged and 1 when everything
is dropped. The combinations are gone through by loss, so the first that meets the demand is the best; one or two
variables that break it rule out whole parts of the lattice (the subset property of LeFevre, DeWitt & Ramakrishnan
2005, from memory). The result depends on nothing but the input.

Leaving rows out spoils a consecutive series, so it is the last resort: only if no combination meets the demand, and
never more than the stated share.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

import polars as pl

from warehouse.disclosure.assessment import Anonymity, assess
from warehouse.disclosure.hierarchy import ANY, MISSING, Hierarchy
from warehouse.disclosure.lattice import Diversity, Lattice, Node, build_lattice
from warehouse.errors import RequestError
from warehouse.plural import number_of
from warehouse.results import Caution

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy as np
    from numpy.typing import NDArray

Suppression = Literal["last resort", "when it keeps more"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Anonymised:
    """Rows made anonymous."""

    frame: pl.DataFrame | None  # The rows, variables generalised, or None when no allowed combination meets the demand
    levels: Mapping[str, int]  # Variable -> level chosen; empty when there is none
    changes: tuple[str, ...]  # Sentences saying what was merged, dropped or left out
    loss: float | None  # Mean normalised certainty penalty, rows left out counting 1; None when there is none
    discernibility: int | None  # Sum of squared class sizes plus rows left out times all rows; None likewise
    left_out: int  # Rows left out
    before: Anonymity  # Anonymity of the rows as they were
    after: Anonymity | None  # Anonymity of `frame`, or None
    judged: int  # Combinations looked at, of one, two or all variables
    warnings: tuple[Caution, ...]  # Cautions to show before anything leaves


@dataclass(frozen=True, slots=True)
class _Choice:
    loss: float
    node: Node
    left_out: NDArray[np.bool_]


def anonymise(
    frame: pl.DataFrame,
    hierarchies: Sequence[Hierarchy],
    *,
    k: int,
    l: int = 1,  # noqa: E741 - the name the literature gives it
    sensitive: Sequence[str] = (),
    diversity: Diversity = "distinct",
    weights: Mapping[str, float] | None = None,
    largest_share_left_out: float = 0.0,
    suppression: Suppression = "last resort",
) -> Anonymised:
    """Generalise the variables of ``frame`` until it is k-anonymous and l-diverse.

    Args:
        frame: One case a row; other columns than the hierarchies' are carried along unchanged.
        hierarchies: The quasi-identifiers, each with its levels. A missing value must be named "missing" there.
        k: Rows every class must have, >= 1.
        l: Values every sensitive variable must have in every class, >= 1.
        sensitive: Columns that must not be learnt.
        diversity: ``distinct`` counts values; ``entropy`` asks for ``2**H >= l``.
        weights: Variable -> weight in the loss (1 when not named): what should be kept finest weighs most.
        largest_share_left_out: Largest share of rows that may be left out.
        suppression: ``last resort``: rows are left out only when nothing else helps. ``when it keeps more``: also
            when leaving them out, at a loss of 1 each, loses less than merging further.

    Returns:
        ``frame`` None and the reason in ``warnings`` when no allowed combination meets the demand.
    """
    _check(frame, hierarchies, k, l, largest_share_left_out)
    quasi = [hierarchy.name for hierarchy in hierarchies]
    before = assess(frame, quasi=quasi, sensitive=sensitive)
    heavy = [float((weights or {}).get(name, 1.0)) for name in quasi]
    lattice = build_lattice(frame, hierarchies, sensitive=sensitive, k=k, l=l, diversity=diversity, weights=heavy)
    most = math.floor(largest_share_left_out * frame.height + 1e-9)
    choice = None if frame.is_empty() else _choose(lattice, most, suppression)
    if choice is None:
        return _none(frame, before, lattice, k, l, most)
    made = _generalised(frame, hierarchies, choice)
    after = assess(made, quasi=quasi, sensitive=sensitive)
    left_out = int(choice.left_out.sum())
    return Anonymised(
        frame=made,
        levels=MappingProxyType(dict(zip(quasi, choice.node, strict=True))),
        changes=_changes(hierarchies, choice.node, left_out),
        loss=choice.loss,
        discernibility=sum(n * size**2 for size, n in after.sizes.items()) + left_out * frame.height,
        left_out=left_out,
        before=before,
        after=after,
        judged=len(lattice.judged),
        warnings=_cautions(left_out, frame.height, choice, quasi),
    )


def _choose(lattice: Lattice, most: int, suppression: Suppression) -> _Choice | None:
    if suppression == "last resort":
        whole = _first_whole(lattice)
        if whole is not None or most == 0:
            return whole
    return _least_loss(lattice, most)


def _first_whole(lattice: Lattice) -> _Choice | None:
    """The combination of least loss that meets the demand with every row."""
    for loss, node in lattice.nodes():
        if lattice.may_meet(node):
            breaking = lattice.breaking(tuple(enumerate(node)))
            if not breaking.any():
                return _Choice(loss, node, breaking)
    return None


def _least_loss(lattice: Lattice, most: int) -> _Choice | None:
    """The combination of least loss when rows may be left out.

    A row left out costs 1, never less than merging it, so the loss of a combination is at least that without leaving
    out: once that reaches the best found, no later combination can be better.
    """
    best: _Choice | None = None
    for least, node in lattice.nodes():
        if best is not None and least >= best.loss:
            break
        breaking = lattice.breaking(tuple(enumerate(node)))
        if int(breaking.sum()) > most or breaking.all():
            continue
        loss = lattice.kept_loss(node, breaking)
        if best is None or loss < best.loss:
            best = _Choice(loss, node, breaking)
    return best


def _generalised(frame: pl.DataFrame, hierarchies: Sequence[Hierarchy], choice: _Choice) -> pl.DataFrame:
    columns = [
        pl.col(hierarchy.name)
        .cast(pl.String)
        .fill_null(MISSING)
        .replace_strict(dict(hierarchy.levels[level]), return_dtype=pl.String)
        for hierarchy, level in zip(hierarchies, choice.node, strict=True)
    ]
    return frame.with_columns(columns).filter(pl.Series(~choice.left_out))


def _changes(hierarchies: Sequence[Hierarchy], node: Node, left_out: int) -> tuple[str, ...]:
    sentences = []
    for hierarchy, level in zip(hierarchies, node, strict=True):
        labels = list(dict.fromkeys(hierarchy.levels[level].values()))
        if labels == [ANY]:
            sentences.append(f"{hierarchy.name} is dropped.")
        elif level > 0:
            sentences.append(f"{hierarchy.name} is merged to: {', '.join(labels)}.")
    if left_out:
        sentences.append(f"{number_of(left_out, 'case is', 'cases are')} left out.")
    return tuple(sentences)


def _cautions(left_out: int, rows: int, choice: _Choice, quasi: Sequence[str]) -> tuple[Caution, ...]:
    found = []
    if left_out:
        found.append(Caution("approximation", "standing_out_left_out", {"n": left_out, "rows": rows}))
    if quasi and choice.loss > 0.5:
        found.append(Caution("small_sample", "much_detail_given_up"))
    return tuple(found)


def _none(frame: pl.DataFrame, before: Anonymity, lattice: Lattice, k: int, l: int, most: int) -> Anonymised:  # noqa: E741
    if frame.is_empty():
        reason = Caution("no_data", "no_case_to_contribute")
    else:
        reason = Caution("no_data", "no_generalisation", {"n": frame.height, "k": k, "l": l, "most": most})
    return Anonymised(
        frame=None,
        levels=MappingProxyType({}),
        changes=(),
        loss=None,
        discernibility=None,
        left_out=0,
        before=before,
        after=None,
        judged=len(lattice.judged),
        warnings=(reason,),
    )


def _check(
    frame: pl.DataFrame,
    hierarchies: Sequence[Hierarchy],
    k: int,
    l: int,  # noqa: E741
    largest_share_left_out: float,
) -> None:
    names = [hierarchy.name for hierarchy in hierarchies]
    absent = [name for name in names if name not in frame.columns]
    if absent or len(set(names)) != len(names):
        found = f"Hierarchies for {', '.join(names)}, of which {', '.join(absent) or 'one'} cannot be used."
        raise RequestError(found, expected="each column once", remedy="check the names of the variables")
    if k < 1 or l < 1 or not 0 <= largest_share_left_out < 1:
        found = f"k = {k}, l = {l} and a share of {largest_share_left_out:g} to leave out."
        raise RequestError(found, expected="k and l at least 1, the share in [0, 1)", remedy="state other values")
