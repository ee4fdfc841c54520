"""Multiple imputation: unbiased where complete cases are not, seeded, and in words where nothing can be imputed."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from tests.warehouse.analysis.weighting_cases import half_width
from warehouse.analysis.group_pair import GroupPair, pair_groups
from warehouse.analysis.missing import impute_and_compare
from warehouse.analysis.proportion import wilson_interval
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text


def cohort(n: int, seed: int) -> pl.DataFrame:
    """Invented cases: outcome and being missing both depend on the face; group a has more long faces."""
    rng = np.random.default_rng(seed)
    first = rng.random(n) < 0.5
    face = rng.normal(size=n) + 0.8 * first
    risk = 1.0 / (1.0 + np.exp(-(-1.5 + 1.2 * face)))
    seen = rng.random(n) < 1.0 / (1.0 + np.exp(-(0.8 - 1.2 * face)))
    return pl.DataFrame(
        {
            "g": np.where(first, "a", "b"),
            "face": face,
            "adverse": rng.random(n) < risk,
            "seen": seen,
        }
    )


def observed(frame: pl.DataFrame, outcome: str, *, covariates: tuple[str, ...] = ("face",)) -> GroupPair:
    hidden = frame.with_columns(pl.when("seen").then(pl.col(outcome)).otherwise(None).alias(outcome))
    return pair_groups(
        hidden,
        outcome=outcome,
        group="g",
        first="a",
        second="b",
        covariates=covariates,
        keep_missing_outcome=True,
    )


def tiny(first: list[bool | None], second: list[bool | None]) -> GroupPair:
    frame = pl.DataFrame(
        {"g": ["a"] * len(first) + ["b"] * len(second), "y": [*first, *second]},
        schema={"g": pl.String, "y": pl.Boolean},
    )
    return pair_groups(frame, outcome="y", group="g", first="a", second="b", keep_missing_outcome=True)


def test_imputation_undoes_what_missing_values_did() -> None:
    frame = cohort(20_000, 1)
    truth = {g: float(frame.filter(pl.col("g") == g)["adverse"].cast(pl.Float64).mean() or 0.0) for g in "ab"}
    seen = frame.filter("seen")
    complete = {g: float(seen.filter(pl.col("g") == g)["adverse"].cast(pl.Float64).mean() or 0.0) for g in "ab"}
    found = impute_and_compare(observed(frame, "adverse"), rng=np.random.default_rng(2))
    assert found.first.value == pytest.approx(truth["a"], abs=0.02)
    assert found.second.value == pytest.approx(truth["b"], abs=0.02)
    assert abs(complete["a"] - truth["a"]) > 0.06
    assert found.difference.interval is not None
    assert truth["a"] - truth["b"] in found.difference.interval
    assert found.missing_information is not None
    assert 0.05 < found.missing_information < 0.8


def test_interval_is_wider_than_of_the_complete_data_and_narrower_than_of_half_of_it() -> None:
    frame = cohort(2_000, 3)
    full = observed(frame.with_columns(seen=pl.lit(True)), "adverse")
    found = [impute_and_compare(p, rng=np.random.default_rng(4)).difference for p in (full, observed(frame, "adverse"))]
    widths = [half_width(one.interval.low, one.interval.high) for one in found if one.interval]
    assert widths[0] < widths[1] < 2.0 * widths[0]


def test_nothing_missing_is_the_plain_answer() -> None:
    found = impute_and_compare(tiny([True] * 3 + [False] * 9, [True] + [False] * 9), rng=np.random.default_rng(0))
    assert found.first.value == pytest.approx(0.25)
    wilson = wilson_interval(0.25, 12)
    assert found.first.interval is not None
    assert (found.first.interval.low, found.first.interval.high) == pytest.approx((wilson.low, wilson.high))
    assert found.difference.value == pytest.approx(0.15)
    # Agresti & Caffo's variance: 4/14 and 2/12
    spread = np.sqrt(4 / 14 * 10 / 14 / 14 + 2 / 12 * 10 / 12 / 12)
    assert found.difference.interval is not None
    width = half_width(found.difference.interval.low, found.difference.interval.high)
    assert width == pytest.approx(spread, rel=0.08)  # t with 19 degrees of freedom instead of the normal
    assert found.missing == (0, 0)
    assert found.missing_information == 0.0
    assert found.first.warnings == ()


def test_same_state_of_the_generator_same_answer() -> None:
    pair = observed(cohort(300, 5), "adverse")
    one, two, other = (impute_and_compare(pair, rng=np.random.default_rng(seed)) for seed in (6, 6, 7))
    assert one == two
    assert one.difference.value != other.difference.value


@pytest.mark.parametrize("times", [0.25, 4.0])
def test_other_odds_among_the_missing_of_one_group_move_its_share_by_as_much(times: float) -> None:
    """Without covariates the answer is closed: of the missing a share k p / (1 - p + k p), k times the odds of p."""
    pair = observed(cohort(20_000, 10), "adverse", covariates=())
    found = impute_and_compare(pair, rng=np.random.default_rng(2), n_imputations=40, odds=(times, 1.0))
    for side, odds, share in ((pair.first, times, found.first), (~pair.first, 1.0, found.second)):
        seen = pair.outcome[side & np.isfinite(pair.outcome)]
        p, missing = float(seen.mean()), int(side.sum()) - seen.size
        expected = (seen.sum() + missing * odds * p / (1.0 - p + odds * p)) / side.sum()
        assert share.value == pytest.approx(expected, abs=0.004)


def test_counts_and_assumption_are_told() -> None:
    pair = observed(cohort(200, 8), "adverse")
    found = impute_and_compare(pair, rng=np.random.default_rng(1), n_imputations=25)
    missing = int(np.isnan(pair.outcome).sum())
    assert sum(found.missing) == missing
    assert found.n_imputations == 25
    assert f"{missing} of 200 outcomes were imputed" in caution_text(found.difference.warnings[0])
    assert "25 sets, logistic model" in found.difference.method
    assert found.first.n == 200
    assert found.first.adjusted_for == ("face",)


def test_nobody_adverse_among_the_assessed_is_imputed_under_separation() -> None:
    found = impute_and_compare(
        tiny([False] * 15 + [None] * 5, [True] * 5 + [False] * 10 + [None] * 5), rng=np.random.default_rng(3)
    )
    assert found.first.value is not None
    assert 0.0 <= found.first.value < 0.1
    assert found.first.interval is not None
    assert found.first.interval.high > 0.1


@pytest.mark.parametrize(
    ("first", "second", "words"),
    [
        ([], [True, None], "nothing to compare"),
        ([None, None], [True, False], "No case of a was assessed"),
        ([True], [None], "No case of b was assessed"),
        ([], [], "nothing to compare"),
    ],
)
def test_nothing_to_impute_from_is_told_in_words(
    first: list[bool | None], second: list[bool | None], words: str
) -> None:
    found = impute_and_compare(tiny(first, second), rng=np.random.default_rng(0))
    for estimate in (found.first, found.second, found.difference):
        assert estimate.value is None
        assert words in caution_text(estimate.warnings[0])
    assert found.missing_information is None


def seen_on_the_way(n: int, seed: int) -> tuple[pl.DataFrame, np.ndarray]:
    """Invented cases whose outcome is missing by what was seen on the way, in four of five of them."""
    rng = np.random.default_rng(seed)
    way = rng.normal(size=n)
    adverse = rng.random(n) < 1.0 / (1.0 + np.exp(1.0 - 1.5 * way))
    has = rng.random(n) < 0.8
    seen = rng.random(n) < np.where(has, 1.0 / (1.0 + np.exp(-0.8 + 1.5 * way)), 0.7)
    frame = pl.DataFrame({"g": np.where(rng.random(n) < 0.5, "a", "b"), "adverse": adverse, "seen": seen})
    return frame, np.where(has, way, np.nan)


def test_what_was_seen_on_the_way_tells_of_the_missing() -> None:
    frame, way = seen_on_the_way(20_000, 21)
    truth = {g: float(frame.filter(pl.col("g") == g)["adverse"].mean() or 0.0) for g in "ab"}  # type: ignore[arg-type]
    pair = observed(frame, "adverse", covariates=())
    told, untold = (impute_and_compare(pair, rng=np.random.default_rng(3), on_the_way=seen) for seen in (way, None))
    shares = ((told.first, untold.first, truth["a"]), (told.second, untold.second, truth["b"]))
    for share, other, expected in shares:
        assert share.value == pytest.approx(expected, abs=0.02)
        assert other.value is not None
        assert other.value < expected - 0.05
    assert told.on_the_way == int((np.isfinite(way) & ~frame["seen"].to_numpy()).sum())
    assert told.missing_information is not None
    assert untold.missing_information is not None
    assert told.missing_information < untold.missing_information


def test_nothing_changes_without_records_on_the_way_or_where_too_few_tell() -> None:
    frame, way = seen_on_the_way(300, 22)
    pair = observed(frame, "adverse", covariates=())
    known = np.isfinite(pair.outcome)
    few = np.where(known & (np.cumsum(known & np.isfinite(way)) > 8), np.nan, way)  # eight assessed cases to learn from
    plain = impute_and_compare(pair, rng=np.random.default_rng(4))
    for seen in (np.full(300, np.nan), few, np.where(known, way, np.nan)):
        assert impute_and_compare(pair, rng=np.random.default_rng(4), on_the_way=seen) == plain
    assert plain.on_the_way == 0


def test_fewer_than_twenty_imputations_are_refused() -> None:
    with pytest.raises(RequestError, match="20 or more"):
        impute_and_compare(tiny([True], [False]), rng=np.random.default_rng(0), n_imputations=5)
