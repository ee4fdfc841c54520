"""Settings of invented cohorts, made larger or smaller, or without an effect."""

from __future__ import annotations

from dataclasses import replace

from synthetic_data.settings import Settings

SIZES = ("n_treated", "n_selected", "n_untreated")


def cases_of(settings: Settings) -> int:
    """How many cases there will be."""
    return sum(getattr(one, size) for one in settings.practices for size in SIZES)


def without_effect(settings: Settings) -> Settings:
    """The same cohort with no true effect of any appliance or of extraction."""
    return replace(settings, effects={}, extraction_effect=0.0)


def with_about(settings: Settings, n: int) -> Settings:
    """The same practices grown or shrunk in proportion to about ``n`` cases in all."""
    factor = n / cases_of(settings)
    grown = [replace(one, **{size: round(getattr(one, size) * factor) for size in SIZES}) for one in settings.practices]
    return replace(settings, practices=tuple(grown))
