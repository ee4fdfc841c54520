"""The mean change over practices, from the number, mean and variance of the changes of each."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from warehouse.analysis.meta import pool
from warehouse.analysis.meta_effects import mean_effects
from warehouse.measures.catalogue import CATALOGUE
from warehouse.plural import number_of
from warehouse.pooled.result import MeanLine, MeanPool, figure
from warehouse.pooled.shares import spread_of, tag_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from warehouse.outcomes.definition import Definition
    from warehouse.pooled.moments import Moments
    from warehouse.pooled.result import SharePool

_METHODS = (
    ("REML, Hartung-Knapp", "REML", "hksj"),
    ("Paule-Mandel, Hartung-Knapp", "PM", "hksj"),
    ("DerSimonian-Laird", "DL", "wald"),
)


def pooled_means(
    moments: Mapping[str, Moments | None],
    definition: Definition,
    shares: SharePool,
    *,
    fewest: int,
    salt: str,
    notes: Sequence[str] = (),
    level: float = 0.95,
) -> MeanPool | None:
    """The mean change over the practices; None for a definition that looks at no single change.

    Practices stand in the order, and under the labels, of their shares.

    Args:
        moments: Pseudonym -> number, mean and variance of the changes; None where a practice has or gave none.
        definition: The definition.
        shares: Their shares: a practice that is not shown there has no mean here.
        fewest: Fewest practices behind anything pooled.
        salt: What the tags of the shares were made with.
        notes: What to keep in mind of those left out.
        level: Level of all intervals.
    """
    part = definition.single_change
    if part is None:
        return None
    measure = CATALOGUE[part.measures[0]]
    what = "beyond ordinary growth" if part.basis == "growth_adjusted" else "as measured"
    about = f"{measure.label}, change {what}; more is worse"
    given = {tag_of(pseudonym, salt): found for pseudonym, found in moments.items()}
    rows = [(line.label, line.tag, found) for line in shares.lines if (found := given.get(line.tag)) is not None]
    empty = MeanPool(outcome=definition.id, about=about, unit=measure.unit, practices=len(rows), notes=tuple(notes))
    if len(rows) < fewest:
        reason = f"A pooled mean needs at least {fewest} practices that show theirs; {len(rows)} can be used."
        return replace(empty, refused=reason)
    return _pooled(empty, rows, level)


def _pooled(empty: MeanPool, rows: Sequence[tuple[str, str, Moments]], level: float) -> MeanPool:
    moments = [found for _, _, found in rows]
    effects = mean_effects(
        [one.mean for one in moments],
        [math.sqrt(one.variance) for one in moments],
        [one.n for one in moments],
        labels=[label for label, _, _ in rows],
    )
    by_method = {
        name: pool(effects, method=method, interval=interval, level=level)  # type: ignore[arg-type]
        for name, method, interval in _METHODS
    }
    first = by_method[_METHODS[0][0]]
    weights = {one.label: one.weight for one in first.practices}
    prediction = first.natural_prediction()
    return MeanPool(
        outcome=empty.outcome,
        about=empty.about,
        unit=empty.unit,
        practices=empty.practices,
        lines=tuple(_line(label, tag, found, weights.get(label, 0.0), level) for label, tag, found in rows),
        figures=tuple(figure(name, found.natural()) for name, found in by_method.items()),
        prediction_low=prediction.low if prediction else None,
        prediction_high=prediction.high if prediction else None,
        spread=spread_of(first.heterogeneity),
        notes=(
            *empty.notes,
            *(f"Left out: {number_of(n, 'practice')}, {reason}." for reason, n in effects.left_out.items()),
            *dict.fromkeys(first.estimate.warnings),
        ),
    )


def _line(label: str, tag: str, found: Moments, weight: float, level: float) -> MeanLine:
    """A practice's mean with its t interval."""
    from scipy.stats import t

    half = float(t.ppf(0.5 + level / 2, found.n - 1)) * math.sqrt(found.variance / found.n)
    return MeanLine(
        label=label, tag=tag, n=found.n, mean=found.mean, low=found.mean - half, high=found.mean + half, weight=weight
    )
