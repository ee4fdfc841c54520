"""What can be set about an invented cohort: sizes, true effects, confounding, losses, method error."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from synthetic_data.appliances import CATEGORIES
from synthetic_data.practices import LANTERN_BAY, InventedPractice
from warehouse.errors import DefinitionError, near_names

PLANTED_EFFECTS: Mapping[str, float] = MappingProxyType({"expander_tooth_borne": 1.0, "facemask": 1.4})
"""True effect on the mandibular plane in degrees; every category not named has none. Invented."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything a cohort is made from, without the random generator. All degrees are of the mandibular plane."""

    practices: tuple[InventedPractice, ...] = LANTERN_BAY  # The practices, with their sizes and habits
    # Appliance category -> true effect in degrees; the effects of two phases add up
    effects: Mapping[str, float] = field(default_factory=lambda: PLANTED_EFFECTS)
    extraction_effect: float = 0.0  # True effect of extraction in degrees
    response_sd: float = 1.5  # Spread between treated cases in what treatment does, in degrees
    # Spread between growing persons in yearly growth, in degrees a year. With `type_growth` it is 0.64, that of the
    # published change of the mandibular plane: SD 1.8 over 2.2 years (growth_references.toml)
    growth_sd: float = 0.61
    # Extra growth in degrees a year for each standard deviation of longer face at start. With `confounding` this
    # is what misleads a crude comparison.
    type_growth: float = 0.2
    # How strongly face type decides appliance and extraction; 0 not at all, 1 as set in `treatment`
    confounding: float = 1.0
    age_choice: float = 1.0  # How strongly age decides the appliance; 0 not at all
    stopped_early: float = 0.04  # Shares of treated cases lost in that way
    moved_away: float = 0.04
    no_return: float = 0.05
    loss_on_type: float = 0.2  # Log odds of stopping or not returning, for each standard deviation of longer face
    # Log odds of a missing finish radiograph for each degree of true adjusted change; 0 means that what is
    # missing does not depend on the outcome, given the rest
    loss_on_change: float = 0.0
    tracing: float = 1.0  # Point error as a multiple of the usual, on top of each practice's own
    examiner_bias_mm: float = 0.25  # How much lower the second examiner marks gonion
    unreadable: float = 1.0  # Share of unreadable points as a multiple of the usual
    no_start_film: float = 0.02  # Probability of a missing start radiograph
    progress_share: float = 0.3  # Share of treated cases with such a visit
    follow_up_share: float = 0.3
    # Share of cases whose overjet rises before it closes, among those with an expander, training or facemask
    # first
    overjet_rise_share: float = 0.4
    adverse_at: float = 2.0  # Degrees of growth-adjusted rise called adverse in the answer key
    first_year: int = 2016  # Year of the first start
    years: int = 7  # Length of the intake
    # Months from the end of intake to the collection; whoever is not finished then is in treatment
    collected_after_months: int = 19

    def __post_init__(self) -> None:
        """Refuse an effect of an appliance that does not exist.

        Raises DefinitionError: a category of ``effects`` is not one of those used here.
        """
        for category in self.effects:
            if category not in CATEGORIES:
                found = f"there is no appliance category {category!r}"
                raise DefinitionError(found, where="effects", remedy=near_names(category, CATEGORIES))
