"""``menton demo``: an invented cohort, loaded through the same door as any other file, and the answer."""

import argparse
import shutil
from pathlib import Path

from pipelines.commands.options import encryption_key, progress, published_again, reading, say, storing
from pipelines.commands.rate import print_rates
from pipelines.ingest.ingest import Request, ingest
from synthetic_data.exports import Handover
from warehouse.errors import RequestError
from warehouse.marts.catalogues import in_force, register
from warehouse.questions.shares import rates
from warehouse.store.store import STORE
from warehouse.upkeep.backup import move_aside

INVENTED = "invented"  # the setting by which a warehouse says that the demo made it


def run(args: argparse.Namespace) -> None:
    from synthetic_data.exports import write_demo

    _refuse_real_ones(args)
    if args.set_aside:
        say(f"The invented cases lie in {move_aside(args.warehouse).name} now, and your warehouse begins empty.")
        return
    say("Invented cases of the invented Lantern Bay study group: nobody in them exists.")
    _clear(args.exports)
    handovers = write_demo(args.exports, progress=progress)
    for handover in handovers:
        _ingest(handover, args)
    _answer(args)
    _report(args)
    say("")
    say(f"The files of the practices lie in {args.exports}, the warehouse in {args.warehouse}.")
    say("Open the dashboard with: .venv/bin/menton dashboard   (or: menton dashboard)")


def _refuse_real_ones(args: argparse.Namespace) -> None:
    """Invented cases must never stand among real ones, nor real ones be moved aside with them.

    A warehouse that the demo made says so; a practice of one's own may bear the name of an invented one.
    """
    from synthetic_data.practices import LANTERN_BAY

    is_new = not (args.warehouse / STORE).exists() and not args.set_aside
    with storing(args, create=is_new) as store:
        if is_new:
            register(store, "setting", INVENTED, "1", "Lantern Bay")
        held = {str(name) for (name,) in store.rows("select distinct practice from case_registry")}
        if held <= {one.code for one in LANTERN_BAY} and INVENTED in in_force(store).settings:
            return
    found = "the warehouse was not made by the demo, or holds cases of practices that are not invented"
    raise RequestError(found, where=args.warehouse.name, remedy="name another folder with --warehouse")


def _clear(exports: Path) -> None:
    """Remove the exports of an earlier demo, and nothing else: only a folder that holds an answer key is one."""
    from synthetic_data.exports import KEY_FOLDER

    if (exports / KEY_FOLDER).is_dir():
        shutil.rmtree(exports)


def _ingest(handover: Handover, args: argparse.Namespace) -> None:
    outcome = ingest(
        Request(
            paths=handover.files,
            warehouse=args.warehouse,
            mapping=handover.mapping,
            practice=handover.practice,
            encryption_key=encryption_key(args),
            progress=lambda line: progress(f"{handover.practice}: {line}"),
            publish_after=False,
            confirm=lambda _: True,
        )
    )
    loaded = sum(record.n_loaded for record in outcome.loaded)
    turned_away = sum(record.n_turned_away for record in outcome.loaded)
    if outcome.loaded:
        say(f"{handover.practice:12} {loaded:>6} rows loaded, {turned_away} turned away")
    else:
        say(f"{handover.practice:12} nothing changed: the same files are already in the warehouse")


def _answer(args: argparse.Namespace) -> None:
    with storing(args) as store:
        published_again(args, store)
    with reading(args) as reader:
        for by in (None, "appliance_category", "age_band", "extraction"):
            say("")
            print_rates(rates(reader, by=by), again=by is not None)


def _report(args: argparse.Namespace) -> None:
    from dashboard.report.write import write_report

    progress("writing the report")
    written = write_report(args.warehouse, args.report, key=encryption_key(args))
    say("")
    say(f"The report is written to {written}")
