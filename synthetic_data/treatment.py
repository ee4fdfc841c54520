"""What is done: the choice of appliances and extractions, and what it truly does to the mandibular plane."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from synthetic_data.appliances import APPLIANCES, CATEGORIES, NO_USE
from synthetic_data.arrays import FloatArray, IntArray, choose
from synthetic_data.persons import CLASS_II_1, CLASS_III, DAYS_PER_YEAR, UNTREATED, Persons
from synthetic_data.settings import Settings

EXTRACTIONS = ("none", "14 24 34 44", "14 24", "14 24 35 45", "15 25 35 45", "41", "14 24 34")
NO_EXTRACTION = 0
DAYS_PER_MONTH = DAYS_PER_YEAR / 12
SECOND_PHASE_MONTHS = (17.0, 4.0)
SHORTEST_MONTHS = 6.5
EXTRACTION_BASE = -1.0
"""Log odds of extraction at average crowding and face type, in a practice without a leaning."""


@dataclass(frozen=True, slots=True)
class TreatmentCourse:
    """The planned course of each person; arrays with one row a person."""

    first: IntArray  # Places in CATEGORIES; -1 where there is no such phase
    second: IntArray
    first_days: IntArray  # Length of the first phase and of the whole, in days; for the untreated, of watching
    days: IntArray
    extraction: IntArray  # Place in EXTRACTIONS
    effect: FloatArray  # True effect of the appliances, degrees of the mandibular plane
    extraction_effect: FloatArray  # True effect of extraction, in the same
    response: FloatArray  # The person's own departure from those effects


def plan_course(persons: Persons, settings: Settings, rng: np.random.Generator) -> TreatmentCourse:
    """Choose appliances and extractions for every person, and draw what they do."""
    treated = persons.kind != UNTREATED
    first = np.where(treated, choose(appliance_log_weights(persons, settings), rng), -1)
    second = _second_phase(persons, settings, first, rng)
    extraction = _extraction(persons, settings, first, second, rng)
    first_days, days = _lengths(first, second, rng)
    return TreatmentCourse(
        first=first,
        second=second,
        first_days=first_days,
        days=days,
        extraction=extraction,
        effect=_looked_up(settings.effects, first) + _looked_up(settings.effects, second),
        extraction_effect=np.where(extraction > NO_EXTRACTION, settings.extraction_effect, 0.0),
        response=np.where(treated, settings.response_sd * rng.standard_normal(len(persons)), 0.0),
    )


def appliance_log_weights(persons: Persons, settings: Settings) -> FloatArray:
    """Log weight of each appliance for each person, shape (n, categories).

    The sum of the practice's liking, the pull of the face type (times ``confounding``), the fit of the age (times
    ``age_choice``) and the pull of the incisor class.
    """
    liking = np.array(
        [
            [np.log(p.habits[c]) if p.habits.get(c, 0.0) > 0.0 else NO_USE for c in CATEGORIES]
            for p in settings.practices
        ]
    )
    type_pull = settings.confounding * np.array([a.type_pull for a in APPLIANCES])
    centre = np.array([a.age[0] for a in APPLIANCES])
    spread = np.array([a.age[1] for a in APPLIANCES])
    class_pull = np.array([a.class_pull for a in APPLIANCES]).T
    weights: FloatArray = liking[persons.practice] + class_pull[persons.incisor]
    weights += persons.type_z[:, None] * type_pull
    weights -= 0.5 * settings.age_choice * ((persons.age[:, None] - centre) / spread) ** 2
    return weights


def _second_phase(persons: Persons, settings: Settings, first: IntArray, rng: np.random.Generator) -> IntArray:
    leads = np.array([a.leads for a in APPLIANCES])
    goes_on = rng.random(len(persons)) < np.array([p.two_phase for p in settings.practices])[persons.practice]
    finisher = np.array(
        [
            CATEGORIES.index("clear_aligner" if "clear_aligner" in p.habits else "fixed_labial")
            for p in settings.practices
        ]
    )
    return np.where((first >= 0) & leads[first] & goes_on, finisher[persons.practice], -1)


def _extraction(
    persons: Persons, settings: Settings, first: IntArray, second: IntArray, rng: np.random.Generator
) -> IntArray:
    straightens = np.array([a.straightens for a in APPLIANCES])
    possible = ((first >= 0) & straightens[first]) | ((second >= 0) & straightens[second])
    leaning = np.array([p.extraction_shift for p in settings.practices])[persons.practice]
    log_odds = EXTRACTION_BASE + leaning + 0.35 * (persons.crowding - 3.0)
    log_odds += 0.5 * settings.confounding * persons.type_z
    extracts = possible & (persons.age > 9.0) & (rng.random(len(persons)) < 1 / (1 + np.exp(-log_odds)))
    pattern = 1 + choose(_pattern_log_weights(persons), rng)
    return np.where(extracts, pattern, NO_EXTRACTION)


def _pattern_log_weights(persons: Persons) -> FloatArray:
    weights: FloatArray = np.log(np.tile([0.45, 0.15, 0.12, 0.14, 0.08, 0.06], (len(persons), 1)))
    weights[persons.incisor == CLASS_II_1, 1] += 1.2
    weights[persons.incisor == CLASS_III, 4] += 1.2
    return weights


def _lengths(first: IntArray, second: IntArray, rng: np.random.Generator) -> tuple[IntArray, IntArray]:
    n = len(first)
    mean = np.array([*(a.months[0] for a in APPLIANCES), 24.0])  # the last row is for the untreated, first = -1
    spread = np.array([*(a.months[1] for a in APPLIANCES), 3.0])
    one = np.maximum(mean[first] + spread[first] * rng.standard_normal(n), SHORTEST_MONTHS)
    two = np.maximum(SECOND_PHASE_MONTHS[0] + SECOND_PHASE_MONTHS[1] * rng.standard_normal(n), 8.0)
    first_days = np.rint(one * DAYS_PER_MONTH).astype(np.int64)
    second_days = np.where(second >= 0, np.rint(two * DAYS_PER_MONTH), 0).astype(np.int64)
    return first_days, first_days + second_days


def _looked_up(effects: Mapping[str, float], index: IntArray) -> FloatArray:
    known = np.array([*(effects.get(category, 0.0) for category in CATEGORIES), 0.0])  # the last row is for no phase
    found: FloatArray = known[index]
    return found
