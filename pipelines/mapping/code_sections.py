"""The [codes] sections of a mapping: the spellings a practice uses and the codes they stand for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipelines.cells.codes import teeth_text
from pipelines.cells.reading import PSEUDONYM_FIELDS
from pipelines.cells.understood import tidy
from pipelines.contract.contract import Contract
from pipelines.contract.targets import MEASURE_CODES, RULER, Target, Targets
from pipelines.contract.units import all_units, unit_named
from pipelines.deidentify.pseudonyms import PSEUDONYM_IN_WORDS, is_pseudonym
from pipelines.deidentify.redaction import redact
from pipelines.mapping.settings import Faults
from warehouse.errors import near_names
from warehouse.measures.landmarks import LANDMARKS
from warehouse.measures.measure import Measure


class CodeSections:
    """Checks [codes] sections against what each section is about.

    Args:
        columns: Column in the file -> where it goes.
        targets: Every contract name of the layout.
        contract: The contract.
        measures: The catalogue.
        faults: Where what is wrong goes.
    """

    def __init__(
        self,
        columns: Mapping[str, Target],
        targets: Targets,
        *,
        contract: Contract,
        measures: Mapping[str, Measure],
        faults: Faults,
    ) -> None:
        self._columns, self._targets = columns, targets
        self._contract, self._measures, self._faults = contract, measures, faults

    def parse(self, sections: Mapping[str, Any]) -> dict[str, dict[str, str]]:
        """Section -> spelling in lower case -> code."""
        parsed: dict[str, dict[str, str]] = {}
        for name, entries in sections.items():
            if not isinstance(entries, dict):
                self._faults.add(f"[codes] {name}", "this is not a section of spellings", expected=f"[codes.{name}]")
                continue
            check = self._check_of(name)
            if check:
                parsed[name] = self._entries(name, entries, check)
        return parsed

    def _check_of(self, name: str) -> tuple[Target | None, str] | None:
        """What the codes of a section must be: of this target, or of this code list."""
        if name in self._columns:
            return self._columns[name], ""
        target = self._targets.find(name) or next((one for one in self._targets if one.field == name), None)
        if target is not None:
            return target, ""
        if name in self._contract.codes or name == MEASURE_CODES:
            return None, name
        known = [*self._contract.codes, *self._columns, *(one.field for one in self._targets if not one.measure)]
        remedy = near_names(name, dict.fromkeys(known)) or "name a code list, a contract column or a column of the file"
        self._faults.add(f"[codes.{name}]", "there is no code list or column of this name", remedy=remedy)
        return None

    def _entries(self, name: str, entries: Mapping[str, Any], check: tuple[Target | None, str]) -> dict[str, str]:
        parsed: dict[str, str] = {}
        for place, (spelling, given) in enumerate(entries.items(), 1):
            where, key = f"[codes.{name}] entry {place}", tidy(spelling).lower()
            code = self._code(given, check) if isinstance(given, str | int) and not isinstance(given, bool) else None
            if key in parsed:
                self._faults.add(where, "this spelling stands here twice; capitals and spaces do not matter")
            elif code is None:
                found = f"the code given for this spelling does not exist: {redact(given)}"
                self._faults.add(where, found, expected=self._expected(check), remedy=self._near(given, check))
            else:
                parsed[key] = code
        return parsed

    def _code(self, given: str | int, check: tuple[Target | None, str]) -> str | None:
        text, (target, codes) = tidy(str(given)), check
        if text == "" and (target is None or target.field != "case_id"):
            return ""
        if target is None or target.type == "code":
            known = self._known(codes if target is None else str(target.codes))
            return next((code for code in known if code == text), None)
        return _other_code(text, target)

    def _known(self, codes: str) -> list[str]:
        return list(self._measures) if codes == MEASURE_CODES else [one.code for one in self._contract.codes[codes]]

    def _near(self, given: object, check: tuple[Target | None, str]) -> str:
        target, codes = check
        if target is not None and target.type != "code":
            return ""
        return near_names(str(given), self._known(codes if target is None else str(target.codes)))

    def _expected(self, check: tuple[Target | None, str]) -> str:
        target, codes = check
        if target is None or target.type == "code":
            return f"one of {', '.join(self._known(codes if target is None else str(target.codes)))}"
        return _EXPECTED.get(target.field) or _EXPECTED[target.type]


_EXPECTED = {
    "clinician": PSEUDONYM_IN_WORDS,
    "examiner": PSEUDONYM_IN_WORDS,
    "landmark": f"one of {', '.join((*LANDMARKS, *RULER))}",
    "unit": f"one of {', '.join(all_units())}",
    "codes": "tooth codes with spaces between them, none, or pattern not known",
    "number": 'the empty text "", for a spelling that means "not known"',
    "integer": 'the empty text "", for a spelling that means "not known"',
    "quarter": 'the empty text "", for a spelling that means "not known"',
    "date": 'the empty text "", for a spelling that means "not known"',
    "text": "no codes: this column has none",
}


def _other_code(text: str, target: Target) -> str | None:
    """The canonical code of a target that has no code list, or None."""
    if target.type == "codes":
        return teeth_text(text)
    if target.field in PSEUDONYM_FIELDS:
        return text.upper() if is_pseudonym(text) else None
    if target.field == "landmark":
        return text if text in (*LANDMARKS, *RULER) else None
    return unit_named(text) if target.field == "unit" and target.type == "text" else None
