"""``menton publish``, ``verify``, ``backup``, ``restore`` and ``rekey``: keeping a warehouse whole and readable."""

import argparse
from dataclasses import replace
from pathlib import Path

from pipelines.commands.options import encryption_key, progress, say, storing
from warehouse.command_options import read_encryption_key
from warehouse.errors import MentonError, RequestError
from warehouse.marts.publish import publish as publish_again
from warehouse.pooled.history import RECORD_FILE
from warehouse.store.access import LEFT
from warehouse.store.record_chain import RecordChain
from warehouse.upkeep.backup import backup as copied
from warehouse.upkeep.backup import restore as put_back
from warehouse.upkeep.rekey import rekey as encrypt_again
from warehouse.upkeep.verify import FoundFault
from warehouse.upkeep.verify import verify as checked

NO_KEY = "The case key is not in the backup. Keep a copy of it apart: without it no later file finds its cases again."
NO_ENCRYPTION_KEY = "The encryption key is not in it either: without it nobody can read the backup, you included."
OLD_BYTES = (
    "What the disk held before is no longer part of any file, but a disk may keep deleted bytes for a while, and"
    " earlier backups stay as they were."
)


def publish(args: argparse.Namespace) -> None:
    with storing(args) as store:
        snapshot = publish_again(args.warehouse, store, key=encryption_key(args), again=True, progress=progress)
    say(f"build {snapshot.build_id} is published")


def verify(args: argparse.Namespace) -> int:
    found, check = checked(args.warehouse, key=encryption_key(args)), "record_of_contributions_is_whole"
    faults = found.faults
    for name in (RECORD_FILE, LEFT):
        try:
            RecordChain(args.warehouse / name).read()
        except MentonError as error:
            faults = (*faults, FoundFault(check, f"{name}: {error.found}"))
    found = replace(found, checks=(*found.checks, check), faults=faults)
    for note in found.notes:
        say(f"note: {note}")
    for fault in found.faults:
        say(f"WRONG ({fault.check}): {fault.sentence}")
    wrong = "nothing wrong" if found.is_sound else f"{len(found.faults)} things wrong"
    say(f"{len(found.checks)} checks, {wrong}")
    return 0 if found.is_sound else 1


def backup(args: argparse.Namespace) -> None:
    made = copied(args.warehouse, args.out, key=encryption_key(args), progress=progress)
    say(f"{made.n_loads} loads and {made.n_cases} cases are copied to {args.out}, {len(made.files)} files with hashes")
    say(NO_KEY)
    say(NO_ENCRYPTION_KEY if made.is_encrypted else "The backup is not encrypted, as the warehouse is not.")


def restore(args: argparse.Namespace) -> None:
    made, aside = put_back(
        args.source, args.warehouse, key=encryption_key(args), replace=args.replace, progress=progress
    )
    say(f"the backup of {made.made_at} is in place: {made.n_loads} loads, {made.n_cases} cases; every hash was checked")
    if aside is not None:
        say(f"the warehouse that was there lies in {aside}")
    say("The case key is not part of a backup: put yours beside the warehouse folder, or name it with --key-file.")


def rekey(args: argparse.Namespace) -> None:
    snapshot = encrypt_again(args.warehouse, key=encryption_key(args), new_key=_new_key(args), progress=progress)
    state = "is no longer encrypted" if args.no_encryption else "is encrypted with the new key"
    say(f"the warehouse {state}; build {snapshot.build_id} is published")
    if not args.no_encryption:
        say(OLD_BYTES)
        say("From now on name the key file with --encryption-key-file or MENTON_ENCRYPTION_KEY_FILE. Nobody can open")
        say("the warehouse without it: keep a copy in a safe place.")


def _new_key(args: argparse.Namespace) -> str | None:
    path: Path | None = args.new_key_file
    if path is None:
        return None
    if path.resolve().is_relative_to(args.warehouse.resolve()):
        found = "the key would lie inside the warehouse folder"
        raise RequestError(found, where=path.name, remedy="keep it elsewhere: whoever gets the folder must not get it")
    return read_encryption_key(path)
