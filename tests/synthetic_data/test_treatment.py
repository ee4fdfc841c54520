from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from synthetic_data.appliances import CATEGORIES
from synthetic_data.persons import UNTREATED, Persons, make_persons
from synthetic_data.settings import Settings
from synthetic_data.treatment import TreatmentCourse, plan_course
from synthetic_data.truth import keep_picked, true_changes
from tests.cohort_settings import with_about, without_effect
from warehouse.errors import DefinitionError

HIGH_PULL, CERVICAL = CATEGORIES.index("headgear_high_pull"), CATEGORIES.index("headgear_cervical")


def drawn(settings: Settings, seed: int = 5) -> tuple[Persons, TreatmentCourse]:
    rng = np.random.default_rng(seed)
    persons = make_persons(settings, rng)
    return persons, plan_course(persons, settings, rng)


def mean_type(persons: Persons, course: TreatmentCourse, category: int) -> float:
    return float(persons.type_z[course.first == category].mean())


def test_long_faces_are_given_other_appliances() -> None:
    persons, course = drawn(with_about(Settings(), 40_000))
    assert mean_type(persons, course, HIGH_PULL) > 0.5
    assert mean_type(persons, course, CERVICAL) < -0.4


def test_without_confounding_type_decides_nothing() -> None:
    settings = replace(with_about(Settings(confounding=0.0), 40_000))
    ferry = replace(settings, practices=tuple(p for p in settings.practices if p.code == "FERRY"))
    persons, course = drawn(ferry)
    assert mean_type(persons, course, HIGH_PULL) == pytest.approx(0.0, abs=0.1)
    assert mean_type(persons, course, CERVICAL) == pytest.approx(0.0, abs=0.1)
    extracted = course.extraction > 0
    assert persons.type_z[extracted].mean() == pytest.approx(0.0, abs=0.1)


def test_extraction_goes_with_crowding_and_type() -> None:
    persons, course = drawn(with_about(Settings(), 40_000))
    extracted = course.extraction > 0
    assert persons.crowding[extracted].mean() > persons.crowding.mean() + 0.8
    assert persons.type_z[extracted].mean() > 0.15


def test_young_children_get_facemasks_and_adults_aligners() -> None:
    persons, course = drawn(with_about(Settings(), 40_000))
    of = {name: persons.age[course.first == CATEGORIES.index(name)].mean() for name in ("facemask", "clear_aligner")}
    assert of["facemask"] < 10.0 < 15.0 < of["clear_aligner"]


def test_the_untreated_get_nothing() -> None:
    persons, course = drawn(with_about(Settings(), 5000))
    watched = persons.kind == UNTREATED
    assert watched.sum() > 300
    assert (course.first[watched] == -1).all()
    assert (course.effect[watched] == 0).all()
    assert (course.response[watched] == 0).all()
    assert (course.extraction[watched] == 0).all()


def test_effects_are_as_set_and_add_up_over_phases() -> None:
    settings = with_about(Settings(effects={"expander_tooth_borne": 1.5, "fixed_labial": -0.25}), 8000)
    _, course = drawn(settings)
    expander, fixed = CATEGORIES.index("expander_tooth_borne"), CATEGORIES.index("fixed_labial")
    both = (course.first == expander) & (course.second == fixed)
    assert both.sum() > 100
    assert set(course.effect[both]) == {1.25}
    assert set(course.effect[(course.first == fixed)]) == {-0.25}


def test_without_effect_treatment_does_nothing_on_average() -> None:
    settings = with_about(without_effect(Settings(type_growth=0.0)), 60_000)
    rng = np.random.default_rng(6)
    persons = make_persons(settings, rng)
    course = plan_course(persons, settings, rng)
    truth = true_changes(persons, course, settings, rng)
    assert (course.effect == 0).all()
    for category in range(len(CATEGORIES)):
        mine = truth.adjusted[course.first == category]
        assert abs(mine.mean()) < 4 * mine.std() / np.sqrt(len(mine)), CATEGORIES[category]


def test_with_confounding_and_no_effect_a_crude_difference_appears() -> None:
    settings = with_about(without_effect(Settings()), 60_000)
    rng = np.random.default_rng(7)
    persons = make_persons(settings, rng)
    course = plan_course(persons, settings, rng)
    truth = true_changes(persons, course, settings, rng)
    high, low = (truth.adjusted[course.first == one].mean() for one in (HIGH_PULL, CERVICAL))
    assert high - low > 0.3


def test_own_growth_is_spread_as_set() -> None:
    settings = with_about(Settings(growth_sd=0.4, type_growth=0.25), 50_000)
    rng = np.random.default_rng(8)
    persons = make_persons(settings, rng)
    truth = true_changes(persons, plan_course(persons, settings, rng), settings, rng)
    slope, intercept = np.polyfit(persons.type_z, truth.own_slope, 1)
    assert slope == pytest.approx(0.25, abs=0.01)
    assert np.std(truth.own_slope - slope * persons.type_z - intercept) == pytest.approx(0.4, abs=0.01)


def test_selected_cases_are_the_best_quarter_of_their_pool() -> None:
    settings = Settings()
    rng = np.random.default_rng(9)
    persons = make_persons(settings, rng)
    truth = true_changes(persons, plan_course(persons, settings, rng), settings, rng)
    stays = keep_picked(persons, truth)
    pool = persons.kind == 1
    assert pool.sum() == 120
    assert (pool & stays).sum() == 30
    assert truth.adjusted[pool & stays].max() < truth.adjusted[pool & ~stays].min()
    assert stays[~pool].all()


def test_an_effect_of_an_unknown_appliance_is_refused() -> None:
    with pytest.raises(DefinitionError, match="facemask"):
        Settings(effects={"face_mask": 1.0})
