"""``menton dashboard``: open the dashboard in a browser.

It is served to this machine alone. To serve others, name an access file and put a login in front: Streamlit's own, or
a reverse proxy that names the person in a header. All of it is shown in ``dashboard/serving.md``.
"""

import argparse
import os
import secrets
import signal
import socket
import subprocess
import sys
import time
import tomllib
import urllib.error
import urllib.request
import webbrowser
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import urlsplit

from dashboard.access.viewer import AccessList, access_list, viewer_named
from warehouse.command_options import ENCRYPTION_VARIABLE, WAREHOUSE_VARIABLE, encryption_key
from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.private_files import check_private
from warehouse.store.snapshot import POINTER
from warehouse.toml_files import toml_from, toml_text

APP = Path(__file__).parents[1] / "entry" / "app.py"
HERE = "127.0.0.1"
PATIENCE = 300
SHORTEST_SECRET = 32
"""Characters that a secret of a login or of a proxy must have at least."""

_NEW_SECRET = "python -c 'import secrets; print(secrets.token_hex(32))' makes one"  # noqa: S105 - no secret

KEY_VARIABLE = "MENTON_KEY_FILE"
VIEWER_VARIABLE = "MENTON_VIEWER"
READ_ONLY_VARIABLE = "MENTON_READ_ONLY"
ACCESS_VARIABLE = "MENTON_ACCESS_FILE"
TOKEN_VARIABLE = "MENTON_ENTRY_TOKEN"  # noqa: S105 - the name of a variable
ORIGINS_VARIABLE = "MENTON_ORIGINS"


def run(args: argparse.Namespace) -> int:
    _refuse_open_door(args)
    if not (args.warehouse / POINTER).exists():
        print(f"There is no warehouse at {args.warehouse} yet: the page offers to bring in a file.", file=sys.stderr)
    _refuse_taken_port(args.address, args.port)
    token = "" if args.access else secrets.token_urlsafe(32)
    told = environment(args) | {TOKEN_VARIABLE: token}
    server = subprocess.Popen(words(args), env=told, stdout=subprocess.DEVNULL)
    signal.signal(signal.SIGTERM, _stop)
    address = started_at(args)
    entry = f"{address}/?token={token}" if token else _typed_address(args) or address
    try:
        if _is_up(server, address):
            once = "works once; " if token else ""
            print(f"Menton is at {entry}   ({once}stop it with Ctrl+C)", flush=True)
            if not args.no_browser:
                webbrowser.open(entry)
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
    """Wait until the server answers, be it that nobody is let in; False where it ended instead."""
    for _ in range(PATIENCE):
        if server.poll() is not None:
            return False
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=1):  # noqa: S310 - our own address
                return True
        except urllib.error.HTTPError:
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
        f"--server.address={args.address}",
        f"--server.port={args.port}",
        "--server.headless=true",
        "--server.baseUrlPath=",  # the gate knows endpoints by their path
        "--server.enableXsrfProtection=true",
        "--server.enableStaticServing=false",
        "--server.fileWatcherType=none",
        "--server.disconnectedSessionTTL=30",
        "--server.maxMessageSize=10",  # mebibytes that anybody may send over a stream, logged in or not
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
        ORIGINS_VARIABLE: " ".join(sorted({origin(at) for at in (started_at(args), _typed_address(args)) if at})),
    }
    return os.environ | {name: str(value or "") for name, value in given.items()}


def started_at(args: argparse.Namespace) -> str:
    """The address on this machine that the server was told."""
    host = f"[{args.address}]" if ":" in args.address else args.address
    return f"http://{host}:{args.port}"


def _typed_address(args: argparse.Namespace) -> str:
    """The address that people type where it is another one: as said, or as the login comes back to; else empty."""
    if args.served_at:
        return origin(args.served_at)
    auth = _login(args.login).get("auth") if args.login and args.access else None
    return origin(str(auth.get("redirect_uri") or "")) if isinstance(auth, dict) else ""


def origin(address: str) -> str:
    """Scheme, host and port as browsers write them, a default port left out; RequestError where it is no address."""
    try:
        parts = urlsplit(address.casefold())
        port = parts.port
    except ValueError:
        parts, port = urlsplit(""), None
    if parts.scheme not in {"http", "https"} or not parts.hostname or parts.username is not None:
        found = f"{address!r} is not an address that people can type"
        raise RequestError(found, expected="such as https://menton.lantern.example", remedy="write it in full")
    host = f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname
    is_default = port in {None, {"http": 80, "https": 443}[parts.scheme]}
    return f"{parts.scheme}://{host}" + ("" if is_default else f":{port}")


def _login(path: Path) -> dict[str, object]:
    """What the login file says; RequestError where it cannot be read."""
    try:
        return toml_from(toml_text(path))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        found = "the login file cannot be read"
        raise RequestError(found, where=path.name, remedy="name a TOML file; see dashboard/serving.md") from error


def _refuse_open_door(args: argparse.Namespace) -> None:
    """Cases are never served to other machines without saying who may see what."""
    viewer_named(args.viewer)
    for path, what in ((args.key_file, "the case key file"), (args.encryption_key_file, "the encryption key file")):
        if path and path.exists():
            check_private(path, what=what)
    is_here = args.address in {HERE, "localhost", "::1"}
    if args.access:
        check_private(args.access, what="the access file")
        listed = access_list(args.access)
        _refuse_no_login(args, is_by_header=bool(listed.header))
        _refuse_unproven_header(args, listed, is_here=is_here)
        _refuse_unknown_practice(args, {one.practice for one in listed.people.values() if one.practice})
    elif not is_here:
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
    check_private(args.login, what="the login file")
    auth = _login(args.login).get("auth")
    cookie_secret = auth.get("cookie_secret", "") if isinstance(auth, dict) else ""
    if not isinstance(cookie_secret, str) or len(cookie_secret) < SHORTEST_SECRET:
        found = f"the cookie secret of the login is shorter than {SHORTEST_SECRET} characters"
        raise RequestError(found, where=args.login.name, remedy=f"write one into [auth]: {_NEW_SECRET}")
    if find_spec("authlib") is None:
        found = "the login needs a library that is not installed"
        raise RequestError(found, expected="Authlib and httpx", remedy="install menton[served]")


def _refuse_unproven_header(args: argparse.Namespace, listed: AccessList, *, is_here: bool) -> None:
    """A header names a person only where nobody but the proxy can send it."""
    if listed.proxy_secret and not listed.header:
        found = "the access file names a secret of the proxy, but no header that the proxy sets"
        raise RequestError(found, where=args.access.name, remedy="name the header, or leave the secret out")
    if listed.proxy_secret and len(listed.proxy_secret) < SHORTEST_SECRET:
        found = f"the secret of the proxy is shorter than {SHORTEST_SECRET} characters"
        raise RequestError(found, where=args.access.name, remedy=f"write one as proxy_secret: {_NEW_SECRET}")
    if listed.header and not listed.proxy_secret and not is_here:
        found = f"people are named by a header, and the address {args.address} lets anybody send one"
        remedy = f"leave --address out, or name a proxy_secret in the access file: {_NEW_SECRET}"
        raise RequestError(found, where=args.access.name, remedy=remedy)


def _refuse_unknown_practice(args: argparse.Namespace, named: set[str]) -> None:
    """An entry for a practice that is not there would show its person nothing, or one day another's cases."""
    if not named or not (args.warehouse / POINTER).exists():
        return
    with Reader.open(args.warehouse, key=encryption_key(args)) as reader:
        there = reader.practices
    unknown = sorted(named - set(there))
    if unknown:
        found = f"the access file names a practice that has no cases in this warehouse: {', '.join(unknown)}"
        remedy = "correct the entry, or bring its cases in first"
        raise RequestError(found, where=args.access.name, expected=f"one of {', '.join(there)}", remedy=remedy)


def _refuse_taken_port(address: str, port: int) -> None:
    try:
        with socket.create_server((address, port), reuse_port=False):
            return
    except OSError as error:
        found = f"nothing can be served at {address}:{port}"
        remedy = "another program may use this port: name another one with --port"
        raise RequestError(found, where=error.strerror or "", remedy=remedy) from error
