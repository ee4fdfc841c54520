"""The least generalisation that makes rows k-anonymous and l-diverse.

Every variable has a hierarchy of levels; one level is chosen for each, for all rows alike (full-domain recoding), so
that the result can still be tabulated. Among all combinations that meet the demand the one with the least loss is
taken: the mean normalised certainty penalty over rows and variables, 0 when nothing is merged and 1 when everything
is dropped. The combinations are gone through by loss, so the first that meets the demand is the best; one or two
variables that break it rule out whole parts of the lattice (the subset property of LeFevre, DeWitt & Ramakrishnan
2005, from memory). The result depends on nothing but the input.

No row is left out: that would spoil a consecutive series.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import polars as pl

from warehouse.disclosure.assessment import Anonymity, assess
from warehouse.disclosure.hierarchy import ANY, MISSING, Hierarchy
from warehouse.disclosure.lattice import Lattice, Node, build_lattice
from warehouse.errors import RequestError
from warehouse.results import Caution


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
        found = f"k = {k} and l = {l}."
        raise RequestError(found, expected="k and l at least 1", remedy="state other values")
