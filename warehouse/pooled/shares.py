"""Shares and mean changes over practices: forest, funnel, heterogeneity and partial pooling.

Shares are worked out from tables as they are published, not from the counts behind them, so that no figure tells more
than its table. A hidden count enters at its expectation, and the pooled share is also given with every hidden count at
its least and at its most. Means come from the number, mean and variance of the changes of each practice. Practices are
ordered by size; nothing here is a ranking.
"""

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from warehouse.analysis.funnel import Funnel, funnel
from warehouse.analysis.meta import Pooled, pool
from warehouse.analysis.meta_effects import logit_effects, mean_effects
from warehouse.analysis.meta_glmm import BinomialNormal, binomial_normal
from warehouse.analysis.proportion import proportion
from warehouse.analysis.shrinkage import partial_pooling
from warehouse.measures.catalogue import CATALOGUE
from warehouse.outcomes.definition import Definition
from warehouse.plural import number_of
from warehouse.pooled.history import Moments
from warehouse.pooled.publishing import Practice
from warehouse.pooled.ranges import Filled, filled
from warehouse.pooled.result import Edge, MeanLine, MeanPool, PracticeLine, SharePool, Spread, figure
from warehouse.results import Caution, Interval

_LEVEL = 0.95


def tag_of(pseudonym: str, salt: str) -> str:
    """What a practice finds itself by; without the pseudonym nobody can tell whose it is."""
    return hashlib.sha256(f"menton tag\x1f{salt}\x1f{pseudonym}".encode()).hexdigest()[:16]


def share_pool(
    practices: Sequence[Practice],
    definition: Definition,
    *,
    totals: tuple[tuple[str, str], ...],
    notes: tuple[Caution | str, ...],
    fewest: int,
    salt: str,
) -> SharePool:
    """Pool the shares of practices by their counts as published, in any order; ``salt`` makes the tags.

    ``totals``: Name -> cases as shown. ``notes``: Of practices left out. ``fewest``: Practices behind anything pooled.
    """
    empty = SharePool(
        outcome=definition.id,
        definition=definition.name,
        sentence=definition.sentence,
        practices=len(practices),
        notes=notes,
    )
    if len(practices) < fewest:
        return replace(empty, refused=f"Pooled figures need at least {fewest} practices; {len(practices)} can be used.")
    practices = sorted(practices, key=lambda one: (-round(one.counted.middle), tag_of(one.pseudonym, salt)))
    counts = filled([one.adverse for one in practices], [one.counted for one in practices])
    labels = [f"practice {i + 1}" for i in range(len(practices))]
    effects = logit_effects(counts.adverse, counts.counted, labels=labels)
    pooled = pool(effects)
    hidden = sum(not one.adverse.is_exact for one in practices)
    expected = binomial_normal([round(x) for x in counts.adverse], counts.counted)
    least, most = (_of_counts(practices, counts, end) if hidden else expected for end in ("low", "high"))
    plain, spread = _funnels(practices, counts, labels)
    headline = replace(
        expected.share, interval=_reaching(least.share.interval, expected.share.interval, most.share.interval)
    )
    prediction = _reaching(least.prediction, expected.prediction, most.prediction)
    cautions = [*headline.warnings, *plain.warnings, *spread.warnings]
    return replace(
        empty,
        totals=totals,
        lines=_lines(practices, counts, labels, pooled, (plain, spread), salt),
        figures=(figure("binomial-normal model of the counts", headline),),
        prediction_low=prediction.low if prediction else None,
        prediction_high=prediction.high if prediction else None,
        spread=_spread(pooled, phi=spread.phi),
        if_lowest=(least.share.value or 0.0) if hidden else None,
        if_highest=(1.0 if most.share.value is None else most.share.value) if hidden else None,
        target=plain.target,
        edges=tuple(
            Edge(n=line.n, level=line.level, spread=one is spread, low=line.low, high=line.high)
            for one in (plain, spread)
            for line in one.lines
        ),
        notes=(
            *notes,
            *([Caution("approximation", "hidden_enter", {"n": hidden})] if hidden else []),
            *dict.fromkeys(cautions),
        ),
    )


def _funnels(practices: Sequence[Practice], counts: Filled, labels: Sequence[str]) -> tuple[Funnel, Funnel]:
    known = [(one, label) for one, label in zip(practices, labels, strict=True) if one.adverse.is_exact]
    asked = [one.adverse.low for one, _ in known], [one.counted.low for one, _ in known], [label for _, label in known]
    target = counts.share if counts.share is not None and 0 < counts.share < 1 else None
    return funnel(*asked, target=target), funnel(*asked, target=target, overdispersion="additive")


def _lines(
    practices: Sequence[Practice],
    counts: Filled,
    labels: Sequence[str],
    pooled: Pooled,
    funnels: tuple[Funnel, Funnel],
    salt: str,
) -> tuple[PracticeLine, ...]:
    shrunk = partial_pooling(labels, [round(x) for x in counts.adverse], counts.counted).rates
    weights = {one.label: one.weight for one in pooled.practices}
    plain, spread = ({point.label: point.position for point in one.points} for one in funnels)
    found = []
    for i, one in enumerate(practices):
        own = proportion(one.adverse.low, one.counted.low)
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


def _spread(pooled: Pooled, *, phi: float | None = None) -> Spread | None:
    """How far the practices differ, with the over-dispersion of their funnel where there is one."""
    found = pooled.heterogeneity
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


def _of_counts(practices: Sequence[Practice], counts: Filled, end: str) -> BinomialNormal:
    """The model of the counts with hidden ones at their least or at their most."""
    at = [min(getattr(one.adverse, end), n) for one, n in zip(practices, counts.counted, strict=True)]
    return binomial_normal(at, counts.counted)


def _reaching(least: Interval | None, expected: Interval | None, most: Interval | None) -> Interval | None:
    """The interval as far as hidden counts allow; nobody adverse, or everybody, bounds it by 0 or by 1."""
    if expected is None:
        return None
    return Interval(least.low if least else 0.0, most.high if most else 1.0, expected.level)


def pooled_means(
    moments: Mapping[str, Moments | None],
    definition: Definition,
    shares: SharePool,
    *,
    fewest: int,
    salt: str,
    notes: Sequence[Caution] = (),
) -> MeanPool | None:
    """The mean change over the practices; None for a definition that looks at no single change.

    Practices stand in the order, and under the labels, of their ``shares``; one not shown there has no mean here.
    ``moments``: Pseudonym -> number, mean and variance of the changes, or None. ``salt``: That of the shares.
    """
    part = definition.single_change
    if part is None:
        return None
    measure = CATALOGUE[part.measures[0]]
    what = "beyond ordinary growth" if part.basis == "growth_adjusted" else "as measured"
    about = f"{measure.label}, change {what}; more is worse"
    given = {tag_of(pseudonym, salt): found for pseudonym, found in moments.items()}
    rows = [(line, found) for line in shares.lines if (found := given.get(line.tag)) is not None]
    empty = MeanPool(outcome=definition.id, about=about, unit=measure.unit, practices=len(rows), notes=tuple(notes))
    if len(rows) < fewest:
        reason = f"A pooled mean needs at least {fewest} practices that show theirs; {len(rows)} can be used."
        return replace(empty, refused=reason)
    effects = mean_effects(
        [one.mean for _, one in rows],
        [math.sqrt(one.variance) for _, one in rows],
        [one.n for _, one in rows],
        labels=[line.label for line, _ in rows],
    )
    first = pool(effects)
    weights = {one.label: one.weight for one in first.practices}
    prediction = first.prediction
    n_shown = sum(line.n for line, _ in rows)  # as the lines have it, which may be rounded
    return replace(
        empty,
        lines=tuple(_mean_line(line, found, weights.get(line.label, 0.0)) for line, found in rows),
        figures=(replace(figure("REML, Hartung-Knapp", first.natural()), n=n_shown),),
        prediction_low=prediction.low if prediction else None,
        prediction_high=prediction.high if prediction else None,
        spread=_spread(first),
        notes=(
            *notes,
            *(f"Left out: {number_of(n, 'practice')}, {reason}." for reason, n in effects.left_out.items()),
            *dict.fromkeys(first.estimate.warnings),
        ),
    )


def _mean_line(line: PracticeLine, found: Moments, weight: float) -> MeanLine:
    """A practice's mean with its t interval."""
    from scipy.special import stdtrit

    half = float(stdtrit(found.n - 1, 0.5 + _LEVEL / 2)) * math.sqrt(found.variance / found.n)
    low, high = found.mean - half, found.mean + half
    return MeanLine(label=line.label, tag=line.tag, n=line.n, mean=found.mean, low=low, high=high, weight=weight)
