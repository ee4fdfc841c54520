from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from synthetic_data.anatomy import make_anatomy
from synthetic_data.arrays import ComplexArray, FloatArray
from synthetic_data.faces import Pose, draw
from synthetic_data.growth import mean_plane
from synthetic_data.persons import Persons, make_persons
from synthetic_data.settings import Settings
from synthetic_data.tracing import FORMULAS
from tests.cohort_settings import with_about

Points = dict[str, ComplexArray]
N = 500


def pose(persons: Persons, plane: FloatArray, **other: float) -> Pose:
    usual = {"u1_sn": 104.0, "impa": 93.0, "overjet": 3.0, "overbite": 2.5, "lip_gap": 1.0}
    plain = {field.name: np.full(len(plane), (usual | other).get(field.name, 0.0)) for field in fields(Pose)}
    return Pose(**(plain | {"age": persons.age, "plane": plane}))


@pytest.fixture(scope="module")
def persons() -> Persons:
    return make_persons(with_about(Settings(), N), np.random.default_rng(2))


def faces(persons: Persons, plane: FloatArray, **other: float) -> Points:
    return draw(make_anatomy(persons, np.random.default_rng(3)), pose(persons, plane, **other))


def value(points: Points, code: str) -> FloatArray:
    return FORMULAS[code](points)


def test_the_drawn_face_has_the_wanted_angles(persons: Persons) -> None:
    points = faces(persons, persons.plane, u1_sn=101.0, impa=88.0)
    assert value(points, "sn_gome_deg") == pytest.approx(persons.plane)
    assert value(points, "u1_sn_deg") == pytest.approx(101.0)
    assert value(points, "impa_deg") == pytest.approx(88.0)


@pytest.mark.parametrize(("overjet", "overbite"), [(3.0, 2.0), (9.0, -3.0), (-4.0, 0.0)])
def test_the_drawn_teeth_have_the_wanted_overjet_and_overbite(
    persons: Persons, overjet: float, overbite: float
) -> None:
    points = faces(persons, persons.plane, overjet=overjet, overbite=overbite)
    assert value(points, "overjet_mm") == pytest.approx(overjet)
    assert value(points, "overbite_mm") == pytest.approx(overbite)


def test_the_wanted_snb_is_met_unless_the_jaw_would_be_monstrous(persons: Persons) -> None:
    anatomy = make_anatomy(persons, np.random.default_rng(3))
    points = draw(anatomy, pose(persons, persons.plane))
    free = (anatomy.corpus > 0.851) & (anatomy.corpus < 1.149)
    assert free.mean() > 0.8
    assert value(points, "snb_deg")[free] == pytest.approx(anatomy.snb[free])
    assert value(points, "sna_deg") == pytest.approx(anatomy.sna)


def test_gogn_and_gome_turn_together(persons: Persons) -> None:
    before, after = faces(persons, persons.plane), faces(persons, persons.plane + 2.5)
    for code in ("sn_gogn_deg", "sn_gome_deg", "fma_deg", "mmpa_deg", "bjork_sum_deg"):
        assert value(after, code) - value(before, code) == pytest.approx(2.5)


def test_turning_the_jaw_back_lengthens_the_face(persons: Persons) -> None:
    before, after = faces(persons, persons.plane), faces(persons, persons.plane + 2.0)
    assert (value(after, "lafh_mm") > value(before, "lafh_mm")).all()
    assert (value(after, "facial_axis_deg") < value(before, "facial_axis_deg")).all()
    assert (value(after, "snb_deg") < value(before, "snb_deg")).all()


def test_a_face_that_grows_as_expected_keeps_its_facial_axis() -> None:
    # The facial axis stays constant with age (Ricketts, from memory), at about 87 to 90 degrees.
    ages = np.array([6.0, 9.0, 12.0, 15.0, 18.0])
    for male in (True, False):
        sex = np.full(5, male)
        plane = mean_plane(ages, sex)
        average = make_persons(with_about(Settings(), 5000), np.random.default_rng(4))
        anatomy = make_anatomy(average, np.random.default_rng(5))
        typical = {field.name: np.full(5, np.median(getattr(anatomy, field.name))) for field in fields(anatomy)}
        shape = type(anatomy)(**(typical | {"male": sex, "corpus": np.ones(5)}))
        zero = np.zeros(5)
        still = {field.name: zero for field in fields(Pose)} | {"age": ages, "plane": plane, "u1_sn": zero + 104.0}
        axis = value(draw(shape, Pose(**(still | {"overjet": zero + 3.0}))), "facial_axis_deg")
        assert axis == pytest.approx(axis.mean(), abs=0.7)
        assert 86.0 < axis.mean() < 91.0
