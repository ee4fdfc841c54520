"""Groups against a stated reference, corrected for their number, with a trend where there is an order."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import fisher_exact
from statsmodels.stats.multitest import multipletests

from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.questions.crossed import compare_crossed
from warehouse.questions.groups import GroupComparison, compare_groups
from warehouse.words.sentences import caution_text


@pytest.fixture(scope="module")
def by_appliance(reader: Reader) -> GroupComparison:
    return compare_groups(reader, Question(by="appliance_category"))


def counts(result: GroupComparison) -> dict[str, tuple[int, int]]:
    return {group.group: (group.adverse.n, group.counted.n) for group in result.rates.groups}


def test_the_reference_is_the_largest_group(by_appliance: GroupComparison) -> None:
    assert by_appliance.reference == "fixed_labial"
    assert set(by_appliance.compared) == {"expander_tooth_borne", "functional_removable"}


def test_each_group_is_tested_exactly_and_corrected_for_the_number(by_appliance: GroupComparison) -> None:
    found = counts(by_appliance)
    x2, n2 = found["fixed_labial"]
    raw = []
    for code, two in by_appliance.compared.items():
        x1, n1 = found[code]
        raw.append(fisher_exact([[x1, n1 - x1], [x2, n2 - x2]]).pvalue)
        assert two.test.p_value == pytest.approx(raw[-1])
        assert two.difference.value == pytest.approx(x1 / n1 - x2 / n2)
        assert two.needed.value == pytest.approx(1 / abs(x1 / n1 - x2 / n2))
    corrected = [row.adjusted for row in by_appliance.corrected.rows]
    assert corrected == pytest.approx(list(multipletests(raw, method="holm")[1]))
    assert by_appliance.corrected.n_comparisons == 2


def test_another_reference_and_correction_can_be_asked_for(reader: Reader) -> None:
    found = compare_groups(
        reader, Question(by="appliance_category", reference="expander_tooth_borne"), correction="benjamini_hochberg"
    )
    assert found.reference_label == "expander_tooth_borne"
    assert "expander_tooth_borne" not in found.compared
    assert found.corrected.method.startswith("Benjamini-Hochberg")


def test_a_reference_without_a_case_compares_nothing(reader: Reader) -> None:
    found = compare_groups(reader, Question(by="appliance_category", reference="facemask"))
    assert found.reference is None
    assert found.compared == {}
    assert found.corrected.n_comparisons == 0


def test_ordered_groups_get_a_trend_over_mean_ages(reader: Reader) -> None:
    found = compare_groups(reader, Question(by="age_band"))
    assert found.trend is not None
    ages = list(found.scores.values())
    assert min(ages) >= 8.0
    assert max(ages) <= 16.0
    events, totals = zip(*[counts(found)[group.group] for group in found.rates.groups], strict=True)
    scores = np.array([found.scores[group.group] for group in found.rates.groups])
    n, x = np.array(totals, float), np.array(events, float)
    centred = scores - (n @ scores) / n.sum()
    assert found.trend.slope.value == pytest.approx(float(centred @ x / (n @ centred**2)))


def test_unordered_groups_get_no_trend(by_appliance: GroupComparison) -> None:
    assert by_appliance.trend is None
    assert by_appliance.scores == {}


def test_groups_that_overlap_are_compared_with_the_cases_not_in_them(reader: Reader) -> None:
    found = compare_groups(reader, Question(by="appliance_ever"))
    assert found.reference is None
    assert found.pooled is None
    n_all = reader.connection.value(
        "select count(*) from mart_outcomes inner join mart_cases using (case_no)"
        " where definition_id = 'D1' and step = 'counted'"
    )
    for two in found.compared.values():
        assert two.first.n + two.second.n == n_all


def test_cases_whose_group_is_not_known_are_compared_with_none(reader: Reader) -> None:
    found = compare_groups(reader, Question(by="sex"))
    assert "unknown" in [group.group for group in found.rates.groups]
    assert set(found.compared) | {found.reference} == {"female", "male"}
    assert any("not known" in caution_text(caution) for caution in found.cautions)


def test_crossing_two_groupings_adds_up_to_the_one(reader: Reader, by_appliance: GroupComparison) -> None:
    found = compare_crossed(reader, Question(by="appliance_category", by2="vertical_type"))
    sums: dict[str, int] = {}
    for cell in found.cells:
        sums[cell.group] = sums.get(cell.group, 0) + cell.n
    assert sums == {code: n for code, (_, n) in counts(by_appliance).items()}
    assert found.not_known == 0
    assert [one.group for one in found.within] == ["expander_tooth_borne", "functional_removable"]
    assert found.within[0].difference.adjusted_for == ("vertical type at start",)


def test_crossing_shrinks_a_difference_that_face_type_explains(reader: Reader) -> None:
    found = compare_crossed(reader, Question(by="appliance_category", by2="vertical_type")).within[0]
    assert found.crude.value is not None
    assert found.difference.value is not None
    assert abs(found.difference.value) < abs(found.crude.value)


@pytest.mark.parametrize(
    ("by", "by2", "said"),
    [("sex", "sex", "crossed with itself"), ("appliance_ever", "sex", "several groups"), ("sex", "sx", "did you mean")],
)
def test_what_cannot_be_crossed_is_refused(reader: Reader, by: str, by2: str, said: str) -> None:
    with pytest.raises(RequestError, match=said):
        compare_crossed(reader, Question(by=by, by2=by2))
