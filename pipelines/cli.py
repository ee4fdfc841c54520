"""The command line. The one place that knows every package, by name, and imports only what a command needs."""

import argparse
import os
import sys
import traceback
from collections.abc import Sequence
from contextlib import suppress
from importlib import import_module
from pathlib import Path

from warehouse.errors import MentonError

COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("pipelines.commands.demo", "make an invented cohort, load it, print the answer, write a report"),
    "template": ("pipelines.commands.template", "write a spreadsheet template with dictionary and drop-down codes"),
    "draft-mapping": ("pipelines.commands.draft_mapping", "propose a mapping file for a spreadsheet of your own"),
    "ingest": ("pipelines.commands.ingest", "check files and load them into the warehouse"),
    "quarantine": ("pipelines.commands.quarantine", "show what was turned away, and why"),
    "worklist": ("pipelines.commands.worklist", "what is left to do: records due, outcomes missing, rows turned away"),
    "rate": ("pipelines.commands.rate", "share of cases with an adverse outcome, overall or by group"),
    "compare": ("pipelines.commands.compare", "compare groups: crude, stratified, standardised and weighted"),
    "changes": ("pipelines.commands.changes", "how much faces changed by group; the course over several times"),
    "corners": ("pipelines.commands.corners", "teeth improved or not against face adverse or not"),
    "missing": ("pipelines.commands.missing", "what the missing outcomes could do: bounds, imputation, tipping"),
    "characteristics": ("pipelines.commands.characteristics", "starting characteristics by group, for a paper"),
    "plan": ("pipelines.commands.plan", "audit plans on record; add one before looking at results"),
    "sample-size": ("pipelines.commands.sample_size", "how many cases would settle it, and how many months"),
    "strobe": ("pipelines.commands.strobe", "reporting checklist, filled with what the warehouse knows"),
    "definitions": ("pipelines.commands.definitions", "outcome definitions in force; add one"),
    "measures": ("pipelines.commands.measures", "measures in force; add one"),
    "measure": ("pipelines.commands.measure", "measures of a file of points; nothing is stored"),
    "draw": ("pipelines.commands.draw", "draw the points of a case, finish over start"),
    "repeats": ("pipelines.commands.repeats", "method error from repeated readings; a plan of records to read again"),
    "results": ("pipelines.commands.results", "teeth, face type and relapse of the cases"),
    "growth": ("pipelines.commands.growth", "growth references; fit one, import one, choose one"),
    "cases": ("pipelines.commands.cases", "export the de-identified cases, so that anyone can recount"),
    "publish": ("pipelines.commands.upkeep:publish", "publish the warehouse again for readers"),
    "records": ("pipelines.commands.records", "write the records as a folder of Parquet tables, for `menton build`"),
    "build": ("pipelines.commands.build", "marts and rates of records in Parquet, here or on a Spark cluster"),
    "verify": ("pipelines.commands.upkeep:verify", "check that nothing in the warehouse is lost or damaged"),
    "backup": ("pipelines.commands.upkeep:backup", "copy the warehouse into a folder, with a hash of every file"),
    "restore": ("pipelines.commands.upkeep:restore", "put a backup back, after checking it"),
    "rekey": ("pipelines.commands.upkeep:rekey", "encrypt the warehouse, change its key, or take the encryption away"),
    "forget": ("pipelines.commands.ways_back:forget", "take a person out of the warehouse, without a trace"),
    "undo": ("pipelines.commands.ways_back:undo", "take a load back"),
    "join": ("pipelines.commands.ways_back:join", "put two numbers of one person together"),
    "rename-practice": ("pipelines.commands.ways_back:rename", "give a practice another pseudonym"),
    "drift": ("pipelines.commands.drift", "is the share adverse drifting in one practice?"),
    "contribute": ("pipelines.commands.contribute", "hand cases or counts over to a study group"),
    "group": ("pipelines.commands.group", "run a study group; read its results"),
    "report": ("dashboard.report.command", "write the report of the audit"),
    "dashboard": ("dashboard.access.command", "open the dashboard in a browser"),
    "shortcut": ("pipelines.commands.shortcut", "put something to click on to the desktop that opens the dashboard"),
}
"""Command -> module and one line of help. Its ``add(parser)``, or the function after the colon, adds its options."""

TRACE_VARIABLE = "MENTON_TRACE"
FORM = "--form"
"""Before a command: print what it asks as JSON, for a page that asks the same."""
EPILOG = "Figures describe an audit. They are not a diagnosis, not treatment advice, and do not show a cause."


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command. Gives 0 if all went well, 1 if something was refused, 2 if the request was not understood."""
    os.umask(0o077)  # what a command makes, and what DuckDB makes for it, is its owner's alone
    words = list(sys.argv[1:] if argv is None else argv)
    if words[:1] == [FORM]:
        return _say_form(words[1:])
    parser = _parser(words)
    args = parser.parse_args(words)
    if not hasattr(args, "run"):
        parser.print_help()
        return 2
    return _recorded(args, words)


def _recorded(args: argparse.Namespace, words: Sequence[str]) -> int:
    """Run the command; whatever has to do with a warehouse leaves a line in its record before and after."""
    folder: Path | None = getattr(args, "warehouse", None)
    if folder is None:
        return _run(args)
    from warehouse.command_options import encryption_key
    from warehouse.store.access import options_in, record_begin, record_end
    from warehouse.store.chain import keep_key

    what, code = _name(words), 70
    with suppress(MentonError):  # said by the command itself
        keep_key(folder, encryption_key(args))
    try:
        begun = record_begin(folder, what, options_in(words))
    except MentonError as error:
        print(f"menton: {error}", file=sys.stderr)
        return 1
    try:
        code = _run(args)
    finally:
        record_end(folder, begun, what, code)
    return code


def _name(words: Sequence[str]) -> str:
    """The command as it is recorded; with the verb where it has verbs."""
    position = next(i for i, word in enumerate(words) if word in COMMANDS)
    verb = words[position + 1] if words[position] == "group" else ""
    return f"{words[position]} {verb}".strip()


def _parser(words: Sequence[str]) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="menton", description="Audit of facial change.", epilog=EPILOG)
    if "--version" in words:  # reading the metadata takes as long as a query
        from importlib.metadata import version

        parser.add_argument("--version", action="version", version=f"menton {version('menton')}")
    else:
        parser.add_argument("--version", action="store_true", help="show the version and stop")
    subparsers = parser.add_subparsers(metavar="COMMAND", title="commands")
    chosen = next((word for word in words if word in COMMANDS), None)
    for name, (module, line) in COMMANDS.items():
        command = subparsers.add_parser(name, help=line)
        if name == chosen:
            add, _, own = module.partition(":")
            getattr(import_module(add), own or "add")(command)
    return parser


def _say_form(words: Sequence[str]) -> int:
    """Print the options of a command, and its example of a file where it has one."""
    import json

    from pipelines.commands.options import asked_by

    module, _, own = COMMANDS[words[0]][0].partition(":")
    parser, commands = argparse.ArgumentParser(), import_module(module)
    getattr(commands, own or "add")(parser)
    print(json.dumps({"asked": asked_by(parser, words[1:]), "example": getattr(commands, "EXAMPLE", "")}))
    return 0


def _run(args: argparse.Namespace) -> int:
    try:
        code: int = args.run(args)
    except MentonError as error:
        print(f"menton: {error}", file=sys.stderr)
        return 1
    except BrokenPipeError:  # the reader of our output went away (such as `| head`)
        sys.stderr.close()
        return 1
    except Exception as error:
        if os.environ.get(TRACE_VARIABLE):
            raise
        print(f"menton: {_own_fault(error)}", file=sys.stderr)
        return 70
    except KeyboardInterrupt:
        print("menton: stopped; nothing of the step at work was kept", file=sys.stderr)
        return 130
    return code


def _own_fault(error: Exception) -> str:
    """What is said of a fault of the program itself: where, but not the error's text, which may hold a value."""
    place = traceback.extract_tb(error.__traceback__)[-1]
    return (
        f"a fault of the program itself ({type(error).__name__} in {Path(place.filename).name}, line {place.lineno});"
        " nothing of the step at work was kept\n"
        f"  what to do: run it again with the variable {TRACE_VARIABLE}=1 to see the whole trace, and report it;"
        " read it first, since it may hold values from your file"
    )


if __name__ == "__main__":
    sys.exit(main())
