"""Refusing a file of which a mapped column holds what identifies a person.

Only cells that were not understood are looked at: what was understood is a code, a number, a quarter, a tooth list or
a pseudonym, and cannot be a name. Case numbers and dates are replaced, so they may be anything.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipelines.cells.reading import PSEUDONYM_FIELDS
from pipelines.deidentify.contents import ONE_IS_ENOUGH, kinds_of
from pipelines.deidentify.pseudonyms import PSEUDONYM_IN_WORDS
from pipelines.deidentify.refusing import PLURALS
from warehouse.errors import MappingError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipelines.cells.understood import Understood
    from pipelines.contract.delivery import RawTable
    from pipelines.contract.targets import Target
    from pipelines.mapping.column_mapping import ColumnMapping

_FEWEST_DISTINCT = 3
"""Fewer different texts are more likely a spelling of a code than names."""


def refuse_identifying(raw: RawTable, mapping: ColumnMapping, read: Mapping[str, Understood]) -> None:
    """Refuse the file if a mapped column identifies persons.

    Raises:
        MappingError: Names every such column and what it holds, never a value.
    """
    reasons = []
    pseudonyms = False
    for column, target in mapping.columns.items():
        reason = _reason(target, read[target.name])
        if reason:
            reasons.append(f'"{column}", mapped to {target.name}, holds {reason}')
            pseudonyms = pseudonyms or target.field in PSEUDONYM_FIELDS
    if not reasons:
        return
    found = "\n".join(
        ["what identifies a person cannot be taken in; nothing was kept:", *(f"  {one}" for one in reasons)]
    )
    expected = f"pseudonyms: {PSEUDONYM_IN_WORDS}" if pseudonyms else "numbers, codes or blanks"
    remedy = "put the column in [ignored]"
    if pseudonyms:
        remedy += ', or give each spelling a pseudonym in [codes], as in [codes.clinician] "their spelling" = "C1"'
    raise MappingError(found, where=raw.source.name, expected=expected, remedy=remedy)


def _reason(target: Target, understood: Understood) -> str | None:
    if target.type == "date" or target.field == "case_id" or understood.bad.is_empty():
        return None
    texts = understood.bad["text"].value_counts(name="n")
    texts = texts.with_columns(kinds_of(texts["text"]).alias("kind"))
    kinds = texts.drop_nulls("kind").group_by("kind").agg(pl.col("n").sum(), pl.len().alias("distinct"))
    if target.field in PSEUDONYM_FIELDS:
        return _reason_against_pseudonyms(kinds.sort("n", descending=True), texts["text"])
    filled = understood.values.len() - understood.values.null_count() + understood.bad.height
    for kind, n, distinct in kinds.sort("n", descending=True).iter_rows():
        mostly = 2 * n > filled and distinct >= _FEWEST_DISTINCT and 2 * distinct > n
        if kind in ONE_IS_ENOUGH or mostly:
            return PLURALS[kind]
    return None


def _reason_against_pseudonyms(kinds: pl.DataFrame, texts: pl.Series) -> str | None:
    if kinds.height:
        return PLURALS[kinds["kind"][0]]
    return "words where pseudonyms belong" if texts.str.contains(r"\p{L}{3,}").any() else None
