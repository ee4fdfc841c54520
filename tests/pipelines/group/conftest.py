"""A group that takes part in tests: founded once, copied for every test that changes it."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from pipelines.group.contribution import sealed_contribution, sealed_withdrawal
from pipelines.group.folder import GroupFolder
from pipelines.group.founding import found_group, invite, make_agreement
from pipelines.group.keys import PracticeKey, practice_key
from pipelines.group.signed_file import offered_from
from pipelines.group.taking import take
from tests.study_group import cohort
from warehouse.marts.catalogues import shipped
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.cases import GroupCases
from warehouse.pooled.handing_over import hand_over

TERMS = {
    "outcomes": ("D1",),
    "variables": ("age_band", "sex", "extraction"),
    "groupings": ("extraction",),
    "years": (2016, 2023),
}


@dataclass
class Group:
    """A founded group with its invitations, and practices with keys of their own."""

    folder: GroupFolder
    invitations: list[str]
    home: Path

    @property
    def agreement(self) -> Agreement:
        return self.folder.agreement()

    def invitation(self, number: int) -> str:
        return offered_from(self.invitations[number].encode(), where="invitation").invitation

    def key(self, name: str) -> PracticeKey:
        return practice_key(self.home / f"{name}.key", group=self.agreement.group, practice=name, create=True)

    def sealed(
        self,
        name: str,
        cases: GroupCases,
        *,
        level: str = "cases",
        sequence: int = 1,
        invitation: str = "",
        agreed: Agreement | None = None,
        key: PracticeKey | None = None,
        made_on: str = "2026-02-01",
    ) -> Path:
        """A file a practice sends."""
        agreed = agreed or self.agreement
        made = hand_over(cases, agreed, level=level)  # type: ignore[arg-type]
        assert not made.refused, made.refused
        data = sealed_contribution(
            made, agreed, key or self.key(name), sequence=sequence, made_on=made_on, invitation=invitation
        )
        return self.write(f"{name}-{sequence}.age", data)

    def withdrawal(self, name: str, *, sequence: int) -> Path:
        data = sealed_withdrawal(self.agreement, self.key(name), sequence=sequence, made_on="2026-02-02")
        return self.write(f"{name}-{sequence}-back.age", data)

    def write(self, name: str, data: bytes) -> Path:
        path = self.home / name
        path.write_bytes(data)
        return path

    def contents(self) -> dict[str, bytes]:
        """Every file of the folder and of its keys, to see that nothing changed."""
        files = [path for path in sorted(self.folder.path.rglob("*")) if path.is_file()]
        return {str(path.relative_to(self.home)): path.read_bytes() for path in [*files, self.folder.key_file]}


@pytest.fixture(scope="session")
def founded(tmp_path_factory: pytest.TempPathFactory) -> Group:
    """A group with an agreement, four invitations and two practices."""
    home = tmp_path_factory.mktemp("group")
    folder = GroupFolder(home / "lantern", home / "lantern.key")
    found_group(folder, "Lantern Bay")
    make_agreement(folder, shipped(), **TERMS)  # type: ignore[arg-type]
    group = Group(folder, invite(folder, 6), home)
    rng = np.random.default_rng(11)
    for number, (name, level) in enumerate((("HARBOUR", "cases"), ("FERRY", "counts"))):
        cases = cohort(rng, 160, group.agreement, share=0.2)
        take(folder, group.sealed(name, cases, level=level, invitation=group.invitation(number)))
    return group


@pytest.fixture
def group(founded: Group, tmp_path: Path) -> Group:
    """A copy of it that a test may change."""
    shutil.copytree(founded.home, tmp_path / "home")
    home = tmp_path / "home"
    return replace(founded, folder=GroupFolder(home / "lantern", home / "lantern.key"), home=home)


@pytest.fixture(scope="session")
def cases(founded: Group) -> GroupCases:
    """The cases of a practice that wants to join."""
    return cohort(np.random.default_rng(12), 200, founded.agreement, share=0.2)
