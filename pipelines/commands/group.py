"""``menton group``: run a study group that pools without exposing a patient or a practice."""

import argparse
import json
import os
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TypeAlias

from pipelines.commands.group_show import print_result
from pipelines.commands.options import add_encryption_key, add_warehouse, encryption_key, print_table, say
from pipelines.group.folder import GroupFolder, write_whole
from pipelines.group.founding import DAYS_GOOD, found_group, invite, make_agreement, revoke
from pipelines.group.results import make_result, read_for_practices
from pipelines.group.taking import take, withdraw
from pipelines.ingest.ingest import catalogues_at
from warehouse.errors import GroupError, MentonError, RequestError
from warehouse.plural import number_of
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.history import RECORD_FILE
from warehouse.pooled.kept_results import Kept, keep_result
from warehouse.pooled.result import GroupResult
from warehouse.pooled.variables import DEFAULT_GROUPINGS, DEFAULT_VARIABLES
from warehouse.private_files import beside
from warehouse.store.chain import keep_key

Verbs: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"

FOLDER_VARIABLE = "MENTON_GROUP"
KEY_VARIABLE = "MENTON_GROUP_KEY_FILE"
DEFAULT_FOLDER = "study-group"


def add(parser: argparse.ArgumentParser) -> None:
    verbs = parser.add_subparsers(metavar="WHAT", title="what to do", required=True)
    verb = _verb(verbs, "init", "make a group: its folder and its keys", _init)
    verb.add_argument("--name", required=True, help="what the group is called")
    _add_agreement(_verb(verbs, "agreement", "put an agreement in force", _agreement))
    verb = _verb(verbs, "invite", "make invitations, one for each practice that may join", _invite)
    verb.add_argument("--count", type=int, default=1, metavar="N", help="how many (default 1)")
    verb.add_argument("--days", type=int, default=DAYS_GOOD, metavar="N", help=f"good so long (default {DAYS_GOOD})")
    verb.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where to write the files")
    verb = _verb(verbs, "revoke", "take invitations back that were not used", _revoke)
    verb.add_argument("files", type=Path, nargs="+", metavar="FILE", help="the invitations, or copies of them")
    verb = _verb(verbs, "take", "take in files that practices sent", _take)
    verb.add_argument("files", type=Path, nargs="+", metavar="FILE", help="files as they came")
    verb = _verb(verbs, "list", "who takes part, and what each sent", _list)
    verb.add_argument("--record", action="store_true", help="print everything that happened")
    verb = _verb(verbs, "withdraw", "take a practice out at its word", _withdraw)
    verb.add_argument("pseudonym", metavar="PSEUDONYM", help="such as P-ABCD-EFGH-IJKL-MNOP")
    verb = _verb(verbs, "pooled", "pool what there is, and make a result for the practices", _pooled)
    verb.add_argument("--out", type=Path, metavar="FILE", help="write the signed result here, to be sent to all")
    verb.add_argument("--json", action="store_true", help="print one JSON object")
    verb.add_argument(
        "--dashboard", type=Path, metavar="FOLDER", help="keep the result in this warehouse folder, for its dashboard"
    )
    add_encryption_key(verb)
    verb = verbs.add_parser("read", help="for a practice: read a result, with your own line marked")
    add_warehouse(verb)
    verb.add_argument("file", type=Path, metavar="FILE", help="the result the coordinator sent")
    verb.add_argument("--key-file", type=Path, metavar="FILE", help="the practice's contribution key")
    verb.set_defaults(run=_read)


def _verb(verbs: Verbs, name: str, line: str, run: Callable[[argparse.Namespace], int]) -> argparse.ArgumentParser:
    parser = verbs.add_parser(name, help=line, description=f"{line[0].upper()}{line[1:]}.")
    parser.add_argument(
        "--group",
        type=Path,
        default=Path(os.environ.get(FOLDER_VARIABLE, DEFAULT_FOLDER)),
        metavar="FOLDER",
        help=f"the group's folder (default: {DEFAULT_FOLDER}, or the variable {FOLDER_VARIABLE})",
    )
    parser.add_argument(
        "--group-key-file",
        type=Path,
        default=Path(found) if (found := os.environ.get(KEY_VARIABLE)) else None,
        metavar="FILE",
        help=f"the group's keys (default: beside the folder, or the variable {KEY_VARIABLE})",
    )
    parser.set_defaults(run=run)
    return parser


def _add_agreement(parser: argparse.ArgumentParser) -> None:
    add_warehouse(parser)
    parser.add_argument(
        "--outcomes",
        metavar="IDS",
        help="definitions to pool, the headline one first, such as D1,J1 (default: headline)",
    )
    parser.add_argument("--by", metavar="NAMES", help="variables to pool shares by, separated by commas")
    parser.add_argument("--variables", metavar="NAMES", help="what is known of a case, separated by commas")
    parser.add_argument("--years", metavar="FROM-TO", help="years of start told apart (default: the last ten)")
    parser.add_argument("--level", choices=("cases", "counts"), default="cases", help="the most asked of a practice")
    for name, default, line in _NUMBERS:
        parser.add_argument(f"--{name}", type=int, default=default, metavar="N", help=f"{line} (default {default})")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the signed agreement here, to be sent to all")


_NUMBERS = (
    ("k", 5, "fewest cases alike in a contribution of cases"),
    ("l", 2, "fewest different outcomes among cases alike"),
    ("minimum", 5, "smallest count shown"),
    ("round-to", 0, "round pooled counts to this; 0 leaves them as they are"),
    ("fewest-new", 10, "fewest new cases to renew a contribution with"),
    ("fewest-practices", 3, "fewest practices behind anything pooled"),
    ("most-cases", 50_000, "most cases taken from one practice"),
)


def _folder(args: argparse.Namespace) -> GroupFolder:
    return GroupFolder(args.group, args.group_key_file or beside(args.group, "key"))


def _init(args: argparse.Namespace) -> int:
    folder = _folder(args)
    found_group(folder, args.name)
    say(f"The group {args.name!r} is made: folder {folder.path.name}, keys in {folder.key_file.name}.")
    say("Keep a copy of the key file where only you can reach it: without it no contribution can be opened.")
    say("Next: `menton group agreement`, then `menton group invite`.")
    return 0


def _agreement(args: argparse.Namespace) -> int:
    folder, catalogues = _folder(args), catalogues_at(args.warehouse, encryption_key(args))
    names = [name.replace("-", "_") for name, _, _ in _NUMBERS]
    agreement = make_agreement(
        folder,
        catalogues,
        outcomes=_names(args.outcomes) or (catalogues.definition(None).id,),
        variables=_names(args.variables) or DEFAULT_VARIABLES,
        groupings=_names(args.by) or DEFAULT_GROUPINGS,
        years=_years(args.years),
        level=args.level,
        **{name: getattr(args, name) for name in names} | {"round_to": args.round_to or None},
    )
    _print_agreement(agreement)
    if args.out:
        _copy(folder.agreement_path(agreement.version), args.out)
    if agreement.version > 1:
        say("Contributions under the earlier version no longer count: send the new agreement and ask for new ones.")
    return 0


def _names(text: str | None) -> tuple[str, ...]:
    return tuple(one.strip() for one in (text or "").split(",") if one.strip())


def _years(text: str | None) -> tuple[int, int]:
    if text is None:
        return date.today().year - 10, date.today().year
    first, _, last = text.partition("-")
    if first.isdigit() and last.isdigit():
        return int(first), int(last)
    found = f"--years {text!r} is not of the form FROM-TO"
    raise RequestError(found, remedy="such as --years 2015-2025")


def _print_agreement(agreement: Agreement) -> None:
    say(f"{agreement.name}: agreement version {agreement.version} of {agreement.made_on} is in force.")
    say(f"  fingerprint: {agreement.fingerprint}   (read it out to the practices by telephone)")
    say(f"  outcomes: {', '.join(f'{one.name} {one.label}' for one in agreement.definitions)}")
    say(f"  growth reference: {agreement.growth_name}")
    asked = "single cases made coarser, or counts" if agreement.level == "cases" else "counts only"
    say(f"  asked of a practice: {asked}")
    say(f"  known of a case: {', '.join(one.name.replace('_', ' ') for one in agreement.variables)}")
    say(f"  pooled by: {', '.join(agreement.groupings).replace('_', ' ') or 'nothing'}")
    say(f"  cases: at least {agreement.k} alike, with {agreement.l} different outcomes among them")
    say(f"  counts from 1 to {agreement.minimum - 1} are hidden")
    say(f"  means: of at least {agreement.mean_minimum} cases, by number, mean and spread; no single change leaves")
    say(f"  at least {agreement.fewest_practices} practices behind anything pooled")


def _invite(args: argparse.Namespace) -> int:
    for number, text in enumerate(invite(_folder(args), args.count, days=args.days), start=1):
        write_whole(args.out / f"invitation-{number:03}.json", text.encode())
    say(f"{number_of(args.count, 'invitation')} written to {args.out.name}.")
    say(f"Each lets one practice in, once, within {number_of(args.days, 'day')}.")
    say("Keep copies: `menton group revoke` takes an invitation back by its file.")
    say("Let practices draw theirs so that nobody knows who got which; then their pseudonyms name nobody.")
    return 0


def _revoke(args: argparse.Namespace) -> int:
    for path in args.files:
        revoke(_folder(args), path)
        say(f"{path.name}: revoked. It lets nobody in from now on.")
    return 0


def _take(args: argparse.Namespace) -> int:
    folder, refused = _folder(args), 0
    for path in args.files:
        try:
            taken = take(folder, path)
        except MentonError as error:
            refused += 1
            say(f"{path.name}: refused, nothing changed. {error}")
            continue
        about = f": {taken.level}, {_cases(taken.cases)}" if taken.level else ""
        say(f"{path.name}: {taken.pseudonym} {_DONE[taken.kind]}{about}.")
    return 1 if refused else 0


_DONE = {"new": "takes part from now on", "replaced": "has renewed its contribution", "withdrawn": "has withdrawn"}


def _list(args: argparse.Namespace) -> int:
    folder = _folder(args)
    state = folder.state()
    if args.record:
        for entry in folder.record.read():
            told = {
                name: value for name, value in entry.items() if name not in {"hash", "hashes", "invitation", "digest"}
            }
            print(json.dumps(told))
        return 0
    if state.version:
        _print_agreement(folder.agreement())
    digest = folder.agreement().digest if state.version else ""
    rows = [
        (
            name,
            one.level,
            _cases(one.cases).removesuffix(" cases"),
            str(one.sequence),
            one.since,
            _COUNTS[one.agreement == digest],
        )
        for name, one in sorted(state.practices.items())
        if one.is_in
    ]
    print_table("", ("practice", "level", "cases", "file", "taken in", "counts"), rows, right=(2, 3))
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


_COUNTS = {True: "yes", False: "no, made under an earlier agreement"}


def _withdraw(args: argparse.Namespace) -> int:
    taken = withdraw(_folder(args), args.pseudonym)
    say(f"{taken.pseudonym} has withdrawn. Its file is removed; no figure made from now on rests on it.")
    say("Figures already shown stay as they are. To come back it needs an invitation and a newer file.")
    return 0


def _pooled(args: argparse.Namespace) -> int:
    made = make_result(_folder(args))
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
    return 0


def _keep(result: GroupResult, warehouse: Path, key: str | None) -> None:
    """Keep a result where nobody's line is marked; a practice that takes part has its own marked by ``read``."""
    keep_key(warehouse, key)
    if (warehouse / RECORD_FILE).exists():
        found = "the practices of this warehouse contribute to groups themselves"
        raise GroupError(found, where=warehouse.name, remedy="keep the result with `menton group read`")
    keep_result(warehouse, Kept(result, {}))
    say(f"Kept for the dashboard: menton dashboard --warehouse {warehouse}")


def _copy(source: Path, out: Path) -> None:
    write_whole(out, source.read_bytes())
    say(f"Written to {out.name}.")


def _read(args: argparse.Namespace) -> int:
    kept = read_for_practices(args.file, args.warehouse, args.key_file)
    print_result(kept.result, mine=kept.mine.values())
    keep_result(args.warehouse, kept)
    say("Kept for the dashboard: see its page 'How practices compare'.")
    return 0


def _cases(n: int | None) -> str:
    return "number of cases hidden" if n is None else f"{n:,} cases"
