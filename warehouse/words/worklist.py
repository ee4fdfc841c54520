"""The list of what is left to do, as it is read: each entry with why it stands there and what to do."""

import json
from collections.abc import Mapping

import polars as pl

from warehouse.cases.worklist import ADVERSE, LONG, SECOND_READING, Worklist, worklist
from warehouse.marts.reader import Reader
from warehouse.marts.steps import STEPS
from warehouse.selection import Selection
from warehouse.words.sentences import say

KINDS = {
    "records_due": ("worklist.records_due", "worklist.do_records_due"),
    "outcome_missing": ("worklist.outcome_missing", "worklist.do_outcome_missing"),
    "read_again": ("worklist.read_again", "worklist.do_read_again"),
    "turned_away": ("worklist.turned_away", "worklist.do_turned_away"),
    "adverse": ("worklist.adverse", "worklist.do_adverse"),
}
"""Kind of entry -> what it is called, and what to do."""


def worklist_table(found: Worklist, settings: Mapping[str, str], numbers: pl.DataFrame | None = None) -> pl.DataFrame:
    """Texts of shape (entries, 8). ``numbers``: case_key and the practice's own case_id, which then takes its place."""
    rules: dict[str, list[str]] = json.loads(settings.get("rules", "{}"))
    named = {step: said.reason for step, said in STEPS.items()}
    named |= {LONG: say("worklist.long"), SECOND_READING: say("worklist.second_reading")}
    named[ADVERSE] = say("worklist.is_adverse", definition=found.definition.name)

    def why(codes: str) -> str:
        return named.get(codes) or " ".join(rules.get(rule, [rule])[0] for rule in codes.split())

    frame = found.frame
    if numbers is not None:
        known = numbers.select("case_key", pl.col("case_id").cast(pl.String))
        frame = frame.join(known, on="case_key", how="left", maintain_order="left")
    case = pl.coalesce("case_id", "case_key") if numbers is not None else pl.col("case_key")
    return frame.select(
        pl.col("task").replace_strict({task: say(what) for task, (what, _) in KINDS.items()}).alias("what"),
        "practice",
        case.alias("case"),
        pl.col("timepoint").alias("record"),
        pl.col("why").map_elements(why, return_dtype=pl.String).alias("why"),
        pl.col("task").replace_strict({task: say(do) for task, (_, do) in KINDS.items()}).alias("what to do"),
        "file",
        "row",
    )


def worklist_listed(
    reader: Reader, *, selection: Selection, definition: str | None = None
) -> tuple[Worklist, tuple[dict[str, object], ...]]:
    """The list, and its rows as they are read."""
    found = worklist(reader, selection=selection, definition=definition)
    return found, tuple(worklist_table(found, reader.settings).to_dicts())


def worklist_counts(found: Worklist) -> list[str]:
    """How many entries there are of each kind, a line each."""
    counts = dict(found.frame["task"].value_counts().iter_rows())
    return [say("worklist.count", what=say(what), n=counts.get(task, 0)) for task, (what, _) in KINDS.items()]
