"""How long one comparison of a million cases takes, as a multiple of an unpenalised logistic fit by statsmodels.

Run with ``python -m pytest tests/benchmarks/bench_comparison.py -m benchmark -s``. Processor seconds of one thread, so
that other work on the machine plays no part; nothing is asserted about time, only that the methods agree.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import polars as pl
import pytest

from tests.benchmarks.table import Row, Table
from warehouse.analysis.age_curve import age_curve
from warehouse.analysis.ancova import ancova
from warehouse.analysis.balance import balances
from warehouse.analysis.firth import firth_logistic
from warehouse.questions.contrast import GROUP, OUTCOME, TwoGroupFrame, one_thread, prepared_pair, stratum_column
from warehouse.questions.methods import METHODS, PreparedPair

N = 1_000_000
ADJUST = ("age_at_start", "sex", "plane_at_start", "incisor_class")
TITLES = ("age at start", "sex", "mandibular plane angle at start", "incisor class at start")
STRATA = ("vertical_type", "age_band")


def a_million() -> TwoGroupFrame:
    rng = np.random.default_rng(44)
    age, plane = np.round(rng.uniform(8, 16, N), 2), np.round(rng.normal(33, 5, N), 1)
    first = rng.random(N) < 1 / (1 + np.exp(0.5 - 0.08 * (plane - 33) - 0.1 * (age - 11.5)))
    adverse = rng.random(N) < 1 / (1 + np.exp(2.2 - 0.06 * (plane - 33) - 0.3 * first))
    frame = pl.DataFrame(
        {
            GROUP: np.where(first, "expander", "fixed"),
            OUTCOME: adverse,
            "is_due": np.ones(N, dtype=np.bool_),
            TITLES[0]: age,
            TITLES[1]: np.where(rng.random(N) < 0.5, "male", "female"),
            TITLES[2]: plane,
            TITLES[3]: rng.choice(["I", "II/1", "II/2", "III"], N),
            stratum_column("vertical_type"): np.where(plane < 28, "low", np.where(plane < 37, "average", "high")),
            stratum_column("age_band"): np.where(age < 10, "8-9", np.where(age < 12, "10-11", "12 and over")),
        }
    )
    return TwoGroupFrame(frame=frame, labels=("expander", "fixed"), titles=TITLES, strata=STRATA, in_both=0)


def timed(table: Table, name: str, work: Callable[[], object], base: float | None = None) -> float:
    start = time.process_time()
    work()
    seconds = time.process_time() - start
    ratio = f" = {seconds / base:5.2f} x" if base else ""
    print(f"{name:46} {seconds:6.2f} s{ratio}")
    against = [Row("compare", "plain logistic fit", N, base)] if base else []
    table.add(Row("compare", f"{name} (one thread)", N, seconds, seconds), against=against)
    return seconds


def plain_fit(table: Table, prepared: PreparedPair) -> float:
    import statsmodels.api as sm

    design = np.column_stack([prepared.pair.design.matrix, prepared.pair.first.astype(float)])
    return timed(
        table, "statsmodels Logit, unpenalised (1.00 x)", lambda: sm.Logit(prepared.pair.outcome, design).fit(disp=0)
    )


@pytest.mark.benchmark
def test_one_comparison_of_a_million_cases(table: Table) -> None:
    cases = a_million()
    print(f"\n{N:,} cases, processor seconds of one thread")
    with one_thread():
        base = plain_fit(table, prepared_pair(cases, adjust=ADJUST, level=0.95))
        timed(table, "complete cases, design and strata", lambda: prepared_pair(cases, adjust=ADJUST, level=0.95), base)
        values = []
        for name, compare in METHODS.items():
            prepared = prepared_pair(cases, adjust=ADJUST, level=0.95)
            timed(table, f"difference, {name}", lambda compare=compare, prepared=prepared: compare(prepared), base)
            values.append(compare(prepared).difference.value)
        prepared = prepared_pair(cases, adjust=ADJUST, level=0.95)
        timed(table, "all five differences", lambda: [compare(prepared) for compare in METHODS.values()], base)
        timed(table, "balance picture", lambda: balances(prepared.pair, prepared.overlap.weights), base)
    adjusted = [value for value in values[1:] if value is not None]
    assert max(adjusted) - min(adjusted) < 0.01


@pytest.mark.benchmark
def test_firth_against_a_plain_fit(table: Table) -> None:
    pair = (prepared := prepared_pair(a_million(), adjust=ADJUST, level=0.95)).pair
    design = np.column_stack([pair.first.astype(float), pair.design.matrix[:, 1:]])
    print()
    with one_thread():
        base = plain_fit(table, prepared)
        timed(table, "Firth, Wald intervals", lambda: firth_logistic(design, pair.outcome, profile=[]), base)
        timed(
            table,
            "Firth, profile interval of the group",
            lambda: firth_logistic(design, pair.outcome, profile=["x1"]),
            base,
        )


@pytest.mark.benchmark
def test_a_curve_and_a_covariance_analysis_of_a_million_cases(table: Table) -> None:
    frame = a_million().frame
    rng = np.random.default_rng(45)
    changes = frame.select(GROUP, pl.col(TITLES[2]).alias("before")).with_columns(
        after=pl.col("before") + rng.normal(0.3, 1.5, N)
    )
    print()
    with one_thread():
        base = plain_fit(table, prepared_pair(a_million(), adjust=ADJUST, level=0.95))
        age, adverse = frame[TITLES[0]].to_numpy(), frame[OUTCOME].cast(pl.Float64).to_numpy()
        timed(table, "share over age, spline", lambda: age_curve(age, adverse), base)
        timed(
            table,
            "change given the start, covariance analysis",
            lambda: ancova(changes, before="before", after="after", group=GROUP, reference="fixed"),
            base,
        )
