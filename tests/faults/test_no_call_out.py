"""No look-up of any kind leaves the machine: tried in a network of its own, with a listener where names are asked.

The network namespace (``unshare``, Linux) holds nothing but the loopback; the resolver is told of a listener there, so
that a question for a name is heard. Control: a question that is meant to be asked is heard.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.hand_made import load_rows, made_case

ROOT = Path(__file__).parents[2]
INSIDE = """
import json, os, socket, subprocess, sys, threading, time, urllib.request
from http.client import HTTPConnection
from pathlib import Path

heard = []
listener = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
listener.bind(("127.0.0.1", 53))

def listening():
    while True:
        question, whence = listener.recvfrom(2048)
        heard.append(question[12:60].decode("latin-1"))
        listener.sendto(question[:2] + b"\\x81\\x83" + question[4:], whence)  # RFC 1035: there is no such name

threading.Thread(target=listening, daemon=True).start()
try:
    socket.getaddrinfo("control.example", 80)
except OSError:
    pass
control = len(heard)
words = ["-m", "pipelines.cli", "dashboard", "--warehouse", sys.argv[1], "--port", "8599", "--no-browser"]
server = subprocess.Popen([sys.executable, *words], stdout=subprocess.PIPE, text=True)
try:
    entry = server.stdout.readline().split()[3]
    path = entry.partition("8599")[2]

    def asked(path, **headers):
        line = HTTPConnection("127.0.0.1", 8599, timeout=120)
        line.request("GET", path, headers=headers)
        answer = line.getresponse()
        return answer, answer.read()

    entered, _ = asked(path)
    cookie = entered.getheader("set-cookie").partition(";")[0]
    statuses = [entered.status]
    for origin in ("http://evil.example", "http://menton.example:8599", None):
        for where in ("/", "/_stcore/health", "/_stcore/host-config", "/_stcore/allowed-message-origins"):
            said = {"Cookie": cookie} | ({"Origin": origin} if origin else {})
            statuses.append(asked(where, **said)[0].status)
    from tests.benchmarks.fifty import measured
    took = measured("http://127.0.0.1:8599", cookie, 1, "")["pages"]
finally:
    server.terminate()
    server.wait(60)
print(json.dumps({"control": control, "heard": heard[control:], "statuses": statuses, "pages": len(took)}))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="networks of their own are made by Linux")
def test_nothing_is_looked_up_by_a_served_page_or_for_a_foreign_origin(
    tmp_path: Path, count: Callable[[str, str, int], None]
) -> None:
    """A foreign Origin once made the server ask for its own external address."""
    folder = tmp_path / "w"
    load_rows(folder, [made_case(f"c{n}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0) for n in range(30)])
    (tmp_path / "inside.py").write_text(INSIDE, encoding="utf-8")
    (tmp_path / "resolv.conf").write_text("nameserver 127.0.0.1\noptions timeout:1 attempts:1\n", encoding="utf-8")
    lay = f"mount --bind {tmp_path}/resolv.conf /etc/resolv.conf && ip link set lo up"
    apart = ["unshare", "--net", "--mount", "--kill-child", "sh", "-c"]
    try:
        tried = subprocess.run([*apart, lay], capture_output=True, check=False)
    except OSError:
        pytest.skip("there is no unshare here")
    if tried.returncode:
        pytest.skip("only root can make a network of its own here")
    command = f"{lay} && exec {sys.executable} {tmp_path}/inside.py {folder}"
    done = subprocess.run([*apart, command], cwd=ROOT, capture_output=True, text=True, check=False, timeout=300,
                          env={**os.environ, "PYTHONPATH": str(ROOT)})  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    found = json.loads(done.stdout.splitlines()[-1])
    assert found["control"], "the listener hears"
    assert found["heard"] == []
    assert found["pages"] == 1
    assert found["statuses"][0] == 303
    assert found["statuses"][1:9] == [403] * 8
    assert 200 in found["statuses"][9:]
    count("attacks", "by foreign pages, in a network without a way out", len(found["statuses"]))
