"""Choosing what columns and spellings mean, in place of writing a mapping file; nothing chosen is kept here."""

import json
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import streamlit as st

from dashboard.parts.screen import fine, plain, table
from warehouse.leaving.gate import TO_ITSELF, let_out

OPEN, LEFT_OUT, NOT_KNOWN = "— not decided —", "leave this column out", "says nothing (not known)"
_STATES = {"mapped": "sure", "identifying": "left out: it may identify", "ignored": "left out"}


def chosen(
    draft: Mapping[str, Any], key: str, codes_of: Callable[[str], list[dict[str, Any]]]
) -> tuple[str, list[str]]:
    """The mapping chosen so far from a draft in JSON, and what is open (on top).

    ``key``: Tells apart the files. ``codes_of``: What the coded columns of a mapping hold, drafted by what it says.
    """
    top = st.container()
    sections: dict[str, dict[str, object]] = {"file": dict(draft["settings"]), "units": dict(draft["units"])}
    still = [*_dates(draft, sections["file"], key)]
    sections["columns"], sections["ignored"], open_columns = _columns(draft, sections["units"], key)
    if st.checkbox("Case numbers that differ only in capitals or zeros are different cases", key=f"{key}-numbers"):
        sections["file"]["numbers"] = "as written"
    coded = {one["name"] for one in draft["names"] if one["codes"]}
    proposed = {one["heading"] for one in draft["columns"] if one["state"] == "mapped"}
    seen: list[dict[str, Any]] = draft["codes"]
    if any(name in coded and heading not in proposed for heading, name in sections["columns"].items()):
        stated = {f'codes."{one["section"]}"': _settled(one) for one in seen}
        seen = codes_of(_toml({name: sections[name] for name in ("file", "columns", "ignored")} | stated)) or seen
    codes, open_codes = _codes(seen, key)
    required = [one for one in draft["required"] if one["name"] not in sections["columns"].values()]
    sections["constants"], open_constants = _constants(draft["constants"], required, key)
    still += [*open_columns, *open_codes, *open_constants]
    with top:
        if still:
            plain(f"Still open, {len(still)} {'thing' if len(still) == 1 else 'things'}:")
            fine(*(f"• {one}" for one in still[:12]), *([f"• and {len(still) - 12} more"] if len(still) > 12 else []))
        else:
            plain("Nothing is open. Look the proposals over, then check every row.")
        fine(*draft.get("notes", ()))
    sections |= {f'codes."{section}"': listed for section, listed in codes.items()}
    text = _toml(sections)
    saved = let_out(text, TO_ITSELF)
    st.download_button("Save this mapping", saved, file_name="mapping.toml", mime="application/toml", on_click="ignore")
    return text, still


def _pick(label: str, choices: Iterable[str], key: str, *, said: str = "", first: str = OPEN) -> str:
    return st.selectbox(label, list(dict.fromkeys([first, *choices])), key=key, help=said or None)


def _dates(draft: Mapping[str, Any], file: dict[str, object], key: str) -> list[str]:
    if not any("date_order" in one for one in draft["left"]):
        return []
    orders = {"day first (31.12.2020)": "dmy", "month first (12/31/2020)": "mdy"}
    picked = _pick("The dates can be read both ways. They are written", orders, f"{key}-dates")
    if picked == OPEN:
        return ["the order of day and month"]
    file["date_order"] = orders[picked]
    return []


def _reopened(listed: list[tuple[str, str, str]], title: str, what: str, key: str) -> list[str]:
    """What is settled, as a table to look over, and those of it that are to be chosen again."""
    if not listed:
        return []
    with st.expander(f"{title}: {len(listed)} settled"):
        table([{what: one, "means": means, "how sure": sure} for one, means, sure in listed], alt=title)
        return st.multiselect("Choose again", [one for one, _, _ in listed], key=f"{key}-again")


def _columns(
    draft: Mapping[str, Any], units: dict[str, object], key: str
) -> tuple[dict[str, object], dict[str, object], list[str]]:
    settled = [one for one in draft["columns"] if one["state"] in _STATES]
    shown = [
        (one["heading"], one["names"][0] if one["state"] == "mapped" else "—", _STATES[one["state"]]) for one in settled
    ]
    st.subheader("Columns")
    again = set(_reopened(shown, "Columns", "column", f"{key}-columns"))
    every = {one["name"]: one["units"] for one in draft["names"]}
    columns: dict[str, object] = {}
    ignored: dict[str, object] = {}
    still = []
    for place, one in enumerate(draft["columns"]):
        heading = one["heading"]
        if one["state"] == "mapped" and heading not in again:
            columns[heading] = one["names"][0]
        elif one["state"] in _STATES and heading not in again:
            ignored[heading] = one["why"]
        elif one["state"] == "withheld":
            still.append(f"{heading}: give it another heading in the file")
        else:
            values = ", ".join(one["values"])
            label = f"{heading} — {values}" if values else heading
            picked = _pick(label, [*one["names"], LEFT_OUT, *every], f"{key}-column-{place}", said=one["why"])
            if one["why"]:
                fine(one["why"])
            if picked == OPEN:
                still.append(f"the column “{heading}”")
            elif picked == LEFT_OUT:
                ignored[heading] = "chosen to be left out"
            else:
                columns[heading] = picked
                usual, *others = every[picked] or [""]
                unit = _pick(f"Unit of “{heading}”", others, f"{key}-unit-{place}", first=usual) if others else usual
                units |= {heading: unit} if unit != usual else {}
    return columns, ignored, still


def _settled(seen: Mapping[str, Any]) -> dict[str, object]:
    """Spelling -> code, of those that are settled and not understood as they stand."""
    return {one["spelling"]: one["code"] for one in seen["spellings"] if one["code"] is not None and not one["read"]}


def _codes(sections: Iterable[Mapping[str, Any]], key: str) -> tuple[dict[str, dict[str, object]], list[str]]:
    codes: dict[str, dict[str, object]] = {}
    still: list[str] = []
    for seen in sections:
        name = seen["section"].replace("_", " ")
        settled = [
            (one["spelling"], one["code"] or "not known", "understood" if one["read"] else "usual word")
            for one in seen["spellings"]
            if one["code"] is not None
        ]
        listed = {one["spelling"]: one["code"] for one in seen["spellings"] if one["code"] is not None}
        codes[seen["section"]] = _settled(seen)
        st.subheader(f"What is written under {name}")
        again = set(_reopened(settled, name, "spelling", f"{key}-{seen['section']}"))
        if seen["section"] == "sex" and len(listed) < len(seen["spellings"]):
            fine("Letters of sex mean something only as a set: M is male beside F, and female beside H.")
            again = set(listed)  # settled together or not at all
        for one in seen["spellings"]:
            if one["code"] is not None and one["spelling"] not in again:
                continue
            label = f"“{one['spelling']}”, {one['cells']:,} {'cell' if one['cells'] == 1 else 'cells'}"
            picked = _spelling(seen, one, label, f"{key}-{seen['section']}-{one['spelling']}")
            if one["why"]:
                fine(one["why"])
            if picked is None:
                still.append(f"“{one['spelling']}” under {name}")
            else:
                codes[seen["section"]][one["spelling"]] = picked
    return codes, still


def _spelling(seen: Mapping[str, Any], one: Mapping[str, Any], label: str, key: str) -> str | None:
    """The code picked for a spelling; teeth are written, with their codes."""
    if not seen["choices"] and not one["among"]:
        told = "tooth codes such as 14 24, none, pattern not known, or not known"
        teeth: str = st.text_input(label, key=key, help=told).strip()
        return "" if teeth.casefold() == "not known" else teeth or None
    picked = _pick(label, [*one["among"], NOT_KNOWN, *seen["choices"]], key)
    return {OPEN: None, NOT_KNOWN: ""}.get(picked, picked)


def _constants(
    stated: Mapping[str, object], required: Iterable[Mapping[str, Any]], key: str
) -> tuple[dict[str, object], list[str]]:
    constants = dict(stated)
    still = []
    if required:
        st.subheader("Needed, and no column was found")
    for one in required:
        label, place = f"{one['name'].replace('_', ' ')}, the same for every row", f"{key}-constant-{one['name']}"
        picked = _pick(label, one["choices"], place) if one["choices"] else st.text_input(label, key=place) or OPEN
        if picked == OPEN:
            still.append(one["name"].replace("_", " "))
        else:
            constants[one["name"]] = picked
    return constants, still


def _toml(sections: Mapping[str, Mapping[str, object]]) -> str:
    """A mapping file; every value is a text, a number, a truth value or a list of texts, which TOML writes as JSON."""
    written: Callable[[object], str] = lambda value: json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")  # noqa: E731
    parts = [
        "\n".join([f"[{name}]", *(f"{written(key)} = {written(value)}" for key, value in listed.items())])
        for name, listed in sections.items()
        if listed
    ]
    return "\n\n".join(parts) + "\n"
