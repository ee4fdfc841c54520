"""The share adverse over the practices of a group: forest, funnel, heterogeneity and partial pooling.

Everything here is worked out from tables as they are published, not from the counts behind them, so that no figure
tells more than its table. A hidden count enters at its expectation, and the pooled share is also given with every
hidden count at its least and at its most. Practices are ordered by size; nothing here is a ranking.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from warehouse.analysis.funnel import funnel
from warehouse.analysis.meta import pool
from warehouse.analysis.meta_effects import logit_effects
from warehouse.analysis.meta_glmm import binomial_normal
from warehouse.analysis.proportion import proportion
from warehouse.analysis.shrinkage import partial_pooling
from warehouse.plural import number_of
from warehouse.pooled.practices import left_out_notes, published_practices
from warehouse.pooled.ranges import Filled, filled
from warehouse.pooled.result import Edge, Figure, PracticeLine, SharePool, Spread, figure
from warehouse.results import Caution

if TYPE_CHECKING:
    from collections.abc import Sequence

    from warehouse.analysis.funnel import Funnel
    from warehouse.analysis.meta import Heterogeneity, Pooled
    from warehouse.outcomes.definition import Definition
    from warehouse.pooled.agreement import Agreement
    from warehouse.pooled.member import Member
    from warehouse.pooled.practices import Practice
    from warehouse.pooled.publishing import Publisher

_METHODS = (
    ("REML, Hartung-Knapp", "REML", "hksj"),
    ("Paule-Mandel, Hartung-Knapp", "PM", "hksj"),
    ("DerSimonian-Laird", "DL", "wald"),
    ("REML, normal interval", "REML", "wald"),
)


def tag_of(pseudonym: str, salt: str) -> str:
    """What a practice finds itself by; without the pseudonym nobody can tell whose it is."""
    return hashlib.sha256(f"menton tag\x1f{salt}\x1f{pseudonym}".encode()).hexdigest()[:16]


def pooled_shares(
    members: Sequence[Member],
    agreement: Agreement,
    outcome: str,
    *,
    publisher: Publisher,
    salt: str,
    level: float = 0.95,
) -> SharePool:
    """Pool the share adverse under one definition.

    Args:
        members: The practices' contributions.
        agreement: What was agreed.
        outcome: Id of the definition.
        publisher: What was let out before; what is let out now is added.
        salt: Makes the tags of this result its own.
        level: Level of all intervals.
    """
    practices, totals, left_out = published_practices(members, agreement, outcome, publisher)
    return share_pool(
        practices,
        agreement.definition(outcome),
        totals=tuple((name, cell.shown) for (name,), cell in totals.cells.items()) if totals else (),
        notes=left_out_notes(left_out),
        fewest=agreement.fewest_practices,
        salt=salt,
        level=level,
    )


def share_pool(
    practices: Sequence[Practice],
    definition: Definition,
    *,
    totals: tuple[tuple[str, str], ...],
    notes: tuple[Caution | str, ...],
    fewest: int,
    salt: str,
    level: float = 0.95,
) -> SharePool:
    """Pool the shares of practices whose counts are given as they are published.

    Args:
        practices: Counts as published, in any order.
        definition: What makes a case adverse.
        totals: Name -> cases over the practices, as shown.
        notes: What became of practices that are left out.
        fewest: Fewest practices behind anything pooled.
        salt: Makes the tags of this result its own.
        level: Level of all intervals.
    """
    if len(practices) < fewest:
        return SharePool(
            outcome=definition.id,
            definition=definition.name,
            sentence=definition.sentence,
            practices=len(practices),
            notes=notes,
            refused=f"Pooled figures need at least {fewest} practices; {len(practices)} can be used.",
        )
    practices = sorted(practices, key=lambda one: (-round(one.counted.middle), tag_of(one.pseudonym, salt)))
    counts = filled([one.adverse for one in practices], [one.counted for one in practices])
    labels = [f"practice {i + 1}" for i in range(len(practices))]
    pooled = pool(logit_effects(counts.adverse, counts.counted, labels=labels), level=level)
    plain, spread = _funnels(practices, counts, labels)
    hidden = sum(not one.adverse.is_exact for one in practices)
    prediction = pooled.natural_prediction()
    return SharePool(
        outcome=definition.id,
        definition=definition.name,
        sentence=definition.sentence,
        practices=len(practices),
        totals=totals,
        lines=_lines(practices, counts, labels, pooled, (plain, spread), salt, level),
        figures=_figures(counts, labels, level),
        prediction_low=prediction.low if prediction else None,
        prediction_high=prediction.high if prediction else None,
        spread=spread_of(pooled.heterogeneity, phi=spread.phi),
        if_lowest=_at_end(practices, "low") if hidden else None,
        if_highest=_at_end(practices, "high") if hidden else None,
        target=plain.target,
        edges=_edges(plain, spread=False) + _edges(spread, spread=True),
        notes=(*notes, *_hidden_notes(hidden), *_cautions(pooled, plain, spread)),
    )


def _funnels(practices: Sequence[Practice], counts: Filled, labels: Sequence[str]) -> tuple[Funnel, Funnel]:
    known = [i for i, one in enumerate(practices) if one.adverse.is_exact]
    events = [practices[i].adverse.low for i in known]
    sizes = [practices[i].counted.low for i in known]
    names = [labels[i] for i in known]
    target = counts.share if counts.share is not None and 0 < counts.share < 1 else None
    return (
        funnel(events, sizes, names, target=target),
        funnel(events, sizes, names, target=target, overdispersion="additive"),
    )


def _lines(
    practices: Sequence[Practice],
    counts: Filled,
    labels: Sequence[str],
    pooled: Pooled,
    funnels: tuple[Funnel, Funnel],
    salt: str,
    level: float,
) -> tuple[PracticeLine, ...]:
    shrunk = partial_pooling(labels, [round(x) for x in counts.adverse], counts.counted, level=level).rates
    weights = {one.label: one.weight for one in pooled.practices}
    plain, spread = ({point.label: point.position for point in one.points} for one in funnels)
    found = []
    for i, one in enumerate(practices):
        own = proportion(one.adverse.low, one.counted.low, level=level)
        is_known = one.adverse.is_exact and own.interval is not None
        towards = shrunk[i].pooled
        ends = towards.interval if is_known else None
        found.append(
            PracticeLine(
                label=labels[i],
                tag=tag_of(one.pseudonym, salt),
                counted=one.counted_shown,
                adverse=one.adverse_shown,
                n=counts.counted[i],
                share=own.value if is_known else None,
                low=own.interval.low if is_known and own.interval else one.adverse.low / one.counted.low,
                high=own.interval.high if is_known and own.interval else one.adverse.high / one.counted.low,
                pooled_share=towards.value if is_known else None,
                pooled_low=ends.low if ends else None,
                pooled_high=ends.high if ends else None,
                weight=weights.get(labels[i], 0.0),
                position=plain.get(labels[i], ""),
                position_spread=spread.get(labels[i], ""),
            )
        )
    return tuple(found)


def _figures(counts: Filled, labels: Sequence[str], level: float) -> tuple[Figure, ...]:
    effects = logit_effects(counts.adverse, counts.counted, labels=labels)
    found = [
        figure(name, pool(effects, method=method, interval=interval, level=level).natural())  # type: ignore[arg-type]
        for name, method, interval in _METHODS
    ]
    whole = [round(x) for x in counts.adverse]
    of_counts = binomial_normal(whole, counts.counted, level=level)
    return (*found, figure("binomial-normal model of the counts", of_counts.share))


def spread_of(found: Heterogeneity | None, *, phi: float | None = None) -> Spread | None:
    """How far the practices differ, with the over-dispersion of their funnel where there is one."""
    if found is None:
        return None
    return Spread(
        q=found.q,
        df=found.df,
        p_value=found.p_value,
        i2=found.i2,
        tau2=found.tau2,
        tau2_low=found.tau2_interval.low,
        tau2_high=found.tau2_interval.high,
        phi=phi,
    )


def _at_end(practices: Sequence[Practice], end: str) -> float | None:
    events = [min(getattr(one.adverse, end), one.counted.low) for one in practices]
    return pool(logit_effects(events, [one.counted.low for one in practices])).natural().value


def _edges(one: Funnel, *, spread: bool) -> tuple[Edge, ...]:
    return tuple(Edge(n=line.n, level=line.level, spread=spread, low=line.low, high=line.high) for line in one.lines)


def _hidden_notes(hidden: int) -> tuple[str, ...]:
    if not hidden:
        return ()
    return (
        f"The adverse cases of {number_of(hidden, 'practice')} are hidden; they enter at what is expected of them, and"
        " the pooled share is also given with all of them at their least and at their most.",
    )


def _cautions(pooled: Pooled, *funnels: Funnel) -> tuple[Caution, ...]:
    cautions = [*pooled.estimate.warnings, *(one for each in funnels for one in each.warnings)]
    return tuple(dict.fromkeys(cautions))
