"""Pooled figures: counts and cases alike, against other libraries, from published tables alone, and never a ranking."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy.special import logit
from statsmodels.stats.contingency_tables import StratifiedTable
from statsmodels.stats.meta_analysis import combine_effects

from tests.study_group import FULL, agreement, cohort, counted, member, members, together
from warehouse.analysis.meta import pool
from warehouse.analysis.meta_effects import ratio_effects
from warehouse.analysis.meta_glmm import binomial_normal
from warehouse.errors import GroupError
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.cases import GroupCases, result_column
from warehouse.pooled.handing_over import hand_over
from warehouse.pooled.member import Member
from warehouse.pooled.pooling import pooled_result
from warehouse.pooled.publishing import Publisher
from warehouse.pooled.result import GroupResult, result_from
from warehouse.pooled.shares import tag_of
from warehouse.pooled.variables import ADVERSE, NOT_ADVERSE
from warehouse.results import Caution
from warehouse.words.pooled import group_rows, note_text, trend_sentence

PLAIN = agreement()


def pooled(given: list[Member], agreed: Agreement = PLAIN, publisher: Publisher | None = None) -> GroupResult:
    publisher = publisher or Publisher(agreed.pooled_policy)
    return pooled_result(given, agreed, publisher=publisher, salt="s", number=1, made_on="2026-02-01")


def practices(k: int = 6, n: int = 400, seed: int = 3) -> list[GroupCases]:
    """Practices with so many cases in every group that nothing has to be hidden or merged."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(k):
        parts = [
            counted(int(rng.integers(6, 30)), int(n / 8 + rng.integers(0, 60)), PLAIN, age_band=age, extraction=teeth)
            for age in ("8-9", "10-11", "12-13")
            for teeth in ("extraction", "non-extraction")
        ]
        found.append(together(*parts, agreed=PLAIN))
    return found


@pytest.fixture(scope="module")
def of_counts() -> GroupResult:
    return pooled(members(practices(), PLAIN, level="counts"))


@pytest.fixture(scope="module")
def of_cases() -> GroupResult:
    return pooled(members(practices(), PLAIN, level="cases"))


@pytest.fixture(scope="module")
def of_both() -> GroupResult:
    return pooled(members(practices(), PLAIN, level=["cases", "counts"] * 3))


def numbers(result: GroupResult, *, adjusted: bool = False) -> list[float]:
    """Every number of a result save those that need single cases, in order."""
    plain = result.to_dict()
    for breakdown in plain["breakdowns"]:
        for key in () if adjusted else ("adjusted_for", "adjusted_practices", "notes"):
            breakdown.pop(key)
        breakdown["rows"] = [{**row, "adjusted": None} for row in breakdown["rows"]]
    for share in plain["shares"]:
        share["lines"] = [{**line, "expected": None} for line in share["lines"]]
    found: list[float] = []

    def walk(node: object) -> None:
        if isinstance(node, dict):
            for value in node.values():
                walk(value)
        elif isinstance(node, list | tuple):
            for value in node:
                walk(value)
        elif isinstance(node, int | float) and not isinstance(node, bool):
            found.append(float(node))

    walk(plain)
    return found


def test_counts_only_pooling_equals_case_level_pooling(of_counts: GroupResult, of_cases: GroupResult) -> None:
    assert numbers(of_counts) == pytest.approx(numbers(of_cases), abs=1e-9)


def test_practices_of_both_kinds_pool_to_the_same(of_both: GroupResult, of_cases: GroupResult) -> None:
    assert numbers(of_both) == pytest.approx(numbers(of_cases), abs=1e-9)


def raw(cases: GroupCases) -> tuple[int, int]:
    results = cases.frame[result_column("D1")]
    adverse = int((results == ADVERSE).sum())
    return adverse, adverse + int((results == NOT_ADVERSE).sum())


def test_the_pooled_share_agrees_with_another_library(of_counts: GroupResult) -> None:
    """Cochran's Q by statsmodels, on the raw counts; the share is the model's of the same counts."""
    x, n = (np.array(column, dtype=float) for column in zip(*(raw(one) for one in practices()), strict=True))
    other = combine_effects(logit(x / n), 1 / x + 1 / (n - x))
    assert of_counts.shares[0].spread is not None
    assert of_counts.shares[0].spread.q == pytest.approx(other.q, abs=1e-9)
    (found,) = of_counts.shares[0].figures
    whole = binomial_normal([int(one) for one in x], n.tolist()).share
    assert [found.value, found.low] == pytest.approx([whole.value, whole.interval.low], abs=1e-9)


def test_rows_of_a_breakdown_add_the_practices_up(of_both: GroupResult) -> None:
    everyone = pl.concat([one.frame for one in practices()])
    breakdown = next(one for one in of_both.breakdowns if one.by == "age_band")
    for row in breakdown.rows:
        mine = everyone.filter(pl.col("age_band") == row.label)
        adverse = int((mine[result_column("D1")] == ADVERSE).sum())
        assert (row.counted, row.adverse) == (f"{mine.height}", f"{adverse}")
        assert row.share.value == pytest.approx(adverse / mine.height, abs=1e-12)


def test_adjusted_ratios_agree_with_another_library(of_cases: GroupResult) -> None:
    """Mantel-Haenszel by statsmodels, a stratum a practice and age band (Robins, Breslow and Greenland's interval)."""
    breakdown = next(one for one in of_cases.breakdowns if one.by == "extraction")
    assert breakdown.adjusted_for == ("age_band", "practice")
    row = next(one for one in breakdown.rows if one.label != breakdown.reference)
    tables = []
    for one in practices():
        for age in ("8-9", "10-11", "12-13"):
            mine = one.frame.filter(pl.col("age_band") == age)
            results = [
                mine.filter(pl.col("extraction") == teeth)[result_column("D1")]
                for teeth in (row.label, breakdown.reference)
            ]
            tables.append(np.array([[(each == name).sum() for name in (ADVERSE, NOT_ADVERSE)] for each in results]))
    other = StratifiedTable([table.astype(float) for table in tables])
    assert row.adjusted is not None
    assert row.adjusted.value == round(float(other.oddsratio_pooled), 2)
    low, high = other.oddsratio_pooled_confint()
    assert (row.adjusted.low, row.adjusted.high) == (round(float(low), 2), round(float(high), 2))


def test_a_practice_stands_beside_what_its_case_mix_lets_expect(of_counts: GroupResult) -> None:
    """Indirect standardisation worked out here case by case: each gets the share of all cases like it."""
    mixed = [
        together(
            counted(4 + i, 60, PLAIN, age_band="8-9", extraction="extraction"),
            counted(60 - 8 * i, 180 - 20 * i, PLAIN, age_band="12-13", extraction="non-extraction"),
            agreed=PLAIN,
        )
        for i in range(5)
    ]
    frame = pl.concat([one.frame.with_columns(pl.lit(i).alias("at")) for i, one in enumerate(mixed)])
    like = frame.with_columns(
        (pl.col(result_column("D1")) == ADVERSE).mean().over("age_band", "extraction").alias("like")
    )
    expected = dict(like.group_by("at").agg(pl.col("like").mean().round(2)).iter_rows())
    by_tag = {tag_of(f"P-{i:03}", "s"): share for i, share in expected.items()}
    lines = pooled(members(mixed, PLAIN, level="cases")).shares[0].lines
    assert len(lines) == 5
    assert [line.expected for line in lines] == [by_tag[line.tag] for line in lines]
    assert len({line.expected for line in lines}) > 1
    assert all(line.expected is None for line in of_counts.shares[0].lines)


def test_the_share_changes_from_year_to_year() -> None:
    """The slope is that of weighted least squares on the yearly shares, by numpy; outer years have no place on it."""
    agreed = agreement(variables=("age_band", "start_year"), groupings=("start_year",), k=2, l=1)
    rates = {"2016": 30, "2017": 26, "2018": 24, "2019": 18, "2020": 19}
    given = [
        together(
            *(counted(x + i, 120 - x - i, agreed, start_year=year) for year, x in rates.items()),
            counted(40, 40, agreed, start_year="before 2016"),
            agreed=agreed,
        )
        for i in range(4)
    ]
    (breakdown,) = pooled(members(given, agreed, level="counts"), agreed).breakdowns
    shares = [(4 * x + 6) / 480 for x in rates.values()]
    slope = np.polyfit([2016, 2017, 2018, 2019, 2020], shares, 1)[0]
    assert breakdown.trend is not None
    assert breakdown.trend.value == pytest.approx(slope, abs=1e-9)
    assert breakdown.trend.n == 5 * 480
    assert breakdown.trend.high is not None
    assert breakdown.trend.high < 0
    assert "changed by −" in trend_sentence(breakdown)
    assert trend_sentence(replace(breakdown, trend=None)) == ""


def test_without_a_year_of_few_adverse_cases_no_change_is_given() -> None:
    """Three adverse cases in 2018 are hidden; the change over the other years would be another one."""
    agreed = agreement(variables=("age_band", "start_year"), groupings=("start_year",), k=2, l=1)
    rates = {"2016": (30,) * 4, "2017": (26,) * 4, "2018": (1, 1, 1, 0), "2019": (18,) * 4}
    given = [
        together(*(counted(x[i], 120 - x[i], agreed, start_year=year) for year, x in rates.items()), agreed=agreed)
        for i in range(4)
    ]
    (breakdown,) = pooled(members(given, agreed, level="cases"), agreed).breakdowns
    assert breakdown.trend is not None
    assert breakdown.trend.value is None
    assert trend_sentence(breakdown).endswith("counts of some years are hidden.")
    ratios = {row.label: group_rows(breakdown)[1][place][3] for place, row in enumerate(breakdown.rows)}
    assert ratios["2018"] == "A count behind it is hidden."


def test_practices_come_by_size_and_never_by_share(of_both: GroupResult) -> None:
    lines = of_both.shares[0].lines
    assert [one.n for one in lines] == sorted((one.n for one in lines), reverse=True)
    shares = [one.share for one in lines]
    assert shares not in (sorted(shares), sorted(shares, reverse=True))
    text = json.dumps(of_both.to_dict()).lower()
    assert not any(word in text for word in ("best", "worst", "league", "top "))


def test_a_practice_finds_itself_and_nobody_else_does(of_both: GroupResult) -> None:
    tags = [one.tag for one in of_both.shares[0].lines]
    assert sum(tag == tag_of("P-002", of_both.salt) for tag in tags) == 1
    assert "P-002" not in json.dumps(of_both.to_dict())
    assert tag_of("P-002", "another salt") not in tags


def with_hidden(adverse: tuple[int, ...], level: str = "cases") -> GroupResult:
    agreed = agreement(groupings=(), k=2, l=1)
    given = [counted(x, 90 - x, agreed) for x in adverse]
    return pooled(members(given, agreed, level=level), agreed)


def test_hidden_counts_are_told_from_zero_and_bounded() -> None:
    shares = with_hidden((3, 0, 12, 9, 15)).shares[0]
    shown = sorted(one.adverse for one in shares.lines)
    assert shown == ["0", "15", "fewer than 5", "withheld", "withheld"]
    assert shares.if_lowest is not None
    assert shares.figures[0].value is not None
    assert shares.if_highest is not None
    assert shares.if_lowest < shares.figures[0].value < shares.if_highest
    for one in shares.lines:
        assert (one.share is None) == (one.adverse in {"fewer than 5", "withheld"})


def test_nothing_shown_depends_on_what_is_hidden() -> None:
    """Moving a case between the two hidden practices changes no figure: all come from the published table."""
    assert with_hidden((3, 12, 9, 15)).to_dict() == with_hidden((2, 12, 10, 15)).to_dict()


def test_a_hidden_count_of_a_practice_that_gives_counts_enters_within_its_limits() -> None:
    shares = with_hidden((3, 12, 9, 15), level="counts").shares[0]
    line = next(one for one in shares.lines if one.adverse == "fewer than 5")
    assert (line.low, line.high) == (1 / 90, 4 / 90)
    assert line.share is None
    totals = dict(shares.totals)
    assert totals["counted"] == "270"  # over the practices whose counts are known


def two_groups(*each: tuple[int, int]) -> GroupResult:
    """Practices with so many adverse of 60 cases with and of 80 without extraction, who give counts."""
    agreed = agreement(groupings=("extraction",), k=2, l=1)
    given = [
        together(
            counted(x, 60 - x, agreed, extraction="extraction"),
            counted(y, 80 - y, agreed, extraction="non-extraction"),
            agreed=agreed,
        )
        for x, y in each
    ]
    return pooled(members(given, agreed), agreed)


def test_a_share_with_a_hidden_count_is_a_range_that_tells_no_more_than_the_count_does() -> None:
    """Whichever of 1 to 4 it is, with the same total, every figure is the same, and the true share lies within."""
    rest = [(9, 8), (12, 9), (7, 11), (10, 10), (8, 14)]
    results = [two_groups(*rest, (x, 16 - x)) for x in (1, 2, 3, 4)]
    assert len({json.dumps(one.to_dict()) for one in results}) == 1
    (row,) = [one for one in results[0].breakdowns[0].rows if one.ratio]
    assert row.label == "extraction"
    assert row.ratio is not None
    (limits,) = row.ratio.notes
    assert isinstance(limits, Caution)
    assert row.ratio.value is None
    assert row.ratio.low is not None
    assert row.ratio.high is not None
    least, most = (float(str(limits.numbers[name])) for name in ("least", "most"))
    assert row.ratio.low < least < most < row.ratio.high
    assert all(end == float(f"{end:.2g}") for end in (row.ratio.low, least, most, row.ratio.high))  # two digits
    for x in (1, 2, 3, 4):  # the ratio of the full counts, by the same method
        true = [(a, 60, b, 80) for a, b in (*rest, (x, 16 - x))]
        made = pool(ratio_effects(*map(list, zip(*true, strict=True)))).natural()
        assert made.value is not None
        assert made.interval is not None
        assert least <= made.value <= most
        assert row.ratio.low <= made.interval.low < made.interval.high <= row.ratio.high
    assert row.ratio.n == 360 + 480  # those shown in both groups
    (note,) = row.share.notes
    assert isinstance(note, Caution)
    assert row.share.value is None
    assert row.share.low is not None
    assert row.share.high is not None
    assert (note.numbers["least"], note.numbers["most"]) == (47 / 360, 50 / 360)
    assert row.share.low < 47 / 360 < 50 / 360 < row.share.high
    shown = next(line for line in group_rows(results[0].breakdowns[0])[1] if line[0] == "extraction")
    assert shown[2].startswith("13.1% to 13.9% (")
    assert shown[3] == f"{least:.2f} to {most:.2f} ({row.ratio.low:.2f} to {row.ratio.high:.2f})"
    told = [note_text(one) for one in results[0].breakdowns[0].notes]
    assert any("Those of a ratio may be wider than need be" in one for one in told)


@pytest.mark.slow
def test_in_random_groups_the_limits_hold_the_ratio_of_the_full_counts() -> None:
    """Practices that give counts, by the tables they hand over; the true ratio by the same method from all counts."""
    agreed, n = agreement(groupings=("extraction",), k=2, l=1), 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        sizes = rng.integers(25, 120, (int(rng.integers(4, 9)), 2))
        true = [(int(rng.binomial(a, 0.12)), int(a), int(rng.binomial(b, 0.09)), int(b)) for a, b in sizes]
        given = members(
            [
                together(
                    counted(x, a - x, agreed, extraction="extraction"),
                    counted(y, b - y, agreed, extraction="non-extraction"),
                    agreed=agreed,
                )
                for x, a, y, b in true
            ],
            agreed,
        )
        (breakdown,) = pooled(given, agreed).breakdowns or (None,)
        if breakdown is None or breakdown.refused:
            continue
        kept = [
            one
            for one, member in zip(true, given, strict=True)
            if not isinstance(member.groups(agreed, "D1", "extraction"), str)
        ]
        for row in breakdown.rows:
            if row.ratio is None or row.ratio.low is None or row.ratio.high is None or row.ratio.value is not None:
                continue
            turned = kept if row.label == "extraction" else [(y, b, x, a) for x, a, y, b in kept]
            made = pool(ratio_effects(*map(list, zip(*turned, strict=True)))).natural()
            (note,) = row.ratio.notes
            assert isinstance(note, Caution)
            assert made.value is not None
            assert made.interval is not None
            assert float(str(note.numbers["least"])) <= made.value <= float(str(note.numbers["most"]))
            assert row.ratio.low <= made.interval.low < made.interval.high <= row.ratio.high
            n += 1
    print(f"ratios with limits in groups of contributions: {n}, none missed")
    assert n >= 20


def test_no_ratio_is_given_where_the_sum_behind_it_is_hidden() -> None:
    """Three adverse cases in all of them: their ratio would tell them."""
    agreed = agreement(groupings=("extraction",), k=2, l=1)
    given = [
        together(
            counted(x, 60 - x, agreed, extraction="extraction"),
            counted(9, 80 - 9, agreed, extraction="non-extraction"),
            agreed=agreed,
        )
        for x in (1, 2, 0, 0)
    ]
    (breakdown,) = pooled(members(given, agreed, level="cases"), agreed).breakdowns
    assert any(row.adverse == "1 to 4" or row.adverse == "fewer than 5" for row in breakdown.rows)
    ratios = [row.ratio for row in breakdown.rows if row.ratio]
    assert [(one.value, one.low, one.notes) for one in ratios] == [(None, None, ("A count behind it is hidden.",))]


def test_the_design_effect_of_a_share_is_that_worked_out_by_hand() -> None:
    """Of 100 cases a practice 10, 20 and 30 adverse: 3/2 (10**2 + 0 + 10**2) / (0.2 * 0.8 * 300) = 6.25, rounded up."""
    agreed = agreement(groupings=("extraction",))
    given = [
        together(
            counted(x, 100 - x, agreed, extraction="extraction"),
            counted(20, 80, agreed, extraction="non-extraction"),
            agreed=agreed,
        )
        for x in (10, 20, 30)
    ]
    (breakdown,) = pooled(members(given, agreed), agreed).breakdowns
    methods = {row.label.split(" ")[0]: row.share.method for row in breakdown.rows}
    assert "a design effect of 6.3 for" in methods["extraction"]
    assert "a design effect of 1.0 for" in methods["non-extraction"]


@pytest.mark.parametrize("k", [0, 1, 2])
def test_too_few_practices_give_words_and_no_figure(k: int) -> None:
    result = pooled(members(practices(k=k), PLAIN))
    assert result.shares[0].refused == f"Pooled figures need at least 3 practices; {k} can be used."
    assert result.breakdowns == ()


def test_practices_without_adverse_cases_are_pooled_too() -> None:
    agreed = agreement(groupings=(), k=2, l=1)
    result = pooled(members([counted(0, 50, agreed)] * 4, agreed), agreed)
    assert not result.shares[0].refused
    assert any("No case has the outcome" in note_text(note) for note in result.shares[0].notes)


def test_rounding_is_shown_and_used() -> None:
    agreed = replace(PLAIN, round_to=5)
    result = pooled(members(practices(), agreed, level="cases"), agreed)
    for one in result.shares[0].lines:
        assert int(one.adverse) % 5 == int(one.counted) % 5 == 0
    assert int(dict(result.shares[0].totals)["adverse"]) % 5 == 0


def test_a_variable_some_practices_dropped_is_pooled_over_the_others() -> None:
    rng = np.random.default_rng(8)
    big = [cohort(rng, 900, FULL, even=3.0) for _ in range(4)]
    small = cohort(rng, 40, FULL, even=3.0)
    result = pooled(members([*big, small], FULL, level="cases"), FULL)
    dropped = [one for one in result.breakdowns if any("had to drop" in note for note in one.notes)]
    assert dropped
    assert all(one.practices < 5 for one in dropped)
    assert all(one.practices == 5 for one in result.shares)


def test_several_outcomes_are_pooled_each_by_itself() -> None:
    from warehouse.outcomes.registry import shipped_registry

    registry = shipped_registry()
    agreed = agreement(definitions=(registry.get("D1"), registry.get("D2")), outcomes=("D1", "D2"), groupings=())
    rng = np.random.default_rng(4)
    result = pooled(members([cohort(rng, 300, agreed) for _ in range(3)], agreed), agreed)
    assert [one.outcome for one in result.shares] == ["D1", "D2"]
    assert result.shares[0].figures[0].value != result.shares[1].figures[0].value


def test_a_result_is_read_back_as_it_was_written(of_both: GroupResult) -> None:
    assert result_from(json.loads(json.dumps(of_both.to_dict()))) == of_both


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("format",), "menton group result, version 3"),
        (("number",), "1"),
        (("number",), True),
        (("notes",), [1]),
        (("shares",), None),
        (("shares", 0, "lines", 0, "share"), "0.1"),
        (("shares", 0, "spread"), []),
        (("shares", 0, "figures", 0), {"name": "x"}),
        (("shares", 0, "totals"), [["a", 1]]),
    ],
)
def test_a_result_out_of_shape_is_refused(of_both: GroupResult, path: tuple[str | int, ...], value: object) -> None:
    plain = json.loads(json.dumps(of_both.to_dict()))
    node = plain
    for step in path[:-1]:
        node = node[step]
    node[path[-1]] = value
    with pytest.raises(GroupError, match=r"not a (group )?result"):
        result_from(plain)


def test_a_practice_that_gave_no_breakdown_is_said_to_be_left_out() -> None:
    agreed = agreement(groupings=("extraction",))
    given = members([counted(30, 170, agreed, extraction="extraction")] * 3, agreed)
    few = member(hand_over(counted(3, 60, agreed), agreed, level="counts"), "few")
    result = pooled([*given, few], agreed)
    (breakdown,) = result.breakdowns
    assert (
        any("so as not to give small counts away" in note_text(note) for note in breakdown.notes) or breakdown.refused
    )


def test_a_remark_from_a_file_that_has_no_words_here_is_said_to_be_so() -> None:
    for note in (Caution("approximation", "not_a_code"), Caution("no_data", "few_cases", {"n": ["a", "list"]})):
        assert note_text(note)
    assert "no words for" in note_text(Caution("approximation", "not_a_code"))
