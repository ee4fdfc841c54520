"""The table of the proof: what was expected, what was found, and within which error of simulation."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from math import sqrt
from pathlib import Path

import numpy as np

SECTIONS = {
    "coverage": "Intervals hold the truth as often as they say",
    "no effect": "Appliance given by face type, no true effect: the crude difference is biased, the adjusted are not",
    "planted effect": "A planted effect is recovered",
    "practices": "At the sizes that practices have: mean and worst over settings",
    "missing": "Missing outcomes: imputation is unbiased where bounds are merely wide",
}
COLUMNS = ("what", "expected", "found", "simulation error", "runs", "verdict")
REACH = 3.0
"""Simulation errors a finding may lie from what is expected."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One finding.

    Attributes:
        section: Key of ``SECTIONS``.
        what: The estimator or interval.
        expected: What it should be.
        found: What the simulation gave.
        error: Standard error of ``found`` over the runs.
        runs: Simulated cohorts.
        verdict: In words.
        holds: Whether the finding is as it should be.
    """

    section: str
    what: str
    expected: str
    found: float
    error: float
    runs: int
    verdict: str
    holds: bool


class Ledger:
    """Rows as they come in."""

    def __init__(self) -> None:
        self.rows: list[Row] = []

    def add(self, row: Row) -> Row:
        """Keep a row."""
        self.rows.append(row)
        return row

    def coverage(
        self, what: str, hits: Sequence[bool] | Sequence[float], *, level: float = 0.95, at_least: bool = False
    ) -> Row:
        """How often an interval held the truth; ``at_least`` where it may be more often by design.

        A cohort with several intervals gives the share of them that held; they go together, so that the error is
        taken from cohort to cohort.
        """
        n, share = len(hits), float(np.mean(hits))
        error = sqrt(level * (1.0 - level) / n)
        if not all(hit in {0.0, 1.0} for hit in hits):
            error = float(np.std(hits, ddof=1)) / sqrt(n)
        low_enough = share >= level - REACH * error
        holds = low_enough if at_least else abs(share - level) <= REACH * error
        verdict = "as often as it says" if holds else "not as often as it says"
        if at_least:
            verdict = "at least as often as it says" if holds else "less often than it says"
        expected = f"{'at least ' if at_least else ''}{level:.3f}"
        return self.add(
            Row(
                section="coverage", what=what, expected=expected, found=share, error=error, runs=n, verdict=verdict,
                holds=holds,
            )
        )  # fmt: skip

    def worst(
        self, what: str, by_setting: Mapping[str, Sequence[bool]], *, level: float = 0.95, cohorts: int = 0
    ) -> Row:
        """Coverage over all settings, then in the setting where it was least; the second row is given back.

        The level counts as held at its worst where the least of so many shares may be as low by chance.
        ``cohorts``: how many a setting had, where an interval is not offered in all of them.
        """
        every = [hit for hits in by_setting.values() for hit in hits]
        name, hits = min(by_setting.items(), key=lambda one: float(np.mean(one[1])))
        least, error = float(np.mean(hits)), sqrt(level * (1.0 - level) / len(hits))
        holds = least >= level - REACH * error - 0.01
        shares = {"expected": f"at least {level:.3f}", "section": "practices", "holds": holds}
        verdict = "holds" if holds else "not to be used there without the caution it carries"
        mean, of_all = float(np.mean(every)), sqrt(level * (1.0 - level) / len(every))
        said = "holds on the whole" if mean >= level - REACH * of_all else "holds too seldom on the whole"
        self.add(Row(what=f"{what}, mean", found=mean, error=of_all, runs=len(every), verdict=said, **shares))
        where = f"{what}, worst: {name}"
        if cohorts:
            where += f", offered in {len(hits)} of {cohorts}"
        runs = cohorts or len(hits)
        return self.add(Row(what=where, found=least, error=error, runs=runs, verdict=verdict, **shares))

    def state(self, section: str, what: str, share: float, runs: int, *, cohorts: int = 0) -> Row:
        """A share that is neither right nor wrong; ``cohorts``: of so many, where not all of them gave one."""
        error = max(1e-4, sqrt(share * (1.0 - share) / runs))
        return self.add(
            Row(
                section=section, what=what, expected="as found", found=share, error=error, runs=cohorts or runs,
                verdict="stated", holds=True,
            )
        )  # fmt: skip

    def centre(self, section: str, what: str, values: Sequence[float], truth: float, *, biased: bool = False) -> Row:
        """Where an estimate centres; ``biased`` where it is meant to miss the truth."""
        found = float(np.mean(values))
        error = float(np.std(values, ddof=1)) / sqrt(len(values))
        on_it = abs(found - truth) <= REACH * error
        verdict = "centres on it" if on_it else ("misses it, as it must" if biased else "misses it")
        return self.add(
            Row(
                section=section, what=what, expected=f"{truth:.4f}", found=found, error=error, runs=len(values),
                verdict=verdict, holds=on_it != biased,
            )
        )  # fmt: skip

    @property
    def sections(self) -> set[str]:
        """Sections with at least one row."""
        return {row.section for row in self.rows}

    def markdown(self) -> str:
        """The table as Markdown."""
        lines = [
            "# Proof by simulation",
            "",
            "Written by `MENTON_WRITE_PROOF=1 make proof`, from fixed seeds. A finding holds if it lies within"
            f" {REACH:g} simulation errors of what is expected.",
        ]
        for section, title in SECTIONS.items():
            rows = [row for row in self.rows if row.section == section]
            if rows:
                lines += ["", f"## {title}", "", f"| {' | '.join(COLUMNS)} |", f"|{'---|' * len(COLUMNS)}"]
                lines += [_line(row) for row in rows]
        return "\n".join([*lines, ""])

    def keep(self, piece: Path) -> None:
        """Keep the rows of a run in pieces, to be put together by ``python -m tests.proof.ledger PIECE ...``."""
        piece.write_text(json.dumps([asdict(row) for row in self.rows]), encoding="utf-8")

    def write(self, markdown: Path, data: Path) -> None:
        """Write the table and its data; only a whole proof is written."""
        missing = set(SECTIONS) - self.sections
        if missing:
            found = f"the proof was run in part, without: {', '.join(sorted(missing))}"
            raise RuntimeError(found)
        markdown.write_text(self.markdown(), encoding="utf-8")
        plain = {"sections": SECTIONS, "rows": [asdict(row) for row in self.rows]}
        data.write_text(json.dumps(plain, indent=1) + "\n", encoding="utf-8")


def _line(row: Row) -> str:
    cells = (row.what, row.expected, f"{row.found:.4f}", f"{row.error:.4f}", f"{row.runs:,}", row.verdict)
    return f"| {' | '.join(cells)} |"


if __name__ == "__main__":
    HERE = Path(__file__).parent
    whole = Ledger()
    whole.rows = [Row(**row) for piece in sys.argv[1:] for row in json.loads(Path(piece).read_text(encoding="utf-8"))]
    whole.write(HERE / "proof.md", HERE.parents[1] / "warehouse" / "upkeep" / "proof.json")
