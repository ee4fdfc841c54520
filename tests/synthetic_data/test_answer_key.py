from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from synthetic_data.exports import COUNTED, Cohort

PARTS = ("expected_growth_deg", "own_growth_deg", "appliance_effect_deg", "extraction_effect_deg", "response_deg")


def test_the_parts_of_every_true_change_add_up(large: Cohort) -> None:
    key = large.key.cases
    off = key["true_change_deg"] - sum((key[part] for part in PARTS), start=pl.Series(np.zeros(key.height)))
    assert off.abs().max() < 1e-9
    adjusted = key["true_change_deg"] - key["expected_growth_deg"] - key["true_adjusted_deg"]
    assert adjusted.abs().max() < 1e-9


def test_adverse_means_two_degrees_beyond_growth(large: Cohort) -> None:
    key = large.key.cases
    assert (key["true_adverse"] == (key["true_adjusted_deg"] >= 2.0)).all()


def test_counted_and_hidden_cases_add_up(demo: Cohort) -> None:
    summary = demo.key.summary
    assert sum(summary["n_hidden"].values()) == summary["started"]["n"] == summary["n_by_kind"]["consecutive"]
    assert sum(summary["n_by_kind"].values()) == summary["n_cases"] == demo.cases.height
    assert summary["counted"]["n"] == summary["n_hidden"][COUNTED]
    for group in ("counted_by_appliance", "counted_by_practice", "counted_by_extraction"):
        assert sum(one["n"] for one in summary[group].values()) == summary["counted"]["n"]
        assert sum(one["true_adverse"] for one in summary[group].values()) == summary["counted"]["true_adverse"]


def test_exactly_the_counted_cases_can_be_seen_in_the_records(demo: Cohort) -> None:
    read = demo.readings.drop_nulls("sn_gogn_deg").filter(pl.col("timepoint").is_in(["start", "finish"]))
    both = read.group_by("case_id").agg(pl.col("timepoint").n_unique().alias("n")).filter(pl.col("n") == 2)
    counted = demo.key.cases.filter(pl.col("hidden") == COUNTED)
    assert set(counted["case_id"]) == set(both["case_id"])


def test_the_share_adverse_is_between_10_and_18_percent(large: Cohort) -> None:
    assert 0.10 < large.key.summary["started"]["true_share"] < 0.18
    # by the published spread (SD 1.8 over 2.2 years less reading error: 0.64 a year) 8% of growing children pass 2.0
    # degrees in 2.2 years; these were watched for less, and some are grown up
    assert 0.03 < large.key.summary["untreated"]["true_share"] < 0.08
    assert large.key.summary["selected"]["true_share"] < 0.01


def test_only_the_planted_appliances_have_an_effect(large: Cohort) -> None:
    summary = large.key.summary
    planted = {name: effect for name, effect in summary["true_effects_deg"].items() if effect}
    assert planted == {"expander_tooth_borne": 1.0, "facemask": 1.4}
    key = large.key.cases.filter(pl.col("kind") == "consecutive")
    rest = key.select(pl.col("appliance_first"), rest=pl.col("true_adjusted_deg") - pl.col("own_growth_deg"))
    means = rest.group_by("appliance_first").agg(pl.col("rest").mean(), pl.len(), pl.col("rest").std().alias("sd"))
    for name, mean, n, sd in means.iter_rows():
        assert mean == pytest.approx(planted.get(name, 0.0), abs=4.5 * sd / np.sqrt(n)), name


def test_the_key_survives_writing(demo: Cohort, tmp_path: Path) -> None:
    cases, summary = demo.key.write(tmp_path / "key")
    assert_frame_equal(pl.read_parquet(cases), demo.key.cases)
    assert json.loads(summary.read_text(encoding="utf-8")) == demo.key.summary


def test_the_recorded_share_of_the_demonstration_holds_the_planted_truth(demo: Cohort) -> None:
    # Recount by hand: raw change plus 0.3 degrees for every year before 18, at least 2 degrees; Wilson interval.
    first = demo.readings.drop_nulls("sn_gogn_deg")
    first = first.unique(["case_id", "timepoint"], keep="first", maintain_order=True)
    start, finish = (
        first.filter(pl.col("timepoint") == time).select("case_id", pl.col("sn_gogn_deg").alias(time)).drop_nulls()
        for time in ("start", "finish")
    )
    months = demo.visits.filter(pl.col("timepoint") == "finish").select("case_id", "months_from_start")
    seen = demo.cases.filter(pl.col("comparison") == "treated", pl.col("selection") == "consecutive")
    for part in (start, finish, months):
        seen = seen.join(part, on="case_id")
    years = pl.min_horizontal(pl.col("months_from_start") / 12, (18.0 - pl.col("age_at_start")).clip(0.0))
    adverse = seen.select((pl.col("finish") - pl.col("start") + 0.3 * years >= 2.0 - 1e-9).alias("a"))["a"]
    n, share = adverse.len(), float(adverse.mean())  # type: ignore[arg-type]
    z = 1.959964
    centre = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z * np.sqrt(share * (1 - share) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    assert n == demo.key.summary["counted"]["n"]
    assert centre - half < demo.key.summary["counted"]["true_share"] < centre + half
