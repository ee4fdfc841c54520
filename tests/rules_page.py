"""The page that lists the rules, written from the rules themselves.

``python -m tests.rules_page`` prints it; a test holds ``rules.md`` against it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from pipelines.checking.rules import Rule, load_rules
from pipelines.contract.contract import Contract
from warehouse.measures.measure import Measure

HEAD = """# Rules

Every row that is handed over is held against these rules, which are data (`rules.toml`) or follow from the contract and
the catalogue of measures. This page is written from them.

- **reject**: the row is turned away and listed with the reason; it can be corrected and handed over again.
- **warn**: the row is loaded, with a remark.
- Rules on a whole file refuse the file: nothing of it is kept.

Ids are permanent. A rule is not asked where the file has nothing in a column it needs.
"""
PARTS = {
    "K": "Single cells",
    "C": "Cases",
    "P": "Phases",
    "V": "Visits",
    "M": "Measurements",
    "L": "Landmarks",
    "X": "Across rows and tables",
    "F": "The file as a whole",
}


def rules_page(contract: Contract, catalogue: Mapping[str, Measure]) -> str:
    """The page in Markdown."""
    rules = list(load_rules(contract, catalogue).values())
    parts = [_part(title, [rule for rule in rules if rule.id[0] == letter]) for letter, title in PARTS.items()]
    return "\n".join([HEAD, *parts])


def _part(title: str, rules: Iterable[Rule]) -> str:
    lines = [_line(rule) for rule in rules]
    return "\n".join(
        [f"## {title}", "", "| id | severity | what is wrong | what to do |", "|---|---|---|---|", *lines, ""]
    )


def _line(rule: Rule) -> str:
    return f"| `{rule.id}` | {rule.severity} | {rule.reason} | {rule.remedy} |"


def main() -> None:
    """Print the page."""
    from pipelines.contract.contract import load_contract
    from warehouse.measures.catalogue import CATALOGUE

    print(rules_page(load_contract(), CATALOGUE), end="")


if __name__ == "__main__":
    main()
