"""(d) What stands beside a share: the share corrected for reading error, and the share expected without treatment."""

from __future__ import annotations

from collections.abc import Callable
from math import inf, sqrt

import numpy as np
import pytest
from scipy.stats import norm, t

from tests.proof.ledger import Ledger
from tests.proof.simulator import Floats
from warehouse.analysis.misclassification import ErrorVariance, Untreated, corrected_share, share_untreated

pytestmark = pytest.mark.slow

SOME = 1_000
PAIRS = (15, 30, 100)
MEAN, SPREAD, READING, THRESHOLD = -0.1, 1.5, 0.8, 2.0
"""Mean and spread of true changes, error of one reading and threshold, in degrees: about as D1 finds them."""
TAILS = {
    "normal": (0.95, inf),
    # the spread is corrected, not the shape: with tails this heavy the interval holds a little less than it says
    "heavy tails (t, 5 df)": (0.92, 5.0),
}
CHILDREN = 50
"""As many as the published spread of the mandibular plane rests on."""


def tailed(df: float) -> Callable[[np.random.Generator, int], Floats]:
    """Draws with mean 0 and variance 1."""
    if df == inf:
        return lambda rng, n: rng.standard_normal(n)
    return lambda rng, n: rng.standard_t(df, n) / sqrt(df / (df - 2.0))


def read_twice(drawn: Callable[[np.random.Generator, int], Floats], rng: np.random.Generator, n: int) -> ErrorVariance:
    """The error as ``n`` pairs of readings give it."""
    apart = READING * (drawn(rng, n) - drawn(rng, n))
    squares = float((apart**2).mean())
    return ErrorVariance.of_pairs(sqrt(squares / 2.0), n, float((apart**4).mean()) / squares**2)


@pytest.mark.parametrize("pairs", PAIRS)
@pytest.mark.parametrize("tails", TAILS)
def test_a_share_corrected_for_reading_error(tails: str, pairs: int, ledger: Ledger) -> None:
    """Changes and reading errors of one shape, 300 cases; a cohort whose spread is all error has no interval."""
    level, df = TAILS[tails]
    at = (THRESHOLD - MEAN) / SPREAD
    truth = float(norm.sf(at)) if df == inf else float(t.sf(at * sqrt(df / (df - 2.0)), df))
    rng, drawn, hits = np.random.default_rng(401), tailed(df), []
    for _ in range(SOME):
        seen = MEAN + SPREAD * drawn(rng, 300) + READING * (drawn(rng, 300) - drawn(rng, 300))
        found = corrected_share(seen, THRESHOLD, read_twice(drawn, rng, pairs))
        if found.interval is not None:
            hits.append(truth in found.interval)
    assert len(hits) > 0.98 * SOME
    named = f"share corrected for reading error, {pairs} pairs, {tails}"
    assert ledger.coverage(named, hits, level=level, at_least=True).holds


@pytest.mark.parametrize("pairs", PAIRS)
@pytest.mark.parametrize("tails", TAILS)
def test_the_share_expected_without_treatment(tails: str, pairs: int, ledger: Ledger) -> None:
    """A reference whose mean and spread rest on 50 children; what it foretells of children like them."""
    level, df = TAILS[tails]
    rng, drawn, hits = np.random.default_rng(402), tailed(df), []
    many = SPREAD * drawn(rng, 2_000_000) + READING * (drawn(rng, 2_000_000) - drawn(rng, 2_000_000))
    truth = float((many >= THRESHOLD).mean())
    for _ in range(SOME):
        children = SPREAD * drawn(rng, CHILDREN)
        spread = float(children.std(ddof=1))
        one = Untreated(
            weight=np.array([300.0]),
            threshold=np.array([THRESHOLD]),
            mean=np.array([float(children.mean())]),
            mean_se=np.array([spread / sqrt(CHILDREN)]),
            growth_sd=np.array([spread]),
            error=(read_twice(drawn, rng, pairs),),
        )
        interval = share_untreated(one, children=CHILDREN).interval
        hits.append(interval is not None and truth in interval)
    named = f"share expected without treatment, {CHILDREN} children, {pairs} pairs, {tails}"
    assert ledger.coverage(named, hits, level=level if df == inf else 0.85, at_least=True).holds
