"""(b), (c): appliance given by face type. Without an effect the crude difference misleads; a planted one is found."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from tests.proof.ledger import Ledger
from tests.proof.simulator import ADJUST, Scene, Truth, draw, truth_of, two_groups
from warehouse.analysis.firth import firth_logistic
from warehouse.questions.contrast import one_thread, prepared_pair
from warehouse.questions.methods import METHODS, TITLES

pytestmark = pytest.mark.slow

RUNS = 1_000
EFFECT = 0.8


@dataclass
class Findings:
    """Values and hits of every method over the runs, and of the odds ratio."""

    values: dict[str, list[float]] = field(default_factory=dict)
    hits: dict[str, list[bool]] = field(default_factory=dict)
    odds: list[float] = field(default_factory=list)
    odds_hits: list[bool] = field(default_factory=list)


def target(method: str, truth: Truth) -> float:
    return {"crude": truth.crude, "standardised": truth.everyone, "inverse": truth.everyone}.get(method, truth.overlap)


def simulated(scene: Scene, truth: Truth, seed: int) -> Findings:
    found = Findings()
    rng = np.random.default_rng(seed)
    with one_thread():
        for _ in range(RUNS):
            prepared = prepared_pair(two_groups(draw(scene, rng)), adjust=ADJUST, level=0.95)
            for name, compare in METHODS.items():
                difference = compare(prepared).difference
                assert difference.value is not None
                assert difference.interval is not None
                found.values.setdefault(name, []).append(difference.value)
                found.hits.setdefault(name, []).append(target(name, truth) in difference.interval)
            pair = prepared.pair
            design = np.column_stack([pair.first.astype(float), pair.design.matrix[:, 1:]])
            term = firth_logistic(design, pair.outcome, profile=["x1"]).term("x1").log_odds
            assert term.value is not None
            assert term.interval is not None
            found.odds.append(term.value)
            found.odds_hits.append(scene.effect in term.interval)
    return found


@pytest.fixture(scope="module")
def without_effect() -> tuple[Truth, Findings]:
    scene = Scene()
    truth = truth_of(scene)
    return truth, simulated(scene, truth, 201)


@pytest.fixture(scope="module")
def with_effect() -> tuple[Truth, Findings]:
    scene = Scene(effect=EFFECT)
    truth = truth_of(scene)
    return truth, simulated(scene, truth, 202)


ADJUSTED = [name for name in METHODS if name != "crude"]


def test_without_an_effect_the_crude_difference_misleads(
    without_effect: tuple[Truth, Findings], ledger: Ledger
) -> None:
    truth, found = without_effect
    assert truth.everyone == truth.overlap == 0.0
    row = ledger.centre("no effect", TITLES["crude"], found.values["crude"], 0.0, biased=True)
    assert row.holds
    assert row.found > 0.05


@pytest.mark.parametrize("name", ADJUSTED)
def test_without_an_effect_the_adjusted_differences_centre_on_zero(
    name: str, without_effect: tuple[Truth, Findings], ledger: Ledger
) -> None:
    _, found = without_effect
    assert ledger.centre("no effect", TITLES[name], found.values[name], 0.0).holds


def test_without_an_effect_the_log_odds_centre_on_zero(without_effect: tuple[Truth, Findings], ledger: Ledger) -> None:
    _, found = without_effect
    assert ledger.centre("no effect", "log odds ratio, Firth", found.odds, 0.0).holds


def test_with_an_effect_the_crude_difference_makes_it_larger(
    with_effect: tuple[Truth, Findings], ledger: Ledger
) -> None:
    truth, found = with_effect
    row = ledger.centre("planted effect", TITLES["crude"], found.values["crude"], truth.everyone, biased=True)
    assert row.holds
    assert row.found > truth.everyone + 0.05


@pytest.mark.parametrize("name", ADJUSTED)
def test_a_planted_effect_is_recovered(name: str, with_effect: tuple[Truth, Findings], ledger: Ledger) -> None:
    truth, found = with_effect
    assert ledger.centre("planted effect", TITLES[name], found.values[name], target(name, truth)).holds


def test_a_planted_log_odds_ratio_is_recovered(with_effect: tuple[Truth, Findings], ledger: Ledger) -> None:
    _, found = with_effect
    assert ledger.centre("planted effect", "log odds ratio, Firth", found.odds, EFFECT).holds


@pytest.mark.parametrize("name", METHODS)
def test_adjusted_intervals_hold_their_truth(name: str, with_effect: tuple[Truth, Findings], ledger: Ledger) -> None:
    _, found = with_effect
    assert ledger.coverage(f"difference, {TITLES[name]}", found.hits[name]).holds


def test_the_profile_interval_holds_the_odds_ratio(with_effect: tuple[Truth, Findings], ledger: Ledger) -> None:
    _, found = with_effect
    assert ledger.coverage("odds ratio, Firth profile likelihood", found.odds_hits).holds
