"""Who comes to the practices: age, sex, face type, incisor class, crowding, before anything is done."""

from dataclasses import dataclass

import numpy as np

from synthetic_data.arrays import BoolArray, FloatArray, IntArray, choose
from synthetic_data.growth import PLANE_SD, mean_plane
from synthetic_data.practices import InventedPractice
from synthetic_data.settings import Settings

CONSECUTIVE, SELECTED, UNTREATED = 0, 1, 2
KINDS = ("consecutive", "selected", "untreated")
POOL_FOR_SELECTED = 4
"""So many cases are invented for each picked one; the best of them are kept."""

INCISOR_CLASSES = ("I", "II/1", "II/2", "III")
CLASS_I, CLASS_II_1, CLASS_II_2, CLASS_III = range(4)
DAYS_PER_YEAR = 365.25
OLDEST_CHILD, YOUNGEST = 17.5, 6.0
Z_LIMIT = 2.4


@dataclass(frozen=True, slots=True)
class Persons:
    """Persons at their start records; every field is an array with one row a person."""

    practice: IntArray  # Place in the settings' practices
    kind: IntArray  # CONSECUTIVE, SELECTED or UNTREATED
    male: BoolArray  # Sex as it drives growth
    age_days: IntArray  # Age at start in whole days
    type_z: FloatArray  # Face type in standard deviations, positive = long
    plane: FloatArray  # True mandibular plane to cranial base (SN-GoMe) at start, degrees
    incisor: IntArray  # Place in INCISOR_CLASSES
    crowding: FloatArray  # Lack of room in mm, negative = spacing
    start_day: IntArray  # Days from the first day of the intake to the start records

    @property
    def age(self) -> FloatArray:
        """Age at start in years."""
        return self.age_days / DAYS_PER_YEAR

    def __len__(self) -> int:
        """How many persons there are."""
        return len(self.kind)


def make_persons(settings: Settings, rng: np.random.Generator) -> Persons:
    """Draw the persons of all practices, with a pool from which the selected cases are picked later."""
    practice, kind = _places(settings.practices)
    n = len(kind)
    male = rng.random(n) < 0.46
    age_days = np.rint(_ages(settings.practices, practice, kind, rng) * DAYS_PER_YEAR).astype(np.int64)
    shift = _by_practice([p.type_shift for p in settings.practices], practice)
    type_z = np.clip(rng.standard_normal(n) + shift, -Z_LIMIT, Z_LIMIT)
    return Persons(
        practice=practice,
        kind=kind,
        male=male,
        age_days=age_days,
        type_z=type_z,
        plane=mean_plane(age_days / DAYS_PER_YEAR, male) + PLANE_SD * type_z,
        incisor=_incisor_classes(settings.practices, practice, rng),
        crowding=np.clip(rng.normal(3.0, 2.8, n), -4.0, 12.0),
        start_day=rng.integers(0, round(settings.years * DAYS_PER_YEAR), n),
    )


def _places(practices: tuple[InventedPractice, ...]) -> tuple[IntArray, IntArray]:
    sizes = [(p.n_treated, p.n_selected * POOL_FOR_SELECTED, p.n_untreated) for p in practices]
    practice = np.repeat(np.arange(len(practices)), [sum(three) for three in sizes])
    kind = np.concatenate([np.repeat(np.arange(3), three) for three in sizes])
    return practice, kind


def _by_practice(values: list[float], practice: IntArray) -> FloatArray:
    spread: FloatArray = np.asarray(values, dtype=np.float64)[practice]
    return spread


def _ages(
    practices: tuple[InventedPractice, ...], practice: IntArray, kind: IntArray, rng: np.random.Generator
) -> FloatArray:
    n = len(kind)
    mean = _by_practice([p.age[0] for p in practices], practice)
    sd = _by_practice([p.age[1] for p in practices], practice)
    child = np.clip(mean + sd * rng.standard_normal(n), YOUNGEST, OLDEST_CHILD)
    adult = np.clip(18.0 + rng.gamma(1.6, 6.0, n), 18.0, 65.0)
    grown_up = rng.random(n) < _by_practice([p.adults for p in practices], practice)
    watched = rng.uniform(YOUNGEST + 1.0, 14.0, n)
    return np.where(kind == UNTREATED, watched, np.where(grown_up, adult, child))


def _incisor_classes(practices: tuple[InventedPractice, ...], practice: IntArray, rng: np.random.Generator) -> IntArray:
    shares = np.array([[p.class_shares[name] for name in INCISOR_CLASSES] for p in practices])
    return choose(np.log(shares)[practice], rng)
