"""An invented study group: agreements, cohorts drawn by chance, and practices that hand over."""

from __future__ import annotations

from collections.abc import Sequence
from types import MappingProxyType
from typing import Any

import numpy as np
import polars as pl

from warehouse.outcomes.growth_reference import constant_slopes
from warehouse.outcomes.registry import shipped_registry
from warehouse.pooled.agreement import Agreement, Coordinator, digest_of_reference
from warehouse.pooled.cases import GroupCases, columns_of, result_column
from warehouse.pooled.handing_over import HandingOver, hand_over
from warehouse.pooled.member import Member
from warehouse.pooled.pooling import pooled_result
from warehouse.pooled.publishing import Publisher
from warehouse.pooled.result import GroupResult
from warehouse.pooled.variables import ADVERSE, DEFAULT_GROUPINGS, NOT_ADVERSE, NOT_DUE, NOT_KNOWN, hierarchy_of

R1 = constant_slopes()
SMALL = ("age_band", "sex", "extraction", "start_year")
BIG_ENOUGH = 10_000


def agreement(
    *, variables: Sequence[str] = SMALL, groupings: Sequence[str] = ("age_band", "extraction"), **given: Any
) -> Agreement:
    """An agreement with keys that open nothing."""
    values: dict[str, Any] = {
        "group": "00112233445566aa",
        "name": "Lantern Bay",
        "version": 1,
        "made_on": "2026-01-15",
        "coordinators": (Coordinator("Lamp", "age1" + "q" * 58, "0" * 64),),
        "definitions": (shipped_registry().get("D1"),),
        "outcomes": ("D1",),
        "growth_name": R1.name,
        "growth_digest": digest_of_reference(R1),
        "level": "cases",
        "k": 5,
        "l": 2,
        "minimum": 5,
        "round_to": None,
        "spread": False,
        "mean_minimum": 8,
        "fewest_new": 10,
        "fewest_practices": 3,
        "most_cases": BIG_ENOUGH,
        "variables": tuple(hierarchy_of(name, years=(2016, 2023)) for name in variables),
        "groupings": tuple(groupings),
    }
    return Agreement(**{**values, **given})


FULL = agreement(
    variables=("age_band", "sex", "appliance_category", "extraction", "vertical_type", "start_year"),
    groupings=DEFAULT_GROUPINGS,
)


def cohort(
    rng: np.random.Generator, n: int, agreed: Agreement, *, share: float = 0.15, known: float = 0.8, even: float = 1.0
) -> GroupCases:
    """Cases drawn by chance; ``known`` is the share of them that are counted."""
    columns: dict[str, list[str]] = {}
    for one in agreed.variables:
        values = list(one.base)
        columns[one.name] = rng.choice(values, n, p=rng.dirichlet(np.full(len(values), even))).tolist()
    for outcome in agreed.outcomes:
        chances = [share * known, (1 - share) * known, (1 - known) * 0.7, (1 - known) * 0.3]
        columns[result_column(outcome)] = rng.choice([ADVERSE, NOT_ADVERSE, NOT_KNOWN, NOT_DUE], n, p=chances).tolist()
    return as_cases(pl.DataFrame(columns, schema=dict.fromkeys(columns, pl.String)), agreed)


def counted(adverse: int, others: int, agreed: Agreement, **values: str) -> GroupCases:
    """So many adverse and other cases that are otherwise alike, save for the values given."""
    n = adverse + others
    columns = {one.name: [values.get(one.name, one.base[0])] * n for one in agreed.variables}
    results = [ADVERSE] * adverse + [NOT_ADVERSE] * others
    return as_cases(pl.DataFrame({**columns, **{result_column(one): results for one in agreed.outcomes}}), agreed)


def together(*parts: GroupCases, agreed: Agreement) -> GroupCases:
    """Cases of several parts as one practice."""
    return as_cases(pl.concat([part.frame for part in parts]), agreed)


def as_cases(frame: pl.DataFrame, agreed: Agreement, *, first_key: int = 0) -> GroupCases:
    """Rows as the cases of a practice; the row number stands for the case key."""
    frame = frame.select(columns_of(agreed))
    versions = {
        outcome: {f"{first_key + i:06}": "|".join(row) for i, row in enumerate(frame.iter_rows())}
        for outcome in agreed.outcomes
    }
    values = {outcome: _changes(frame[result_column(outcome)], first_key) for outcome in agreed.outcomes}
    return GroupCases(frame, MappingProxyType(versions), MappingProxyType(values))


def _changes(results: pl.Series, first_key: int) -> dict[str, float]:
    """A change for every case counted, which its place alone decides."""
    return {
        f"{first_key + i:06}": round(-1.5 + 0.1 * (7 * i % 41), 1)
        for i, result in enumerate(results.to_list())
        if result in {ADVERSE, NOT_ADVERSE}
    }


def member(made: HandingOver, name: str, *, replaces: tuple[str, ...] = (), id_: str = "") -> Member:
    """A contribution as the coordinator has it after taking it in."""
    assert not made.refused, made.refused
    return Member(
        id=id_ or f"id-{name}",
        replaces=replaces,
        pseudonym=f"P-{name}",
        cases=made.cases,
        levels=made.levels,
        tables={one.name: one for one in made.tables},
        means=made.means,
    )


def members(
    practices: Sequence[GroupCases], agreed: Agreement, *, level: Any = "counts", first: int = 0
) -> list[Member]:
    """Every practice hands over at one level, or at the levels given one by one."""
    levels = [level] * len(practices) if isinstance(level, str) else level
    return [
        member(hand_over(cases, agreed, level=one), f"{first + i:03}")
        for i, (cases, one) in enumerate(zip(practices, levels, strict=True))
    ]


def group_result(*adverse: int, n: int = 90, salt: str = "salt") -> GroupResult:
    """The result of practices that each gave so many adverse cases of about ``n``; practice i is "P-00i"."""
    agreed = agreement(groupings=("extraction",), k=2, l=1)
    given = [
        together(
            counted(x // 2, n // 2 + i, agreed, extraction="extraction"),
            counted(x - x // 2, n // 2, agreed, extraction="non-extraction"),
            agreed=agreed,
        )
        for i, x in enumerate(adverse)
    ]
    publisher = Publisher(agreed.pooled_policy)
    taken = members(given, agreed, level="cases")
    return pooled_result(taken, agreed, publisher=publisher, salt=salt, number=1, made_on="2026-02-01")
