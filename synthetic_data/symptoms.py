"""What is asked and seen besides the face: mouth at rest, jaw joints, breathing in sleep, reported wear."""

from dataclasses import dataclass

import numpy as np

from synthetic_data.arrays import FloatArray, IntArray
from synthetic_data.persons import Persons
from synthetic_data.settings import Settings
from synthetic_data.treatment import TreatmentCourse
from synthetic_data.visits import removable_wearers

POSTURES = ("closed", "mixed", "open")
ANSWERS = ("no", "yes", "not asked")
WEAR = ("good", "partial", "poor")
NO_ANSWER = 2


@dataclass(frozen=True, slots=True)
class Symptoms:
    """Places in POSTURES and ANSWERS, shape (n, 4); wear in WEAR, shape (n,), -1 where nothing is worn."""

    posture: IntArray
    joint: IntArray
    sleep: IntArray
    wear: IntArray


def make_symptoms(
    persons: Persons, course: TreatmentCourse, lip_gap: FloatArray, settings: Settings, rng: np.random.Generator
) -> Symptoms:
    """Draw the answers; appliances change none of them."""
    n = len(persons)
    silent = np.array([p.not_asked for p in settings.practices])[persons.practice]
    adult = (persons.age >= 18.0).astype(np.float64)
    wear = np.where(removable_wearers(course), rng.choice(3, n, p=[0.5, 0.33, 0.17]), -1)
    return Symptoms(
        posture=np.digitize(lip_gap, [1.0, 3.0]).astype(np.int64),
        joint=_answers(0.10 + 0.08 * adult, silent, rng),
        sleep=_answers(np.clip(0.14 + 0.04 * persons.type_z, 0.02, 0.4), silent, rng),
        wear=wear,
    )


def _answers(probability: FloatArray, silent: FloatArray, rng: np.random.Generator) -> IntArray:
    """Answers at four times; what a person says once tends to be said again."""
    n = len(probability)
    always = rng.random(n) < 0.6 * probability
    now = rng.random((n, 4)) < 0.4 * probability[:, None]
    yes = (always[:, None] | now).astype(np.int64)
    return np.where(rng.random((n, 4)) < silent[:, None], NO_ANSWER, yes)
