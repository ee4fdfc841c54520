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
    """One coefficient."""

    name: str  # The covariate, or `intercept`
    log_odds: Estimate  # The coefficient with its profile interval and likelihood-ratio p value; unit `log odds`
    odds_ratio: Estimate  # The same, exponentiated; unit `ratio`
    standard_error: float | None  # From the inverse Fisher information at the estimate; None if there is no estimate
    standard_error_augmented: float | None  # From the information with the pseudo-cases added, as some programs print


@dataclass(frozen=True, slots=True, kw_only=True)
class FirthFit:
    """A fitted model."""

    terms: tuple[FirthTerm, ...]  # The intercept, then the covariates in the order given
    penalised_log_likelihood: float | None  # At the estimate; None if nothing could be fitted
    null_log_likelihood: float | None  # With every slope at 0, the penalty still that of the full design
    statistic: float | None  # Likelihood ratio of the two, on `df` degrees of freedom
    df: int  # Slopes that could be estimated
    p_value: float | None  # Of the hypothesis that every slope is 0
    n: int  # Cases used
    n_events: int  # Adverse cases among them
    left_out: Mapping[str, int]  # Reason -> cases not used
    covariance: tuple[tuple[float, ...], ...]  # Inverse Fisher information of the estimable terms, in their order
    converged: bool  # Whether the fit did
    warnings: tuple[Caution, ...]  # Cautions about the model as a whole

    def term(self, name: str) -> FirthTerm:
        """The term called ``name``.

        Raises RequestError where there is none.
        """
        names = [term.name for term in self.terms]
        if name not in names:
            raise RequestError(
                f"the model has no term {name!r}",
                expected="one of " + ", ".join(names),
                remedy=near_names(name, names),
            )
        return self.terms[names.index(name)]
