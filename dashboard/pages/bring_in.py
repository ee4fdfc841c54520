"""Bring in a file: hand it over, settle the columns, try it out, load it."""

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import polars as pl
import streamlit as st

from dashboard.access.ask import place
from dashboard.access.sign_in import current_viewer
from dashboard.parts.choosing import chosen
from dashboard.parts.screen import behind, fine, plain, said, table
from dashboard.parts.upload import Delivered, Rehearsal, Told, UploadedFile, bring_in, draft, rehearse
from warehouse.upkeep.data_quality import LoadPreview, RuleCount
from warehouse.words.numbers import cases
from warehouse.words.shares import NO_FILM

KINDS = ["csv", "tsv", "txt", "xlsx", "xls", "ods", "parquet", "json"]
ASKED = "asked to confirm"
OWN_NAMES, PROPOSED, OWN_MAPPING = (
    "as in the template",
    "proposed from the file, to be chosen",
    "from a mapping file saved earlier",
)


def page() -> None:
    current_viewer().must_write("bring in files")
    st.title("Bring in a file")
    plain(
        "Names, full dates and record numbers are refused or turned into ages, months and keyed hashes before anything"
        " is kept. The files handed over here are removed again after every step."
    )
    files = hand_over()
    if files:
        mapping = settle_columns(files)
        st.header("3. Try it out")
        practice = st.text_input(
            "Pseudonym of the practice", help="such as HARBOUR; leave it blank if the mapping states it"
        )
        delivered = Delivered(files=files, mapping=mapping, practice=practice.strip())
        if st.session_state.get(ASKED) == delivered.fingerprint:
            meant = st.checkbox("What was asked is meant so: go on all the same")
            delivered = replace(delivered, confirmed=meant)
        try_out(delivered)
    behind(("Caution", NO_FILM))


def hand_over() -> tuple[UploadedFile, ...]:
    st.header("1. Hand over")
    given = st.file_uploader(
        "Spreadsheet, text or Parquet files",
        type=KINDS,
        accept_multiple_files=True,
        help="one wide file, one row a case, or one file a table; the template comes from `menton template`",
    )
    return tuple(UploadedFile(one.name, one.getvalue()) for one in given)


def settle_columns(files: Sequence[UploadedFile]) -> str | None:
    """The mapping as text, or None where the columns have the names of the template."""
    st.header("2. Settle the columns")
    way = st.radio("The names of the columns are", [OWN_NAMES, PROPOSED, OWN_MAPPING])
    if way == OWN_NAMES:
        return None
    earlier = None
    if way == OWN_MAPPING:
        given = st.file_uploader("Mapping file (TOML)", type=["toml"])
        earlier = given.getvalue().decode("utf-8", errors="replace") if given else ""
    return proposed(files, earlier)


def proposed(files: Sequence[UploadedFile], earlier: str | None) -> str:
    """A mapping drafted for the files, going on from an earlier or remembered one, with what is open to be chosen."""
    known: dict[str, Told] = st.session_state.setdefault("drafts", {})
    name = Delivered(files=tuple(files), mapping=earlier, practice="").fingerprint
    if name not in known:
        known.clear()  # its values are the practice's own: no longer than needed
        with st.spinner("Reading the headings and looking at the contents …"):
            known[name] = draft(files, place(), earlier)
    told = known[name]
    if not told.is_well:
        refusal(told)
        return ""

    def codes_of(text: str) -> list[dict[str, Any]]:
        if text not in known:
            with st.spinner("Looking at what is written in the columns chosen …"):
                known[text] = draft(files, place(), text)
        return json.loads(known[text].printed)["codes"] if known[text].is_well else []

    text, _ = chosen(json.loads(told.printed), name[:12], codes_of)
    return text


def try_out(delivered: Delivered) -> None:
    """Rehearse on a copy; offer the load only for exactly what was rehearsed."""
    if st.button("Check every row, keep nothing yet"):
        with st.spinner("Checking every row on a copy …"):
            st.session_state["rehearsal"] = rehearse(delivered, place())
    rehearsal: Rehearsal | None = st.session_state.get("rehearsal")
    if rehearsal is None or rehearsal.fingerprint != delivered.fingerprint:
        fine("Nothing has been tried out yet with these files and this mapping.")
        return
    if rehearsal.preview is None:
        refusal(rehearsal.told)
        if rehearsal.told.asks and st.session_state.get(ASKED) != delivered.fingerprint:
            st.session_state[ASKED] = delivered.fingerprint
            st.rerun()
        return
    outcome(rehearsal.preview, rehearsal.told)
    st.header("4. Load")
    loads = rehearsal.preview.loads
    nothing = not any(one.n_read > one.n_turned_away for one in loads)
    if st.button("Load into the warehouse", type="primary", disabled=nothing):
        with st.spinner("Loading …"):
            told = bring_in(delivered, place())
        del st.session_state["rehearsal"]
        loaded(told)


def outcome(preview: LoadPreview, told: Told) -> None:
    if not preview.loads:
        said("Nothing would change: the same files are already in the warehouse.")
        return
    read, turned = (sum(getattr(one, name) for one in preview.loads) for name in ("n_read", "n_turned_away"))
    said(f"{read - turned:,} of {read:,} rows would be loaded, {turned:,} turned away.")
    plain(f"They bring or correct {cases(preview.n_cases)}.")
    rules("Turned away, by reason", preview.turned_away)
    rules("Remarks on rows that would be loaded", preview.remarks)
    st.subheader("What would be kept")
    shown(preview.cases, f"The first {preview.cases.height} cases as they would be kept")
    shown(preview.measures, "Their measures as they would be kept")
    with st.expander("What was taken to be so, and all that was said"):
        st.text(told.printed)


def rules(title: str, listed: Sequence[RuleCount]) -> None:
    if listed:
        st.subheader(title)
        rows = [
            {
                "rows": f"{one.n_rows:,}",
                "which": _which(one),
                "what was wrong": f"{one.reason} ({one.rule})",
                "what to do": one.remedy,
            }
            for one in listed
        ]
        table(rows, alt=title)


def _which(one: RuleCount) -> str:
    more = one.n_rows - len(one.first_rows)
    return ", ".join(map(str, one.first_rows)) + (f" and {more:,} more" if more > 0 else "")


def shown(frame: pl.DataFrame, alt: str) -> None:
    """Rows of a wide frame, to scroll through."""
    fine(alt)
    st.dataframe(frame, hide_index=True, alt=alt)


def refusal(told: Told) -> None:
    """Why a file was refused, in the words of the command."""
    st.warning("Refused; nothing was kept.")
    st.text(told.said or "The command ended without saying why.")


def loaded(told: Told) -> None:
    if told.is_well:
        st.success("Loaded. Every page now shows the new build.")
        st.text(told.printed)
    else:
        refusal(told)


page()
