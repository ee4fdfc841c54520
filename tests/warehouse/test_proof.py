"""The proof kept with the package: whole, and read as it was written."""

from __future__ import annotations

from pathlib import Path

import pytest

from warehouse.analysis.method_error import HELD_WITH_HEAVY_TAILS as DAHLBERG_HELD
from warehouse.questions.beside import CORRECTED_HELD_WITH_HEAVY_TAILS, HELD_WITH_HEAVY_TAILS
from warehouse.upkeep.proof import Finding, Proof, proof

ROOT = Path(__file__).parents[2]


def finding(**changes: object) -> Finding:
    plain = {"what": "w", "expected": "0.950", "found": 0.9, "error": 0.01, "runs": 9, "verdict": "v", "holds": True}
    return Finding(**plain | changes)  # type: ignore[arg-type]


def test_every_section_has_findings_and_every_finding_its_numbers() -> None:
    found = proof()
    assert len(found.sections) == 5
    assert all(found.sections.values())
    assert all(one.error > 0.0 and one.runs >= 300 and one.verdict for one in found.findings)


def test_the_kept_table_and_its_data_say_the_same() -> None:
    table = (ROOT / "tests" / "proof" / "proof.md").read_text(encoding="utf-8")
    for one in proof().findings:
        cells = (one.what, one.expected, f"{one.found:.4f}", f"{one.error:.4f}", f"{one.runs:,}", one.verdict)
        assert f"| {' | '.join(cells)} |" in table
    assert table.count("\n| ") == len(proof().findings) + len(proof().sections)


@pytest.mark.parametrize(
    ("share", "said"),
    [
        ("expected without treatment", HELD_WITH_HEAVY_TAILS),
        ("corrected for reading error", CORRECTED_HELD_WITH_HEAVY_TAILS),
        ("error of one reading", DAHLBERG_HELD),
    ],
)
def test_what_is_said_of_heavy_tails_is_what_the_trial_runs_gave(share: str, said: float) -> None:
    rows = [one.found for one in proof().findings if share in one.what and "heavy" in one.what]
    assert len(rows) == 3
    assert min(rows) == said


def test_what_does_not_hold_is_named() -> None:
    good, bad = finding(), finding(what="a share", holds=False)
    assert Proof(sections={"s": (good, good)}).sentence.startswith("All 2 findings are as they should be")
    assert Proof(sections={"s": (good, bad)}).sentence == ("1 of 2 findings are as they should be; not so: a share.")
