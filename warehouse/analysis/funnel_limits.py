"""Limits of a funnel: exact binomial ones that move smoothly with size, and what over-dispersion adds to them.

Source: Spiegelhalter 2005, Stat Med 24:1185, appendix A.1.1 (exact limits) and the section on over-dispersion
(formulae from memory; check figures computed independently).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


def exact_limit(n: ArrayLike, target: float, p: float) -> NDArray[np.float64]:
    """Binomial limit, interpolated so that it moves smoothly with size.

    With ``r`` the smallest count for which ``P(R <= r) >= p``,
    ``alpha = (P(R <= r) - p) / (P(R <= r) - P(R <= r - 1))`` and the limit is ``(r - alpha) / n``.

    ``n``: cases, each >= 1, shape ``(m,)`` or a number. ``target``: share, strictly between 0 and 1. ``p``: tail
    probability, e.g. 0.025 and 0.975 for 95% limits. Gives shape of ``n``. It can be slightly below 0 or above 1 in
    small practices; ``funnel`` cuts it there.
    """
    from scipy.stats import binom

    size = np.asarray(n, dtype=np.float64)
    r = binom.ppf(p, size, target)
    upto = binom.cdf(r, size, target)
    alpha = (upto - p) / binom.pmf(r, size, target)
    return np.asarray((r - alpha) / size, dtype=np.float64)


def overdispersion_factor(z: ArrayLike, *, winsorise: float = 0.1) -> float:
    """Mean of the squared z-scores after the outer ``winsorise`` of each end is pulled in to its quantile.

    1 on average when practices differ by chance alone; ``winsorise = 0`` uses the scores as they are.
    """
    scores = np.asarray(z, dtype=np.float64)
    low, high = np.quantile(scores, [winsorise, 1 - winsorise])
    return float(np.mean(np.clip(scores, low, high) ** 2))


def between_variance(phi: float, s2: NDArray[np.float64]) -> float:
    """Variance between practices from the over-dispersion factor ``phi`` and sampling variances ``s2``, shape ``(k,)``.

    ``max(0, (k phi - (k - 1)) / (sum w - sum w**2 / sum w))`` with ``w = 1 / s2``; 0 with one practice.
    """
    w = 1 / s2
    spread = float(np.sum(w) - np.sum(w**2) / np.sum(w))
    if spread <= 0:
        return 0.0
    return max(0.0, (s2.size * phi - (s2.size - 1)) / spread)


def widened_limits(n: ArrayLike, target: float, level: float, widening: ArrayLike) -> NDArray[np.float64]:
    """Lower and upper limits, moved away from the target by the factor ``widening`` and cut to [0, 1]; ``(2, m)``."""
    tails = [exact_limit(n, target, p) for p in ((1 - level) / 2, (1 + level) / 2)]
    limits: NDArray[np.float64] = np.clip(target + (np.array(tails) - target) * np.asarray(widening), 0.0, 1.0)
    return limits
