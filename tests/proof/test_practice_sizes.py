"""(e) At the sizes that practices have: mean and worst coverage over settings, and false alarms, of what is offered."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import product

import numpy as np
import polars as pl
import pytest
from scipy.special import expit, logit

from tests.proof.ledger import Ledger
from tests.proof.simulator import ADJUST, LABELS, TYPE_EFFECTS, TYPES
from warehouse.analysis.difference import risk_difference
from warehouse.analysis.drift import plan_cusum, run_cusum
from warehouse.analysis.firth import firth_logistic
from warehouse.analysis.meta_glmm import binomial_normal
from warehouse.analysis.proportion import proportion
from warehouse.plans.covariates import ADJUSTABLE
from warehouse.questions.contrast import (
    FEWEST_UNITS,
    GROUP,
    OUTCOME,
    UNIT,
    TwoGroupFrame,
    one_thread,
    prepared_pair,
    stratum_column,
)
from warehouse.questions.methods import METHODS, TITLES, PreparedPair

pytestmark = pytest.mark.slow

RUNS = 300
OVERLAPS = {"good": (0.3, 0.5, 0.7), "poor": (0.1, 0.5, 0.93), "hardly any": (0.02, 0.5, 0.985)}
"""Chance of the first group by face type."""
SETTINGS = [
    *product((20, 80), (1, 7), OVERLAPS),
    (10, 1, "good"),
    (40, 1, "good"),
    (40, 3, "good"),
    (80, 12, "good"),
]
"""Cases a group, practices, overlap."""
GAP = 0.1
FEWEST_OFFERED = 60


def two_groups(
    m: int, practices: int, overlap: str, rng: np.random.Generator, *, gap: float = GAP, spread: float = 0.1
) -> TwoGroupFrame:
    """``m`` cases a group. Practices differ in their share, in whom they give what, and by ``spread`` in the gap."""
    n = 25 * m
    at = rng.integers(0, practices, n)
    several = float(practices > 1)
    base, likes, own = (several * rng.normal(0.0, sd, practices) for sd in (0.5, 1.0, spread))
    face, age = rng.choice(3, n, p=(0.25, 0.5, 0.25)), rng.uniform(8.0, 15.0, n)
    first = rng.random(n) < expit(logit(np.asarray(OVERLAPS[overlap]))[face] + likes[at])
    kept = np.concatenate([np.flatnonzero(first)[:m], np.flatnonzero(~first)[:m]])
    at, face, age, first = at[kept], face[kept], age[kept], first[kept]
    risk = expit(-1.7 + TYPE_EFFECTS[face] - 0.06 * (age - 11.5) + base[at]) + first * (gap + own[at])
    titles = [ADJUSTABLE[name].title for name in ADJUST]
    faces = pl.Series(np.array(TYPES)[face])
    frame = pl.DataFrame(
        {
            GROUP: np.where(first, *LABELS),
            OUTCOME: rng.random(kept.size) < np.clip(risk, 0.0, 1.0),
            "is_due": np.ones(kept.size, dtype=np.bool_),
            UNIT: [f"P{one}" for one in at],
            titles[0]: faces,
            titles[1]: age,
            titles[2]: np.where(rng.random(kept.size) < 0.5, "male", "female"),
            stratum_column("vertical_type"): faces,
        }
    )
    return TwoGroupFrame(
        frame=frame, labels=LABELS, titles=tuple(titles), strata=("vertical_type",), in_both=0, unit="practice"
    )


@dataclass
class Offered:
    """Of every setting and method: of the intervals offered, whether they held; and how many runs there were."""

    held: dict[str, dict[str, list[bool]]] = field(default_factory=dict)
    withheld: dict[str, list[bool]] = field(default_factory=dict)

    def note(self, setting: str, prepared: PreparedPair) -> None:
        for name in METHODS:
            interval = prepared.result(name).difference.interval
            if name != "crude" and interval is not None:
                self.held.setdefault(name, {}).setdefault(setting, []).append(GAP in interval)
        self.withheld.setdefault(setting, []).append(prepared.result("overlap").difference.value is None)


@pytest.fixture(scope="module")
def offered() -> Offered:
    found = Offered()
    with one_thread():
        for number, (m, practices, overlap) in enumerate(SETTINGS):
            rng = np.random.default_rng(500 + number)
            for _ in range(RUNS):
                # of fewer than five practices the figure is about these alone: they do not differ in the gap
                cases = two_groups(m, practices, overlap, rng, spread=0.1 if practices >= FEWEST_UNITS else 0.0)
                setting = f"{m} a group, {practices} practices, overlap {overlap}"
                found.note(setting, prepared_pair(cases, adjust=ADJUST, level=0.95))
    return found


@pytest.mark.parametrize("name", [name for name in METHODS if name != "crude"])
def test_what_is_offered_holds_on_the_whole_and_at_its_worst(name: str, offered: Offered, ledger: Ledger) -> None:
    by_setting = {key: hits for key, hits in offered.held.get(name, {}).items() if len(hits) >= FEWEST_OFFERED}
    if not by_setting:
        pytest.skip("never offered often enough to be judged")
    assert ledger.worst(f"difference, {TITLES[name]}", by_setting, cohorts=RUNS).holds


def test_groups_that_hardly_meet_are_seldom_given_a_figure(offered: Offered, ledger: Ledger) -> None:
    shares = {
        overlap: float(np.mean([np.mean(one) for key, one in offered.withheld.items() if key.endswith(overlap)]))
        for overlap in OVERLAPS
    }
    counts = {
        overlap: sum(len(one) for key, one in offered.withheld.items() if key.endswith(overlap)) for overlap in OVERLAPS
    }
    for overlap, share in shares.items():
        ledger.state("practices", f"adjusted figure withheld, overlap {overlap}", share, counts[overlap])
    least = min(float(np.mean(one)) for key, one in offered.withheld.items() if key.endswith("hardly any"))
    ledger.state("practices", "adjusted figure withheld, overlap hardly any, least of the settings", least, RUNS)
    assert shares["good"] < 0.3 < 0.6 < shares["poor"] < shares["hardly any"]
    assert least > 0.8


def test_false_positives_with_seven_practices(ledger: Ledger) -> None:
    """Practices differ, the groups do not: across practices they seem to, within them they do so at the level."""
    rng = np.random.default_rng(510)
    within, across = [], []
    with one_thread():
        for _ in range(2 * RUNS):
            cases = two_groups(80, 7, "good", rng, gap=0.0, spread=0.0)
            for found, unit in ((within, "practice"), (across, "")):
                held = TwoGroupFrame(**{**{k: getattr(cases, k) for k in cases.__slots__}, "unit": unit})
                interval = prepared_pair(held, adjust=ADJUST, level=0.95).result("overlap").difference.interval
                if interval is not None:
                    found.append(0.0 in interval)
    assert ledger.coverage("no difference, 80 a group, 7 practices, within them", within, at_least=True).holds
    wrong = ledger.state("practices", "no difference, 7 practices, across them: coverage", float(np.mean(across)), 600)
    assert wrong.found < float(np.mean(within))


@pytest.mark.parametrize("m", [10, 20, 40, 80])
def test_the_odds_ratio_of_small_groups(m: int, ledger: Ledger) -> None:
    """Firth's penalised likelihood, profile interval, adjusted for age: no, few and many adverse."""
    rng = np.random.default_rng(560 + m)
    held: dict[str, list[bool]] = {}
    with one_thread():
        for base in (-3.0, -1.7, -0.5):
            for _ in range(RUNS):
                first, age = np.arange(2 * m) < m, rng.uniform(-3.5, 3.5, 2 * m)
                adverse = rng.random(2 * m) < expit(base + 0.8 * first - 0.06 * age)
                design = pl.DataFrame({"first": first, "age": age})
                found = firth_logistic(design, adverse.astype(np.float64), profile=["first"])
                interval = next(one for one in found.terms if one.name == "first").log_odds.interval
                if interval is not None:
                    held.setdefault(f"log odds {base}", []).append(0.8 in interval)
    assert ledger.worst(f"odds ratio, Firth profile likelihood, {m} a group", held, cohorts=RUNS).holds


@pytest.mark.parametrize(("low", "high", "share"), [(30, 120, 0.15), (15, 60, 0.08), (15, 60, 0.03)])
@pytest.mark.parametrize("practices", [5, 7, 12])
def test_the_share_over_practices_and_what_is_expected_of_a_new_one(
    practices: int, low: int, high: int, share: float, ledger: Ledger
) -> None:
    """The headline of pooling, the model of the counts; with few events too, where a corrected logit is biased."""
    ahead: dict[str, list[bool]] = {}
    middle: dict[str, list[bool]] = {}
    rng = np.random.default_rng([520, practices, low, round(100 * share)])
    with one_thread():
        for tau in (0.0, 0.3, 0.6):
            for _ in range(RUNS):
                n = rng.integers(low, high, practices)
                shares = expit(logit(share) + tau * rng.standard_normal(practices + 1))
                found = binomial_normal(rng.binomial(n, shares[:-1]).tolist(), n.tolist())
                if found.prediction is not None and found.share.interval is not None:  # else nobody was adverse
                    ahead.setdefault(f"spread {tau}", []).append(float(shares[-1]) in found.prediction)
                    middle.setdefault(f"spread {tau}", []).append(share in found.share.interval)
    setting = f"{practices} practices of {low} to {high}, share {share}"
    assert ledger.worst(f"share in the middle practice, {setting}", middle, cohorts=RUNS).holds
    assert ledger.worst(f"share of a new practice, {setting}", ahead, cohorts=RUNS).holds


@pytest.mark.parametrize(("cases", "first"), [(200, 0), (1000, 0), (60, 40), (200, 40), (500, 40), (1000, 200)])
def test_false_alarms_of_a_drift_chart_come_as_often_as_it_says(cases: int, first: int, ledger: Ledger) -> None:
    rng = np.random.default_rng(530 + cases + first)
    alarms, said = [], []
    for _ in range(RUNS):
        true = float(rng.beta(6.0, 36.0)) if first else 0.13  # what Jeffreys' posterior is about, in the long run
        start = int(rng.binomial(first, true))
        usual = (start + 0.5) / (first + 1.0) if first else true
        plan = plan_cusum(
            in_control=usual,
            out_of_control=2.0 * usual / (1.0 + usual),
            false_alarm_run_length=500,
            cases=cases,
            chance=0.05,
            baseline=(start, first) if first else None,
        )
        assert plan.false_alarm_chance is not None
        said.append(plan.false_alarm_chance)
        alarms.append(bool(run_cusum([bool(one) for one in rng.random(cases) < true], plan).signals))
    name = f"no false alarm, {cases} cases" + (f", usual share from {first}" if first else "")
    quiet = [not alarm for alarm in alarms]
    assert ledger.coverage(name, quiet, level=1.0 - float(np.mean(said)), at_least=True).holds


@pytest.mark.parametrize("m", [10, 20, 40, 80])
def test_shares_and_differences_as_counted(m: int, ledger: Ledger) -> None:
    """Shares near 0 too. Wilson's and Newcombe's intervals hold on the whole; at their worst the row says how often."""
    rng = np.random.default_rng(540 + m)
    shares: dict[str, list[bool]] = {}
    gaps: dict[str, list[bool]] = {}
    for p in (0.02, 0.05, 0.13, 0.3):
        for _ in range(4 * RUNS):
            one, two = int(rng.binomial(m, p)), int(rng.binomial(m, p + 0.1))
            share, gap = proportion(one, m).interval, risk_difference(two, m, one, m).interval
            assert share is not None
            assert gap is not None
            shares.setdefault(f"share {p}", []).append(p in share)
            gaps.setdefault(f"share {p}", []).append(0.1 in gap)
    ledger.worst(f"share, Wilson, {m} cases", shares)
    assert ledger.worst(f"difference, Newcombe, {m} a group", gaps).holds
