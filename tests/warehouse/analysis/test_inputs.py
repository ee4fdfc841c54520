"""Checks that every estimator shares, and the normal tail."""

from __future__ import annotations

import pytest
from scipy.stats import norm

from warehouse.analysis.inputs import check_counts, check_length, check_level, check_method, normal_p_value, z_value
from warehouse.errors import RequestError


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.999])
def test_z_value_is_the_normal_quantile(level: float) -> None:
    assert z_value(level) == pytest.approx(norm.ppf(0.5 + level / 2), abs=1e-12)


@pytest.mark.parametrize("z", [0.0, -1.96, 3.0, 12.0, 30.0])
def test_p_value_is_accurate_far_into_the_tail(z: float) -> None:
    assert normal_p_value(z) == pytest.approx(2 * norm.sf(abs(z)), rel=1e-12)


def test_a_percentage_is_refused_as_a_level() -> None:
    with pytest.raises(RequestError) as caught:
        check_level(95)
    assert caught.value.remedy == "divide a percentage by 100"


def test_whole_numbers_of_any_type_are_counts() -> None:
    check_counts(0, 0)
    check_counts(3.0, 7)
    with pytest.raises(RequestError) as caught:
        check_counts(8, 7, where="first group")
    assert caught.value.where == "first group"


def test_method_refusal_lists_what_is_offered() -> None:
    with pytest.raises(RequestError) as caught:
        check_method("wilson's", ("wilson", "jeffreys"))
    assert caught.value.expected == "one of wilson, jeffreys"
    assert caught.value.remedy == "did you mean wilson?"


def test_length_refusal_names_the_column() -> None:
    check_length(3, 3, what="the outcome column")
    with pytest.raises(RequestError, match="the outcome column has 2 entries where 3 were expected"):
        check_length(2, 3, what="the outcome column")
