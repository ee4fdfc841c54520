"""An invented cohort: the truth, what was recorded of it, and the key that tells the one from the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from synthetic_data.anatomy import make_anatomy
from synthetic_data.answer_key import AnswerKey, make_key
from synthetic_data.arrays import take
from synthetic_data.occlusion import make_occlusion
from synthetic_data.persons import make_persons
from synthetic_data.readings import READING_KEY, read_cohort
from synthetic_data.records import Scene, case_rows, date_rows, phase_rows, visit_rows
from synthetic_data.settings import Settings
from synthetic_data.symptoms import make_symptoms
from synthetic_data.treatment import plan_course
from synthetic_data.truth import keep_picked, true_changes
from synthetic_data.visits import make_visits


@dataclass(frozen=True, slots=True)
class Cohort:
    """What the practices recorded, in contract columns, and the answer key."""

    settings: Settings  # What it was made from
    cases: pl.DataFrame  # One row a case: `practice` and the columns of the contract
    # `case_id, birth_date, start_date, progress_date, finish_date, follow_up_date`, for files that give dates
    # instead of ages and months; they lead to exactly the ages and months of the other frames
    dates: pl.DataFrame
    phases: pl.DataFrame  # One row an appliance phase
    visits: pl.DataFrame  # One row a case and timepoint
    # One row a case, timepoint, examiner and repeat; one column a measure, null where not handed over
    readings: pl.DataFrame
    landmarks: pl.DataFrame  # Points of the practices that hand them over, same key with `view` and `landmark`
    key: AnswerKey  # The truth

    def of_practice(self, code: str) -> Cohort:
        """The records of one practice (the key stays whole)."""
        cases = self.cases.filter(self.cases["practice"] == code)
        mine = {
            name: getattr(self, name).join(cases.select("case_id"), on="case_id", how="semi", maintain_order="left")
            for name in ("dates", "phases", "visits", "readings", "landmarks")
        }
        return Cohort(settings=self.settings, cases=cases, key=self.key, **mine)

    def measurements(self) -> pl.DataFrame:
        """The readings as one row a value, columns and order of the contract table ``measurements``."""
        values = [name for name in self.readings.columns if name not in READING_KEY]
        long = self.readings.unpivot(values, index=READING_KEY, variable_name="measure").drop_nulls("value")
        order = ["case_id", "timepoint", "measure", "value", "examiner", "repeat_no"]
        return long.select(order).sort("case_id", "timepoint", "measure", "examiner", "repeat_no")


def make_cohort(settings: Settings, rng: np.random.Generator) -> Cohort:
    """Invent a cohort. The same settings and state of ``rng`` give the same cohort.

    Everything is drawn for all cases at once; films are drawn and read block by block to keep memory low.
    """
    persons = make_persons(settings, rng)
    course = plan_course(persons, settings, rng)
    truth = true_changes(persons, course, settings, rng)
    stays = keep_picked(persons, truth)
    persons, course, truth = take(persons, stays), take(course, stays), take(truth, stays)
    visits = make_visits(persons, course, truth, settings, rng)
    occlusion = make_occlusion(persons, course, truth, visits, settings, rng)
    scene = Scene(
        settings=settings,
        persons=persons,
        course=course,
        truth=truth,
        visits=visits,
        anatomy=make_anatomy(persons, rng),
        occlusion=occlusion,
        symptoms=make_symptoms(persons, course, occlusion.lip_gap, settings, rng),
    )
    cases = case_rows(scene, rng)
    ids = cases["case_id"]
    readings, landmarks = read_cohort(scene, ids, rng)
    return Cohort(
        settings=settings,
        cases=cases,
        dates=date_rows(scene, ids),
        phases=phase_rows(scene, ids),
        visits=visit_rows(scene, ids),
        readings=readings,
        landmarks=landmarks,
        key=make_key(scene, cases, readings),
    )
