"""The rules as records: ids, words, columns, and the page that is written from them."""

from __future__ import annotations

import tomllib
from importlib.resources import files

import pytest

from pipelines.checking.computed import COMPUTED, OF_ANY_TABLE
from pipelines.checking.rules import ALL_MEASURES, Rule, load_rules
from pipelines.contract.contract import load_contract
from tests.rules_page import PARTS, main, rules_page
from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.measure import Measure
from warehouse.measures.plausibility import PLAUSIBILITY_RULES

RULES = load_rules(load_contract(), CATALOGUE)


def written() -> list[dict[str, object]]:
    entries: list[dict[str, object]] = tomllib.loads(
        files("pipelines.checking").joinpath("rules.toml").read_text(encoding="utf-8")
    )["rules"]
    return entries


def test_no_id_is_given_twice() -> None:
    ids = [entry["id"] for entry in written()]
    assert len(ids) == len(set(ids)) > 50
    generated = [rule for rule in RULES.values() if rule.id not in ids]
    assert len(generated) + len(ids) == len(RULES)


def test_ids_in_use_stay_in_use() -> None:
    # An id that was once given out may stand in somebody's records: it never goes and never means something else.
    assert {"K001", "C001", "P001", "V001", "M-I1", "M-I1-far", "M001", "L001", "X001", "F001"} <= set(RULES)
    assert {"C-sex-required", "C-age_at_start-range", "X-cases-key", "X-visits-case"} <= set(RULES)
    assert {"M-sn_gogn_deg-plausible", "M-sn_gogn_deg-usual"} <= set(RULES)


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES)
def test_a_rule_says_what_is_wrong_and_what_to_do(rule: Rule) -> None:
    assert rule.severity in ("reject", "warn")
    assert rule.id[0] in PARTS
    for words in (rule.reason, rule.remedy):
        assert words[0].isupper() or words.split("_")[0] in rule.reason
        assert words.endswith(".")
        assert "{" not in words
        assert "|" not in words


def test_every_rule_looks_at_columns_that_there_are() -> None:
    contract = load_contract()
    for rule in RULES.values():
        if rule.kind in ("file", "cell"):
            continue
        if rule.table == "readings":
            known = {ALL_MEASURES, *CATALOGUE}
        else:
            known = {column.name for column in contract.table(rule.table).columns}
        assert set(rule.columns) <= known, rule.id


def test_every_computed_column_is_asked_for_and_there() -> None:
    contract = load_contract()
    known = {table.name: {column.name for column in table.columns} for table in contract.tables}
    known["readings"] = {*CATALOGUE, "case_id", "timepoint", "examiner", "repeat_no"}
    asked: dict[str, set[str]] = {table: set() for table in known}
    for rule in RULES.values():
        if rule.kind not in ("file", "cell"):
            asked[rule.table] |= {name for one in rule.judged().values() for name in one.meta.root_names()}
    beyond = {table: names - known[table] - set(OF_ANY_TABLE) - {"row_key"} for table, names in asked.items()}
    assert beyond == {table: set(columns) for table, columns in COMPUTED.items()}
    assert set(OF_ANY_TABLE) <= asked["phases"]


def test_a_pair_has_two_sides_and_nothing_else_has() -> None:
    for rule in RULES.values():
        if rule.kind not in ("file", "cell"):
            assert (len(rule.judged()) == 2) == (rule.kind in ("above", "equal")), rule.id


def test_a_range_has_a_limit() -> None:
    assert all(rule.limits() != (None, None) for rule in RULES.values() if rule.kind == "range")


def test_ranges_come_from_contract_and_catalogue() -> None:
    assert RULES["C-age_at_start-range"].arguments == {"low": 2.0, "high": 120.0}
    measure = CATALOGUE["sn_gogn_deg"]
    assert RULES["M-sn_gogn_deg-plausible"].arguments == {"low": measure.plausible[0], "high": measure.plausible[1]}
    assert RULES["M-sn_gogn_deg-plausible"].severity == "reject"
    assert RULES["M-sn_gogn_deg-usual"].arguments == {"low": measure.usual[0], "high": measure.usual[1]}
    assert RULES["M-sn_gogn_deg-usual"].severity == "warn"


def test_a_measure_of_the_practice_gets_rules_of_its_own() -> None:
    own = Measure(
        code="tongue_space_mm",
        label="Tongue space",
        definition="Tip of the tongue to the palate at rest.",
        unit="mm",
        plausible=(0.0, 40.0),
        usual=(2.0, 25.0),
        up_means="lower tongue",
        sign=0,
        family="own",
    )
    rules = load_rules(load_contract(), {own.code: own})
    assert rules["M-tongue_space_mm-usual"].reason == "Tongue space is outside its usual range of 2 to 25 mm."
    assert "M-sn_gogn_deg-usual" not in rules


def test_where_the_usual_range_is_the_plausible_one_there_is_one_rule() -> None:
    assert CATALOGUE["par_overjet_score"].usual == CATALOGUE["par_overjet_score"].plausible
    assert "M-par_overjet_score-plausible" in RULES
    assert "M-par_overjet_score-usual" not in RULES


def test_every_plausibility_rule_of_the_measures_is_asked_or_follows_from_a_range() -> None:
    asked = {rule.measures for rule in RULES.values() if rule.measures}
    implied = {"M-O3", "M-O4", "M-O5"}  # angles beyond 90 degrees, interincisal angle below 80
    assert asked | implied == {rule.id for rule in PLAUSIBILITY_RULES}
    for code in ("sn_pp_deg", "mmpa_deg", "fma_deg", "sn_gome_deg"):
        assert max(map(abs, CATALOGUE[code].plausible)) <= 90.0
    assert CATALOGUE["interincisal_deg"].plausible[0] >= 80.0


def test_plausibility_rules_name_all_their_measures() -> None:
    codes = {rule.id: set(rule.codes) for rule in PLAUSIBILITY_RULES}
    for rule in RULES.values():
        if rule.measures:
            assert set(rule.columns) == codes[rule.measures]


def test_a_milder_rule_names_a_stricter_one_on_the_same_columns() -> None:
    milder = [rule for rule in RULES.values() if rule.milder_than]
    assert len(milder) > 30
    for rule in milder:
        stricter = RULES[rule.milder_than]
        assert (stricter.columns, stricter.severity, rule.severity) == (rule.columns, "reject", "warn")


def test_the_page_is_up_to_date(capsys: pytest.CaptureFixture[str]) -> None:
    kept = files("pipelines.checking").joinpath("rules.md").read_text(encoding="utf-8")
    assert kept == rules_page(load_contract(), CATALOGUE)
    main()
    assert capsys.readouterr().out == kept
    assert all(f"`{rule}`" in kept for rule in RULES)
