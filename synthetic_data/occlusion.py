"""Teeth and lips over time: overjet, overbite, inclinations, irregularity, PAR components, lip gap.

Everything has the shape (n, 4), one column a timepoint, and is true, not yet measured.
"""

from dataclasses import dataclass

import numpy as np

from synthetic_data.appliances import APPLIANCES, CATEGORIES, MAY_RAISE_OVERJET
from synthetic_data.arrays import BoolArray, FloatArray, bounded
from synthetic_data.persons import CLASS_I, CLASS_II_1, CLASS_II_2, CLASS_III, UNTREATED, Persons
from synthetic_data.settings import Settings
from synthetic_data.treatment import NO_EXTRACTION, TreatmentCourse
from synthetic_data.truth import Truth
from synthetic_data.visits import FINISH, FOLLOW_UP, PROGRESS, Visits

# UK weights, Richmond 1992; not taken from the warehouse, so that each checks the other
PAR_WEIGHTS = {
    "par_upper_anterior_points": 1,
    "par_lower_anterior_points": 1,
    "par_buccal_points": 1,
    "par_overjet_score": 6,
    "par_overbite_score": 2,
    "par_centreline_score": 4,
}
UPPER_RETRACTION = 2.5
"""mm the upper incisors go back where teeth were extracted, on average."""


@dataclass(frozen=True, slots=True)
class Occlusion:
    """Teeth and lips; float arrays of shape (n, 4), ``par`` by component, ``raised`` of shape (n,)."""

    overjet: FloatArray
    overbite: FloatArray
    u1_sn: FloatArray
    impa: FloatArray
    retracted: FloatArray
    irregularity: FloatArray
    lip_gap: FloatArray
    par: dict[str, FloatArray]
    raised: BoolArray


def make_occlusion(
    persons: Persons,
    course: TreatmentCourse,
    truth: Truth,
    visits: Visits,
    settings: Settings,
    rng: np.random.Generator,
) -> Occlusion:
    """Draw the teeth at start, and where treatment and time take them."""
    treated = persons.kind != UNTREATED
    done = _done(course, visits, treated)
    overjet, raised = _overjet(persons, course, settings, done, rng)
    overbite = _overbite(persons, truth, done, rng)
    retracted = np.where(course.extraction > NO_EXTRACTION, rng.normal(UPPER_RETRACTION, 1.2, len(persons)), 0.0)
    u1_sn, impa = _inclinations(persons, course, done, rng)
    irregularity = _irregularity(persons, done, treated, rng)
    return Occlusion(
        overjet=overjet,
        overbite=overbite,
        u1_sn=u1_sn,
        impa=impa,
        retracted=retracted[:, None] * done,
        irregularity=irregularity,
        lip_gap=_lip_gap(persons, rng),
        par=_par(persons, overjet, overbite, done, treated, rng),
        raised=raised,
    )


def _done(course: TreatmentCourse, visits: Visits, treated: BoolArray) -> FloatArray:
    """How far the teeth are moved at each timepoint, 0 to 1 (nothing in the untreated)."""
    straightens = np.array([*(a.straightens for a in APPLIANCES), False])
    fully = straightens[course.first] | straightens[course.second]
    done = np.zeros((len(treated), 4))
    done[:, PROGRESS] = 0.5
    done[:, [FINISH, FOLLOW_UP]] = np.where(fully, 1.0, 0.6)[:, None]
    return done * treated[:, None]


def _moved(
    start: FloatArray, goal: FloatArray, done: FloatArray, wobble: float, rng: np.random.Generator
) -> FloatArray:
    """From ``start`` towards ``goal``, with a little drift after the start."""
    path = start[:, None] + (goal - start)[:, None] * done
    path[:, 1:] += wobble * rng.standard_normal((len(start), 3))
    return path


def _overjet(
    persons: Persons, course: TreatmentCourse, settings: Settings, done: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, BoolArray]:
    n = len(persons)
    start = np.select(
        [persons.incisor == CLASS_I, persons.incisor == CLASS_II_1, persons.incisor == CLASS_II_2],
        [
            np.clip(rng.normal(2.8, 0.7, n), 1.5, 4.0),
            np.clip(4.4 + rng.gamma(2.2, 1.2, n), 4.4, 13.0),
            np.clip(rng.normal(3.2, 0.8, n), 1.5, 5.5),
        ],
        np.clip(rng.normal(-1.0, 1.4, n), -5.0, 0.8),
    )
    overjet = _moved(start, rng.normal(2.5, 0.5, n), done, 0.25, rng)
    may_rise = np.isin(course.first, [CATEGORIES.index(category) for category in MAY_RAISE_OVERJET])
    raised = may_rise & (persons.incisor != CLASS_III) & (rng.random(n) < settings.overjet_rise_share)
    overjet[raised, PROGRESS] = start[raised] + rng.uniform(0.8, 2.5, int(raised.sum()))
    return overjet, raised


def _overbite(persons: Persons, truth: Truth, done: FloatArray, rng: np.random.Generator) -> FloatArray:
    n = len(persons)
    deep = np.where(persons.incisor == CLASS_II_2, 1.8, 0.0) - np.where(persons.incisor == CLASS_III, 1.5, 0.0)
    start = np.clip(rng.normal(3.0, 1.5, n) + deep - 0.8 * persons.type_z, -5.0, 8.5)
    goal = np.clip(rng.normal(2.2, 0.6, n) - 0.25 * truth.treatment, -3.0, 5.0)
    return _moved(start, goal, done, 0.2, rng)


def _inclinations(
    persons: Persons, course: TreatmentCourse, done: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    n = len(persons)
    usual = np.array([104.0, 108.0, 91.0, 108.0])[persons.incisor]
    upper = usual - 1.0 * persons.type_z + bounded(n, 5.0, rng)
    lower = 93.0 - 2.5 * persons.type_z - np.where(persons.incisor == CLASS_III, 5.0, 0.0)
    lower = lower + bounded(n, 4.5, rng)
    back = np.where(course.extraction > NO_EXTRACTION, -4.0, 1.0)
    upper_goal = 104.0 + 0.3 * (upper - 104.0) + back + bounded(n, 3.0, rng)
    lower_goal = lower + back + 1.5 + bounded(n, 3.0, rng)
    return _moved(upper, upper_goal, done, 0.7, rng), _moved(lower, lower_goal, done, 0.7, rng)


def _irregularity(persons: Persons, done: FloatArray, treated: BoolArray, rng: np.random.Generator) -> FloatArray:
    n = len(persons)
    start = np.clip(1.5 + 0.8 * np.maximum(persons.crowding, 0.0) + rng.gamma(1.5, 1.0, n), 0.0, 18.0)
    path = _moved(start, np.clip(rng.gamma(1.0, 0.4, n), 0.0, 3.0), done, 0.1, rng)
    path[:, FOLLOW_UP] = path[:, FINISH] + np.where(treated, rng.gamma(1.2, 0.6, n), rng.normal(0.3, 0.4, n))
    return np.clip(path, 0.0, 20.0)


def _lip_gap(persons: Persons, rng: np.random.Generator) -> FloatArray:
    """0 where the lips meet; more often open in long faces, a little less often with every later visit."""
    n = len(persons)
    leaning = 0.8 * persons.type_z + rng.standard_normal(n) - 0.2
    now = leaning[:, None] + np.array([0.0, -0.1, -0.25, -0.3]) + 0.3 * rng.standard_normal((n, 4))
    gap: FloatArray = np.clip(2.2 * now, 0.0, 12.0)
    return gap


def _par(
    persons: Persons,
    overjet: FloatArray,
    overbite: FloatArray,
    done: FloatArray,
    treated: BoolArray,
    rng: np.random.Generator,
) -> dict[str, FloatArray]:
    shape = overjet.shape
    left = np.where(treated[:, None], 1.0 - 0.85 * done, 1.0)
    crowded = 3.0 + 0.7 * np.maximum(persons.crowding, 0.0)[:, None]
    off_centre = rng.random((shape[0], 1)) + np.zeros(shape)
    return {
        "par_upper_anterior_points": np.minimum(rng.poisson(1.1 * crowded * left), 20).astype(np.float64),
        "par_lower_anterior_points": np.minimum(rng.poisson(crowded * left), 20).astype(np.float64),
        "par_buccal_points": np.minimum(rng.poisson(2.5 * left + np.zeros(shape)), 12).astype(np.float64),
        "par_overjet_score": overjet_score(overjet),
        "par_overbite_score": overbite_score(overbite),
        "par_centreline_score": np.where(
            off_centre < 0.55 + 0.4 * (1 - left), 0.0, np.where(off_centre < 0.9, 1.0, 2.0)
        ),
    }


def overjet_score(overjet: FloatArray) -> FloatArray:
    """PAR score of an overjet in mm: 0 to 3 none, then one more at 3, 5, 7 and 9; reverse 1, 3 or 4 (simplified)."""
    forward = np.digitize(overjet, [3.0, 5.0, 7.0, 9.0], right=True)
    reverse = np.select([overjet >= 0.5, overjet >= -0.5, overjet >= -2.0], [0, 1, 3], 4)
    return np.where(overjet >= 0.5, forward, reverse).astype(np.float64)


def overbite_score(overbite: FloatArray) -> FloatArray:
    """PAR score of an overbite in mm, taking 3, 6 and 9 mm for a third, two thirds and full cover (simplified)."""
    deep = np.digitize(overbite, [3.0, 6.0, 9.0], right=True)
    open_bite = np.select([overbite > -0.1, overbite >= -1.0, overbite >= -2.0, overbite >= -4.0], [0, 1, 2, 3], 4)
    return np.where(overbite > -0.1, deep, open_bite).astype(np.float64)


def par_total(par: dict[str, FloatArray]) -> FloatArray:
    """Weighted PAR with the UK weights."""
    total: FloatArray = sum((weight * par[name] for name, weight in PAR_WEIGHTS.items()), start=np.zeros(1))
    return total
