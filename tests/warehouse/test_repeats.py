"""Repeated readings of a warehouse compared, against published series; and the plan of what to read again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipelines.ingest.loading import load
from tests.conftest import Study
from tests.hand_made import key, made_case, sorted_delivery
from warehouse.errors import RequestError
from warehouse.marts.publish import publish
from warehouse.marts.reader import Reader
from warehouse.repeats.repeat_plan import plan_repeats
from warehouse.repeats.repeats import Repeated, measure_errors, repeatability, repeatability_as_data
from warehouse.selection import Selection
from warehouse.store.store import open_store
from warehouse.words.sentences import caution_text

# Bland & Altman 1986, Lancet i:307: peak flow of 17 people, two readings by each of two meters (l/min)
WRIGHT = (
    (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427),
    (490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421),
)
MINI = (
    (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451),
    (525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443),
)
# Ten pairs of a mandibular plane with figures worked out independently (see the check value "pairs")
PAIRS = (
    (32.0, 35.5, 28.0, 40.0, 36.5, 30.0, 33.0, 38.5, 27.5, 34.0),
    (32.5, 35.0, 29.0, 39.5, 36.5, 30.5, 32.0, 38.0, 28.0, 35.0),
)
N = 17


def readings() -> pl.DataFrame:
    rows = [
        {
            "row": number + 2,
            "case_id": key(f"c{number}"),
            "timepoint": "start",
            "examiner": examiner,
            "repeat_no": repeat,
            "sna_deg": float(series[repeat - 1][number]),
            "fma_deg": PAIRS[repeat - 1][number] if number < 10 and examiner == "E1" else None,
            "par_uk_points": 20.0,
        }
        for number in range(N)
        for examiner, series in (("E1", WRIGHT), ("E2", MINI))
        for repeat in (1, 2)
    ]
    once = [
        {"row": N + 2 + i, "case_id": key(f"once{i}"), "timepoint": "start", "examiner": "E1", "repeat_no": 1}
        | ({"sna_deg": 80.0} if i < 30 else {"par_uk_points": 12.0})
        for i in range(35)
    ]
    return pl.DataFrame([*rows, *once], infer_schema_length=None)


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    folder = tmp_path_factory.mktemp("repeats")
    cases = [made_case(f"c{number}") for number in range(N)] + [made_case(f"once{i}") for i in range(35)]
    cases.append(made_case("picked", selection="selected", sna_deg_start=80.0))
    validated = sorted_delivery(cases)
    picked = validated.good["readings"].select("row", "case_id", "timepoint", "examiner", "repeat_no", "sna_deg")
    together = pl.concat([readings(), picked.with_columns(pl.col("row").cast(pl.Int64))], how="diagonal_relaxed")
    with open_store(folder, create=True) as store:
        load(store, [(replace(validated, good={**validated.good, "readings": together}), "r")], contract_version="1")
        publish(folder, store)
    with Reader.open(folder) as opened:
        yield opened


@pytest.fixture(scope="module")
def found(reader: Reader) -> dict[tuple[str, str], Repeated]:
    compared = repeatability(reader)
    return {(one.measure, one.examiner): one for one in (*compared.within, *compared.between)}


def test_dahlberg_of_each_meter_is_the_published_one(found: dict[tuple[str, str], Repeated]) -> None:
    # within-subject standard deviations 15.3 and 19.9 (published); 15.307 and 19.911 computed
    for examiner, expected in (("E1", 15.307), ("E2", 19.911)):
        one = found["sna_deg", examiner]
        assert one.n == N
        assert one.error.dahlberg.value == pytest.approx(expected, abs=5e-4)


def test_two_meters_agree_within_the_published_limits(found: dict[tuple[str, str], Repeated]) -> None:
    # bias -2.1, SD 38.8 (published); with 1.96 SD the limits are -78.097 and 73.862 (computed)
    agreement = found["sna_deg", "E1 and E2"].agreement
    assert agreement.bias.value == pytest.approx(-2.1176, abs=5e-5)
    assert agreement.sd == pytest.approx(38.7651, abs=5e-5)
    assert (agreement.lower.value, agreement.upper.value) == pytest.approx((-78.097, 73.862), abs=5e-4)
    assert agreement.lower.interval is not None


def test_ten_pairs_worked_out_by_hand(found: dict[tuple[str, str], Repeated]) -> None:
    one = found["fma_deg", "all"]
    assert one.n == 10
    assert one.error.dahlberg.value == pytest.approx(0.47434, abs=5e-6)
    assert one.error.random.value == pytest.approx(0.49441, abs=5e-6)
    assert one.error.bias.value == pytest.approx(-0.10)
    assert one.error.bias.p_value == pytest.approx(0.66178, abs=5e-6)
    assert one.error.mdc == pytest.approx(1.31481, abs=5e-5)
    assert "Only 10 repeated records" in caution_text(one.error.dahlberg.warnings[0])


def test_pingouin_agrees_on_all_six_forms(found: dict[tuple[str, str], Repeated]) -> None:
    import pingouin

    frame = pl.DataFrame(
        [(i, r, float(WRIGHT[r][i])) for i in range(N) for r in (0, 1)], schema=["who", "reader", "v"], orient="row"
    )
    icc = pingouin.intraclass_corr(frame.to_pandas(), targets="who", raters="reader", ratings="v")
    forms = found["sna_deg", "E1"].correlation.forms
    ours = [forms[name].value for name in ("ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)")]
    assert ours == pytest.approx(icc["ICC"].tolist(), abs=1e-9)


def test_all_examiners_together_stand_before_each(reader: Reader) -> None:
    compared = repeatability(reader, measure="sna_deg")
    assert [one.examiner for one in compared.within] == ["all", "E1", "E2"]
    assert [one.n for one in compared.within] == [2 * N, N, N]
    assert [one.examiner for one in compared.between] == ["E1 and E2"]


def test_the_plain_form_holds_everything_a_person_may_ask(reader: Reader) -> None:
    data = repeatability_as_data(repeatability(reader, practice="HARBOUR", measure="fma_deg"))
    (one,) = data["within_examiner"]
    assert {"dahlberg", "bias", "lower_limit", "ICC(1,1)", "ICC(3,k)", "mdc95", "reliability"} <= set(one)
    assert data["between_examiners"] == []


@pytest.mark.parametrize(
    ("asked", "said"), [({"practice": "HARBOR"}, "did you mean HARBOUR"), ({"measure": "fma"}, "fma_deg")]
)
def test_unknown_names_are_refused_with_near_ones(reader: Reader, asked: dict[str, str], said: str) -> None:
    with pytest.raises(RequestError, match=said):
        repeatability(reader, **asked)


def test_the_plan_draws_from_records_read_once_in_random_order(reader: Reader) -> None:
    plan = plan_repeats(reader, n=25, rng=np.random.default_rng(1))
    assert plan.frame.columns == ["order", "practice", "case_key", "timepoint"]
    assert plan.frame["order"].to_list() == list(range(1, 26))
    assert plan.n_eligible == 30  # neither those read twice, nor picked cases, nor scores alone
    assert set(plan.frame["case_key"]) <= {key(f"once{i}") for i in range(30)}
    assert plan.frame["case_key"].n_unique() == 25
    assert plan.frame["case_key"].to_list() != sorted(plan.frame["case_key"])
    assert plan.remarks == ()


def test_the_same_seed_draws_the_same_and_another_seed_another(reader: Reader) -> None:
    first, second, other = (
        plan_repeats(reader, n=10, rng=np.random.default_rng(seed)).frame["case_key"].to_list() for seed in (3, 3, 4)
    )
    assert first == second
    assert first != other


def test_every_record_has_the_same_chance(reader: Reader) -> None:
    rng = np.random.default_rng(5)
    drawn = pl.concat([plan_repeats(reader, n=15, rng=rng).frame for _ in range(60)])
    counts = drawn["case_key"].value_counts()["count"].to_numpy()
    assert counts.size == 30
    # binomial 60 x 1/2: 30 with a spread of 3.9; 4.4 spreads either way
    assert counts.min() > 13
    assert counts.max() < 47


def test_too_few_records_are_said(reader: Reader) -> None:
    plan = plan_repeats(reader, n=40, rng=np.random.default_rng(1))
    assert plan.frame.height == 30
    assert "Only 30 records were read once" in plan.remarks[0]
    assert "At least 25 records are advised" in plan_repeats(reader, n=5, rng=np.random.default_rng(1)).remarks[0]


def test_a_plan_for_nothing_or_nobody_is_refused(reader: Reader) -> None:
    with pytest.raises(RequestError):
        plan_repeats(reader, n=0, rng=np.random.default_rng(1))
    with pytest.raises(RequestError, match="HARBOUR"):
        plan_repeats(reader, n=5, rng=np.random.default_rng(1), practice="NOBODY")


def test_a_record_taken_again_is_compared_apart_and_may_still_be_drawn_to_be_read_again(tmp_path: Path) -> None:
    validated = sorted_delivery([made_case("a"), made_case("b")])
    rows = [
        {"row": 2, "case_id": key("a"), "timepoint": "start", "examiner": "E1", "repeat_no": no, "sna_deg": value}
        for no, value in ((1, 80.0), (2, 81.0), (21, 83.0), (22, 90.0))
    ]
    rows += [{**rows[no], "case_id": key("b"), "row": 3} for no in (0, 2)]
    good = {**validated.good, "readings": pl.DataFrame(rows)}
    with open_store(tmp_path, create=True) as store:
        load(store, [(replace(validated, good=good), "r")], contract_version="1")
        publish(tmp_path, store)
    with Reader.open(tmp_path) as opened:
        found = repeatability(opened)
        data = repeatability_as_data(found)
        plan = plan_repeats(opened, n=1, rng=np.random.default_rng(1))
        errors = measure_errors(opened, selection=Selection())
    assert [(one.n, one.error.bias.value) for one in found.within] == [(1, -1.0)]
    assert [(one.n, one.error.bias.value) for one in found.taken_again] == [(2, -3.0)]
    assert [one["n"] for one in data["taken_again"]] == [2]
    assert [(one.is_taken_again, one.error.n) for one in errors] == [(False, 1), (True, 2)]
    assert plan.frame["case_key"].to_list() == [key("b")]


def test_nothing_read_twice_gives_no_comparison(tmp_path: Path) -> None:
    from tests.hand_made import reader_of

    with reader_of(tmp_path, [made_case("a", sna_deg_start=80.0)]) as opened:
        compared = repeatability(opened)
    assert (compared.within, compared.between) == ((), ())


def test_adverse_by_either_reading_is_compared_as_counted_by_hand(study: Study) -> None:
    """Cohen 1960: (observed less chance agreement) / (1 - chance), of changes worked out here from the two marts."""
    with Reader.open(study.warehouse) as opened:
        part = opened.definition().single_change
        assert part is not None
        code = part.measures[0]
        rows = opened.connection.rows(
            f"select practice, case_no, timepoint, examiner, repeat_no, {code} from mart_repeats"
            f" where {code} is not null"
        )
        spans = opened.connection.rows(f"select case_no, {code}__expected from mart_spans where span = ?", [part.span])
        found = repeatability(opened)
    growth = {str(case): value for case, value in spans if value is not None}
    read = {tuple(map(str, row[:5])): row[5] for row in rows}
    by_practice: dict[str, list[list[bool]]] = {}
    for practice, case, time, examiner, repeat in read:
        keys = [(practice, case, one, examiner, number) for number in "12" for one in ("start", "finish")]
        if (time, repeat) == ("start", "1") and case in growth and all(key in read for key in keys):
            moved = [read[keys[i + 1]] - read[keys[i]] - growth[case] for i in (0, 2)]
            by_practice.setdefault(practice, []).append([round(one, 6) >= part.threshold for one in moved])
    told = {practice: one for practice, examiner, one in found.adverse if examiner == "all"}
    assert {practice: one.n for practice, one in told.items()} == {key: len(all_) for key, all_ in by_practice.items()}
    assert told
    for practice, pairs in by_practice.items():
        rates = np.mean(pairs, axis=0)
        chance = rates.prod() + (1.0 - rates).prod()
        value = (np.mean([one == two for one, two in pairs]) - chance) / (1.0 - chance) if chance < 1.0 else None
        assert told[practice].value == (None if value is None else pytest.approx(value))
