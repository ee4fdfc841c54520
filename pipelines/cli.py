"""The command line. The one place that knows every package, by name, and imports only what a command needs."""

import argparse
import atexit
import gc
import os
import sys
import traceback
from collections.abc import Sequence
from contextlib import suppress
from importlib import import_module
from pathlib import Path

from pipelines.commands.declared import COMMANDS, add_options, asked_by
from warehouse.errors import MentonError

TRACE_VARIABLE = "MENTON_TRACE"
FORM = "--form"
"""Before a command: print what it asks as JSON, for a page that asks the same."""
EPILOG = "Figures describe an audit. They are not a diagnosis, not treatment advice, and do not show a cause."


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command. Gives 0 if all went well, 1 if something was refused, 2 if the request was not understood."""
    os.umask(0o077)  # what a command makes, and what DuckDB makes for it, is its owner's alone
    if argv is None:  # a process of its own is over soon: looking through a million rows for garbage finds none
        gc.set_threshold(100_000, 50, 1000)
        # what Polars' allocator (jemalloc) has let go is not kept for the case that it is asked for again
        os.environ.setdefault("_RJEM_MALLOC_CONF", "background_thread:true,dirty_decay_ms:500,muzzy_decay_ms:0")
        atexit.register(gc.freeze)  # nor is all looked through once more at the end
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
        _complain(error)
        return 1
    try:
        code = _run(args)
    finally:
        record_end(folder, begun, what, code)
    return code


def _name(words: Sequence[str]) -> str:
    """The command as it is recorded; with the verb where it has verbs."""
    position = next(i for i, word in enumerate(words) if word in COMMANDS)
    verb = words[position + 1] if "verb" in COMMANDS[words[position]] else ""
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
    for name, command in COMMANDS.items():
        own = subparsers.add_parser(name, help=command["help"])
        if name == chosen:
            add_options(own, command)
    return parser


def _say_form(words: Sequence[str]) -> int:
    """Print the options of a command, and its example of a file where it has one."""
    import json

    command, parser = COMMANDS[words[0]], argparse.ArgumentParser()
    add_options(parser, command)
    asked = asked_by(parser, words[1:])
    has_example = any(one["name"] == "--example" for one in asked)  # only then is the command itself imported
    example = import_module(command["run"]).EXAMPLE if has_example else ""
    print(json.dumps({"asked": asked, "example": example}))
    return 0


def _run(args: argparse.Namespace) -> int:
    try:
        code: int = args.run(args)
    except MentonError as error:
        _complain(error)
        return 1
    except BrokenPipeError:  # the reader of our output went away (such as `| head`)
        sys.stderr.close()
        return 1
    except Exception as error:
        if os.environ.get(TRACE_VARIABLE):
            raise
        _complain(_own_fault(error))
        return 70
    except KeyboardInterrupt:
        _complain("stopped; nothing of the step at work was kept")
        return 130
    return code


def _complain(said: object) -> None:
    from pipelines.commands.options import say

    say(f"menton: {said}", to=sys.stderr)


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
