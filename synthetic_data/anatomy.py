"""The lasting shape of a face, and where it puts the corner of the jaw."""

from dataclasses import dataclass, replace

import numpy as np

from synthetic_data.arrays import BoolArray, ComplexArray, FloatArray, bounded
from synthetic_data.growth import GROWN_UP_AT, PLANE_SD, length
from synthetic_data.persons import CLASS_III, Persons

SADDLE = 124.0
SELLA_TO_ARTICULARE = 0.5  # of the cranial base length
POINT_B = 1.008 + 0.361j  # in corpus lengths, along and above the mandibular plane
GONIAL_AT_9 = 128.0
GONIAL_PER_YEAR = -0.35
CORPUS_LIMITS = (0.85, 1.15)


@dataclass(frozen=True, slots=True)
class Anatomy:
    """What stays with a person, apart from growth; arrays with one row a person, angles in degrees."""

    male: BoolArray  # Sex as it drives growth
    size: FloatArray  # Size of the face, 1 = mean
    saddle: FloatArray  # Angle nasion-sella-articulare
    gonial: FloatArray  # Angle of the jaw at the age of 9
    upper_face: FloatArray  # Factor on nasion to spine (a little longer in long faces)
    short_ramus: FloatArray  # Factor on ramus length (long faces have a short one)
    frankfort: FloatArray  # Cranial base to Frankfort horizontal
    palatal: FloatArray  # Cranial base to palatal plane
    chin: FloatArray  # Angle between gonion-menton and gonion-gnathion
    sna: FloatArray  # SNA at start
    snb: FloatArray  # SNB at start (the corpus length is chosen to give it, within limits)
    corpus: FloatArray  # Corpus length as a factor on the mean for age and sex
    occlusal: FloatArray  # Departure of the occlusal plane from what the mandibular plane lets expect
    width: FloatArray  # Face width, 1 = mean


def unit(degrees: FloatArray) -> ComplexArray:
    """The direction at an angle, counter-clockwise from forwards."""
    direction: ComplexArray = np.exp(1j * np.radians(degrees))
    return direction


def make_anatomy(persons: Persons, rng: np.random.Generator) -> Anatomy:
    """Draw the lasting shape of each person's face."""
    n = len(persons)
    z = persons.type_z

    jaw_relation = np.array([2.8, 5.0, 4.5, -0.5])[persons.incisor] + 0.4 * z + bounded(n, 1.8, rng)
    sna = 81.0 - 0.3 * z + bounded(n, 3.0, rng) - np.where(persons.incisor == CLASS_III, 1.0, 0.0)
    anatomy = Anatomy(
        male=persons.male,
        size=1.0 + bounded(n, 0.03, rng),
        saddle=SADDLE + bounded(n, 3.5, rng),
        gonial=GONIAL_AT_9 + 0.55 * PLANE_SD * z + bounded(n, 3.0, rng),
        upper_face=1.0 + 0.015 * z,
        short_ramus=1.0 - 0.045 * z + bounded(n, 0.04, rng),
        frankfort=8.5 + bounded(n, 2.2, rng),
        palatal=8.0 + 0.5 * z + bounded(n, 2.5, rng),
        chin=3.0 + bounded(n, 0.5, rng),
        sna=sna,
        snb=sna - jaw_relation,
        corpus=np.ones(n),
        occlusal=bounded(n, 2.0, rng),
        width=1.0 + bounded(n, 0.03, rng),
    )
    return replace(anatomy, corpus=_fitting_corpus(anatomy, persons))


def gonion(anatomy: Anatomy, age: FloatArray, plane: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    """Articulare and gonion at an age and mandibular plane angle; the jaw turns about articulare."""
    base = length("cranial_base", age, anatomy.male) * anatomy.size
    articulare = SELLA_TO_ARTICULARE * base * unit(-anatomy.saddle)
    corner = anatomy.gonial + GONIAL_PER_YEAR * (np.minimum(age, GROWN_UP_AT) - 9.0)
    ramus = length("ramus", age, anatomy.male) * anatomy.size * anatomy.short_ramus
    return articulare, articulare - ramus * unit(corner - plane)


def _fitting_corpus(anatomy: Anatomy, persons: Persons) -> FloatArray:
    """The factor on corpus length that puts point B at the wanted SNB at start, within limits.

    Point B = gonion + c b lies on the ray from nasion at the wanted angle, so the cross product of the two is 0,
    which is linear in c.
    """
    nasion = length("cranial_base", persons.age, anatomy.male) * anatomy.size
    _, corner = gonion(anatomy, persons.age, persons.plane)
    ray = unit(180.0 + anatomy.snb)
    along = POINT_B * unit(-persons.plane)
    wanted = -_cross(corner - nasion, ray) / _cross(along, ray)
    mean = length("corpus", persons.age, anatomy.male) * anatomy.size
    return np.clip(wanted / mean, *CORPUS_LIMITS)


def _cross(first: ComplexArray, second: ComplexArray) -> FloatArray:
    product: FloatArray = (np.conj(first) * second).imag
    return product
