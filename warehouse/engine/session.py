"""Starting a Spark session, with an answer in words, and within a time, where that is not possible."""

import os
import re
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Mapping
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from warehouse.errors import EngineError

WAIT = 60.0  # seconds a master, and the first worker, have to answer

_OLDEST_JAVA = 17
_PORTS = {"spark": 7077, "sc": 15002}
_FIXED = {
    "spark.app.name": "menton build",
    "spark.sql.session.timeZone": "UTC",
    "spark.sql.ansi.enabled": "true",
    "spark.sql.caseSensitive": "false",
    "spark.ui.showConsoleProgress": "false",
    "spark.log.level": "ERROR",
}
_HERE = {"127.0.0.1", "localhost", "::1"}


def start(master: str, *, settings: Mapping[str, str] | None = None, wait: float = WAIT) -> Any:  # noqa: ANN401
    """A Spark session whose master has answered and whose workers have done a first piece of work.

    ``master``: ``spark://HOST:PORT``, ``local[N]``, ``yarn``, ``k8s://...``; ``sc://HOST:PORT`` for Spark Connect.
    Raises EngineError: the extra or Java is missing, or nobody answers in time.
    """
    scheme = master.partition("://")[0] if "://" in master else ""
    _refuse_missing_parts(is_remote=scheme == "sc")
    _refuse_silence(master, scheme, wait)
    session = _within(wait * 2, lambda: _session(master, scheme, settings or {}), _NO_MASTER, master)
    _within(wait, lambda: session.range(1).count(), _NO_WORKER, master)
    return session


def _session(master: str, scheme: str, settings: Mapping[str, str]) -> Any:  # noqa: ANN401 - pyspark ships no types
    from pyspark.sql import SparkSession

    builder = SparkSession.builder
    if scheme == "sc":
        builder = builder.remote(master)
        chosen = {key: value for key, value in _FIXED.items() if key.startswith("spark.sql.")} | dict(settings)
    else:
        builder = builder.master(master)
        chosen = _FIXED | _local_settings(master) | dict(settings)
    for key, value in chosen.items():
        builder = builder.config(key, value)
    return builder.getOrCreate()


def _local_settings(master: str) -> dict[str, str]:
    """Where all runs on this machine, nothing of it listens to other machines."""
    hosts = {host for host, _ in _addresses(master)}
    if not (master.startswith("local") or (hosts and hosts <= _HERE)):
        return {}
    return {"spark.driver.host": "127.0.0.1", "spark.driver.bindAddress": "127.0.0.1", "spark.ui.enabled": "false"}


def _refuse_missing_parts(*, is_remote: bool) -> None:
    if find_spec("pyspark") is None:
        found = "the Spark engine needs the package pyspark, which is not installed"
        raise EngineError(found, remedy="install menton with its extra: pip install 'menton[spark]'")
    if is_remote:
        if find_spec("grpc") is None:
            found = "a master sc://… needs the packages of Spark Connect, which are not installed"
            raise EngineError(found, remedy="pip install 'pyspark[connect]'")
        return
    if not os.environ.get("SPARK_HOME") and not _has_spark():
        found = "the pyspark installed is the client of Spark Connect only"
        raise EngineError(found, expected="a master sc://…, or the whole pyspark", remedy="pip install 'menton[spark]'")
    _refuse_java()


def _has_spark() -> bool:
    spec = find_spec("pyspark")
    return bool(spec and spec.origin and (Path(spec.origin).parent / "jars").is_dir())


def _refuse_java() -> None:
    home = os.environ.get("JAVA_HOME")
    java = shutil.which(str(Path(home) / "bin" / "java") if home else "java")
    remedy = f"install Java {_OLDEST_JAVA} or newer, or name it with the variable JAVA_HOME"
    if java is None:
        found = "Spark needs Java, and there is none here"
        raise EngineError(found, where="JAVA_HOME" if home else "PATH", remedy=remedy)
    said = subprocess.run([java, "-version"], capture_output=True, text=True, check=False, timeout=60).stderr
    version = re.search(r'version "(?:1\.)?(\d+)', said)
    if version is None or int(version.group(1)) < _OLDEST_JAVA:
        found = (
            f"Spark needs Java {_OLDEST_JAVA} or newer; here is {version.group(1) if version else 'one of no version'}"
        )
        raise EngineError(found, remedy=remedy)


def _addresses(master: str) -> list[tuple[str, int]]:
    """Host and port of each master named; none where the address is not of that kind."""
    scheme, mark, rest = master.partition("://")
    if not mark or scheme not in _PORTS:
        return []
    found = []
    for part in re.split(r"[/;]", rest)[0].split(","):
        host, _, port = part.rpartition(":")
        found.append((host.strip("[]"), int(port)) if port.isdigit() else (part, _PORTS[scheme]))
    return found


def _refuse_silence(master: str, scheme: str, wait: float) -> None:
    """Refuse a master that takes no connection: Spark itself would try for minutes."""
    addresses = _addresses(master)
    if not addresses:
        if scheme not in {"", "k8s", "spark", "sc"}:
            found = f"{master!r} is no address of a Spark master"
            raise EngineError(found, expected="spark://HOST:PORT, sc://HOST:PORT, local[N], yarn or k8s://…")
        return
    end = time.monotonic() + wait
    while not any(_answers(host, port) for host, port in addresses):
        if time.monotonic() >= end:
            raise _NO_MASTER(master, wait)
        time.sleep(min(0.5, wait))


def _answers(host: str, port: int) -> bool:
    try:
        socket.create_connection((host, port), timeout=5).close()
    except OSError:
        return False
    return True


def _NO_MASTER(master: str, wait: float) -> EngineError:  # noqa: N802 - named like the other answer
    found = f"no Spark master answers at {master} within {wait:g} seconds"
    return EngineError(found, remedy="check the address and that the master runs; --wait SECONDS waits longer")


def _NO_WORKER(master: str, wait: float) -> EngineError:  # noqa: N802
    found = f"the master at {master} has no worker that takes up work within {wait:g} seconds"
    return EngineError(found, remedy="start workers, or free some of their cores and memory; --wait waits longer")


def _within(seconds: float, work: Callable[[], Any], told: Callable[[str, float], EngineError], master: str) -> Any:  # noqa: ANN401
    """The result of ``work``, or an error where it takes longer; the thread left behind ends with the program."""
    results: list[Any] = []
    errors: list[Exception] = []

    def run() -> None:
        try:
            results.append(work())
        except Exception as error:
            errors.append(error)

    worker = threading.Thread(target=run, daemon=True)
    worker.start()
    worker.join(seconds)
    if results:
        return results[0]
    if errors:
        condition = getattr(errors[0], "getCondition", lambda: None)() or type(errors[0]).__name__
        found = f"the master at {master} refused to work with this program ({condition})"
        remedy = "see its log; pyspark here and Spark there must be of versions that work together"
        raise EngineError(found, remedy=remedy) from errors[0]
    raise told(master, seconds)
