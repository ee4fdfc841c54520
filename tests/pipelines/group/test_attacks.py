"""Files that are not what they claim to be: every one is refused with a reason, and nothing changes."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyrage
import pytest

from pipelines.group import container
from pipelines.group.container import seal, unpack, unseal
from pipelines.group.contribution import CASES, TABLES, _manifest, case_bytes, read_cases
from pipelines.group.folder import GroupFolder
from pipelines.group.founding import found_group, make_agreement
from pipelines.group.keys import PracticeKey
from pipelines.group.signed_file import read_json
from pipelines.group.taking import take
from tests.pipelines.group.conftest import Group
from tests.study_group import cohort, counted, together
from warehouse.errors import GroupError, MentonError
from warehouse.marts.catalogues import shipped
from warehouse.pooled.cases import GroupCases
from warehouse.pooled.handing_over import hand_over
from warehouse.store.chain import canonical


def refused(group: Group, path: Path, words: str) -> None:
    before = group.contents()
    with pytest.raises(MentonError) as caught:
        take(group.folder, path)
    assert words in str(caught.value)
    assert group.contents() == before


def good(group: Group, cases: GroupCases, **options: Any) -> bytes:
    return group.sealed("ORCHARD", cases, invitation=group.invitation(2), **options).read_bytes()


def test_a_good_file_is_taken_in(group: Group, cases: GroupCases) -> None:
    taken = take(group.folder, group.write("good.age", good(group, cases)))
    assert (taken.kind, taken.level, taken.cases) == ("new", "cases", 200)


def test_a_byte_changed_at_two_hundred_places_is_noticed(group: Group, cases: GroupCases) -> None:
    whole, before = good(group, cases), group.contents()
    places = np.linspace(0, len(whole) - 1, 200).astype(int).tolist()
    for place in places:
        changed = bytearray(whole)
        changed[place] ^= 1 << (place % 8)
        with pytest.raises(MentonError):
            take(group.folder, group.write("changed.age", bytes(changed)))
    assert group.contents() == before


def test_a_byte_changed_before_encryption_is_noticed(group: Group, cases: GroupCases) -> None:
    """By someone who knows the group's public key, which is no secret."""
    body = bytearray(unseal(good(group, cases), group.folder.keys()))
    length = int(body[31:39])
    for place in np.linspace(0, 31 + 9 + length + 64 + 2000, 60).astype(int).tolist():
        changed = bytearray(body)
        changed[place] ^= 1
        refused(group, group.write("changed.age", encrypted(group, bytes(changed))), "ask ")


def encrypted(group: Group, body: bytes) -> bytes:
    return bytes(pyrage.encrypt(body, [pyrage.x25519.Recipient.from_str(one) for one in group.agreement.recipients]))


@pytest.mark.parametrize("keep", [0, 1, 20, 200, 5_000, -70_000, -1])
def test_a_file_cut_short_is_noticed(group: Group, cases: GroupCases, keep: int) -> None:
    refused(group, group.write("short.age", good(group, cases)[:keep]), "does not open")


def test_a_body_cut_short_or_made_longer_is_noticed(group: Group, cases: GroupCases) -> None:
    body = unseal(good(group, cases), group.folder.keys())
    for changed in (body[:-1], body[:-65_536], body + bytes(65_536), body[:-1] + b"x"):
        refused(group, group.write("length.age", encrypted(group, changed)), "not a contribution")


def test_a_file_sent_again_is_refused(group: Group, cases: GroupCases) -> None:
    path = group.write("once.age", good(group, cases))
    take(group.folder, path)
    refused(group, path, "has been taken in already")


def test_the_same_contents_encrypted_anew_are_refused(group: Group, cases: GroupCases) -> None:
    whole = good(group, cases)
    take(group.folder, group.write("once.age", whole))
    again = encrypted(group, unseal(whole, group.folder.keys()))
    refused(group, group.write("again.age", again), "is not newer than number 1")


def test_an_older_file_never_takes_the_place_of_a_newer_one(group: Group, cases: GroupCases) -> None:
    older, newer = (group.sealed("ORCHARD", cases, sequence=n, invitation=group.invitation(2)) for n in (1, 2))
    take(group.folder, newer)
    refused(group, older, "is not newer than number 2")


def test_a_file_from_before_a_withdrawal_stays_out(group: Group, cases: GroupCases) -> None:
    first = group.sealed("ORCHARD", cases, sequence=1, invitation=group.invitation(2))
    take(group.folder, first)
    take(group.folder, group.withdrawal("ORCHARD", sequence=2))
    refused(group, first, "is not newer than number 2")
    late = group.sealed("ORCHARD", cases, sequence=3)
    refused(group, late, "holds no invitation")


def test_an_invitation_lets_one_practice_in_once(group: Group, cases: GroupCases) -> None:
    refused(group, group.sealed("ORCHARD", cases, invitation=group.invitation(0)), "no invitation that is still good")
    refused(group, group.sealed("ORCHARD", cases), "no invitation that is still good")
    refused(group, group.sealed("ORCHARD", cases, invitation="0" * 32), "no invitation that is still good")


def test_a_file_for_another_group_does_not_open(group: Group, cases: GroupCases, tmp_path: Path) -> None:
    other = GroupFolder(tmp_path / "other", tmp_path / "other.key")
    found_group(other, "Other Bay")
    terms = {"outcomes": ("D1",), "groupings": (), "years": (2016, 2023)}
    make_agreement(other, shipped(), variables=("age_band", "sex", "extraction"), **terms)  # type: ignore[arg-type]
    path = group.sealed("ORCHARD", cases, agreed=other.agreement())
    refused(group, path, "it is for another group")
    body = unseal(path.read_bytes(), other.keys())
    refused(group, group.write("moved.age", encrypted(group, body)), "made for another group")


def test_a_file_under_an_earlier_agreement_is_refused(group: Group, cases: GroupCases) -> None:
    path = group.write("early.age", good(group, cases))
    terms = {"outcomes": ("D1",), "groupings": (), "years": (2016, 2023)}
    make_agreement(group.folder, shipped(), variables=("age_band", "sex"), **terms)  # type: ignore[arg-type]
    refused(group, path, "made under version 1 of the agreement; version 2 is in force")


def test_a_file_under_an_agreement_the_group_never_had_is_refused(group: Group, cases: GroupCases) -> None:
    from dataclasses import replace

    path = group.sealed("ORCHARD", cases, agreed=replace(group.agreement, k=2), invitation=group.invitation(2))
    refused(group, path, "an agreement this group never had")


def test_a_file_dated_in_the_future_is_refused(group: Group, cases: GroupCases) -> None:
    refused(group, group.write("late.age", good(group, cases, made_on="2199-01-01")), "still to come")
    refused(group, group.write("late.age", good(group, cases, made_on="soon")), "does not say when")


def made_by_hand(
    group: Group, manifest: dict[str, Any], members: dict[str, bytes], *, key: PracticeKey | None = None
) -> Path:
    base = _manifest(group.agreement, "contribution", sequence=1, made_on="2026-02-01", invitation=group.invitation(2))
    base |= {"level": "counts", "cases": 10, "levels": {}, "means": {}}
    sealed = seal({**base, **manifest}, members, key or group.key("ORCHARD"), recipients=group.agreement.recipients)
    return group.write("made.age", sealed)


def test_a_pseudonym_of_someone_else_is_refused(group: Group, cases: GroupCases) -> None:
    """The attacker signs with a key of his own and calls himself HARBOUR."""

    class Forged(PracticeKey):
        @property
        def pseudonym(self) -> str:
            return group.key("HARBOUR").pseudonym

    forged = Forged(group.key("ORCHARD").seed, group.agreement.group)
    path = group.sealed("ORCHARD", cases, sequence=9, invitation=group.invitation(2), key=forged)
    refused(group, path, "someone speaks in another's name")


def test_a_manifest_of_another_file_does_not_fit(group: Group, cases: GroupCases) -> None:
    one = unseal(good(group, cases), group.folder.keys())
    two = unseal(group.sealed("QUARRY", cases, level="counts").read_bytes(), group.folder.keys())
    ends = [40 + int(body[31:39]) for body in (one, two)]
    swapped = two[: ends[1]] + one[ends[0] :]
    refused(group, group.write("swapped.age", encrypted(group, swapped)), "its signature does not fit")
    members = two[: ends[1] + 64] + one[ends[0] + 64 :]
    refused(group, group.write("swapped.age", encrypted(group, members)), "does not fit its hash")


@pytest.mark.parametrize(
    "name",
    ["../cases.json", "/etc/passwd", "cases.json\x00", "CASES.JSON", "C:\\cases.json", "", "x" * 500],
)
def test_no_member_has_a_name_but_the_agreed_ones(group: Group, name: str) -> None:
    refused(group, made_by_hand(group, {}, {name: b"data"}), "a member it should not have")


def body_of(manifest: dict[str, Any], key: PracticeKey, rest: bytes) -> bytes:
    text = canonical({**manifest, "public_key": key.public, "pseudonym": key.pseudonym})
    head = container._MAGIC + f"{len(text):08}\n".encode() + text
    body = head + key.sign(head) + rest
    return body + bytes(-len(body) % 65_536)


@pytest.mark.parametrize(
    "members",
    [
        [],
        "cases.json",
        [["cases.json", 4]],
        [["cases.json", -1, ""]],
        [["cases.json", 2**40, ""]],
        [["cases.json", True, ""]],
        [["tables.json", 2, hashlib.sha256(b"[]").hexdigest()]] * 2,
        [["tables.json", 2, "0" * 64]],
        [[["tables.json"], 2, "0" * 64]],
        [["tables.json", 2.0, hashlib.sha256(b"[]").hexdigest()]],
        [["a", 0, ""]] * 1000,
    ],
)
def test_a_list_of_members_that_cannot_be_is_refused(group: Group, members: object) -> None:
    body = body_of({"members": members}, group.key("ORCHARD"), b"[][]")
    with pytest.raises(GroupError, match="not a contribution"):
        unpack(body)


@pytest.mark.parametrize(
    "manifest",
    [
        {"sequence": -1},
        {"sequence": "1"},
        {"sequence": 2**40},
        {"cases": 1.5},
        {"levels": []},
        {"means": []},
        {"levels": {"sex": "0"}},
        {"kind": "order"},
        {"format": "menton contribution, version x"},
        {"format": "menton agreement, version 2"},
        {"level": 7},
        {"invitation": "0" * 10_000},
        {"extra": 1},
    ],
)
def test_a_manifest_out_of_shape_is_refused(group: Group, manifest: dict[str, Any]) -> None:
    refused(group, made_by_hand(group, manifest, {TABLES: b"[]"}), "does not say what a contribution")


@pytest.mark.parametrize(("version", "who"), [(1, "the program that made the file"), (9, "this program")])
def test_a_contribution_of_another_version_says_both_versions(group: Group, version: int, who: str) -> None:
    manifest = {"format": f"menton contribution, version {version}"}
    path = made_by_hand(group, manifest, {TABLES: b"[]"})
    refused(group, path, f"it is of version {version}; version 2 is read")
    refused(group, path, f"bring {who} up to date")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"[" * 100_000 + b"]" * 100_000, "cannot be read"),
        (b'{"a": 1, "a": 2}', "cannot be read"),
        (b'{"a": NaN}', "cannot be read"),
        (b'{"a": Infinity}', "cannot be read"),
        (b'{"a": -1e999}', "cannot be read"),
        (b"1" * 10_000, "cannot be read"),
        ('{"a": "é"}'.encode(), "cannot be read"),
        (b"{", "cannot be read"),
        (b"", "cannot be read"),
        (b" " * 2_000_000, "is longer than"),
    ],
)
def test_json_that_could_harm_is_not_read(data: bytes, words: str) -> None:
    with pytest.raises(GroupError, match=words):
        read_json(data, most=1_000_000, what="the text")


@pytest.mark.parametrize(
    ("means", "words"),
    [
        ({"D2": [60, 1.0, 2.0]}, "a mean the group did not agree on"),
        ({"D1": [7, 1.0, 2.0]}, "rests on too few cases"),
        ({"D1": [101, 1.0, 2.0]}, "rests on too few cases"),
        ({"D1": [60, 1e9, 2.0]}, "cannot be"),
        ({"D1": [60, 1.0, -2.0]}, "cannot be"),
        ({"D1": [60, 1.0]}, "cannot be"),
        ({"D1": "60"}, "cannot be"),
    ],
)
def test_means_are_held_against_the_agreement(group: Group, means: dict[str, object], words: str) -> None:
    agreed = group.agreement
    parts = [counted(12, 40, agreed, extraction="extraction"), counted(8, 40, agreed, extraction="non-extraction")]
    made = hand_over(together(*parts, agreed=agreed), agreed, level="counts")
    plain = [one.to_dict() | {"guards": [], "scope": {"cases of": ["these"]}} for one in made.tables]
    path = made_by_hand(group, {"cases": 100, "means": means}, {TABLES: json.dumps(plain).encode()})
    refused(group, path, words)


def test_tables_are_held_against_the_agreement(group: Group) -> None:
    agreed = group.agreement
    parts = [counted(12, 40, agreed, extraction="extraction"), counted(8, 40, agreed, extraction="non-extraction")]
    made = hand_over(together(*parts, agreed=agreed), agreed, level="counts")
    plain = [one.to_dict() | {"guards": [], "scope": {"cases of": ["these"]}} for one in made.tables]

    def changed(**values: Any) -> list[dict[str, Any]]:
        return [{**plain[0], **values}, *plain[1:]]

    def cell(index: int, state: str, value: int | None) -> list[Any]:
        cells = json.loads(json.dumps(plain[0]["cells"]))
        cells[index][1:] = [state, value]
        return cells

    off: list[tuple[object, str]] = [
        ([], "no tables, or too many"),
        ({}, "no tables, or too many"),
        ([1], "a table cannot be read"),
        ([{}], "a table cannot be read"),
        (plain + plain, "no tables, or too many"),
        ([plain[0], plain[0]], "a table twice"),
        (plain[1:], "without giving the totals"),
        (changed(name="D1 by clinician"), "not one the group agreed on"),
        (changed(policy={**plain[0]["policy"], "minimum": 3}), "made by another rule"),
        (changed(scope={"cases of": ["those"]}), "not one the group agreed on"),
        (changed(scope={}), "not one the group agreed on"),
        (changed(withheld_from=99), "not one the group agreed on"),
        (changed(guards=[{"whole": {}, "less": None}]), "made by another rule"),
        (changed(cells=cell(2, "shown", 3)), "must not stand there"),
        (changed(cells=cell(2, "shown", -5)), "must not stand there"),
        (changed(cells=cell(2, "open", 3)), "a table cannot be read"),
        (changed(cells=cell(2, "shown", 2**70)), "must not stand there"),
        (changed(cells=cell(2, "shown", 21)), "contradict each other"),
        (changed(cells=plain[0]["cells"][1:]), "a table cannot be read"),
    ]
    for tables, words in off:
        path = made_by_hand(group, {"cases": 100}, {TABLES: json.dumps(tables).encode()})
        refused(group, path, words)
    refused(group, made_by_hand(group, {"cases": 99}, {TABLES: canonical(plain)}), "another number of cases")
    take(group.folder, made_by_hand(group, {"cases": 100}, {TABLES: canonical(plain)}))


def case_file(group: Group, frame: pl.DataFrame, **manifest: Any) -> Path:
    levels = dict.fromkeys(("age_band", "sex", "extraction"), 0)
    said = {"level": "cases", "levels": levels, "cases": frame.height, **manifest}
    return made_by_hand(group, said, {CASES: case_bytes(frame)})


def rows(n: int, **values: list[str]) -> pl.DataFrame:
    plain = {"age_band": ["8-9"] * n, "sex": ["female"] * n, "extraction": ["extraction"] * n}
    results = ["adverse"] * 2 + ["not adverse"] * (n - 2)
    return pl.DataFrame({**plain, "result_D1": results, **values})


def test_cases_are_held_against_the_agreement(group: Group) -> None:
    refused(group, case_file(group, rows(4)), "smallest group of cases alike has 4")
    refused(group, case_file(group, rows(9, result_D1=["adverse"] * 9)), "too few different outcomes")
    refused(group, case_file(group, rows(9, sex=["female"] * 8 + ["x"])), "not one of those agreed on")
    refused(group, case_file(group, rows(9, sex=["female"] * 8 + ["any"])), "not one of those agreed on")
    refused(
        group, case_file(group, rows(9).select("sex", "age_band", "extraction", "result_D1")), "its columns are not"
    )
    refused(group, case_file(group, rows(9, case_key=["k"] * 9)), "its columns are not")
    refused(group, case_file(group, rows(9), cases=8), "another number of cases than it holds")
    refused(group, case_file(group, rows(9), levels={"sex": 0}), "how each variable was generalised")
    too_high = {"age_band": 9, "sex": 0, "extraction": 0}
    refused(group, case_file(group, rows(9), levels=too_high), "at a level the group did not")
    refused(group, case_file(group, rows(9), level="everything"), "its level is not one")
    refused(group, case_file(group, rows(9), level="counts"), "not those of its level")
    take(group.folder, case_file(group, rows(9)))


ALLOWED = {"sex": ("female", "male")}


@pytest.mark.parametrize(
    "rows",
    [
        [["sex"], ["female", 0]],
        [["sex"], ["female", -1], ["male", 3]],
        [["sex"], ["female", True]],
        [["sex"], ["female", 2.0]],
        [["sex"], ["female", "2"]],
        [["sex"], ["female"]],
        [["sex"], ["female", "male", 2]],
        [["sex"], [["female"], 2]],
        [["sex"], [None, 2]],
        [["sex"], ["other", 2]],
        [["sex"], {"female": 2}],
        [["sex"], "female"],
        [["sex"], ["female", 2], ["female", 3]],
        [["other"], ["female", 2]],
        [["sex", "age_band"], ["female", "8-9", 2]],
        [[["sex"]], ["female", 2]],
        [],
        {},
        None,
    ],
)
def test_kinds_of_cases_that_are_none_are_refused(rows: object) -> None:
    with pytest.raises(GroupError, match="not as agreed"):
        read_cases(json.dumps(rows).encode(), allowed=ALLOWED, most=100)


def test_cases_come_back_as_they_were_written() -> None:
    frame = pl.DataFrame({"sex": ["male", "female", "female"]})
    assert read_cases(case_bytes(frame), allowed=ALLOWED, most=3)["sex"].to_list() == ["female", "female", "male"]


def test_many_cases_in_few_bytes_are_refused_unmade() -> None:
    import resource

    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for n in (101, 10**9, 10**300):
        with pytest.raises(GroupError, match="more than 100 cases"):
            read_cases(json.dumps([["sex"], ["female", n]]).encode(), allowed=ALLOWED, most=100)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000  # kilobytes


@pytest.mark.parametrize("data", [b"", b"PAR1", b"[" * 900_000, b"\x80\x04K\x01.", b'[["sex"],["female",1e999]]'])
def test_what_is_no_list_of_kinds_is_refused(data: bytes) -> None:
    with pytest.raises(GroupError):
        read_cases(data, allowed=ALLOWED, most=100)


def test_a_changed_byte_of_a_table_never_gives_a_value_that_was_not_agreed() -> None:
    """Not even where the signature were the attacker's own: refused, or read as agreed values."""
    whole = case_bytes(pl.DataFrame({"sex": ["female", "male"] * 40}))
    outcomes = set()
    for place in range(len(whole)):
        changed = bytearray(whole)
        changed[place] ^= 0x41
        try:
            frame = read_cases(bytes(changed), allowed=ALLOWED, most=100)
        except GroupError:
            outcomes.add("refused")
        else:
            assert set(frame["sex"].to_list()) <= {"female", "male"}
            outcomes.add("read")
    assert "refused" in outcomes


def test_a_contribution_changed_in_the_folder_is_not_pooled(group: Group) -> None:
    from pipelines.group.results import make_result

    (path, *_) = sorted(group.folder.taken.glob("*.age"))
    *rest, last = path.read_bytes()
    path.write_bytes(bytes([*rest, last ^ 1]))  # another byte, whatever it was
    with pytest.raises(GroupError, match="changed since it was taken in"):
        make_result(group.folder)


def test_a_file_too_long_is_not_opened(group: Group, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(container, "MOST_FILE", 1_000)
    monkeypatch.setattr("pipelines.group.taking.MOST_FILE", 1_000)
    refused(group, group.write("long.age", bytes(5_000)), "longer than")


def test_a_file_that_is_not_there_is_refused(group: Group) -> None:
    refused(group, group.home / "absent.age", "cannot be read")


def test_a_withdrawal_by_someone_else_is_refused(group: Group) -> None:
    refused(group, group.withdrawal("STRANGER", sequence=99), "takes no part")


def test_random_bytes_are_refused(group: Group) -> None:
    rng = np.random.default_rng(0)
    for n in (0, 1, 100, 10_000):
        refused(group, group.write("noise.age", rng.bytes(n)), "does not open")
    assert cohort(rng, 5, group.agreement).frame.height == 5
