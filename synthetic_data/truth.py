"""What truly happens to the mandibular plane of each person, before anybody measures it."""

from dataclasses import dataclass

import numpy as np

from synthetic_data.arrays import BoolArray, FloatArray
from synthetic_data.growth import active_years, expected_growth
from synthetic_data.persons import DAYS_PER_YEAR, POOL_FOR_SELECTED, SELECTED, Persons
from synthetic_data.settings import Settings
from synthetic_data.treatment import TreatmentCourse

KEPT_AT_FOLLOW_UP = 0.85  # share of what treatment did to the mandibular plane that is still there at follow-up


@dataclass(frozen=True, slots=True)
class Truth:
    """True changes of the mandibular plane from start to the planned finish, degrees; one row a person.

    ``change`` is exactly ``expected`` + ``own_growth`` + ``effect`` + ``extraction_effect`` + ``response``.
    """

    expected: FloatArray  # Mean growth for age, sex and time
    own_growth: FloatArray  # The person's departure from mean growth
    own_slope: FloatArray  # The same for each year of growth
    treatment: FloatArray  # Effects and response together
    change: FloatArray  # True change
    adjusted: FloatArray  # True change less expected growth


def true_changes(persons: Persons, course: TreatmentCourse, settings: Settings, rng: np.random.Generator) -> Truth:
    """Draw each person's own growth and add up the true change from start to planned finish."""
    end_age = persons.age + course.days / DAYS_PER_YEAR
    own_slope = settings.growth_sd * rng.standard_normal(len(persons)) + settings.type_growth * persons.type_z
    own_growth = own_slope * active_years(persons.age, end_age)
    expected = expected_growth(persons.age, end_age, persons.male)
    treatment = course.effect + course.extraction_effect + course.response
    adjusted = own_growth + treatment
    return Truth(
        expected=expected,
        own_growth=own_growth,
        own_slope=own_slope,
        treatment=treatment,
        change=expected + adjusted,
        adjusted=adjusted,
    )


def plane_at(persons: Persons, truth: Truth, days: FloatArray, treatment_share: FloatArray) -> FloatArray:
    """True mandibular plane (SN-GoMe) in degrees, shape (n, k), at days from the start records, shape (n, k).

    ``treatment_share``: the share of the treatment change that is there at those times, shape (n, k).
    """
    age = np.broadcast_to(persons.age[:, None], days.shape)
    then = age + days / DAYS_PER_YEAR
    growth = expected_growth(age, then, np.broadcast_to(persons.male[:, None], days.shape))
    growth = growth + truth.own_slope[:, None] * active_years(age, then)
    plane: FloatArray = persons.plane[:, None] + growth + truth.treatment[:, None] * treatment_share
    return plane


def keep_picked(persons: Persons, truth: Truth) -> BoolArray:
    """Which persons stay: everybody, except that of each pool of selected cases only the best results do."""
    stays = np.ones(len(persons), dtype=np.bool_)
    for practice in np.unique(persons.practice[persons.kind == SELECTED]):
        pool = np.flatnonzero((persons.practice == practice) & (persons.kind == SELECTED))
        ranked = pool[np.argsort(truth.adjusted[pool], kind="stable")]
        stays[ranked[len(pool) // POOL_FOR_SELECTED :]] = False
    return stays
