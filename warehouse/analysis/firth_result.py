"""What a Firth logistic model gives back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.errors import RequestError, near_names

if TYPE_CHECKING:
    from collections.abc import Mapping

    from warehouse.results import Caution, Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class FirthTerm:
    """One coefficient.

    Attributes:
        name: The covariate, or ``intercept``.
        log_odds: The coefficient with its profile interval and likelihood-ratio p value; unit ``log odds``.
        odds_ratio: The same, exponentiated; unit ``ratio``.
        standard_error: From the inverse Fisher information at the estimate; None if there is no estimate.
        standard_error_augmented: From the information with the pseudo-cases added, as some programs print.
    """

    name: str
    log_odds: Estimate
    odds_ratio: Estimate
    standard_error: float | None
    standard_error_augmented: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FirthFit:
    """A fitted model.

    Attributes:
        terms: The intercept, then the covariates in the order given.
        penalised_log_likelihood: At the estimate; None if nothing could be fitted.
        null_log_likelihood: With every slope at 0, the penalty still that of the full design.
        statistic: Likelihood ratio of the two, on ``df`` degrees of freedom.
        df: Slopes that could be estimated.
        p_value: Of the hypothesis that every slope is 0.
        n: Cases used.
        n_events: Adverse cases among them.
        left_out: Reason -> cases not used.
        covariance: Inverse Fisher information of the estimable terms, in their order.
        converged: Whether the fit did.
        warnings: Cautions about the model as a whole.
    """

    terms: tuple[FirthTerm, ...]
    penalised_log_likelihood: float | None
    null_log_likelihood: float | None
    statistic: float | None
    df: int
    p_value: float | None
    n: int
    n_events: int
    left_out: Mapping[str, int]
    covariance: tuple[tuple[float, ...], ...]
    converged: bool
    warnings: tuple[Caution, ...]

    def term(self, name: str) -> FirthTerm:
        """The term called ``name``.

        Raises:
            RequestError: when there is none.
        """
        names = [term.name for term in self.terms]
        if name not in names:
            raise RequestError(
                f"the model has no term {name!r}",
                expected="one of " + ", ".join(names),
                remedy=near_names(name, names),
            )
        return self.terms[names.index(name)]
