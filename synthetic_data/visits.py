"""When records are taken, who is lost on the way, and which radiographs are missing."""

from dataclasses import dataclass

import numpy as np

from synthetic_data.appliances import APPLIANCES
from synthetic_data.arrays import BoolArray, FloatArray, IntArray, choose
from synthetic_data.persons import DAYS_PER_YEAR, SELECTED, UNTREATED, Persons
from synthetic_data.settings import Settings
from synthetic_data.treatment import DAYS_PER_MONTH, TreatmentCourse
from synthetic_data.truth import KEPT_AT_FOLLOW_UP, Truth

TIMEPOINTS = ("start", "progress", "finish", "follow_up")
START, PROGRESS, FINISH, FOLLOW_UP = range(4)
STATUSES = ("finished", "in_treatment", "stopped_early", "moved_away", "no_return")
FINISHED, IN_TREATMENT = 0, 1
NO_RECORDS_AT_ALL = 0.35
"""Of finished cases without a finish radiograph, the share without any finish records."""


@dataclass(frozen=True, slots=True)
class Visits:
    """Status and visits of each person; arrays with one row a person, and four columns where by timepoint."""

    status: IntArray  # Place in STATUSES
    observed_days: IntArray  # Days from start to finish, to the loss, or to the collection of the data
    days: IntArray  # Days from start of each visit, shape (n, 4); meaningless where there is no visit
    happened: BoolArray  # Whether there was a visit
    records: BoolArray  # Whether any records were taken at it
    film: BoolArray  # Whether a lateral radiograph was taken at it
    treatment_share: FloatArray  # Share of the true treatment change that is there at the visit


def make_visits(
    persons: Persons, course: TreatmentCourse, truth: Truth, settings: Settings, rng: np.random.Generator
) -> Visits:
    """Draw statuses, visits and missing records."""
    status, observed = _status(persons, course, settings, rng)
    days = _days(persons, course, rng)
    happened = _happened(persons, settings, status, observed, days, rng)
    film, records = _records(persons, truth, settings, happened, rng)
    share = np.zeros(days.shape)
    share[:, PROGRESS] = days[:, PROGRESS] / course.days
    share[:, FINISH] = 1.0
    share[:, FOLLOW_UP] = KEPT_AT_FOLLOW_UP
    return Visits(status, observed, days, happened, records, film, share)


def _status(
    persons: Persons, course: TreatmentCourse, settings: Settings, rng: np.random.Generator
) -> tuple[IntArray, IntArray]:
    n = len(persons)
    shares = (settings.stopped_early, settings.moved_away, settings.no_return)
    log_weights = np.full((n, len(STATUSES)), -np.inf)
    log_weights[:, FINISHED] = np.log1p(-sum(shares))
    for place, share in enumerate(shares, start=2):
        log_weights[:, place] = np.log(share) if share > 0 else -np.inf
    log_weights[:, [2, 4]] += settings.loss_on_type * persons.type_z[:, None]
    status = choose(log_weights, rng)
    status[(persons.kind == SELECTED) | (persons.kind == UNTREATED)] = FINISHED
    lost_after = np.rint(course.days * rng.uniform(0.15, 0.85, n)).astype(np.int64)
    observed = np.where(status == FINISHED, course.days, lost_after)
    until_collection = round(settings.years * DAYS_PER_YEAR + settings.collected_after_months * DAYS_PER_MONTH)
    available = until_collection - persons.start_day
    goes_on = (observed > available) & (persons.kind != SELECTED) & (persons.kind != UNTREATED)
    status[goes_on] = IN_TREATMENT
    return status, np.where(goes_on, available, observed)


def _days(persons: Persons, course: TreatmentCourse, rng: np.random.Generator) -> IntArray:
    n = len(persons)
    days = np.zeros((n, 4), dtype=np.int64)
    two_phases = course.second >= 0
    midway = np.rint(course.days * rng.uniform(0.4, 0.6, n)).astype(np.int64)
    days[:, PROGRESS] = np.where(two_phases, course.first_days, midway)
    days[:, FINISH] = course.days
    days[:, FOLLOW_UP] = course.days + np.rint(rng.uniform(10.0, 36.0, n) * DAYS_PER_MONTH).astype(np.int64)
    return days


def _happened(
    persons: Persons, settings: Settings, status: IntArray, observed: IntArray, days: IntArray, rng: np.random.Generator
) -> BoolArray:
    n = len(persons)
    untreated = persons.kind == UNTREATED
    until_collection = round(settings.years * DAYS_PER_YEAR + settings.collected_after_months * DAYS_PER_MONTH)
    happened = np.ones((n, 4), dtype=np.bool_)
    progress = rng.random(n) < settings.progress_share
    happened[:, PROGRESS] = (progress | untreated) & (days[:, PROGRESS] <= observed)
    happened[:, FINISH] = status == FINISHED
    later = (rng.random(n) < np.where(untreated, 0.6, settings.follow_up_share)) & (status == FINISHED)
    happened[:, FOLLOW_UP] = later & (untreated | (persons.start_day + days[:, FOLLOW_UP] <= until_collection))
    return happened


def _records(
    persons: Persons, truth: Truth, settings: Settings, happened: BoolArray, rng: np.random.Generator
) -> tuple[BoolArray, BoolArray]:
    n = len(persons)
    film = happened.copy()
    film[:, START] = rng.random(n) >= settings.no_start_film
    missing = np.array([p.no_film for p in settings.practices])[persons.practice]
    odds = missing / (1 - missing) * np.exp(settings.loss_on_change * truth.adjusted)
    missed = rng.random(n) < odds / (1 + odds)
    missed &= (persons.kind != SELECTED) & (persons.kind != UNTREATED)
    film[:, FINISH] &= ~missed
    records = happened.copy()
    records[:, FINISH] &= ~missed | (rng.random(n) >= NO_RECORDS_AT_ALL)
    return film, records


def removable_wearers(course: TreatmentCourse) -> BoolArray:
    """Whose first appliance is worn by their own effort."""
    removable = np.array([*(a.removable for a in APPLIANCES), False])
    worn: BoolArray = removable[course.first]
    return worn
