"""Adjusted p values: Benjamini and Hochberg's example, SciPy, definitions, and words."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import false_discovery_control

from warehouse.analysis.multiplicity import adjust_p_values
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

METHODS = ["holm", "hochberg", "benjamini_hochberg", "bonferroni"]
families = st.lists(st.floats(0.0, 1.0), min_size=1, max_size=30)


def adjusted(p_values: list[float], method: str) -> list[float | None]:
    return [row.adjusted for row in adjust_p_values(p_values, method=method).rows]


def test_benjamini_hochberg_1995_as_printed(reference_case: Callable[[int, str], dict[str, Any]]) -> None:
    # Benjamini & Hochberg 1995, JRSS B 57:289, sec. 3 (data Neuhaus 1992)
    case = reference_case(14, "Benjamini-Hochberg 1995")
    p, q = case["data"]["p"], case["data"]["q"]
    found = {
        "BH_rejected": adjust_p_values(p, method="benjamini_hochberg", alpha=q).n_rejected,
        "bonferroni_rejected": adjust_p_values(p, method="bonferroni", alpha=q).n_rejected,
    }
    assert found == case["expected"]


@pytest.mark.parametrize(("key", "method"), [("bh", "benjamini_hochberg"), ("holm", "holm"), ("hochberg", "hochberg")])
def test_benjamini_hochberg_1995_as_computed(
    key: str, method: str, reference_case: Callable[[int, str], dict[str, Any]]
) -> None:
    # R 4.2.2 p.adjust
    case = reference_case(14, "Benjamini-Hochberg 1995")
    assert adjusted(case["data"]["p"], method) == pytest.approx(case["computed"][key], abs=1e-9)


@pytest.mark.parametrize(
    ("name", "method"),
    [("holm", "holm"), ("simes-hochberg", "hochberg"), ("fdr_bh", "benjamini_hochberg"), ("bonferroni", "bonferroni")],
)
def test_equals_statsmodels(name: str, method: str) -> None:
    from statsmodels.stats.multitest import multipletests

    p_values = [0.03, 0.0004, 0.2, 0.03, 1.0, 0.0, 0.011, 0.04]
    assert adjusted(p_values, method) == pytest.approx(list(multipletests(p_values, method=name)[1]), abs=1e-12)


@given(families)
@settings(deadline=None)
def test_benjamini_hochberg_equals_scipy(p_values: list[float]) -> None:
    expected = false_discovery_control(p_values, method="bh")
    assert adjusted(p_values, "benjamini_hochberg") == pytest.approx(list(expected), abs=1e-9)


@given(families)
@settings(deadline=None)
def test_holm_and_hochberg_by_definition(p_values: list[float]) -> None:
    order = sorted(range(len(p_values)), key=lambda i: p_values[i])
    stepped = [min(1.0, (len(p_values) - k) * p_values[i]) for k, i in enumerate(order)]
    holm, hochberg = adjusted(p_values, "holm"), adjusted(p_values, "hochberg")
    assert [holm[i] for i in order] == pytest.approx([max(stepped[: k + 1]) for k in range(len(order))], abs=1e-12)
    assert [hochberg[i] for i in order] == pytest.approx([min(stepped[k:]) for k in range(len(order))], abs=1e-12)


@given(families)
@settings(deadline=None)
def test_strictness_falls_from_bonferroni_to_benjamini_hochberg(p_values: list[float]) -> None:
    strict = [adjusted(p_values, m) for m in ("bonferroni", "holm", "hochberg", "benjamini_hochberg")]
    for stricter, looser in pairwise(strict):
        assert all(a >= b - 1e-12 for a, b in zip(stricter, looser, strict=True))
    assert all(a >= p for a, p in zip(strict[-1], p_values, strict=True))


@pytest.mark.parametrize("method", METHODS)
def test_one_comparison_needs_no_adjustment(method: str) -> None:
    assert adjusted([0.03], method) == [0.03]


@given(families, st.sampled_from(METHODS))
@settings(deadline=None)
def test_order_of_comparisons_does_not_matter(p_values: list[float], method: str) -> None:
    assert adjusted(p_values[::-1], method)[::-1] == pytest.approx(adjusted(p_values, method), abs=1e-12)


@pytest.mark.parametrize("method", METHODS)
def test_comparisons_without_a_test_are_not_counted_and_are_named(method: str) -> None:
    found = adjust_p_values([0.01, None, 0.04, float("nan")], names=["a", "b", "c", "d"], method=method)
    assert found.n_comparisons == 2
    assert [row.adjusted is None for row in found.rows] == [False, True, False, True]
    assert found.rows[3].p_value is None
    assert found.rows[0].adjusted == 0.02
    assert caution_text(found.warnings[0]).endswith("comparisons: b, d.")


def test_empty_family_is_empty() -> None:
    found = adjust_p_values([])
    assert (found.rows, found.n_comparisons, found.n_rejected, found.warnings) == ((), 0, 0, ())


def test_names_are_made_up_when_not_given() -> None:
    assert [row.name for row in adjust_p_values([0.5, 0.1]).rows] == ["comparison 1", "comparison 2"]


def test_rejection_at_exactly_alpha() -> None:
    assert adjust_p_values([0.05]).rows[0].rejected
    assert not adjust_p_values([0.0501]).rows[0].rejected


@pytest.mark.parametrize("bad", [[1.2], [-0.1]])
def test_impossible_p_values_are_refused(bad: Any) -> None:
    with pytest.raises(RequestError, match="a p value of"):
        adjust_p_values(bad)


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(RequestError):
        adjust_p_values([0.1], alpha=5)
    with pytest.raises(RequestError):
        adjust_p_values([0.1], names=["a", "b"])
    with pytest.raises(RequestError):
        adjust_p_values([0.1], method="sidak")
