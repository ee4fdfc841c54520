"""A practice and a coordinator at their command lines, from founding to withdrawal, on hand-made warehouses."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import numpy as np
import pytest

from pipelines.cli import main
from pipelines.group.practice_record import read_record
from tests.hand_made import load_rows, made_case
from tests.pipelines.test_widths import assert_fitting, tables_noted
from warehouse.outcomes.registry import definition_to_dict, shipped_registry
from warehouse.pooled.kept_results import kept_path, kept_results
from warehouse.store.access import FILE as ACCESS
from warehouse.store.access import MARK

PRACTICES = ("HARBOUR", "FERRY", "ORCHARD")


def rows(practice: str, n: int, seed: int) -> list[dict]:
    rng = np.random.default_rng(seed)
    found = []
    for i in range(n):
        adverse = rng.random() < 0.2
        found.append(
            made_case(
                f"{practice}{i}",
                sex=str(rng.choice(["female", "male"])),
                age_at_start=float(rng.integers(9, 15)),
                extracted_teeth=str(rng.choice(["none", "14 24 34 44"])),
                start_quarter=f"20{rng.integers(18, 22)}-Q{rng.integers(1, 5)}",
                clinician="CL07",
                sn_gogn_deg_start=32.0,
                sn_gogn_deg_finish=32.0 + (6.0 if adverse else 0.0),
            )
        )
    return found


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A warehouse with three practices, a group with an agreement, and four invitations."""
    home = tmp_path_factory.mktemp("users")
    for number, practice in enumerate(PRACTICES):
        load_rows(home / "data", rows(practice, 90 + 10 * number, number), practice=practice)
    group = ["--group", str(home / "bay")]
    assert main(["group", "init", *group, "--name", "Lantern Bay"]) == 0
    assert main(["group", "agreement", *group, "--warehouse", str(home / "none"), "--by", "extraction",
                 "--variables", "age_band,sex,extraction", "--years", "2016-2023", "--k", "3"]) == 0  # fmt: skip
    assert main(["group", "invite", *group, "--count", "4", "--out", str(home / "invitations")]) == 0
    return home


def contribute(home: Path, practice: str, *more: str, agreement: Path | None = None) -> int:
    number = PRACTICES.index(practice) + 1
    offered = agreement or home / "invitations" / f"invitation-{number:03}.json"
    data = str(home / "data")
    return main(["contribute", "--warehouse", data, "--practice", practice, "--agreement", str(offered), *more])


def files(folder: Path) -> dict[str, bytes]:
    """Every file but the record of commands, which each command adds to."""
    listed = (path for path in sorted(folder.rglob("*")) if path.is_file() and path.name not in {ACCESS, MARK})
    return {str(path.relative_to(folder)): path.read_bytes() for path in listed}


def test_nothing_is_written_without_consent(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = files(home)
    assert contribute(home, "HARBOUR", "--out", str(home / "h.age")) == 0
    said = capsys.readouterr().out
    assert "What HARBOUR would hand over to Lantern Bay" in said
    for heading in ("What leaves", "What never leaves", "What was made coarser", "held back", "The risk that is left"):
        assert heading in said
    assert "Nothing was written. If you agree" in said
    assert contribute(home, "HARBOUR", "--consent") == 0
    assert "no file was named" in capsys.readouterr().out
    assert files(home) == before


def test_the_page_names_the_agreement_and_shows_every_value_that_leaves(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    contribute(home, "HARBOUR", "--level", "counts")
    said = capsys.readouterr().out
    agreed = json.loads((home / "invitations" / "invitation-001.json").read_text())["agreement"]
    assert f"agreement version 1 of {agreed['made_on']}, fingerprint" in said
    assert "D1 totals" in said
    assert "D1 by extraction" in said
    assert re.search(r"started +90\b", said)


@pytest.fixture(scope="module")
def sent(home: Path) -> list[Path]:
    """Two practices give cases, one counts; the coordinator takes all in."""
    paths = []
    for practice, level in zip(PRACTICES, ("cases", "counts", "cases"), strict=True):
        path = home / f"{practice}.age"
        assert contribute(home, practice, "--level", level, "--out", str(path), "--consent") == 0
        paths.append(path)
    assert main(["group", "take", "--group", str(home / "bay"), *map(str, paths)]) == 0
    return paths


def test_what_leaves_holds_no_pseudonym_key_or_quarter(home: Path, sent: list[Path]) -> None:
    from pipelines.group.container import unseal
    from pipelines.group.keys import read_group_keys
    from tests.hand_made import key

    keys = read_group_keys(home / "bay.key")
    for path in sent:
        sealed, opened = path.read_bytes(), unseal(path.read_bytes(), keys)
        for word in (*PRACTICES, "CL07", key("HARBOUR0"), "20-Q1", "start_quarter", "sn_gogn"):
            assert word.encode() not in opened
            assert word.encode() not in sealed
        assert opened.startswith(b"menton contribution, version 1\n")


def test_a_file_is_not_overwritten(home: Path, sent: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    before = sent[0].read_bytes()
    assert contribute(home, "HARBOUR", "--out", str(sent[0]), "--consent") == 1
    assert "there is a file of this name already" in capsys.readouterr().err
    assert sent[0].read_bytes() == before


def test_the_coordinator_sees_who_takes_part_by_pseudonym(
    home: Path, sent: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["group", "list", "--group", str(home / "bay")]) == 0
    said = capsys.readouterr().out
    assert len(re.findall(r"\bP(?:-[A-Z2-7]{4}){4}\b", said)) == 3
    assert "counts" in said
    assert "1 invitation not used yet" in said
    assert not any(practice in said for practice in PRACTICES)
    assert main(["group", "list", "--record", "--group", str(home / "bay")]) == 0
    assert capsys.readouterr().out.count('"took in"') == 3


def test_a_refused_file_says_why(home: Path, sent: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    before = files(home / "bay")
    assert main(["group", "take", "--group", str(home / "bay"), str(sent[0])]) == 1
    told = capsys.readouterr()
    assert "refused, nothing changed" in told.out
    assert told.err == f"  … checking {sent[0].name}\n"
    assert files(home / "bay") == before


def test_commands_of_a_group_say_what_they_are_at_beside_the_answer(
    home: Path, sent: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    assert contribute(home, "HARBOUR", "--level", "counts") == 0
    told = capsys.readouterr()
    assert told.err.count("  … ") == 2
    assert "so that no small count can be worked out" in told.err
    assert main(["group", "pooled", "--group", str(home / "bay"), "--json"]) == 0
    told = capsys.readouterr()
    assert told.err.startswith("  … opening the contributions\n")
    assert json.loads(told.out)["name"]


def test_tables_of_a_group_fit_80_columns(
    home: Path, sent: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tables = tables_noted(monkeypatch)
    assert contribute(home, "HARBOUR", "--level", "counts") == 0
    assert main(["group", "list", "--group", str(home / "bay")]) == 0
    assert main(["group", "pooled", "--group", str(home / "bay"), "--out", str(tmp_path / "result.json")]) == 0
    assert main(["group", "read", str(tmp_path / "result.json"), "--warehouse", str(home / "data")]) == 0
    assert len(tables) > 8
    assert_fitting(tables, 80)


def test_each_practice_finds_itself_among_unnamed_others(
    home: Path, sent: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    out = home / "result.json"
    assert main(["group", "pooled", "--group", str(home / "bay"), "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "Share adverse over 3 practices" in said
    assert ", yours" not in said
    assert not any(practice in said + out.read_text() for practice in PRACTICES)
    assert main(["group", "read", str(out), "--warehouse", str(home / "data")]) == 0
    said = capsys.readouterr().out
    shares, means = said.split("Mean change over 3 practices")
    assert (shares.count(", yours"), means.count(", yours")) == (3, 3)
    (kept,) = kept_results(home / "data")
    assert set(kept.mine) == set(PRACTICES)
    tags = [line.tag for line in kept.result.shares[0].lines]
    assert sorted(kept.mine.values()) == sorted(tags)
    lines = {line.tag: line.counted for line in kept.result.shares[0].lines}
    assert [lines[kept.mine[practice]] for practice in PRACTICES] == ["90", "100", "110"]


def test_a_result_made_again_is_the_same(home: Path, sent: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    for _ in range(2):
        assert main(["group", "pooled", "--group", str(home / "bay"), "--json"]) == 0
    said = capsys.readouterr().out
    first, second = said[: len(said) // 2], said[len(said) // 2 :]
    assert first == second


def test_a_result_changed_on_its_way_is_refused(
    home: Path, sent: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["group", "pooled", "--group", str(home / "bay"), "--out", str(tmp_path / "result.json")])
    whole = json.loads((tmp_path / "result.json").read_text())
    whole["result"]["shares"][0]["lines"][0]["share"] = 0.5
    (tmp_path / "changed.json").write_text(json.dumps(whole))
    assert main(["group", "read", str(tmp_path / "changed.json"), "--warehouse", str(home / "data")]) == 1
    assert "the result was changed, or comes from another coordinator" in capsys.readouterr().err
    (tmp_path / "noise.json").write_text("[1]")
    assert main(["group", "read", str(tmp_path / "noise.json"), "--warehouse", str(home / "data")]) == 1


def test_a_kept_result_that_was_changed_is_not_shown(home: Path, sent: list[Path], tmp_path: Path) -> None:
    from warehouse.errors import GroupError

    path = kept_path(tmp_path, "0" * 16)
    path.parent.mkdir()
    path.write_text("{}")
    with pytest.raises(GroupError, match="changed since it was kept"):
        kept_results(tmp_path)
    assert kept_results(tmp_path / "nothing") == ()


def test_the_files_of_a_group_are_for_their_owner_alone(home: Path, sent: list[Path]) -> None:
    if os.name == "nt":
        pytest.skip("permissions of another kind")
    own = [home / "bay.key", home / "data.contribute.key", home / "data" / "contributions.jsonl"]
    own += [path for path in (home / "bay").rglob("*") if path.is_file()]
    for path in own:
        assert path.stat().st_mode & 0o077 == 0, path.name


def test_the_practice_must_be_named_where_there_are_several(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    offered = str(home / "invitations" / "invitation-004.json")
    assert main(["contribute", "--warehouse", str(home / "data"), "--agreement", offered]) == 1
    assert "the warehouse holds several practices" in capsys.readouterr().err
    assert main(["contribute", "--warehouse", str(home / "data"), "--agreement", offered, "--practice", "FERY"]) == 1
    assert "did you mean FERRY" in capsys.readouterr().err


def resigned(home: Path, tmp_path: Path, **changes: object) -> Path:
    """An agreement with changes, signed by a group of its own that took over name and id."""
    from pipelines.group.keys import make_group_keys
    from pipelines.group.signed_file import agreement_text, succeeded
    from warehouse.pooled.agreement import agreement_from

    keys = make_group_keys(tmp_path / "other.key")
    plain = json.loads((home / "invitations" / "invitation-004.json").read_text())["agreement"]
    lamp = keys.named("Lamp")
    agreed = agreement_from({**plain, "coordinators": [[lamp.name, lamp.recipient, lamp.public]], **changes})
    path = tmp_path / "agreement.json"
    path.write_text(agreement_text(agreed, keys, [succeeded(agreed.group, [lamp], keys, ())]))
    return path


def test_an_agreement_signed_by_someone_else_is_noticed(
    home: Path, sent: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert contribute(home, "HARBOUR", agreement=resigned(home, tmp_path)) == 1
    assert "signed with another key than the group's earlier ones" in capsys.readouterr().err


def test_another_definition_than_agreed_is_noticed(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = definition_to_dict(shipped_registry().get("D1"))
    path = resigned(home, tmp_path, group="f" * 16, definitions=[{**plain, "version": "3.0.0"}])
    assert contribute(home, "HARBOUR", agreement=path) == 1
    assert "the group agreed on D1 v3.0.0; this warehouse has D1 v2.0.0" in capsys.readouterr().err


def test_another_wording_of_the_same_version_is_noticed(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = definition_to_dict(shipped_registry().get("D1"))
    path = resigned(home, tmp_path, group="f" * 16, definitions=[{**plain, "minimum_months": 12.0}])
    assert contribute(home, "HARBOUR", agreement=path) == 1
    assert "worded differently" in capsys.readouterr().err


def test_another_growth_reference_than_agreed_is_noticed(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = resigned(home, tmp_path, group="f" * 16, growth_digest="0" * 64)
    assert contribute(home, "HARBOUR", agreement=path) == 1
    assert "uses ATLAS v1.0.0 and R1 v2.0.0 with other values" in capsys.readouterr().err


def test_a_practice_takes_back_what_it_gave(home: Path, sent: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    assert contribute(home, "FERRY", "--withdraw", "--out", str(home / "back.age")) == 0
    assert "Nothing was written" in capsys.readouterr().out
    assert contribute(home, "FERRY", "--withdraw", "--out", str(home / "back.age"), "--consent") == 0
    assert main(["group", "take", "--group", str(home / "bay"), str(home / "back.age")]) == 0
    assert "has withdrawn" in capsys.readouterr().out
    assert main(["group", "pooled", "--group", str(home / "bay")]) == 0
    assert "Pooled figures need at least 3 practices; 2 can be used." in capsys.readouterr().out
    assert contribute(home, "FERRY", "--withdraw", "--out", str(home / "again.age"), "--consent") == 1
    assert "has not contributed" in capsys.readouterr().err


def test_a_new_agreement_asks_for_new_contributions(
    home: Path, sent: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    group = ["--group", str(home / "bay")]
    new = home / "agreement-2.json"
    assert main(["group", "agreement", *group, "--warehouse", str(home / "none"), "--by", "sex", "--level", "counts",
                 "--variables", "sex", "--years", "2016-2023", "--out", str(new)]) == 0  # fmt: skip
    assert main(["group", "pooled", *group]) == 0
    assert capsys.readouterr().out.count("is not in it: its contribution was made under an earlier agreement") == 2
    assert contribute(home, "HARBOUR", "--level", "cases", agreement=new) == 1
    assert "counts only" in capsys.readouterr().err
    assert contribute(home, "HARBOUR", "--out", str(home / "h2.age"), "--consent", agreement=new) == 0
    assert main(["group", "take", *group, str(home / "h2.age")]) == 0
    assert "has renewed its contribution" in capsys.readouterr().out
    assert contribute(home, "HARBOUR") == 1
    assert "you have contributed under version 2" in capsys.readouterr().err


def test_a_record_that_was_changed_stops_the_practice(
    home: Path, sent: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    path = home / "data" / "contributions.jsonl"
    whole = path.read_bytes()
    path.write_bytes(whole.replace(b'"sequence":1', b'"sequence":7', 1))
    try:
        assert contribute(home, "HARBOUR") == 1
        assert "the record was changed after line 0" in capsys.readouterr().err
    finally:
        path.write_bytes(whole)


def test_a_practice_is_told_that_its_invitation_expired_before_anything_is_written(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = json.loads((home / "invitations" / "invitation-004.json").read_text())
    old = tmp_path / "old.json"
    old.write_text(json.dumps({**whole, "until": "2020-01-31"}))
    out = tmp_path / "late.age"
    load_rows(tmp_path / "data", rows("MEADOW", 90, 9), practice="MEADOW")
    words = ["contribute", "--agreement", str(old), "--warehouse", str(tmp_path / "data")]
    assert main([*words, "--out", str(out), "--consent"]) == 1
    assert "was good until 2020-01-31" in capsys.readouterr().err
    assert not out.exists()
    old.write_text(json.dumps({**whole, "until": "soon"}))
    assert main([*words, "--out", str(out), "--consent"]) == 1
    assert "the agreement was changed" in capsys.readouterr().err


def test_what_was_never_sent_counts_no_longer(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file with one new case waits for more until the one before is struck; a number not there is refused."""
    data = home / "strike"
    load_rows(data, rows("JETTY", 90, 5), practice="JETTY")
    offered = home / "invitations" / "invitation-004.json"
    command = ["contribute", "--warehouse", str(data), "--agreement", str(offered)]
    assert main([*command, "--out", str(home / "jetty-1.age"), "--consent"]) == 0
    load_rows(data, rows("JETTY", 91, 5), practice="JETTY", source="more.csv")
    assert main([*command, "--out", str(home / "jetty-2.age"), "--consent"]) == 1
    assert "Only 1 case is new" in capsys.readouterr().err
    assert main([*command, "--never-sent", "2"]) == 1
    said = capsys.readouterr().err
    assert "there is no file number 2" in said
    assert "give one of these: 1" in said
    assert main([*command, "--never-sent", "1"]) == 0
    assert main([*command, "--never-sent", "1"]) == 1
    told = capsys.readouterr()
    assert "Struck: file number 1" in told.out
    assert "nothing needs to be done: none counts" in told.err
    assert not read_record(data, "JETTY").takes_part(read_record(data, "JETTY").entries[0]["group"])
    assert main([*command, "--out", str(home / "jetty-2.age"), "--consent"]) == 0
    assert "file number 2 of" in capsys.readouterr().out
    assert len(read_record(data, "JETTY").history) == 1


def test_a_round_of_sums_is_answered_at_the_command_line(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Three practices join, answer a round and read what came of it; a file that is no round is refused."""
    group, told = ["--group", str(home / "sums")], home / "asked"
    assert main(["group", "init", *group, "--name", "Sum Bay"]) == 0
    assert main(["group", "agreement", *group, "--warehouse", str(home / "none"), "--by", "extraction",
                 "--variables", "age_band,sex,extraction", "--years", "2016-2023", "--level", "sums"]) == 0  # fmt: skip
    assert main(["group", "invite", *group, "--count", "3", "--out", str(told)]) == 0

    def give(practice: str, out: str, *more: str) -> int:
        number = PRACTICES.index(practice) + 1
        asked = ["--agreement", str(told / f"invitation-{number:03}.json"), "--practice", practice]
        return main(["contribute", "--warehouse", str(home / "data"), *asked, "--out", str(home / out), *more])

    joined = [f"join-{one}.age" for one in PRACTICES]
    assert [give(one, out, "--consent") for one, out in zip(PRACTICES, joined, strict=True)] == [0, 0, 0]
    assert main(["group", "take", *group, *(str(home / one) for one in joined)]) == 0
    sheet = home / "round.json"
    assert main(["group", "round", *group, "--out", str(sheet)]) == 0
    assert give("HARBOUR", "wrong.age", "--consent", "--round", str(told / "invitation-001.json")) == 1
    assert "round" in capsys.readouterr().err
    assert give("HARBOUR", "look.age", "--round", str(sheet)) == 0
    said = capsys.readouterr().out
    assert "What HARBOUR would add to round 1 of Sum Bay" in said
    assert "numbers under masks" in said
    assert not (home / "look.age").exists()
    answers = [f"answer-{one}.age" for one in PRACTICES]
    assert [
        give(one, out, "--consent", "--round", str(sheet)) for one, out in zip(PRACTICES, answers, strict=True)
    ] == [0] * 3
    assert main(["group", "take", *group, *(str(home / one) for one in answers)]) == 0
    capsys.readouterr()
    assert main(["group", "pooled", *group, "--out", str(home / "sums.json")]) == 0
    said = capsys.readouterr().out
    everyone = [row for i, one in enumerate(PRACTICES) for row in rows(one, 90 + 10 * i, i)]
    adverse = sum(row["sn_gogn_deg_finish"] > 36.0 for row in everyone)
    assert f"adverse {adverse}" in said
    assert give("HARBOUR", "again.age", "--consent", "--round", str(sheet)) == 0
