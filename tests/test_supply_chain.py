"""What is installed is pinned by hashes, without addresses, and whole; its licences are listed and let anyone use it.

What a complete lock is: PEP 508 (markers, extras) and the core metadata of the distributions (Requires-Dist), both read
by the library `packaging`.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import tomllib
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from importlib.metadata import PackageNotFoundError, distribution, version
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
LOCKS = ("requirements.lock", "requirements-dev.lock")
EVERY_LOCK = sorted(path.relative_to(ROOT).as_posix() for path in (*ROOT.glob("*.lock"), *ROOT.glob(".ci/*.lock")))
HASHES = r"(?:[^\n]*\\\n(?:\s+--hash=sha256:[0-9a-f]{64}(?: \\)?\n)+)"
ENTRY = re.compile(r"^([A-Za-z0-9._-]+)==([^\s;\\]+)" + HASHES, re.MULTILINE)
LISTED = re.compile(r"^\| ([^ ]+) \| ([^ ]+) \| ([^|]+) \|$", re.MULTILINE)


def pinned(lock: str) -> set[tuple[str, str]]:
    """Names and versions; a name may be pinned twice, for older and newer Pythons."""
    return set(ENTRY.findall((ROOT / lock).read_text(encoding="utf-8")))


@pytest.mark.parametrize("lock", EVERY_LOCK)
def test_every_line_of_a_lock_is_a_pinned_version_with_hashes_and_nothing_else(lock: str) -> None:
    text = (ROOT / lock).read_text(encoding="utf-8")
    assert len(pinned(lock)) > (50 if lock.startswith("requirements") and "alone" not in lock else 0)
    assert [
        line for line in ENTRY.sub("", text).splitlines() if line.strip() and not line.lstrip().startswith("#")
    ] == []
    for sign in (
        "http:",
        "https:",
        "--index",
        "--extra-index",
        "--find-links",
        "--trusted-host",
        "file:",
        "git+",
        " @ ",
    ):
        assert sign not in text


def test_the_locks_agree_with_each_other_and_name_what_the_project_asks_for() -> None:
    plain, with_tests = (pinned(lock) for lock in LOCKS)
    assert plain <= with_tests
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8").partition("[project.optional")[0]
    asked = set(re.findall(r'^    "([a-z0-9-]+)(?:==|>=)', project, re.MULTILINE))
    assert len(asked) > 20
    assert asked - {name for name, _ in plain} == set()


@pytest.mark.parametrize("lock", LOCKS)
def test_what_is_installed_is_what_the_lock_pins(lock: str) -> None:
    """Distributions for other systems are pinned too, but not installed here."""
    wanted = pinned(lock)
    found = set()
    for name in {name for name, _ in wanted}:
        try:
            found.add((name, version(name)))
        except PackageNotFoundError:
            continue
    assert len(found) > 50
    assert found - wanted == set()


def test_the_licence_list_is_that_of_the_lock() -> None:
    listed = LISTED.findall((ROOT / ".ci" / "licences.md").read_text(encoding="utf-8"))
    rows = {(name, number) for name, number, _ in listed if name != "distribution"}
    assert rows == pinned("requirements.lock"), "write it again: python .ci/licences.py > .ci/licences.md"


def test_every_licence_is_stated() -> None:
    text = (ROOT / ".ci" / "licences.md").read_text(encoding="utf-8")
    assert [name for name, _, licence in LISTED.findall(text) if licence.strip() == "not stated"] == []
    assert "://" not in text


# Whether a lock is complete, for every Python and system that it is for.
SYSTEMS = {
    "linux": {"os_name": "posix", "platform_system": "Linux", "platform_machine": "x86_64"},
    "darwin": {"os_name": "posix", "platform_system": "Darwin", "platform_machine": "arm64"},
    "win32": {"os_name": "nt", "platform_system": "Windows", "platform_machine": "AMD64"},
}
# The first and a late release of each Python, since a marker may ask for the one or the other.
PYTHONS = [f"3.{minor}.{patch}" for minor in (11, 12, 13, 14) for patch in (0, 20)]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
ELSEWHERE: dict[str, list[str]] = json.loads((ROOT / ".ci" / "requires.json").read_text(encoding="utf-8"))

Requires = Callable[[str, str], list[Requirement]]


def environment(python: str, system: str) -> dict[str, str]:
    """The values of the markers of PEP 508 for CPython."""
    return {
        "implementation_name": "cpython",
        "implementation_version": python,
        "platform_python_implementation": "CPython",
        "platform_release": "",
        "platform_version": "",
        "python_full_version": python,
        "python_version": python.rpartition(".")[0],
        "sys_platform": system,
        **SYSTEMS[system],
    }


def entries(*locks: str) -> list[Requirement]:
    """The pinned versions with their markers."""
    text = "\n".join((ROOT / lock).read_text(encoding="utf-8") for lock in locks)
    return [Requirement(line.rstrip(" \\")) for line in text.splitlines() if line and not line.startswith((" ", "#"))]


def requirements(texts: Iterable[str]) -> list[Requirement]:
    """Lines of pyproject.toml or of metadata."""
    return [Requirement(text) for text in texts]


def wanted(*, extras: tuple[str, ...] = (), groups: tuple[str, ...] = ()) -> list[Requirement]:
    """What pyproject.toml asks for; no group includes another, or the parser would refuse it."""
    project = PROJECT["project"]
    lists = [project["dependencies"], *(project["optional-dependencies"][name] for name in extras)]
    return requirements(
        text for one in [*lists, *(PROJECT["dependency-groups"][name] for name in groups)] for text in one
    )


@cache
def metadata(name: str, number: str) -> list[Requirement]:
    """What a pinned release asks for: by its metadata if it is installed here, else as .ci/requires.py kept it."""
    try:
        found = distribution(name)
    except PackageNotFoundError:
        found = None
    if found is not None and found.version == number:
        return requirements(found.requires or [])
    assert f"{name}=={number}" in ELSEWHERE, "python .ci/requires.py > .ci/requires.json"
    return requirements(ELSEWHERE[f"{name}=={number}"])


def holds(one: Requirement, where: dict[str, str], extra: str = "") -> bool:
    return one.marker is None or one.marker.evaluate({**where, "extra": extra})


def installed(lock: list[Requirement], where: dict[str, str]) -> dict[str, str]:
    """Name -> version of what a lock installs on one Python and system; pinning a name twice there is refused."""
    found = [(canonicalize_name(one.name), str(one.specifier).removeprefix("==")) for one in lock if holds(one, where)]
    assert len({name for name, _ in found}) == len(found)
    return dict(found)


def closure(
    asked: list[Requirement], present: dict[str, str], where: dict[str, str], requires: Requires = metadata
) -> Iterator[tuple[str, str]]:
    """Every name that is asked for, directly or by what is installed for it, and what is wrong with it, if anything."""
    waiting = [one for one in asked if holds(one, where)]
    seen: set[tuple[str, str]] = set()
    while waiting:
        one = waiting.pop()
        name = canonicalize_name(one.name)
        number = present.get(name)
        if number is None:
            yield name, f"{one} is not in the lock"
        elif one.url or not one.specifier.contains(number, prereleases=True):
            yield name, f"{one} is asked for, and {number} in the lock"
        else:
            yield name, ""
            for extra in {"", *map(canonicalize_name, one.extras)} - {done for of, done in seen if of == name}:
                seen.add((name, extra))
                waiting += [next_ for next_ in requires(name, number) if holds(next_, where, extra)]


def faults(
    asked: list[Requirement], lock: list[Requirement], where: dict[str, str], requires: Requires = metadata
) -> set[str]:
    """Why a lock would not do without a resolver."""
    return {fault for _, fault in closure(asked, installed(lock, where), where, requires) if fault}


# Lock -> what it must hold, and the lock that is installed before it. Sail, fuzzing and benching have no list in
# pyproject.toml, so they are held to what their own entries ask for; of these and of Spark, the metadata are those that
# .ci/requires.py kept. Not among them: requirements-alone.lock, whose one entry is installed without what it names, on
# purpose (DEVELOPERS.md, "The locks").
COMPLETE: dict[str, tuple[list[Requirement], tuple[str, ...]]] = {
    "requirements.lock": (wanted(), ()),
    "requirements-dev.lock": (wanted(groups=("dev",)), ()),
    "requirements-spark.lock": (wanted(extras=("spark",), groups=("cluster",)), ()),
    ".ci/build.lock": (requirements(PROJECT["build-system"]["requires"]), ()),
    ".ci/sail.lock": (entries(".ci/sail.lock"), ("requirements-dev.lock",)),
    ".ci/fuzzing.lock": (entries(".ci/fuzzing.lock"), ("requirements-dev.lock",)),
    ".ci/benching.lock": (entries(".ci/benching.lock"), ("requirements-dev.lock",)),
}


def test_no_lock_is_forgotten() -> None:
    assert sorted([*COMPLETE, "requirements-alone.lock"]) == EVERY_LOCK
    assert len(pinned("requirements-alone.lock")) == 1


@pytest.mark.parametrize("system", SYSTEMS)
@pytest.mark.parametrize("python", PYTHONS)
@pytest.mark.parametrize("lock", COMPLETE)
def test_a_lock_is_complete_on_its_own(lock: str, python: str, system: str) -> None:
    """Nothing is left for a resolver to find, so that no release published later can change or break an install."""
    asked, before = COMPLETE[lock]
    assert faults(asked, entries(*before, lock), environment(python, system)) == set()


@pytest.mark.parametrize("lock", [lock for lock, (_, before) in COMPLETE.items() if not before])
def test_a_lock_holds_nothing_that_nothing_asks_for(lock: str) -> None:
    pins, reached = entries(lock), set()
    for python in PYTHONS:
        for system in SYSTEMS:
            where = environment(python, system)
            present = installed(pins, where)
            reached |= {
                (name, present[name]) for name, fault in closure(COMPLETE[lock][0], present, where) if not fault
            }
    assert {(canonicalize_name(name), number) for name, number in pinned(lock)} == reached


@pytest.mark.parametrize("lock", ["requirements.lock", "requirements-dev.lock", "requirements-spark.lock"])
def test_every_entry_that_is_taken_out_of_a_lock_is_missed(lock: str) -> None:
    asked, whole, where = COMPLETE[lock][0], entries(lock), environment("3.11.0", "linux")
    here = [one for one in whole if holds(one, where)]
    assert len(here) > 50
    assert [one.name for one in here if not faults(asked, [left for left in here if left is not one], where)] == []


def test_what_only_an_extra_asks_for_is_missed_too() -> None:
    """`pyspark[connect]` asks for grpcio, and pyspark alone does not."""
    where = environment("3.11.0", "linux")
    without = [one for one in entries("requirements-spark.lock") if one.name != "grpcio"]
    missed = faults(COMPLETE["requirements-spark.lock"][0], without, where)
    assert missed
    assert all(fault.startswith("grpcio") and fault.endswith("is not in the lock") for fault in missed)
    assert not [fault for fault in faults(wanted(extras=("spark",)), without, where) if fault.startswith("grpcio")]


def test_a_release_newer_than_the_lock_is_missed_where_only_an_extra_asks_for_it() -> None:
    """`pytest-cov` asks for `coverage[toml]`: were a newer one needed than the lock has, that would be said."""

    def newer(name: str, number: str) -> list[Requirement]:
        asked = metadata(name, number)
        return asked if name != "pytest-cov" else [*asked, Requirement("coverage[toml]>=999")]

    assert any(one.name == "coverage" and one.extras for one in metadata("pytest-cov", version("pytest-cov")))
    asked, lock = COMPLETE["requirements-dev.lock"][0], entries("requirements-dev.lock")
    found = faults(asked, lock, environment("3.11.0", "linux"), newer)
    assert [fault.partition(" is asked")[0] for fault in found] == ["coverage[toml]>=999"]


def test_markers_and_extras_lead_on() -> None:
    """An extra of an extra, a marker that is false here, and a name pinned for an older Python only."""
    asks = {
        "a": ["b[x]; python_version < '3.12'", "c; extra == 'never'"],
        "b": ["D_d; extra == 'x'", "e; sys_platform == 'win32' and extra == 'x'"],
    }

    def requires(name: str, _: str) -> list[Requirement]:
        return requirements(asks.get(name, []))

    lock = requirements(["a==1", "b==1; python_version < '3.12'"])
    old, new, windows = (environment(*at) for at in (("3.11.0", "linux"), ("3.12.0", "linux"), ("3.11.0", "win32")))
    asked = requirements(["a>=1"])
    assert faults(asked, lock, old, requires) == {'D_d; extra == "x" is not in the lock'}
    assert faults(asked, lock, new, requires) == set()
    assert len(faults(asked, lock, windows, requires)) == 2
    assert faults(requirements(["a>1"]), lock, new, requires) == {"a>1 is asked for, and 1 in the lock"}


def test_what_is_kept_of_other_environments_is_what_is_installed_where_it_is() -> None:
    """The kept lists can be held against the metadata of those releases that this Python and system have."""
    both = 0
    for pin, kept in ELSEWHERE.items():
        name, _, number = pin.partition("==")
        try:
            found = distribution(name)
        except PackageNotFoundError:
            continue
        if found.version == number:
            both += 1
            assert {str(one) for one in requirements(kept)} == {str(one) for one in requirements(found.requires or [])}
    assert both > 5
    assert set(ELSEWHERE) <= {f"{name}=={number}" for lock in EVERY_LOCK for name, number in pinned(lock)}


def commands() -> Iterator[tuple[str, str]]:
    """Every line that has pip install, with the variables of the Makefile put in, and where it stands."""
    make = (ROOT / "Makefile").read_text(encoding="utf-8")
    variables = dict(re.findall(r"^([A-Z_]+) [:?]= *(.*)$", make, re.MULTILINE))
    texts = {
        path: (ROOT / path).read_text(encoding="utf-8")
        for path in ("Makefile", "README.md", "DEVELOPERS.md", ".ci/run", ".ci/lock.sh", "tests/install_browser.sh")
    }
    for path, text in texts.items():
        for line in text.splitlines():
            while (filled := re.sub(r"\$\(([A-Z_]+)\)", lambda name: variables.get(name[1], ""), line)) != line:
                line = filled
            if "pip install" in line and not re.match(r"[A-Z_]+ [:?]=", line):
                yield path, line


def test_no_lock_is_installed_without_its_hashes_or_with_what_it_does_not_name() -> None:
    found = [(path, line, line.split()) for path, line in commands() if re.search(r"\s(?:-r|--requirement)\b", line)]
    assert len([path for path, *_ in found if path == "Makefile"]) >= 7
    assert [
        line for _, line, words in found if not {"--require-hashes", "--no-deps", "--no-build-isolation"} <= set(words)
    ] == []
    assert {word for path, _, words in found if path == "Makefile" for word in words if word.endswith(".lock")} == set(
        EVERY_LOCK
    )


def test_make_installs_nothing_but_locks_and_the_project_itself() -> None:
    """Both without what they name, and built by what is installed: pip's own build environments take the newest."""
    made = [line for path, line in commands() if path == "Makefile"]
    assert [line for line in made if "--no-deps" not in line or "--no-build-isolation" not in line] == []
    assert {line.partition(" -e ")[2] for line in made if " -r " not in line} == {"."}


def test_the_first_thing_that_make_installs_is_what_builds_the_rest() -> None:
    text = (ROOT / "Makefile").read_text(encoding="utf-8")
    for environment_ in re.findall(r"-m venv .*\n((?:\t.*\n)+)", text):
        assert "$(INSTALL) -r .ci/build.lock" in environment_.splitlines()[0]


@pytest.mark.skipif(os.name == "nt", reason="a script of a POSIX shell")
@pytest.mark.parametrize(
    ("answer", "code", "said"),
    [
        (None, 1, "is not installed, so nothing was looked up"),
        ("echo 'no route to the database' >&2; exit 1", 1, "or the database could not be reached: nothing is to be"),
        ("echo 'Found 1 known vulnerability' >&2; exit 1", 1, "some are known"),
        ("exit 0", 0, "none is known of any version"),
    ],
)
def test_a_release_is_held_up_where_weaknesses_are_known_or_cannot_be_looked_up(
    tmp_path: Path, answer: str | None, code: int, said: str
) -> None:
    tool = tmp_path / "look-up"
    if answer is not None:
        tool.write_text(f"#!/bin/sh\n{answer}\n", encoding="utf-8")
        tool.chmod(0o700)
    done = subprocess.run(
        ["sh", str(ROOT / ".ci" / "weaknesses.sh"), str(tool)], capture_output=True, text=True, check=False
    )
    assert done.returncode == code
    assert said in done.stdout


def test_what_builds_the_project_is_asked_for_in_the_one_version_whose_hash_is_locked() -> None:
    """Finding: the build requirement was unpinned; `pip install .` asks for what pyproject.toml says (PEP 518)."""
    (asked,) = PROJECT["build-system"]["requires"]
    assert {asked} == {f"{name}=={number}" for name, number in pinned(".ci/build.lock")}


def test_what_is_needed_to_run_is_imported_somewhere() -> None:
    """Finding: setuptools was a run-time dependency that no code imports."""
    named_otherwise = {
        "duckdb-extension-httpfs": "duckdb_extension_httpfs",
        "python-pptx": "pptx",
        "vl-convert-python": "vl_convert",
    }
    sources = "\n".join(
        path.read_text(encoding="utf-8")
        for package in ("warehouse", "pipelines", "dashboard", "synthetic_data")
        for path in (ROOT / package).rglob("*.py")
    )
    unused = []
    for one in requirements(PROJECT["project"]["dependencies"]):
        module = named_otherwise.get(one.name, one.name.replace("-", "_"))
        # a Polars frame becomes one of pandas by a method that imports it
        used = rf"^\s*(import|from) {module}\b|^    \"{module}\",|\.to_{module}\(\)"
        if not re.search(used, sources, re.MULTILINE):
            unused.append(one.name)
    assert unused == []
