"""k and l against worked examples.

Reference figures of pycanon 1.3.6, a general-purpose anonymity checker: on the worked example below it reports k = 2
and l = 1. Contributions are held against pycanon itself in ``tests/warehouse/pooled/test_contributions.py``.
"""

from __future__ import annotations

import polars as pl
import pytest

from warehouse.disclosure.assessment import assess
from warehouse.errors import RequestError

PYCANON_K, PYCANON_L = 2, 1

WORKED = pl.DataFrame(
    {
        "age": ["8-9"] * 5 + ["10-11"] * 3,
        "sex": ["F", "F", "F", "M", "M", "F", "F", "F"],
        "outcome": ["adverse", "stable", "stable", "stable", "stable", "adverse", "adverse", "adverse"],
    }
)


def test_the_worked_example_has_the_k_and_l_that_pycanon_reports() -> None:
    found = assess(WORKED, quasi=["age", "sex"], sensitive=["outcome"])
    assert found.k == PYCANON_K
    assert found.distinct_l["outcome"] == PYCANON_L
    assert found.classes == 3
    assert found.meets(k=2)
    assert not found.meets(k=2, l=2)
    assert not found.meets(k=3)


def test_merging_raises_k_and_then_l() -> None:
    """Sexes merged: classes of 5 and 3, l still 1; ages merged too: one class of 8, l = 2 (computed)."""
    by_age = assess(WORKED, quasi=["age"], sensitive=["outcome"])
    everybody = assess(WORKED, quasi=[], sensitive=["outcome"])
    assert (by_age.k, by_age.distinct_l["outcome"]) == (3, 1)
    assert (everybody.k, everybody.distinct_l["outcome"]) == (8, 2)
    assert everybody.meets(k=8, l=2)


def test_four_anonymous_patients_with_one_diagnosis() -> None:
    """Machanavajjhala et al. 2007, their 4-anonymous and 3-diverse inpatient tables (from memory)."""
    heart, viral, cancer = "heart disease", "viral infection", "cancer"
    zips = ["130**"] * 4 + ["1485*"] * 4 + ["130**"] * 4
    ages = ["<30"] * 4 + [">=40"] * 4 + ["3*"] * 4
    told = [heart, heart, viral, viral, cancer, heart, viral, viral, cancer, cancer, cancer, cancer]
    four = assess(
        pl.DataFrame({"zip": zips, "age": ages, "condition": told}), quasi=["zip", "age"], sensitive=["condition"]
    )
    assert (four.k, four.distinct_l["condition"]) == (4, 1)
    zips = ["1305*"] * 4 + ["1485*"] * 4 + ["1306*"] * 4
    ages = ["<=40"] * 4 + [">40"] * 4 + ["<=40"] * 4
    kept = [heart, viral, cancer, cancer, cancer, heart, viral, viral, heart, viral, cancer, cancer]
    three = assess(
        pl.DataFrame({"zip": zips, "age": ages, "condition": kept}), quasi=["zip", "age"], sensitive=["condition"]
    )
    assert (three.k, three.distinct_l["condition"]) == (4, 3)


def test_missing_values_are_a_quasi_value_but_no_sensitive_one() -> None:
    frame = pl.DataFrame({"q": [None, None, "x", "x"], "s": [None, None, "a", None]})
    found = assess(frame, quasi=["q"], sensitive=["s"])
    assert (found.k, found.classes) == (2, 2)
    assert found.distinct_l["s"] == 1
    nothing = assess(frame.with_columns(s=pl.lit(None, dtype=pl.String)), quasi=["q"], sensitive=["s"])
    assert nothing.distinct_l["s"] is None
    assert nothing.meets(k=2, l=5)


def test_a_variable_may_be_both_known_and_sensitive() -> None:
    assert assess(WORKED, quasi=["outcome"], sensitive=["outcome"]).distinct_l["outcome"] == 1


def test_no_rows_have_no_k_and_wrong_names_are_refused() -> None:
    empty = assess(WORKED.clear(), quasi=["age"], sensitive=["outcome"])
    assert (empty.k, empty.classes, empty.distinct_l) == (None, 0, {"outcome": None})
    assert not empty.meets(k=1)
    with pytest.raises(RequestError, match="No column height"):
        assess(WORKED, quasi=["height"])
