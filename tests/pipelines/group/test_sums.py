"""Counts that nobody sees: masks that cancel in the sum, rounds, and what is pooled from sums."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey, X25519PublicKey
from cryptography.hazmat.primitives.ciphers import Cipher
from cryptography.hazmat.primitives.ciphers.algorithms import ChaCha20
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from scipy.stats import chisquare, kstest

from pipelines.group import rounds, taking
from pipelines.group.container import unpack, unseal
from pipelines.group.contribution import SUMS, sealed_sums, sealed_withdrawal
from pipelines.group.folder import GroupFolder
from pipelines.group.founding import found_group, invite, make_agreement
from pipelines.group.keys import PracticeKey
from pipelines.group.results import _check_own_table, make_result
from pipelines.group.rounds import (
    RoundMember,
    RoundSheet,
    added_up,
    is_own_mask_key,
    make_round,
    mask,
    mask_key_of,
    masked,
    read_round,
    round_to_answer,
    signed_mask_key,
    told_alone,
)
from pipelines.group.signed_file import offered_from
from pipelines.group.taking import take
from tests.study_group import cohort
from warehouse.errors import GroupError
from warehouse.marts.catalogues import shipped
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.cases import GroupCases
from warehouse.pooled.sums import vector_of
from warehouse.store.storage import utc_now

TERMS = {
    "outcomes": ("D1", "J1"),
    "variables": ("age_band", "sex", "extraction", "start_year"),
    "groupings": ("extraction", "age_band"),
    "years": (2016, 2023),
    "level": "sums",
    "spread": True,
}
GROUP = "00112233445566aa"


def key(number: int, group: str = GROUP) -> PracticeKey:
    return PracticeKey(hashlib.sha256(f"practice {number}".encode()).digest(), group)


def member(one: PracticeKey) -> RoundMember:
    mask_key, signature = signed_mask_key(one)
    return RoundMember(pseudonym=one.pseudonym, public=one.public, mask_key=mask_key, signature=signature)


def sheet_of(keys: Sequence[PracticeKey], *, nonce: int = 0) -> RoundSheet:
    return RoundSheet(
        format=rounds.FORMAT, group=GROUP, number=1, terms="t", nonce=f"{nonce:032x}", until="2199-01-01",
        members=tuple(map(member, keys)), earlier=(),
    )  # fmt: skip


# What masks are made of, against what was published


def test_the_key_of_a_mask_is_that_of_rfc_5869() -> None:
    """RFC 5869, appendix A, test cases 1 and 3 (from memory)."""
    for salt, info, length, okm in (
        (
            "000102030405060708090a0b0c",
            "f0f1f2f3f4f5f6f7f8f9",
            42,
            "3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf34007208d5b887185865",
        ),
        ("", "", 42, "8da4e775a563c18f715f802a063c5a31b8a11f5c5ee1879ec3454e5f3c738d2d9d201395faa4b61a96c8"),
    ):
        made = HKDF(algorithm=SHA256(), length=length, salt=bytes.fromhex(salt), info=bytes.fromhex(info))
        assert made.derive(b"\x0b" * 22).hex() == okm


def test_two_practices_agree_on_the_secret_of_rfc_7748() -> None:
    """RFC 7748, section 6.1 (from memory)."""
    alice = X25519PrivateKey.from_private_bytes(
        bytes.fromhex("77076d0a7318a57d3c16c17251b26645df4c2f87ebc0992ab177fba51db92c2a")
    )
    bob = X25519PrivateKey.from_private_bytes(
        bytes.fromhex("5dab087e624a8a4b79e17f8b83800ee66f3bb1292618b6fd1c2f8b27ff88e0eb")
    )
    assert alice.public_key().public_bytes_raw().hex() == (
        "8520f0098930a754748b7ddcb43ef75a0dbf3a0d26381af4eba4a98eaa9b4e6a"
    )
    assert bob.public_key().public_bytes_raw().hex() == (
        "de9edb7d7b7dc1b4d35b61c2ece435373f8343c85b78674dadfc7e146f882b4f"
    )
    secret = "4a5d9d5ba4ce2de1728e3bf480350f25e07e21c947d19e3376f09b3c1e161742"
    assert alice.exchange(bob.public_key()).hex() == bob.exchange(alice.public_key()).hex() == secret


def test_the_stream_is_that_of_rfc_8439() -> None:
    """RFC 8439, appendix A.1, test vector 1: key, nonce and counter of zeros (from memory)."""
    stream = Cipher(ChaCha20(bytes(32), bytes(16)), mode=None).encryptor().update(bytes(16))
    assert stream.hex() == "76b8e0ada0f13d90405d6ae55386bd28"


def test_a_mask_is_what_its_description_says() -> None:
    digest, secret = "ab" * 32, bytes(range(32))
    made = HKDF(algorithm=SHA256(), length=32, salt=bytes.fromhex(digest), info=b"menton mask\x1faa\x1fbb")
    stream = Cipher(ChaCha20(made.derive(secret), bytes(16)), mode=None).encryptor().update(bytes(80))
    expected = [int.from_bytes(stream[i : i + 8], "little") for i in range(0, 80, 8)]
    assert mask(secret, digest, ("bb", "aa"), 10).tolist() == expected


# What the coordinator sees


def test_masks_cancel_in_the_sum_and_in_no_part_of_it() -> None:
    keys = [key(i) for i in range(12)]
    sheet, rng = sheet_of(keys), np.random.default_rng(1)
    counts = [rng.integers(0, 50, 300).astype(np.uint64) for _ in keys]
    tables = [masked(each, one, sheet) for each, one in zip(counts, keys, strict=True)]
    assert added_up(tables).tolist() == sum(counts).tolist()
    for left_out in range(12):
        part = added_up(tables[:left_out] + tables[left_out + 1 :])
        assert np.mean(part > 2**40) > 0.99


def test_every_table_the_coordinator_gets_is_uniform_whatever_the_counts() -> None:
    """Bytes and whole numbers over 300 rounds of two very different practices: chi-squared and Kolmogorov-Smirnov."""
    keys = [key(i) for i in range(5)]
    nothing, much = np.zeros(64, dtype=np.uint64), np.full(64, 40_000, dtype=np.uint64)
    for counts, number in ((nothing, 0), (much, 3)):
        tables = [masked(counts, keys[number], sheet_of(keys, nonce=nonce)) for nonce in range(300)]
        assert len(set(tables)) == 300
        values = np.frombuffer(b"".join(tables), dtype="<u8")
        bytes_ = np.frombuffer(b"".join(tables), dtype=np.uint8)
        assert chisquare(np.bincount(bytes_, minlength=256)).pvalue > 1e-3
        assert kstest(values / 2**64, "uniform").pvalue > 1e-3
        low_bits = np.bincount((values % 16).astype(int), minlength=16)
        assert chisquare(low_bits).pvalue > 1e-3


def test_other_counts_with_the_same_sum_give_the_very_same_messages_under_other_masks() -> None:
    """For any other tables with this sum there are masks by which every message is as it was: nothing else is told.

    Masks of the pairs that the first practice is part of take up the differences, which sum to nothing.
    """
    n, length = 6, 40
    rng = np.random.default_rng(3)
    counts = rng.integers(0, 90, (n, length)).astype(np.uint64)
    masks = {(i, j): rng.integers(0, 2**64, length, dtype=np.uint64) for i in range(n) for j in range(i + 1, n)}

    def messages(tables: np.ndarray, pairs: dict[tuple[int, int], np.ndarray]) -> np.ndarray:
        made = tables.copy()
        for (i, j), numbers in pairs.items():
            made[i] += numbers
            made[j] -= numbers
        return made

    for _ in range(20):
        others = counts.copy()
        for _ in range(60):  # cases moved from practice to practice
            i, j, cell = rng.integers(n), rng.integers(n), rng.integers(length)
            if others[i, cell]:
                others[i, cell] -= 1
                others[j, cell] += 1
        assert (others != counts).any()
        moved = {pair: numbers.copy() for pair, numbers in masks.items()}
        for j in range(1, n):
            moved[0, j] += others[j] - counts[j]
        assert (messages(others, moved) == messages(counts, masks)).all()


def test_rounds_and_pairs_have_masks_of_their_own() -> None:
    keys = [key(i) for i in range(4)]
    first, second = sheet_of(keys), sheet_of(keys, nonce=1)
    assert first.digest != second.digest
    secret = mask_key_of(keys[0]).exchange(mask_key_of(keys[1]).public_key())
    seen = {
        mask(secret, sheet.digest, pair, 4).tobytes()
        for sheet in (first, second)
        for pair in (("a", "b"), ("a", "c"), ("b", "c"))
    }
    assert len(seen) == 6


# Rounds


@dataclass
class SumGroup:
    """A group that pools by sums, its practices and their cases."""

    folder: GroupFolder
    home: Path
    keys: dict[str, PracticeKey]
    cases: dict[str, GroupCases]
    sent: dict[str, int]

    @property
    def agreement(self) -> Agreement:
        return self.folder.agreement()

    def send(self, name: str, sheet: RoundSheet | None = None, *, invitation: str = "", key: str = "") -> Path:
        self.sent[name] = self.sent.get(name, 0) + 1
        one = self.keys[key or name]
        table = b"" if sheet is None else masked(vector_of(self.cases[name].frame, self.agreement), one, sheet)
        data = sealed_sums(
            self.agreement, one, sequence=self.sent[name], made_on="2026-01-01", invitation=invitation, table=table,
            sheet=sheet,
        )  # fmt: skip
        path = self.home / f"{name}-{self.sent[name]}.age"
        path.write_bytes(data)
        return path


def sum_group(home: Path, n: int, *, size: int = 150, **terms: object) -> SumGroup:
    folder = GroupFolder(home / "bay", home / "bay.key")
    found_group(folder, "Lantern Bay")
    agreement = make_agreement(folder, shipped(), **{**TERMS, **terms})  # type: ignore[arg-type]
    rng = np.random.default_rng(n)
    names = [f"N{i:02}" for i in range(n)]
    cases = {name: cohort(rng, size + 7 * i, agreement, share=0.1 + 0.02 * (i % 5)) for i, name in enumerate(names)}
    keys = {name: key(i, agreement.group) for i, name in enumerate(names)}
    group = SumGroup(folder, home, keys, cases, {})
    for name, text in zip(names, invite(folder, n), strict=True):
        take(folder, group.send(name, invitation=offered_from(text.encode(), where="i").invitation))
    return group


@pytest.fixture
def twelve(tmp_path: Path) -> SumGroup:
    return sum_group(tmp_path, 12)


def days_later(monkeypatch: pytest.MonkeyPatch, days: int) -> None:
    def later() -> datetime:
        return utc_now() + timedelta(days=days)

    for module in (rounds, taking, __import__("pipelines.group.contribution", fromlist=["x"])):
        monkeypatch.setattr(module, "utc_now", later)


def plain_sums(group: SumGroup, names: Sequence[str]) -> list[int]:
    return np.sum([vector_of(group.cases[name].frame, group.agreement) for name in names], axis=0).tolist()


def test_twelve_members_of_whom_two_drop_out_between_rounds(twelve: SumGroup, monkeypatch: pytest.MonkeyPatch) -> None:
    names, seen = sorted(twelve.keys), []
    first = make_round(twelve.folder)
    assert len(first.members) == 12
    for name in names[:10]:
        path = twelve.send(name, first)
        seen.append(path)
        take(twelve.folder, path)
    with pytest.raises(GroupError, match="did not answer round 1"):
        make_result(twelve.folder)
    with pytest.raises(GroupError, match="can be answered until"):
        make_round(twelve.folder)
    days_later(monkeypatch, 15)
    late = twelve.send(names[10], first)
    with pytest.raises(GroupError, match="late answer"):
        take(twelve.folder, late)
    silent = [twelve.keys[name].pseudonym for name in names[10:]]
    with pytest.raises(GroupError, match=r"tell the table of .* alone"):
        make_round(twelve.folder, without=silent[:1])
    second = make_round(twelve.folder, without=silent)
    assert second.names == first.names - set(silent)
    for name in names[:10]:
        path = twelve.send(name, second)
        seen.append(path)
        take(twelve.folder, path)
    made = make_result(twelve.folder)
    expected = plain_sums(twelve, names[:10])
    totals = dict(made.result.shares[0].totals)
    cells = np.array(expected[: len(expected) // 2 - 4]).reshape(-1, 4).sum(axis=0)
    shown = [int(totals[name].replace(",", "")) for name in ("adverse", "not adverse", "not known", "not due")]
    assert shown == cells.tolist()
    # Every message: without information on a single practice
    keys = twelve.folder.keys()
    tables = [unpack(unseal(path.read_bytes(), keys)).members[SUMS] for path in seen]
    values = np.frombuffer(b"".join(tables), dtype="<u8")
    assert values.size == 20 * len(expected)
    assert kstest(values / 2**64, "uniform").pvalue > 1e-3
    assert chisquare(np.bincount(np.frombuffer(b"".join(tables), dtype=np.uint8), minlength=256)).pvalue > 1e-3
    assert np.mean(added_up(tables[:10]) > 2**40) > 0.99  # the first round never becomes readable
    for table in tables[10:]:
        others = [one for one in tables[10:] if one is not table]
        assert np.mean(added_up(others) > 2**40) > 0.99
    # The record of the round, which every member checks
    for name, table in zip(names[:10], tables[10:], strict=True):
        pseudonym, digest = twelve.keys[name].pseudonym, hashlib.sha256(table).hexdigest()
        assert made.result.round is not None
        assert made.result.round.answers[pseudonym] == digest
        entries = [{"round": second.digest, "table": digest}]
        _check_own_table(made.result, pseudonym, entries)
        with pytest.raises(GroupError, match="another table"):
            _check_own_table(made.result, pseudonym, [{**entries[0], "table": "0" * 64}])
    with pytest.raises(GroupError, match="another table"):
        _check_own_table(made.result, "P-SOME-BODY-ELSE-HERE", [{"round": second.digest, "table": "0" * 64}])
    assert make_result(twelve.folder).is_new is False


def test_what_is_pooled_from_sums_is_what_would_be_pooled_from_the_cases(twelve: SumGroup) -> None:
    """Shares, crude ratios and Mantel-Haenszel odds ratios, worked out here from all cases in one frame."""
    import polars as pl
    from statsmodels.stats.contingency_tables import StratifiedTable

    sheet = make_round(twelve.folder)
    for name in twelve.keys:
        take(twelve.folder, twelve.send(name, sheet))
    result = make_result(twelve.folder).result
    frame = pl.concat([one.frame for one in twelve.cases.values()])
    counted = frame.filter(pl.col("result_D1").is_in(["adverse", "not adverse"]))
    share = result.shares[0].figures[0]
    assert share.n == counted.height
    assert share.value == pytest.approx((counted["result_D1"] == "adverse").mean())
    sizes, events = [], []
    for one in twelve.cases.values():
        mine = one.frame.filter(pl.col("result_D1").is_in(["adverse", "not adverse"]))
        sizes.append(mine.height)
        events.append(int((mine["result_D1"] == "adverse").sum()))
    p, x, n = share.value, np.array(events), np.array(sizes)
    effect = 12 / 11 * float(((x - p * n) ** 2).sum()) / (p * (1 - p) * n.sum())
    (note,) = result.shares[0].notes
    assert note.numbers["times"] == pytest.approx(effect, abs=0.051)  # type: ignore[union-attr]
    (by_extraction,) = [one for one in result.breakdowns if (one.outcome, one.by) == ("D1", "extraction")]
    checked = 0
    for row in by_extraction.rows:
        if row.adjusted is None:
            continue
        tables = []
        for band in counted["age_band"].unique().to_list():
            cells = [
                [
                    counted.filter(
                        (pl.col("age_band") == band)
                        & (pl.col("extraction") == label)
                        & (pl.col("result_D1") == result_)
                    ).height
                    for result_ in ("adverse", "not adverse")
                ]
                for label in (row.label, by_extraction.reference)
            ]
            if min(map(sum, cells)) > 0:
                tables.append(np.array(cells, dtype=float))
        reference = StratifiedTable(tables)
        assert row.adjusted.value == pytest.approx(reference.oddsratio_pooled, abs=0.0051)
        low, high = reference.oddsratio_pooled_confint()
        assert (row.adjusted.low, row.adjusted.high) == pytest.approx((low, high), abs=0.0051)
        checked += 1
    assert checked >= 1
    assert by_extraction.adjusted_for == ("age_band",)


def test_small_sums_are_hidden_from_what_is_pooled(tmp_path: Path) -> None:
    group = sum_group(tmp_path, 4, size=12, outcomes=("D1",), spread=False, groupings=("extraction", "age_band"))
    sheet = make_round(group.folder)
    for name in group.keys:
        take(group.folder, group.send(name, sheet))
    result = make_result(group.folder).result
    minimum = group.agreement.minimum
    shown = [cell for _, cell in result.shares[0].totals]
    shown += [cell for one in result.breakdowns for row in one.rows for cell in (row.counted, row.adverse)]
    numbers = [int(one.replace(",", "")) for one in shown if one.replace(",", "").isdigit()]
    assert numbers
    assert not [one for one in numbers if 0 < one < minimum]


def test_spread_is_told_of_six_practices_at_least(tmp_path: Path) -> None:
    group = sum_group(tmp_path, 5, outcomes=("D1",))
    sheet = make_round(group.folder)
    for name in group.keys:
        take(group.folder, group.send(name, sheet))
    (note,) = make_result(group.folder).result.shares[0].notes
    assert note.code == "spread_not_added"  # type: ignore[union-attr]


def test_no_rounds_together_tell_one_practice_alone() -> None:
    """Against every whole-number combination with factors from -3 to 3, worked out one by one."""
    from itertools import product

    rng = np.random.default_rng(5)
    agreed = 0
    for _ in range(120):
        names = list("abcde")
        sets = [frozenset(rng.choice(names, rng.integers(2, 6), replace=False).tolist()) for _ in range(3)]
        everyone = sorted(frozenset().union(*sets))
        found = set()
        for factors in product(range(-3, 4), repeat=3):
            total = [sum(f * (name in one) for f, one in zip(factors, sets, strict=True)) for name in everyone]
            if sum(map(abs, total)) > 0 and sum(value != 0 for value in total) == 1:
                found.add(everyone[next(i for i, value in enumerate(total) if value)])
        assert set(told_alone(sets)) == found
        agreed += bool(found)
    assert 20 < agreed < 120
    assert told_alone([frozenset("ab"), frozenset("bc"), frozenset("ac")]) == ["a", "b", "c"]
    assert told_alone([frozenset("abcd"), frozenset("ab")]) == []


def test_a_member_answers_no_round_that_would_tell_a_practice_by_what_it_answered_before(
    twelve: SumGroup,
) -> None:
    """The coordinator's program is made to say nothing of the earlier round."""
    sheet = make_round(twelve.folder)
    own = twelve.keys["N00"].pseudonym
    offered = offered_from((twelve.folder.agreement_path(1)).read_bytes(), where="a")
    known = offered.succession[-1]
    path = twelve.folder.round_path(1)
    assert round_to_answer(path, twelve.agreement, own, known=known, answered={}).digest == sheet.digest
    one_more = sheet.names | {"P-SOME-BODY-ELSE-HERE"}
    with pytest.raises(GroupError, match="tell the table of P-SOME-BODY-ELSE-HERE alone"):
        round_to_answer(path, twelve.agreement, own, known=known, answered={"earlier": one_more})
    same = {sheet.digest: sheet.names}
    assert round_to_answer(path, twelve.agreement, own, known=known, answered=same).digest == sheet.digest


@pytest.mark.parametrize(
    ("change", "found"),
    [
        ({"terms": "0" * 64}, "another agreement"),
        ({"group": "f" * 16}, "changed|not its own|another group"),
        ({"until": "2020-01-01"}, "could be answered until 2020-01-01"),
        ({"nonce": "0"}, "not as it should be"),
        ({"format": "menton round, version 7"}, "it is of version 7; version 1 is read"),
    ],
)
def test_a_round_that_is_not_as_it_should_be_is_not_answered(
    twelve: SumGroup, change: dict[str, object], found: str
) -> None:
    from pipelines.group.signed_file import signed

    sheet = make_round(twelve.folder)
    offered = offered_from((twelve.folder.agreement_path(1)).read_bytes(), where="a")
    whole = json.loads(twelve.folder.round_path(1).read_text())
    plain = {**sheet.to_dict(), **change}
    path = twelve.home / "round.json"
    path.write_text(json.dumps({**whole, **signed("round", plain, twelve.folder.keys())}))
    own = twelve.keys["N00"].pseudonym
    with pytest.raises(GroupError, match=found):
        round_to_answer(path, twelve.agreement, own, known=offered.succession[-1], answered={})


def test_a_key_put_in_the_place_of_a_members_is_noticed(twelve: SumGroup) -> None:
    """The coordinator knows the secret half of the key he puts in."""
    from pipelines.group.signed_file import signed

    sheet = make_round(twelve.folder)
    whole = json.loads(twelve.folder.round_path(1).read_text())
    own = X25519PrivateKey.generate().public_key().public_bytes_raw().hex()
    first, *others = sheet.members
    for swapped in (replace(first, mask_key=own), replace(first, public=key(99).public), replace(others[0])):
        changed = replace(sheet, members=(swapped, *others))
        path = twelve.home / "round.json"
        path.write_text(json.dumps({**whole, **signed("round", changed.to_dict(), twelve.folder.keys())}))
        with pytest.raises(GroupError, match=r"not its own|names a practice twice"):
            read_round(path)


@pytest.mark.parametrize(
    "point", ["00" * 32, "01" + "00" * 31, "e0eb7a7c3b41b8ae1656e3faf19fc46ada098deb9c32b1fd866205165f49b800"]
)
def test_a_key_of_which_no_secret_can_be_made_is_refused(point: str) -> None:
    """Points of small order (RFC 7748, section 6.1 and 7; the third from Bernstein's list, from memory)."""
    one = key(1)
    signature = one.sign(f"menton mask key\x1f{GROUP}\x1f{point}".encode()).hex()
    assert not is_own_mask_key(GROUP, one.public, point, signature)
    assert is_own_mask_key(GROUP, one.public, *signed_mask_key(one))
    with pytest.raises(ValueError, match="shared key"):
        X25519PrivateKey.generate().exchange(X25519PublicKey.from_public_bytes(bytes.fromhex(point)))


def test_a_table_that_does_not_fit_the_round_is_refused_and_changes_nothing(twelve: SumGroup) -> None:
    sheet = make_round(twelve.folder)
    other = replace(sheet, nonce="f" * 32)
    record = twelve.folder.record.path.read_bytes()
    data = sealed_sums(
        twelve.agreement, twelve.keys["N00"], sequence=9, made_on="2026-01-01", invitation="", table=b"12345678",
        sheet=sheet,
    )  # fmt: skip
    short = twelve.home / "short.age"
    short.write_bytes(data)
    for path, found in (
        (twelve.send("N00", other), "another round"),
        (short, "another length"),
        (twelve.send("N01", None, key="N01"), ""),
    ):
        if not found:
            continue
        with pytest.raises(GroupError, match=found):
            take(twelve.folder, path)
    assert twelve.folder.record.path.read_bytes() == record


def test_sums_that_are_no_counts_are_not_pooled(twelve: SumGroup) -> None:
    """One practice made its table for another round of the same length: the sum is noise."""
    sheet = make_round(twelve.folder)
    wrong = replace(sheet, nonce="f" * 32)
    for name in twelve.keys:
        one = twelve.keys[name]
        counts = vector_of(twelve.cases[name].frame, twelve.agreement)
        table = masked(counts, one, wrong if name == "N03" else sheet)
        data = sealed_sums(
            twelve.agreement, one, sequence=5, made_on="2026-01-01", invitation="", table=table, sheet=sheet
        )
        path = twelve.home / f"{name}.age"
        path.write_bytes(data)
        take(twelve.folder, path)
    with pytest.raises(GroupError, match="do not add up to counts"):
        make_result(twelve.folder)


def test_a_withdrawal_ends_the_round_and_the_next_goes_without(
    twelve: SumGroup, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = make_round(twelve.folder)
    for name in twelve.keys:
        take(twelve.folder, twelve.send(name, sheet))
    make_result(twelve.folder)
    for name in ("N04", "N05"):
        data = sealed_withdrawal(twelve.agreement, twelve.keys[name], sequence=9, made_on="2026-01-02")
        path = twelve.home / "back.age"
        path.write_bytes(data)
        take(twelve.folder, path)
    with pytest.raises(GroupError, match="did not answer round 1"):
        make_result(twelve.folder)
    days_later(monkeypatch, 15)
    after = make_round(twelve.folder)
    assert len(after.members) == 10
    for name in twelve.keys:
        if name not in {"N04", "N05"}:
            take(twelve.folder, twelve.send(name, after))
    made = make_result(twelve.folder)
    assert made.result.number == 2
    assert made.result.shares[0].practices == 10
