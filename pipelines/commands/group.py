"""``menton group``: run a study group that pools without exposing a patient or a practice."""

import argparse
import json
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from pipelines.commands.agreement_page import agreement_document
from pipelines.commands.group_show import print_result
from pipelines.commands.options import encryption_key, print_table, progress, say, say_list
from pipelines.group.copies import back_up, faults_of, put_back
from pipelines.group.folder import GroupFolder, GroupState
from pipelines.group.founding import change_coordinators, found_group, invite, make_agreement, revoke
from pipelines.group.keys import make_group_keys, read_group_keys
from pipelines.group.results import make_result, read_for_practices
from pipelines.group.rounds import make_round, who_answered
from pipelines.group.signed_file import card_text, read_agreement, read_card
from pipelines.group.taking import take, withdraw
from pipelines.ingest.ingest import catalogues_at
from warehouse.errors import GroupError, MentonError, RequestError
from warehouse.leaving.gate import AS_SEEN, NO_CASE, let_out
from warehouse.plural import number_of
from warehouse.pooled.agreement import Agreement, fingerprint_of
from warehouse.pooled.history import RECORD_FILE
from warehouse.pooled.kept_results import Kept, keep_result
from warehouse.pooled.result import GroupResult
from warehouse.pooled.variables import DEFAULT_GROUPINGS, DEFAULT_VARIABLES
from warehouse.private_files import beside
from warehouse.store.chain import keep_key

_NUMBERS = ("k", "l", "minimum", "round_to", "fewest_new", "fewest_practices", "most_cases")


def _folder(args: argparse.Namespace) -> GroupFolder:
    return GroupFolder(args.group, args.group_key_file or beside(args.group, "key"))


def verb_init(args: argparse.Namespace) -> None:
    folder = _folder(args)
    found_group(folder, args.name, coordinator=args.coordinator)
    say(f"The group {args.name!r} is made: folder {folder.path.name}, keys in {folder.key_file.name}.")
    say("Keep a copy of the key file where only you can reach it: without it no contribution can be opened.")
    say("Better, take in a second coordinator (`menton group card`, then `menton group coordinators`).")
    say("Next: `menton group agreement`, then `menton group invite`.")


def verb_card(args: argparse.Namespace) -> None:
    folder = _folder(args)
    keys = read_group_keys(folder.key_file) if folder.key_file.exists() else make_group_keys(folder.key_file)
    let_out(card_text(args.name, keys), NO_CASE, to=args.out)
    say(f"Written to {args.out.name}: your public keys. The secret ones stay in {folder.key_file.name}.")
    say(f"Read this out to the coordinator who takes you in, by telephone: {fingerprint_of(keys.public)}")


def verb_coordinators(args: argparse.Namespace) -> None:
    folder = _folder(args)
    for path in args.add:
        card = read_card(path)
        say(f"{path.name}: {card.name}, {fingerprint_of(card.public)}   (compare by telephone)")
    agreement, n = change_coordinators(folder, add=args.add, remove=args.remove, renew=args.renew)
    names = [one.name for one in folder.state().coordinators]
    say(f"Coordinators now: {', '.join(names)}. Any one of them can open and sign.")
    if n:
        say(f"{number_of(n, 'contribution')} encrypted anew to their keys.")
    if args.renew:
        say(f"Your earlier keys lie in {folder.key_file.name}.before; they open nothing here any more.")
    if agreement is not None:
        say(
            f"Agreement version {agreement.version}, fingerprint {agreement.fingerprint}: contributions go on counting."
        )
        say("Send it to all: from now on practices encrypt to these coordinators.")
        if args.out:
            _copy(folder.agreement_path(agreement.version), args.out)
    if len(names) == 1:
        say("One coordinator only: if that key is lost, nothing can be opened any more.")
    say("Hand the folder on with `menton group backup`; one coordinator at a time changes it.")


def verb_verify(args: argparse.Namespace) -> int:
    faults = faults_of(_folder(args))
    for fault in faults:
        say(f"WRONG: {fault}")
    say("nothing wrong" if not faults else f"{len(faults)} things wrong")
    return 1 if faults else 0


def verb_backup(args: argparse.Namespace) -> None:
    say(f"{number_of(back_up(_folder(args), args.out), 'file')} copied to {args.out.name}, with hashes.")
    say("No key is in it. Only a coordinator can open the contributions.")


def verb_restore(args: argparse.Namespace) -> None:
    aside = put_back(args.source, _folder(args), replace=args.replace)
    say("The copy is in place; every hash was checked.")
    if aside is not None:
        say(f"The folder that was there lies in {aside.name}.")


def verb_agreement(args: argparse.Namespace) -> None:
    folder, catalogues = _folder(args), catalogues_at(args.warehouse, encryption_key(args))
    agreement = make_agreement(
        folder,
        catalogues,
        outcomes=_names(args.outcomes) or (catalogues.definition(None).id,),
        variables=_names(args.variables) or DEFAULT_VARIABLES,
        groupings=_names(args.by) or DEFAULT_GROUPINGS,
        years=_years(args.years),
        level=args.level,
        spread=args.with_spread,
        **{name: getattr(args, name) for name in _NUMBERS} | {"round_to": args.round_to or None},
    )
    _print_agreement(agreement)
    if args.out:
        _copy(folder.agreement_path(agreement.version), args.out)
    if agreement.version > 1:
        say("Contributions under the earlier version no longer count: send the new agreement and ask for new ones.")


def verb_document(args: argparse.Namespace) -> None:
    agreement = read_agreement(args.agreement).agreement
    let_out(agreement_document(agreement), NO_CASE, to=args.out)
    say(f"Written to {args.out.name}: version {agreement.version}, fingerprint {agreement.fingerprint}.")


def _names(text: str | None) -> tuple[str, ...]:
    return tuple(one.strip() for one in (text or "").split(",") if one.strip())


def _years(text: str | None) -> tuple[int, int]:
    if text is None:
        return date.today().year - 10, date.today().year
    first, _, last = text.partition("-")
    if first.isdigit() and last.isdigit():
        return int(first), int(last)
    raise RequestError(f"--years {text!r} is not of the form FROM-TO", remedy="such as --years 2015-2025")


def _print_agreement(agreement: Agreement) -> None:
    say(f"{agreement.name}: agreement version {agreement.version} of {agreement.made_on} is in force.")
    say(f"  fingerprint: {agreement.fingerprint}   (read it out to the practices by telephone)")
    say(f"  coordinators: {', '.join(one.name for one in agreement.coordinators)}")
    say(f"  asked of a practice: {_ASKED[agreement.level]}; counts from 1 to {agreement.minimum - 1} are hidden")
    say(f"  outcomes: {', '.join(f'{one.name} {one.label}' for one in agreement.definitions)}")
    say("  All of its terms, to read and sign: `menton group document`.")


_ASKED = {
    "cases": "single cases made coarser, or counts",
    "counts": "counts only",
    "sums": "counts that nobody sees: tables under masks, of which only the sum over practices can be read",
}


def verb_round(args: argparse.Namespace) -> None:
    folder = _folder(args)
    sheet = make_round(folder, without=_names(",".join(args.without)), days=args.days)
    say(f"Round {sheet.number}: {number_of(len(sheet.members), 'practice')}, until {sheet.until}.")
    say(
        "Once every one of them has answered, `menton group pooled` adds up. If one is silent, make another without it."
    )
    _copy(folder.round_path(sheet.number), args.out)


def verb_invite(args: argparse.Namespace) -> None:
    args.out.mkdir(parents=True, exist_ok=True)
    for number, text in enumerate(invite(_folder(args), args.count, days=args.days), start=1):
        let_out(text, NO_CASE, to=args.out / f"invitation-{number:03}.json")
    say(f"{number_of(args.count, 'invitation')} written to {args.out.name}.")
    say(f"Each lets one practice in, once, within {number_of(args.days, 'day')}.")
    say("Keep copies: `menton group revoke` takes an invitation back by its file.")
    say("Let practices draw theirs so that nobody knows who got which; then their pseudonyms name nobody.")


def verb_revoke(args: argparse.Namespace) -> None:
    for path in args.files:
        revoke(_folder(args), path)
        say(f"{path.name}: revoked. It lets nobody in from now on.")


def verb_take(args: argparse.Namespace) -> int:
    folder, refused = _folder(args), 0
    for path in args.files:
        progress(f"checking {path.name}")
        try:
            taken = take(folder, path)
        except MentonError as error:
            refused += 1
            say(f"{path.name}: refused, nothing changed. {error}")
            continue
        about = f": {taken.level}, {_cases(taken.cases)}" if taken.level else ""
        say(f"{path.name}: {taken.pseudonym} {_DONE[taken.kind]}{about}.")
    return 1 if refused else 0


_UNTOLD = {"hash", "hashes", "invitation", "digest", "signed", "sealed_for", "public", "mask_key", "mask_signature"}
_DONE = {"new": "takes part from now on", "replaced": "has renewed its contribution", "withdrawn": "has withdrawn"}


def verb_list(args: argparse.Namespace) -> int:
    folder = _folder(args)
    state = folder.state()
    if args.record:
        for entry in folder.record.read():
            print(json.dumps({name: value for name, value in entry.items() if name not in _UNTOLD}))
        return 0
    if args.consents:
        print_table(
            "", ("day", "practice", "what"), [row for one in folder.record.read() if (row := _consent(one, state))]
        )
        return 0
    if state.version:
        _print_agreement(folder.agreement())
    agreement = folder.agreement() if state.version else None
    rows = [
        (
            name,
            one.level,
            _cases(one.cases).removesuffix(" cases"),
            str(one.sequence),
            one.since,
            _COUNTS[folder.counts_under(agreement, one.agreement) if agreement else False],
        )
        for name, one in sorted(state.practices.items())
        if one.is_in
    ]
    print_table("", ("practice", "level", "cases", "file", "taken in", "counts"), rows, right=(2, 3))
    year, taking_part = date.today().year, {name: one for name, one in state.practices.items() if one.is_in}
    behind = {name: one.since[:10] for name, one in sorted(taking_part.items()) if one.since < str(year)}
    say(f"  {len(taking_part) - len(behind)} of {len(taking_part)} have contributed for {year}")
    say_list(f"{name} last did on {day}: remind all, since nobody knows who that is" for name, day in behind.items())
    answered, missing = who_answered(state)
    if state.rounds:
        last = state.rounds[-1]
        say(f"  round {last['number']}, open until {last['until']}: {len(answered)} of {len(last['members'])} answered")
        say_list(f"{name} has not answered" for name in missing)
    out = [name for name, one in sorted(state.practices.items()) if not one.is_in]
    if out:
        say(f"  withdrawn: {', '.join(out)}")
    today = date.today().isoformat()
    good = sum(not until or until >= today for until in state.invitations.values())
    say(f"  {number_of(good, 'invitation')} not used yet, {len(state.invitations) - good} expired")
    if unknown := folder.without_a_line(state):
        say(f"  lying in {folder.taken.name} without a line in the record: {', '.join(unknown)}")
        say("  They do not count. If the record lost lines, put back a copy of it before anything else.")
    return 0


def _consent(entry: Mapping[str, Any], state: GroupState) -> tuple[str, ...]:
    """A line of the log of consents: a file is written, and signed, by who consented to what it holds."""
    what = {"took in": "consented, by a file under", "withdrew": "withdrew"}.get(entry["what"], "")
    if not what:
        return ()
    under = entry.get("agreement")
    by = f" version {state.digests.index(under) + 1}" if under else f", said by {entry['by']}"
    return entry["at"][:10], entry["pseudonym"], f"{what}{by}"


_COUNTS = {True: "yes", False: "no, made under an earlier agreement"}


def verb_withdraw(args: argparse.Namespace) -> None:
    taken = withdraw(_folder(args), args.pseudonym)
    say(f"{taken.pseudonym} has withdrawn. Its file is removed; no figure made from now on rests on it.")
    say("Figures already shown stay as they are. To come back it needs an invitation and a newer file.")


def verb_pooled(args: argparse.Namespace) -> None:
    made = make_result(_folder(args), progress)
    if args.json:
        print(json.dumps(made.result.to_dict(), indent=2))
    else:
        print_result(made.result)
        if not made.is_new:
            say("  Nothing has changed since this result was made; it is the one the practices may have already.")
        for pseudonym in made.older:
            say(f"  {pseudonym} is not in it: its contribution was made under an earlier agreement.")
    if args.out:
        _copy(made.path, args.out)
    if args.dashboard:
        _keep(made.result, args.dashboard, encryption_key(args))


def _keep(result: GroupResult, warehouse: Path, key: str | None) -> None:
    """Keep a result where nobody's line is marked; a practice that takes part has its own marked by ``read``."""
    keep_key(warehouse, key)
    if (warehouse / RECORD_FILE).exists():
        found = "the practices of this warehouse contribute to groups themselves"
        raise GroupError(found, where=warehouse.name, remedy="keep the result with `menton group read`")
    keep_result(warehouse, Kept(result, {}))
    say(f"Kept for the dashboard: menton dashboard --warehouse {warehouse}")


def _copy(source: Path, out: Path) -> None:
    let_out(source.read_bytes(), AS_SEEN, to=out)  # what it holds was written down when it was pooled
    say(f"Written to {out.name}.")


def verb_read(args: argparse.Namespace) -> None:
    kept = read_for_practices(args.file, args.warehouse, args.key_file)
    print_result(kept.result, mine=kept.mine.values())
    keep_result(args.warehouse, kept)
    say("Kept for the dashboard: see its page 'How practices compare'.")


def _cases(n: int | None) -> str:
    return "number of cases hidden" if n is None else f"{n:,} cases"
