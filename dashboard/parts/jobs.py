"""Jobs of a page: a command's own options as fields, its buttons, and what it answers in words and files."""

import json
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from importlib.resources import files
from typing import Any

import streamlit as st

from dashboard.access.ask import current_session, place
from dashboard.access.sign_in import current_viewer
from dashboard.parts.address import pick
from dashboard.parts.screen import fine, plain, printed_block
from dashboard.parts.upload import Done, Opened, UploadedFile, carried_out, form_of, of_place
from warehouse.leaving.gate import TO_ITSELF, let_out
from warehouse.store.snapshot import POINTER
from warehouse.words.sentences import say

Word = str | UploadedFile | Opened
NOT_SAID = "as usual"


@dataclass(frozen=True, slots=True, kw_only=True)
class JobStep:
    """A button: what it says, what must be ticked before, options that go with it, and what it gives back."""

    button: str
    agree: str = ""
    fixed: Sequence[str] = ()
    made: Mapping[str, str] = field(default_factory=dict)
    example: str = ""  # The option that takes the file filled in, where it is not that of the job


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One command as a person is asked for it; see `jobs.toml`."""

    command: Sequence[str]
    title: str
    says: str
    steps: Sequence[JobStep]
    asked: Mapping[str, str] = field(default_factory=dict)
    folder: Sequence[str] = ()
    example: str = ""
    only: str = ""
    case_key: bool = False


def _jobs() -> dict[str, dict[str, Job]]:
    listed = tomllib.loads(files(__package__).joinpath("jobs.toml").read_text(encoding="utf-8"))
    return {
        page: {name: Job(**one | {"steps": [JobStep(**step) for step in one["steps"]]}) for name, one in jobs.items()}
        for page, jobs in listed.items()
    }


JOBS = _jobs()  # page -> name -> job

TITLES = {" ".join(job.command): job.title for jobs in reversed(JOBS.values()) for job in jobs.values()}
TITLES |= {"ingest": "Bring in a file", "dashboard": "What happened", "rate": "What happened"}
_COMMAND = re.compile(r"(?:Then run: )?`?menton ((?:group )?[a-z][a-z-]*)\b[^`\n]*`?")
_OPTION = re.compile(r"`?(--[a-z][a-z-]*)`?")
_LINE = re.compile(r'([a-z_]+) = ("[^"]*"|\[[^\]]*\]|[^\s#]+)\s*(?:# (.*))?')


def offered(page: str, *, only: str = "") -> None:
    """The jobs of a page, one at a time; who may not write is refused."""
    current_viewer().must_write()
    jobs = {name: job for name, job in JOBS[page].items() if job.only == only}
    name = pick("What is to be done", {name: job.title for name, job in jobs.items()}, key="job", is_short=True)
    st.header(jobs[name].title)
    work(page, name)


def work(page: str, name: str) -> None:
    """One job: its fields, its buttons, and what came of them."""
    job, key = JOBS[page][name], f"{page}-{name}"
    plain(job.says)
    form = _form(tuple(job.command))
    filled_in = _fields(job, form["asked"], key)
    needed = {one["name"] for one in form["asked"] if one["required"]}
    words, filled = _as_given(filled_in, form["asked"]), _filled(form["example"], key) if job.example else ""
    for at, step in enumerate(job.steps):
        told, before = f"told-{key}-{at}", st.session_state.get(f"told-{key}-{at - 1}")
        meant = [*step.fixed, *words]
        if filled:
            meant += [step.example or job.example, UploadedFile(f"{name}.toml", filled.encode())]
        known = repr((words, filled))
        if at and (before is None or before[0] != known or not before[1].told.is_well):
            return
        agreed = not step.agree or st.checkbox(step.agree, key=f"agree-{key}-{at}")
        open_still = [label for name, label in job.asked.items() if name in needed and name not in filled_in]
        fine(say("job.open", fields="; ".join(open_still)) if open_still else "")
        how: dict[str, Any] = {"type": "primary" if at else "secondary", "disabled": bool(open_still) or not agreed}
        if st.button(step.button, key=f"do-{key}-{at}", **how):
            with st.spinner("At work …"):
                asks = {one["name"] for one in form["asked"]} - ({"--key-file"} if not job.case_key else set())
                done = carried_out(job.command, [*of_place(place(), asks), *meant], made=step.made)
            st.session_state[told] = (known, done)
        held = st.session_state.get(told)
        if held is not None and held[0] == known:
            _answered(job, held[1], f"{key}-{at}")


@st.cache_data(show_spinner=False)
def _form(command: tuple[str, ...]) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(form_of(command))
    return found


def _places() -> Iterator[Any]:
    """Places for fields, two beside each other where there is room, in the order they are read."""
    while True:
        yield from st.columns(2, gap="medium")


def _fields(job: Job, asked: Sequence[Mapping[str, Any]], key: str) -> dict[str, list[Word]]:
    """Option -> what was filled in; what was left open is not among them."""
    options = {one["name"]: one for one in asked}
    found = {}
    for (name, label), at in zip(job.asked.items(), _places(), strict=False):
        with at:
            found[name] = _field(options[name], label, f"{key}-{name}", opens=name in job.folder)
    return {name: values for name, values in found.items() if values}


def _as_given(filled_in: Mapping[str, Sequence[Word]], asked: Sequence[Mapping[str, Any]]) -> list[Word]:
    """What was filled in as words of the command, those without an option last."""
    options = {one["name"]: one for one in asked}
    last: list[Word] = []
    said: list[Word] = []
    for name, values in filled_in.items():
        if options[name]["positional"]:
            last += ["--", *values]
        else:
            said += [name] if options[name]["kind"] == "yes" else [word for value in values for word in (name, value)]
    return [*said, *last]


def _field(option: Mapping[str, Any], label: str, key: str, *, opens: bool) -> list[Word]:
    usual, hint = option["usual"], option["help"]
    if option["name"] == "--practice" and (place().folder / POINTER).exists():
        option = {**option, "choices": current_session().known_practices()}
    if option["kind"] == "yes":
        return ["yes"] if st.checkbox(label, key=key) else []
    if option["kind"] == "file":
        given = st.file_uploader(label, key=key, accept_multiple_files=option["many"], type=["zip"] if opens else None)
        listed = given if isinstance(given, list) else [given] if given else []
        taken = [UploadedFile(one.name, one.getvalue()) for one in listed]
        return [Opened(one) for one in taken] if opens else list(taken)
    if option["choices"]:
        first = usual or NOT_SAID
        one = st.selectbox(label, list(dict.fromkeys([first, *option["choices"]])), key=key, help=hint)
        return [] if one == NOT_SAID else [one]
    if option["kind"] in {"whole", "number"}:
        number = st.number_input(label, value=usual, step=1 if option["kind"] == "whole" else 0.01, key=key, help=hint)
        return [] if number is None or number == usual else [f"{number:g}"]
    text = st.text_input(label, value=usual or "", key=key, help=hint).strip()
    return [text] if text and text != usual else []


def _filled(example: str, key: str) -> str:
    """The command's own example of a file with its values as fields; what is left blank is left out."""
    lines, places = [], _places()
    for at, line in enumerate(example.splitlines()):
        found = _LINE.fullmatch(line.strip())
        if found is None:
            lines.append(line)
            continue
        name, value, note = found.groups(default="")
        with next(places):
            written = _written(name, tomllib.loads(f"it = {value}")["it"], note, f"{key}-{at}")
        lines += [f"{name} = {written}"] if written else []
    return "\n".join(lines) + "\n"


def _written(name: str, usual: Any, note: str, key: str) -> str:  # noqa: ANN401 - any value of TOML
    """A field for a value, and what was filled in as TOML; empty where nothing was."""
    label, hint = name.replace("_", " ").capitalize(), note or None
    choices = [one.split()[0] for one in re.split(r"[:(]", note)[0].split(" | ")] if " | " in note else []
    if choices:
        return json.dumps(st.selectbox(label, choices, index=choices.index(usual), key=key, help=hint))
    if isinstance(usual, date):
        return str(st.date_input(label, value="today", key=key, help=hint))
    if isinstance(usual, int | float):
        number = st.number_input(label, value=usual, step=type(usual)(1), key=key, help=hint)
        return "" if number is None else repr(type(usual)(number))
    if isinstance(usual, list):
        text = st.text_input(label, value=", ".join(map(str, usual)), key=key, help=f"{note} Separated by commas.")
        parts = [one.strip() for one in text.split(",") if one.strip()]
        is_numbers = all(isinstance(one, int | float) for one in usual)
        return f"[{', '.join(part if is_numbers else json.dumps(part) for part in parts)}]" if parts else ""
    text = st.text_input(label, value=usual, key=key, help=hint).strip()
    return json.dumps(text, ensure_ascii=False) if text else ""


def _answered(job: Job, done: Done, key: str) -> None:
    """What the command said, and what it made."""
    if not done.told.is_well:
        st.warning("It was refused, or something is wrong." if done.told.printed else "Refused; nothing was changed.")
    refused = done.told.said.rpartition("error: ")[2]  # without the list of options, which is for the terminal
    printed_block(in_words_of_pages("\n".join(filter(None, (done.told.printed, refused))), job))
    for name, content in done.made if done.told.is_well else ():
        content = let_out(content, TO_ITSELF)  # the command asked the gate already
        st.download_button(f"Take along {name}", content, file_name=name, key=f"taken-{key}-{name}", on_click="ignore")


def in_words_of_pages(text: str, job: Job) -> str:
    """What a command says, with the titles of pages and fields in place of commands and options."""
    text = _COMMAND.sub(lambda found: f"“{TITLES[found[1]]}”" if found[1] in TITLES else found[0], text)
    return _OPTION.sub(lambda found: f"“{job.asked[found[1]]}”" if found[1] in job.asked else found[0], text)
