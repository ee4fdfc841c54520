"""The proof by simulation that came with this version: invented cohorts of which the truth is known."""

import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

FILE = "proof.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One finding."""

    what: str  # The estimator or interval
    expected: str  # What it should be, as text
    found: float  # What the simulation gave
    error: float  # Simulation error (standard error) of `found`
    runs: int  # Invented cohorts
    verdict: str  # In words
    holds: bool  # Whether it is as it should be


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """All findings, by what they are about: title -> findings, in order."""

    sections: dict[str, tuple[Finding, ...]]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All of them."""
        return tuple(finding for findings in self.sections.values() for finding in findings)

    @property
    def sentence(self) -> str:
        """How many hold, and which do not."""
        failed = [finding.what for finding in self.findings if not finding.holds]
        n = len(self.findings)
        if not failed:
            return f"All {n} findings are as they should be, within the error of the simulation."
        return f"{n - len(failed)} of {n} findings are as they should be; not so: {', '.join(failed)}."


@cache
def proof() -> Proof:
    """The proof kept with the package; `make proof` writes it again."""
    plain = json.loads(files("warehouse.upkeep").joinpath(FILE).read_text(encoding="utf-8"))
    sections: dict[str, list[Finding]] = {title: [] for title in plain["sections"].values()}
    for row in plain["rows"]:
        sections[plain["sections"][row.pop("section")]].append(Finding(**row))
    return Proof(sections={title: tuple(found) for title, found in sections.items()})
