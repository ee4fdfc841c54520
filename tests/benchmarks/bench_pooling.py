"""How long it takes to pool fifty practices of two thousand cases each.

Run with ``python -m pytest tests/benchmarks/bench_pooling.py -m benchmark -s``. Nothing is asserted about time: seconds
depend on the machine and on what else it does, so the processor's own time stands beside them. Imports are not counted.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from pipelines.group.contribution import sealed_contribution
from pipelines.group.folder import GroupFolder
from pipelines.group.founding import found_group, invite, make_agreement
from pipelines.group.keys import practice_key
from pipelines.group.results import make_result
from pipelines.group.signed_file import offered_from
from pipelines.group.taking import members, take
from tests.benchmarks.table import Row, Table
from tests.study_group import cohort, group_result
from warehouse.marts.catalogues import shipped
from warehouse.pooled.handing_over import hand_over
from warehouse.pooled.pooling import pooled_result
from warehouse.pooled.publishing import Publisher
from warehouse.pooled.variables import DEFAULT_GROUPINGS, DEFAULT_VARIABLES

PRACTICES = 50
CASES = 2_000


def timed(table: Table, name: str, work: Callable[[], object]) -> None:
    wall, own = time.perf_counter(), time.process_time()
    work()
    wall, own = time.perf_counter() - wall, time.process_time() - own
    print(f"  {name:<58}{wall:8.2f} s {own:8.2f} s of processor time")
    table.add(Row("contribution", f"{PRACTICES} practices: {name}", PRACTICES * CASES, wall, own))


@pytest.mark.benchmark
def test_fifty_practices_are_pooled(tmp_path: Path, table: Table) -> None:
    group_result(12, 9, 20)  # so that nothing is imported while the clock runs
    folder = GroupFolder(tmp_path / "group", tmp_path / "group.key")
    found_group(folder, "Lantern Bay")
    agreement = make_agreement(
        folder,
        shipped(),
        outcomes=("D1",),
        variables=DEFAULT_VARIABLES,
        groupings=DEFAULT_GROUPINGS,
        years=(2016, 2023),
    )
    invitations = [offered_from(text.encode(), where="invitation").invitation for text in invite(folder, PRACTICES)]
    rng = np.random.default_rng(1)
    files = []

    def prepare() -> None:
        for number, invitation in enumerate(invitations):
            cases = cohort(rng, CASES, agreement, share=rng.uniform(0.06, 0.14), even=3.0)
            made = hand_over(cases, agreement, level="cases" if number % 2 else "counts")
            key = practice_key(tmp_path / f"{number}.key", group=agreement.group, practice="P", create=True)
            data = sealed_contribution(made, agreement, key, sequence=1, made_on="2026-02-01", invitation=invitation)
            files.append(tmp_path / f"{number}.age")
            files[-1].write_bytes(data)

    print(f"\n{PRACTICES} practices of {CASES:,} cases, half as single cases and half as counts")
    timed(table, "made ready and sealed in the practices", prepare)
    timed(table, "taken in, every file checked", lambda: [take(folder, path) for path in files])
    taken, _ = members(folder, agreement)
    publisher = Publisher(agreement.pooled_policy)
    timed(
        table,
        "pooled: all analyses, small counts hidden",
        lambda: pooled_result(taken, agreement, publisher=publisher, salt="s", number=1, made_on="2026-02-01"),
    )
    result = []
    timed(
        table, "opened again, pooled, signed and kept (menton group pooled)", lambda: result.append(make_result(folder))
    )
    assert result[0].result.shares[0].practices == PRACTICES
    assert sum(line.n for line in result[0].result.shares[0].lines) > 0.7 * PRACTICES * CASES
