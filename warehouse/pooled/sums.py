"""What a group learns from sums alone: nobody but the practice itself sees its counts (``pipelines/group/rounds.py``).

The fine table of an outcome: cases by every combination of the variables that shares are pooled by, each at its finest,
and by result. Behind it stands 1 where the practice counted anybody; and, where the group agreed to add them, what its
spread needs: x squared, x times n and n squared, of its x adverse among n counted cases. All of it is added up over the
practices of a round, outcome after outcome.

From the sums come shares, comparisons and the trend, all over cases and not within practices: what practices differ in
is not taken out of a comparison, and no practice has a line. How far practices differ is told by the spread alone.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import TypeAlias

import numpy as np
import polars as pl
from numpy.typing import NDArray

from warehouse.errors import GroupError
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.cases import result_column
from warehouse.pooled.handing_over import finest_level
from warehouse.pooled.member import Groups, Member
from warehouse.pooled.pooling import (
    GroupParts,
    by_strata,
    group_pool,
    pooled_share,
    result_of,
)
from warehouse.pooled.publishing import Publisher, publish_totals
from warehouse.pooled.ranges import Range, exactly
from warehouse.pooled.result import GroupPool, GroupResult, SharePool, SummedRound
from warehouse.pooled.tables import COUNTED, coarser, totals_known
from warehouse.pooled.variables import ADVERSE, NOT_ADVERSE, RESULTS
from warehouse.results import Caution

Vector: TypeAlias = NDArray[np.uint64]

MOST_CELLS = 250_000
FEWEST_WITH_SPREAD = 6
"""Fewest practices whose spread is told: from few sums of squares single counts could be worked out."""

AS_ALIKE = Caution("approximation", "spread_not_added")
NOT_WITHIN = Caution("approximation", "sums_not_within_practices")


def length_of(agreement: Agreement) -> int:
    """Numbers a practice gives; refused where the variables make too fine a table."""
    cells = math.prod(len(agreement.hierarchy(by).base) for by in agreement.groupings)
    n = len(agreement.outcomes) * (cells * len(RESULTS) + _added(agreement))
    if n > MOST_CELLS or not agreement.groupings:
        found = f"shares are pooled by {len(agreement.groupings)} variables, which make a table of {n:,} numbers"
        raise GroupError(found, expected=f"one or more, and at most {MOST_CELLS:,}", remedy="agree on others of them")
    return n


def _added(agreement: Agreement) -> int:
    """Numbers behind the table of an outcome."""
    return 4 if agreement.spread else 1


def _grid(agreement: Agreement) -> pl.DataFrame:
    """Every combination of the variables, the last one changing fastest."""
    combinations = list(product(*(agreement.hierarchy(by).base for by in agreement.groupings)))
    return pl.DataFrame(combinations, schema=dict.fromkeys(agreement.groupings, pl.String), orient="row")


def vector_of(frame: pl.DataFrame, agreement: Agreement) -> Vector:
    """What a practice adds, of its cases at their finest."""
    parts: list[NDArray[np.int64]] = []
    for outcome in agreement.outcomes:
        column = pl.col(result_column(outcome))
        counts = frame.group_by(agreement.groupings).agg(
            [(column == result).sum().cast(pl.Int64).alias(result) for result in RESULTS]
        )
        table = _grid(agreement).join(counts, on=agreement.groupings, how="left", maintain_order="left")
        cells = table.select(RESULTS).fill_null(0).to_numpy()
        x, others = (int(cells[:, RESULTS.index(one)].sum()) for one in (ADVERSE, NOT_ADVERSE))
        n = x + others
        parts += [cells.ravel(), np.array([int(n > 0), x * x, x * n, n * n][: _added(agreement)])]
    return np.concatenate(parts).astype(np.uint64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Summed(Member):
    """The practices of a round together, known by their sums alone."""

    table: Mapping[str, pl.DataFrame]  # Outcome -> cases with each result, a row a combination of the variables
    # Outcome -> practices that counted anybody; and, if agreed on, sums of x squared, x n and n squared
    added: Mapping[str, Sequence[int]]

    def results(self, outcome: str) -> dict[str, Range]:
        """Result -> cases."""
        return {result: exactly(int(self.table[outcome][result].sum())) for result in RESULTS}

    def groups(self, agreement: Agreement, outcome: str, by: str) -> Groups | str:
        """Counts by a variable at the finest level at which no sum is small."""
        sums = self.counts(outcome).group_by(by, maintain_order=True).agg(pl.col(ADVERSE, COUNTED).sum())
        pairs = {name: (adverse, counted) for name, adverse, counted in sums.iter_rows()}
        level = finest_level(pairs, agreement, by)
        if level is None:
            return "all in one group"
        fine = Groups(0, *({name: exactly(pair[place]) for name, pair in pairs.items()} for place in (0, 1)))
        return fine.at(agreement, by, level)

    def counts(self, outcome: str) -> pl.DataFrame:
        """Adverse and counted cases by the combinations of the variables."""
        table = self.table[outcome].with_columns((pl.col(ADVERSE) + pl.col(NOT_ADVERSE)).alias(COUNTED))
        return table.drop(set(RESULTS) - {ADVERSE})

    def design_effect(self, outcome: str) -> float | None:
        """How many times more the share varies than by chance, because practices differ; None where it is not told.

        The ratio estimator of a cluster sample over the binomial variance (Rao & Scott 1992, Biometrics 48:577; formula
        from memory): ``k / (k - 1) * sum (x_i - p n_i)**2 / (p (1 - p) sum n_i)``, the square told by the sums.
        """
        k, *squares = self.added[outcome]
        adverse, counted = (int(self.counts(outcome)[one].sum()) for one in (ADVERSE, COUNTED))
        if not squares or k < FEWEST_WITH_SPREAD or not 0 < adverse < counted:
            return None
        p, (xx, xn, nn) = adverse / counted, squares
        return k / (k - 1) * (xx - 2 * p * xn + p * p * nn) / (p * (1 - p) * counted)


def summed(total: Vector, agreement: Agreement, *, practices: int, round_: str) -> Summed:
    """The sums of a round of so many practices; refused where no counts can add up to them."""
    tables, added, is_possible = {}, {}, True
    parts = np.split(total.astype(np.int64), len(agreement.outcomes))
    for outcome, part in zip(agreement.outcomes, parts, strict=True):
        cells, behind = np.split(part, [-_added(agreement)])
        counts = pl.DataFrame(cells.reshape(-1, len(RESULTS)), schema=list(RESULTS))
        tables[outcome], added[outcome] = pl.concat([_grid(agreement), counts], how="horizontal"), behind.tolist()
        is_possible &= cells.min() >= 0 and cells.max() <= agreement.most_cases * practices
        is_possible &= 0 <= behind[0] <= practices
    sizes = {int(one.select(RESULTS).to_numpy().sum()) for one in tables.values()}
    if not is_possible or len(sizes) > 1:
        found = "the tables of the round do not add up to counts: one of them was not made for it, or was changed"
        raise GroupError(found, remedy="make a new round (`menton group round`) and ask all to answer that")
    return Summed(id=round_, replaces=("all before",), pseudonym="", table=tables, added=added)


def pooled_sums(
    sums: Summed, agreement: Agreement, *, publisher: Publisher, salt: str, number: int, made_on: str, of: SummedRound
) -> GroupResult:
    """All agreed analyses from the sums of a round; what is let out is added to what ``publisher`` has let out.

    The cases are taken to be those of everything let out before but of practices that are not in the round, and more of
    each practice in it, unless the counts contradict that.
    """
    for outcome in agreement.outcomes:
        known = publisher.scopes.setdefault(outcome, {})
        before = dict.fromkeys(label for each in known.values() for label in each)
        still = [one for one in before if one.partition(":")[2] in {"", *of.answers}]
        known.setdefault(sums.id, (*still, *(f"{sums.id}:{name}" for name in sorted(of.answers))))
    shares = tuple(_shares(sums, agreement, outcome, publisher) for outcome in agreement.outcomes)
    breakdowns = tuple(
        _groups(sums, agreement, one.outcome, by, publisher)
        for one in shares
        if not one.refused
        for by in agreement.groupings
    )
    made = result_of(agreement, shares, breakdowns, (), salt=salt, number=number, made_on=made_on)
    return replace(made, round=of)


def _shares(sums: Summed, agreement: Agreement, outcome: str, publisher: Publisher) -> SharePool:
    definition, k = agreement.definition(outcome), sums.added[outcome][0]
    empty = SharePool(outcome=outcome, definition=definition.name, sentence=definition.sentence, practices=k)
    if k < agreement.fewest_practices:
        few = f"Pooled figures need at least {agreement.fewest_practices} practices; {k} counted cases."
        return replace(empty, refused=few)
    totals = publish_totals([sums], outcome, publisher)
    if totals is None or not totals_known(totals):
        return replace(empty, refused="The number of cases may not be shown, so as not to give small counts away.")
    effect = sums.design_effect(outcome)
    adverse, counted = (totals.cell(name).value or 0 for name in (ADVERSE, COUNTED))
    share = pooled_share("share of all cases", adverse, counted, max(1.0, math.ceil(10 * (effect or 1.0)) / 10))
    note = Caution("approximation", "spread_added", {"times": round(effect, 1)}) if effect is not None else AS_ALIKE
    return replace(
        empty,
        totals=tuple((name, cell.shown) for (name,), cell in totals.cells.items()),
        figures=(share,),
        notes=(note,),
    )


def _groups(sums: Summed, agreement: Agreement, outcome: str, by: str, publisher: Publisher) -> GroupPool:
    k, found = sums.added[outcome][0], sums.groups(agreement, outcome, by)
    empty = GroupPool(outcome=outcome, by=by, practices=k)
    if isinstance(found, str):
        return replace(empty, refused="Every way to group leaves nothing but the total.")
    parts = GroupParts(found.level, ((sums, found),), ())
    level = pl.col(by).replace_strict(coarser(agreement.hierarchy(by), 0, found.level))
    counts = sums.counts(outcome).with_columns(level).group_by(agreement.groupings).sum()
    made = group_pool(
        empty,
        parts,
        agreement,
        publisher,
        lambda reference: by_strata(counts, by, reference, agreement.minimum, k),
        within=False,
    )
    return made if made.refused else replace(made, notes=(*made.notes, NOT_WITHIN, AS_ALIKE))
