from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipelines.contract.contract import load_contract
from synthetic_data.exports import Cohort, make_cohort
from synthetic_data.settings import Settings
from tests.cohort_settings import cases_of, with_about
from warehouse.measures.catalogue import CATALOGUE

TABLES = ("cases", "phases", "visits", "readings", "landmarks", "dates")


def first_readings(cohort: Cohort, code: str) -> pl.DataFrame:
    """Start and finish of one measure by the usual examiner; one row a case that has both."""
    first = cohort.readings.filter(pl.col("repeat_no") == 1)
    first = first.unique(["case_id", "timepoint"], keep="first", maintain_order=True)
    sides = [
        first.filter(pl.col("timepoint") == time).select("case_id", pl.col(code).alias(time)).drop_nulls()
        for time in ("start", "finish")
    ]
    return sides[0].join(sides[1], on="case_id")


@pytest.mark.parametrize("table", TABLES)
def test_the_same_seed_gives_the_same_cohort(table: str, demo: Cohort) -> None:
    again = make_cohort(demo.settings, np.random.default_rng(20))
    assert_frame_equal(getattr(again, table), getattr(demo, table))


def test_another_seed_gives_another_cohort(demo: Cohort) -> None:
    other = make_cohort(demo.settings, np.random.default_rng(21))
    assert not other.readings["sn_gogn_deg"].head(50).equals(demo.readings["sn_gogn_deg"].head(50))


def test_the_demonstration_is_of_the_intended_size(demo: Cohort) -> None:
    assert demo.cases.height == cases_of(Settings()) == 1140
    assert demo.cases["practice"].n_unique() == 7
    assert demo.cases["case_id"].n_unique() == 1140
    assert demo.cases.filter(pl.col("comparison") == "untreated").height == 110
    assert demo.cases.filter(pl.col("selection") == "selected").height == 30


@pytest.mark.parametrize("table", ["cases", "phases", "visits", "landmarks", "measurements"])
def test_columns_and_codes_are_those_of_the_contract(table: str, demo: Cohort) -> None:
    contract = load_contract()
    frame = demo.measurements() if table == "measurements" else getattr(demo, table)
    frame = frame.drop("practice", strict=False)
    columns = {column.name: column for column in contract.table(table).columns}
    assert set(frame.columns) <= set(columns)
    for name in frame.columns:
        column = columns[name]
        if column.type == "code" and column.codes != "measure":
            assert set(frame[name].drop_nulls()) <= {code.code for code in contract.codes[str(column.codes)]}
        if column.required:
            assert frame[name].null_count() == 0
        if column.min is not None and column.max is not None:
            assert frame[name].drop_nulls().is_between(column.min, column.max).all()
    key = list(contract.table(table).key)
    assert frame.select(key).is_duplicated().sum() == 0


def test_every_value_is_one_a_face_can_show(large: Cohort) -> None:
    for code in large.readings.columns[4:]:
        values = large.readings[code].drop_nulls()
        assert values.len() > 0, code
        assert values.is_between(*CATALOGUE[code].plausible).all(), code
        assert values.is_between(*CATALOGUE[code].usual).mean() > 0.93, code


def test_values_of_one_reading_fit_together(demo: Cohort) -> None:
    # Identities of one tracing (algebra); each value is rounded to 0.1, so k values may miss by k / 20.
    r = demo.readings
    components = r["par_upper_anterior_points"] + r["par_lower_anterior_points"] + r["par_buccal_points"]
    weighted = 6 * r["par_overjet_score"] + 2 * r["par_overbite_score"] + 4 * r["par_centreline_score"]
    for off, limit in (
        (r["sn_gome_deg"] - r["sn_pp_deg"] - r["mmpa_deg"], 0.15),
        (r["bjork_sum_deg"] - 360 - r["sn_gome_deg"], 0.10),
        (r["anb_deg"] - r["sna_deg"] + r["snb_deg"], 0.15),
        (r["sn_gome_deg"] + r["u1_sn_deg"] + r["interincisal_deg"] + r["impa_deg"] - 360, 0.20),
        (r["u1_pp_deg"] - r["u1_sn_deg"] - r["sn_pp_deg"], 0.15),
        (r["lafh_direct_pct"] - 100 * r["lafh_mm"] / r["tafh_mm"], 0.15),
        (r["jarabak_pct"] - 100 * r["pfh_mm"] / r["tafh_mm"], 0.15),
        (r["par_uk_points"] - components - weighted, 1e-9),
    ):
        assert off.drop_nulls().len() > 500
        assert off.abs().max() <= limit + 1e-6


def test_without_method_error_the_readings_show_the_truth() -> None:
    settings = replace(with_about(Settings(tracing=0.0, examiner_bias_mm=0.0, unreadable=0.0), 1500))
    cohort = make_cohort(settings, np.random.default_rng(3))
    seen = first_readings(cohort, "sn_gogn_deg").join(cohort.key.cases, on="case_id")
    assert seen.height > 800
    assert (seen["start"] - seen["sn_gogn_at_start_deg"]).abs().max() < 0.08
    assert (seen["finish"] - seen["start"] - seen["true_change_deg"]).abs().max() < 0.14


def test_repeats_show_the_method_error_of_each_practice(large: Cohort) -> None:
    key = ["case_id", "timepoint", "examiner"]
    first, second = (
        large.readings.filter(pl.col("repeat_no") == no).select(*key, "sn_gogn_deg").drop_nulls() for no in (1, 2)
    )
    pairs = first.join(second, on=key).join(large.cases.select("case_id", "practice"), on="case_id")
    dahlberg = pairs.group_by("practice").agg(
        (((pl.col("sn_gogn_deg") - pl.col("sn_gogn_deg_right")) ** 2).mean() / 2).sqrt().alias("s")
    )
    s = dict(dahlberg.iter_rows())
    assert set(s) == {"HARBOUR", "QUARRY", "MILLRACE", "LIGHTHOUSE", "FERRY", "FOXGLOVE"}
    # 0.3 to 0.8 degrees is the usual error of tracing alone (from memory).
    assert all(0.25 < value < 0.8 for value in s.values())
    assert s["FERRY"] / s["HARBOUR"] == pytest.approx(1.4, abs=0.15)
    assert s["QUARRY"] / s["HARBOUR"] == pytest.approx(0.8, abs=0.1)


def test_one_film_in_eight_is_read_again(large: Cohort) -> None:
    mine = large.of_practice("HARBOUR").readings
    films = mine.drop_nulls("tafh_mm")
    first = films.filter(pl.col("repeat_no") == 1).select("case_id", "timepoint").unique().height
    assert films.filter(pl.col("repeat_no") == 2).height / first == pytest.approx(0.12, abs=0.02)
    assert films.filter(pl.col("repeat_no") == 1).select("case_id", "timepoint").is_duplicated().sum() > 50


def test_visits_and_phases_are_in_order(large: Cohort) -> None:
    times = large.visits.pivot("timepoint", index="case_id", values="months_from_start")
    assert (times["start"] == 0).all()
    assert times.filter(pl.col("progress") <= 0).is_empty()
    assert times.filter(pl.col("progress") >= pl.col("finish")).is_empty()
    assert times.filter(pl.col("follow_up") <= pl.col("finish")).is_empty()
    phases = large.phases.pivot("phase_no", index="case_id", values=["months_from_start", "months_duration"])
    assert phases.filter(pl.col("months_from_start_2") < pl.col("months_from_start_1")).is_empty()
    untreated = large.cases.filter(pl.col("comparison") == "untreated")["case_id"]
    assert large.phases.filter(pl.col("case_id").is_in(untreated.implode())).is_empty()


def test_losses_are_about_as_set(large: Cohort) -> None:
    started = large.cases.filter(pl.col("comparison") == "treated", pl.col("selection") == "consecutive")
    share = dict(started["status"].value_counts(normalize=True).iter_rows())
    assert share["moved_away"] == pytest.approx(0.04, abs=0.01)
    assert share["no_return"] == pytest.approx(0.05, abs=0.012)
    assert 0.02 < share["in_treatment"] < 0.12
    finished = large.visits.filter(pl.col("timepoint") == "finish")["case_id"]
    lost = started.filter(pl.col("status") != "finished")["case_id"]
    assert not lost.is_in(finished.implode()).any()


def test_overjet_rises_before_it_closes_in_some(large: Cohort) -> None:
    raised = large.key.cases.filter(pl.col("overjet_raised"))["case_id"]
    overjet = large.readings.filter(pl.col("repeat_no") == 1, pl.col("case_id").is_in(raised.implode()))
    by_time = overjet.group_by("timepoint").agg(pl.col("overjet_mm").mean())
    mean = dict(by_time.iter_rows())
    assert mean["progress"] > mean["start"] + 1.0
    assert mean["finish"] < mean["start"]


def test_missing_films_can_depend_on_the_outcome() -> None:
    settings = with_about(Settings(loss_on_change=0.8), 15_000)
    key = make_cohort(settings, np.random.default_rng(4)).key.cases.filter(pl.col("kind") == "consecutive")
    missing = key.filter(pl.col("hidden") == "no finish radiograph")["true_adverse"].mean()
    counted = key.filter(pl.col("hidden") == "counted")["true_adverse"].mean()
    assert missing > 2 * counted  # type: ignore[operator]


def test_enlarged_films_have_enlarged_lengths_and_the_same_angles() -> None:
    base = Settings(tracing=0.0)
    ferry = next(p for p in base.practices if p.code == "FERRY")
    flat = replace(ferry, enlargement_pct=(0.0, 0.0))
    plain = make_cohort(replace(base, practices=(flat,)), np.random.default_rng(5))
    film = make_cohort(replace(base, practices=(ferry,)), np.random.default_rng(5))
    ratio = (film.readings["tafh_mm"] / plain.readings["tafh_mm"]).drop_nulls()
    assert ratio.min() == pytest.approx(1.08, abs=0.002)
    assert ratio.max() == pytest.approx(1.10, abs=0.002)
    assert (film.readings["fma_deg"] - plain.readings["fma_deg"]).abs().max() <= 0.1 + 1e-9
    assert set(film.visits["magnification_pct"].drop_nulls()) == {8.0, 10.0}


def test_a_practice_alone_keeps_only_its_rows(demo: Cohort) -> None:
    mine = demo.of_practice("QUARRY")
    assert mine.cases.height == 170
    for table in TABLES[1:]:
        assert set(getattr(mine, table)["case_id"]) <= set(mine.cases["case_id"]), table


def test_an_empty_practice_gives_empty_tables() -> None:
    settings = Settings()
    nobody = replace(settings.practices[0], n_treated=0)
    cohort = make_cohort(replace(settings, practices=(nobody,)), np.random.default_rng(1))
    assert cohort.cases.is_empty()
    assert cohort.readings.is_empty()
    started = cohort.key.summary["started"]
    assert started == {"n": 0, "true_adverse": 0, "true_share": None, "mean_true_adjusted_deg": None}
