"""``menton dashboard``: open the dashboard in a browser.

It is served to this machine alone. To serve others, name an access file (``access/viewer.py`` says what it holds)
and put a login in front: Streamlit's own, or a reverse proxy that names the person in a header. Both are shown in
``dashboard/serving.md``.
"""

from __future__ import annotations

import argparse
import os
import signal
import socket
import subprocess
import sys
import time
import webbrowser
from collections.abc import Sequence
from pathlib import Path

from warehouse.command_options import ENCRYPTION_VARIABLE, WAREHOUSE_VARIABLE, add_warehouse
from warehouse.errors import RequestError

APP = Path(__file__).parents[1] / "entry" / "app.py"
HERE = "127.0.0.1"
PORT = 8521
PATIENCE = 300

KEY_VARIABLE = "MENTON_KEY_FILE"
VIEWER_VARIABLE = "MENTON_VIEWER"
READ_ONLY_VARIABLE = "MENTON_READ_ONLY"
ACCESS_VARIABLE = "MENTON_ACCESS_FILE"


def add(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    add_warehouse(parser)
    _add_file(parser, "--key-file", KEY_VARIABLE, "file of the case key, for files brought in from the page")
    parser.add_argument("--port", type=int, default=PORT, metavar="N", help=f"port to serve on (default: {PORT})")
    parser.add_argument("--no-browser", action="store_true", help="say the address, but open no browser")
    parser.add_argument("--read-only", action="store_true", help="leave out the page that brings in files")
    parser.add_argument(
        "--viewer",
        default="owner",
        metavar="WHO",
        help="what is shown: owner (everything), coordinator (protected tables only), or practice:PSEUDONYM",
    )
    parser.add_argument("--access", type=Path, metavar="FILE.toml", help="who may see what, when served to others")
    parser.add_argument(
        "--login",
        type=Path,
        metavar="FILE.toml",
        help="the login of Streamlit (OpenID Connect), for an access file without a header",
    )
    parser.add_argument(
        "--address", default=HERE, help=f"address to serve on (default: {HERE}); another one needs --access"
    )
    parser.set_defaults(run=run)


def _add_file(parser: argparse.ArgumentParser, option: str, variable: str, what: str) -> None:
    found = os.environ.get(variable)
    parser.add_argument(
        option,
        type=Path,
        default=Path(found) if found else None,
        metavar="FILE",
        help=f"{what} (default: the variable {variable})",
    )


def run(args: argparse.Namespace) -> int:
    """Serve until stopped."""
    from warehouse.store.snapshot import POINTER

    _refuse_open_door(args)
    if not (args.warehouse / POINTER).exists():
        print(f"There is no warehouse at {args.warehouse} yet: the page offers to bring in a file.", file=sys.stderr)
    _refuse_taken_port(args.address, args.port)
    server = subprocess.Popen(words(args), env=environment(args), stdout=subprocess.DEVNULL)
    signal.signal(signal.SIGTERM, _stop)
    address = f"http://{args.address}:{args.port}"
    try:
        if _is_up(server, address):
            print(f"Menton is at {address}   (stop it with Ctrl+C)", flush=True)
            if not args.no_browser:
                webbrowser.open(address)
        return server.wait()
    except KeyboardInterrupt:
        return 0
    finally:
        server.terminate()
        server.wait()


def _stop(*_: object) -> None:
    """End as if by Ctrl+C, so that the server never outlives the command."""
    raise KeyboardInterrupt


def _is_up(server: subprocess.Popen[bytes], address: str) -> bool:
    """Wait until the server answers; False where it ended instead."""
    import urllib.request

    for _ in range(PATIENCE):
        if server.poll() is not None:
            return False
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=1):  # noqa: S310 - our own address
                return True
        except OSError:
            time.sleep(0.2)
    return True


def words(args: argparse.Namespace) -> Sequence[str]:
    """The command that serves; what must never change is said here as well as in the settings beside the script."""
    login = [f"--secrets.files={args.login.resolve()}"] if args.login else []
    return [
        sys.executable,
        "-P",  # a folder of the user's that is called like one of ours must not be taken for it
        "-m",
        "dashboard.entry.serve",
        "run",
        str(APP),
        f"--server.address={args.address}",
        f"--server.port={args.port}",
        "--server.headless=true",
        "--browser.gatherUsageStats=false",
        "--client.showErrorDetails=none",
        "--client.showErrorLinks=false",
        "--logger.level=warning",
        *login,
    ]


def environment(args: argparse.Namespace) -> dict[str, str]:
    """What the pages are told: which warehouse, which key files, and who is looking."""
    given = {
        WAREHOUSE_VARIABLE: args.warehouse.resolve(),
        ENCRYPTION_VARIABLE: args.encryption_key_file and args.encryption_key_file.resolve(),
        KEY_VARIABLE: args.key_file and args.key_file.resolve(),
        VIEWER_VARIABLE: args.viewer,
        READ_ONLY_VARIABLE: "1" if args.read_only else "",
        ACCESS_VARIABLE: args.access and args.access.resolve(),
    }
    return os.environ | {name: str(value or "") for name, value in given.items()}


def _refuse_open_door(args: argparse.Namespace) -> None:
    """Cases are never served to other machines without saying who may see what."""
    from dashboard.access.viewer import access_list, viewer_named

    viewer_named(args.viewer)
    if args.access:
        listed = access_list(args.access)
        _refuse_no_login(args, is_by_header=bool(listed.header))
    elif args.address not in {HERE, "localhost", "::1"}:
        found = f"the address {args.address} can be reached by other machines, and no access file is named"
        raise RequestError(found, remedy=f"leave --address out to serve {HERE} alone, or name a file with --access")


def _refuse_no_login(args: argparse.Namespace, *, is_by_header: bool) -> None:
    """Somebody must say who a person is: the proxy by its header, or the login."""
    from importlib.util import find_spec

    if is_by_header and args.login:
        found = "the access file names a header, and a login is named as well"
        raise RequestError(found, where=args.access.name, remedy="keep one of the two: who a person is has one source")
    if is_by_header:
        return
    if args.login is None:
        found = "the access file names no header, and no login is named"
        raise RequestError(found, where=args.access.name, remedy="name the login with --login, or the proxy's header")
    if not args.login.is_file():
        raise RequestError("the login file is not there", where=args.login.name, remedy="name the right file")
    if find_spec("authlib") is None:
        found = "the login needs a library that is not installed"
        raise RequestError(found, expected="Authlib and httpx", remedy="install menton[served]")


def _refuse_taken_port(address: str, port: int) -> None:
    try:
        with socket.create_server((address, port), reuse_port=False):
            return
    except OSError as error:
        found = f"nothing can be served at {address}:{port}"
        remedy = "another program may use this port: name another one with --port"
        raise RequestError(found, where=error.strerror or "", remedy=remedy) from error
