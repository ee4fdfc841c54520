"""How faces grow: the planted expected change of the mandibular plane, and lengths by age and sex.

Nothing here is a published norm. The yearly change of about -0.3 degrees is the handbook rule (Ricketts, from
memory); the lengths were solved so that front and back face heights follow the approximate distances that handbooks
give for ages 6 to 18 (from memory, at life size) while the facial axis stays constant with age.
"""

import numpy as np

from synthetic_data.arrays import BoolArray, FloatArray

GROWN_UP_AT = 18.0

SLOPE_AGES = (4.0, 10.0, 13.0, 15.5, GROWN_UP_AT)
SLOPE_MALE = (-0.34, -0.36, -0.36, -0.30, 0.0)
SLOPE_FEMALE = (-0.34, -0.34, -0.28, -0.14, 0.0)
"""Expected change of the mandibular plane to cranial base in degrees a year, straight lines between the ages."""

ACTIVITY_AGES = (4.0, 14.0, GROWN_UP_AT)
ACTIVITY = (1.0, 1.0, 0.0)
"""How much of a person's own yearly departure from the mean is at work at an age."""

LENGTH_AGES = (6.0, 9.0, 12.0, 15.0, GROWN_UP_AT)
LENGTHS = {  # mm, life size: (male, female)
    "cranial_base": ((62.5, 64.5, 66.5, 69.0, 71.0), (61.5, 63.2, 65.0, 66.3, 67.0)),
    "ramus": ((29.3, 33.2, 37.1, 42.6, 47.5), (27.9, 31.9, 36.3, 39.5, 41.0)),
    "upper_face": ((44.5, 45.6, 46.7, 48.6, 50.5), (42.6, 44.5, 46.5, 47.6, 47.8)),
    "corpus": ((60.6, 62.2, 63.8, 66.4, 68.3), (58.8, 60.9, 63.3, 64.7, 65.2)),
    "nose": ((11.0, 15.5, 19.0, 21.5, 22.5), (11.0, 15.0, 18.0, 20.0, 20.5)),
    "cheek_width": ((113.0, 119.0, 125.0, 132.0, 137.0), (111.0, 117.0, 122.0, 127.0, 130.0)),
}

PLANE_AT_9 = 35.0
PLANE_SD = 5.0
"""Mean and spread of the mandibular plane to cranial base (SN-GoMe), in degrees."""

_GRID = np.arange(0.0, 30.0, 0.05)


def _running_total(ages: tuple[float, ...], rates: tuple[float, ...]) -> FloatArray:
    rate = np.interp(_GRID, ages, rates)
    steps = 0.5 * (rate[1:] + rate[:-1]) * np.diff(_GRID)
    return np.concatenate([[0.0], np.cumsum(steps)])


_TOTALS = {True: _running_total(SLOPE_AGES, SLOPE_MALE), False: _running_total(SLOPE_AGES, SLOPE_FEMALE)}
_ACTIVE = _running_total(ACTIVITY_AGES, ACTIVITY)


def expected_growth(age_from: FloatArray, age_to: FloatArray, male: BoolArray) -> FloatArray:
    """Expected change of the mandibular plane between two ages, in degrees; 0 from 18 on. Arrays of one shape."""
    totals = [
        np.interp(age_to, _GRID, _TOTALS[sex]) - np.interp(age_from, _GRID, _TOTALS[sex]) for sex in (True, False)
    ]
    return np.where(male, totals[0], totals[1])


def active_years(age_from: FloatArray, age_to: FloatArray) -> FloatArray:
    """Years of growth between two ages, counting the slowing down before 18 in proportion."""
    years: FloatArray = np.interp(age_to, _GRID, _ACTIVE) - np.interp(age_from, _GRID, _ACTIVE)
    return years


def mean_plane(age: FloatArray, male: BoolArray) -> FloatArray:
    """Mean mandibular plane to cranial base (SN-GoMe) at an age, in degrees."""
    return PLANE_AT_9 + expected_growth(np.full_like(age, 9.0), age, male)


def length(name: str, age: FloatArray, male: BoolArray) -> FloatArray:
    """Mean length of a part of the face at an age, in mm at life size; constant before 6 and after 18."""
    of_male, of_female = LENGTHS[name]
    return np.where(male, np.interp(age, LENGTH_AGES, of_male), np.interp(age, LENGTH_AGES, of_female))
