"""The table of cell rules."""

from __future__ import annotations

from pipelines.contract import cell_rules as module
from pipelines.contract.cell_rules import cell_rules


def test_ids_are_in_order_and_every_rule_says_what_to_do() -> None:
    rules = cell_rules()
    assert list(rules) == [f"K{number:03d}" for number in range(1, len(rules) + 1)]
    assert all(rule.reason.endswith(".") and rule.remedy.endswith(".") for rule in rules.values())


def test_every_name_in_code_is_a_rule_and_every_rule_has_a_name() -> None:
    named = {value for name, value in vars(module).items() if name.isupper() and isinstance(value, str)}
    assert named == set(cell_rules())
