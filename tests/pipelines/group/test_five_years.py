"""Five years of a group of 20 practices: staff changes, corrections, a lost key, a withdrawal, a damaged folder."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipelines.group import contribution, founding, results, rounds, taking
from pipelines.group.contribution import sealed_contribution, sealed_sums, sealed_withdrawal
from pipelines.group.copies import back_up, faults_of, put_back
from pipelines.group.folder import GroupFolder
from pipelines.group.founding import change_coordinators, found_group, invite, make_agreement, revoke
from pipelines.group.keys import PracticeKey, make_group_keys, practice_key
from pipelines.group.results import make_result
from pipelines.group.rounds import make_round, masked, read_round, round_to_answer
from pipelines.group.signed_file import Offered, card_text, offered_from, read_agreement, read_result
from pipelines.group.taking import members, take
from tests.study_group import as_cases, cohort
from warehouse.disclosure import Policy
from warehouse.errors import GroupError
from warehouse.marts.catalogues import shipped
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.cases import GroupCases, result_column
from warehouse.pooled.handing_over import hand_over
from warehouse.pooled.history import HandedOver
from warehouse.pooled.result import GroupResult
from warehouse.pooled.sums import vector_of

TERMS = {
    "outcomes": ("D1",),
    "variables": ("age_band", "sex", "extraction"),
    "groupings": ("extraction", "age_band"),
    "years": (2021, 2026),
}
YEARS = (2026, 2027, 2028, 2029, 2030)


@dataclass
class Practice:
    """A practice with its cases, its own record of what it handed over, and what it knows of the coordinators."""

    name: str
    key: PracticeKey
    level: str
    cases: GroupCases
    history: list[HandedOver] = field(default_factory=list)
    sequence: int = 0
    known: frozenset[str] = frozenset()
    answered: dict[str, frozenset[str]] = field(default_factory=dict)

    def file(self, home: Path, offered: Offered, day: str) -> Path:
        agreed = offered.agreement
        assert not self.known or offered.follows(self.known)
        made = hand_over(self.cases, agreed, level=self.level, history=self.history)  # type: ignore[arg-type]
        assert not made.refused, made.refused
        self.sequence += 1
        self.known = offered.succession[-1]
        data = sealed_contribution(
            made, agreed, self.key, sequence=self.sequence, made_on=day, invitation=offered.invitation
        )
        versions, levels = self.cases.versions, dict(made.levels)
        self.history.append(HandedOver(level=self.level, versions=versions, releases=made.tables, levels=levels))
        return written(home, f"{self.name}-{self.sequence}.age", data)

    def table(self, home: Path, offered: Offered, sheet_path: Path | None) -> Path:
        """Joins a group that pools by sums, or answers a round."""
        sheet, table = None, b""
        if sheet_path is not None:
            sheet = round_to_answer(
                sheet_path, offered.agreement, self.key.pseudonym, known=offered.succession[-1], answered=self.answered
            )
            table = masked(vector_of(self.cases.frame, offered.agreement), self.key, sheet)
            self.answered[sheet.digest] = sheet.names
        self.sequence += 1
        data = sealed_sums(
            offered.agreement, self.key, sequence=self.sequence, made_on="2030-01-01",
            invitation=offered.invitation, table=table, sheet=sheet,
        )  # fmt: skip
        return written(home, f"{self.name}-{self.sequence}.age", data)


def written(home: Path, name: str, data: bytes) -> Path:
    path = home / name
    path.write_bytes(data)
    return path


def grown(cases: GroupCases, more: GroupCases, agreed: Agreement) -> GroupCases:
    return as_cases(pl.concat([cases.frame, more.frame]), agreed)


def corrected(cases: GroupCases, n: int, agreed: Agreement) -> GroupCases:
    """So many adverse cases turn out not to be."""
    column = result_column("D1")
    rows = cases.frame.with_row_index("at")
    wrong = rows.filter(pl.col(column) == "adverse").head(n)["at"].to_list()
    fixed = rows.with_columns(
        pl.when(pl.col("at").is_in(wrong)).then(pl.lit("not adverse")).otherwise(pl.col(column)).alias(column)
    )
    return as_cases(fixed.drop("at"), agreed)


def counted(practices: list[Practice]) -> tuple[int, int]:
    frames = pl.concat([one.cases.frame for one in practices])[result_column("D1")]
    return int((frames == "adverse").sum()), int(frames.is_in(["adverse", "not adverse"]).sum())


def shown_numbers(result: GroupResult) -> list[int]:
    cells = [cell for share in result.shares for _, cell in share.totals]
    cells += [cell for share in result.shares for line in share.lines for cell in (line.counted, line.adverse)]
    cells += [cell for one in result.breakdowns for row in one.rows for cell in (row.counted, row.adverse)]
    return [int(cell.replace(",", "")) for cell in cells if cell.replace(",", "").isdigit()]


@pytest.mark.slow
def test_five_years_of_twenty_practices(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [datetime(2026, 1, 10)]

    def now() -> datetime:
        return clock[0]

    for module in (contribution, founding, results, rounds, taking):
        monkeypatch.setattr(module, "utc_now", now)
    rng = np.random.default_rng(2026)
    a = GroupFolder(tmp_path / "lantern", tmp_path / "a.key")
    found_group(a, "Lantern Bay", coordinator="Ash")
    agreed = make_agreement(a, shipped(), **TERMS)  # type: ignore[arg-type]
    make_group_keys(tmp_path / "b.key")
    b = GroupFolder(a.path, tmp_path / "b.key")
    change_coordinators(a, add=[card(tmp_path, "Birch", "b")])

    # 2026: 20 are invited, one invitation is lost and revoked
    texts = invite(a, 21)
    lost = written(tmp_path, "lost.json", texts[20].encode())
    revoke(a, lost)
    practices = [
        Practice(
            f"N{i:02}",
            practice_key(tmp_path / f"n{i}.key", group=agreed.group, practice=f"N{i:02}", create=True),
            "cases" if i % 3 else "counts",
            cohort(rng, 90 + 5 * i, agreed, share=0.1 + 0.01 * (i % 8)),
        )
        for i in range(20)
    ]
    for one, text in zip(practices, texts, strict=False):
        take(
            b if one.level == "counts" else a, one.file(tmp_path, offered_from(text.encode(), where="i"), "2026-01-10")
        )
    found: list[GroupResult] = [check(b, practices, 1)]
    back_up(b, tmp_path / "copy-2026")

    # 2027: more cases; a practice corrects twelve that were counted as adverse
    clock[0] = datetime(2027, 1, 10)
    before = practices[7].cases
    year(a, practices, rng, tmp_path, "2027-01-10", fix={7: 12})
    assert counted([practices[7]])[0] < counted([Practice("x", practices[7].key, "cases", before)])[0] + 40
    found.append(check(a, practices, 2))

    # 2028: Ash leaves, Birch goes on with Cedar; the folder moves to Cedar's machine
    clock[0] = datetime(2028, 1, 10)
    make_group_keys(tmp_path / "c.key")
    change_coordinators(b, add=[card(tmp_path, "Cedar", "c")], remove=["Ash"])
    back_up(b, tmp_path / "handed-on")
    c = GroupFolder(tmp_path / "at-cedar", tmp_path / "c.key")
    put_back(tmp_path / "handed-on", c)
    with pytest.raises(GroupError, match="none of a coordinator"):
        make_result(a)
    year(c, practices, rng, tmp_path, "2028-01-10")
    found.append(check(c, practices, 3))

    # 2029: Birch loses the key and gets a new one; a practice withdraws
    clock[0] = datetime(2029, 1, 10)
    b.key_file.unlink()
    make_group_keys(tmp_path / "b2.key")
    change_coordinators(c, add=[card(tmp_path, "Birch anew", "b2")], remove=["Birch"])
    gone = practices.pop(4)
    data = sealed_withdrawal(c.agreement(), gone.key, sequence=gone.sequence + 1, made_on="2029-01-10")
    take(c, written(tmp_path, "back.age", data))
    year(c, practices, rng, tmp_path, "2029-01-10")
    found.append(check(c, practices, 4))
    back_up(c, tmp_path / "copy-2029")

    # 2030: a contribution is damaged and put back; one who is new pools; then the group agrees on sums
    clock[0] = datetime(2030, 1, 10)
    year(c, practices, rng, tmp_path, "2030-01-10")
    (path, *_) = sorted(c.taken.glob("*.age"))
    back_up(c, tmp_path / "copy-2030")
    path.write_bytes(b"damaged")
    assert len(faults_of(c)) == 1
    put_back(tmp_path / "copy-2030", c, replace=True)
    b2 = GroupFolder(c.path, tmp_path / "b2.key")
    found.append(check(b2, practices, 5))
    make_agreement(b2, shipped(), **TERMS, level="sums", spread=True)  # type: ignore[arg-type]
    offered = read_agreement(c.agreement_path(c.state().version))
    for one in practices:
        assert offered.follows(one.known)
        take(c, one.table(tmp_path, offered, None))
    make_round(c)
    sheet = c.round_path(1)
    for one in practices:
        take(c, one.table(tmp_path, offered, sheet))
    made = make_result(b2).result
    adverse, whole = counted(practices)
    assert dict(made.shares[0].totals)["adverse"] == f"{adverse:,}"
    assert made.shares[0].figures[0].value == pytest.approx(adverse / whole)
    assert made.round is not None
    assert set(made.round.answers) == {one.key.pseudonym for one in practices} == read_round(sheet)[0].names

    # Over all of it: no result shows a small count, none is lost, and no leftover lies in the folder
    assert [one.number for one in found] == [1, 2, 3, 4, 5]
    assert faults_of(c) == []
    assert c.without_a_line(c.state()) == []
    assert c.state().practices[gone.key.pseudonym].is_in is False
    small = Policy(minimum=agreed.minimum)
    numbers = [number for one in [*found, made] for number in shown_numbers(one)]
    assert len(numbers) > 150
    assert not [number for number in numbers if small.is_small(number)]


def card(home: Path, name: str, key: str) -> Path:
    from pipelines.group.keys import read_group_keys

    return written(home, f"{key}.card", card_text(name, read_group_keys(home / f"{key}.key")).encode())


def year(
    folder: GroupFolder,
    practices: list[Practice],
    rng: np.random.Generator,
    home: Path,
    day: str,
    *,
    fix: dict[int, int] | None = None,
) -> None:
    """Every practice has treated more cases, and renews what it contributed."""
    offered = read_agreement(folder.agreement_path(folder.state().version))
    for i, one in enumerate(practices):
        if fix and i in fix:
            one.cases = corrected(one.cases, fix[i], offered.agreement)
        one.cases = grown(one.cases, cohort(rng, 30 + i, offered.agreement, share=0.15), offered.agreement)
        assert take(folder, one.file(home, offered, day)).kind == "replaced"


def check(folder: GroupFolder, practices: list[Practice], number: int) -> GroupResult:
    """A result is made; it is of all practices, and each of them can trust it."""
    pooled, older = members(folder, folder.agreement())
    assert (len(pooled), older) == (len(practices), [])
    made = make_result(folder)
    assert made.result.number == number
    for one in practices:
        assert read_result(made.path, known=one.known).number == number
    share = made.result.shares[0]
    adverse, whole = counted(practices)
    first = share.figures[0]
    assert first.low is not None
    assert first.high is not None
    assert first.low < adverse / whole < first.high
    return made.result
