"""Fifty people with a dashboard open: raw streams to the server, as the pages of browsers hold them.

``python -m tests.benchmarks.fifty ADDRESS COOKIE NUMBER PAGE`` opens that many sessions at once and prints how many
seconds each took until its page was at rest, and how long the health page took meanwhile, as JSON.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time
import urllib.request
from threading import Event, Thread
from urllib.parse import urlsplit

from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from websockets.asyncio.client import connect

PATIENCE = 120


async def at_rest(address: str, cookie: str, page: str) -> float:
    """Seconds from the wish to connect until the script of the page has ended."""
    wish = BackMsg()
    wish.rerun_script.page_name = page
    wish.rerun_script.query_string = ""
    start = time.perf_counter()
    async with connect(
        f"ws://{urlsplit(address).netloc}/_stcore/stream",
        origin=address,  # type: ignore[arg-type]
        additional_headers={"Cookie": cookie} if cookie else {},
        max_size=None,
        open_timeout=PATIENCE,
    ) as stream:
        await stream.send(wish.SerializeToString())
        while True:
            data = await asyncio.wait_for(stream.recv(), PATIENCE)
            message = ForwardMsg.FromString(data)  # type: ignore[arg-type]
            if message.WhichOneof("type") == "script_finished" and message.script_finished in {0, 2}:
                return time.perf_counter() - start


async def together(address: str, cookie: str, number: int, page: str) -> list[float]:
    return list(await asyncio.gather(*(at_rest(address, cookie, page) for _ in range(number))))


def watched(address: str, cookie: str, over: Event, took: list[float]) -> None:
    """Ask the health page again and again."""
    while not over.is_set():
        asked = urllib.request.Request(f"{address}/_stcore/health", headers={"Cookie": cookie} if cookie else {})
        start = time.perf_counter()
        with urllib.request.urlopen(asked, timeout=PATIENCE) as answer:
            answer.read()
        took.append(time.perf_counter() - start)
        over.wait(0.1)


def measured(address: str, cookie: str, number: int, page: str) -> dict[str, list[float]]:
    """Seconds of each page, and of each look at the health page meanwhile."""
    over, health = Event(), list[float]()
    thread = Thread(target=watched, args=(address, cookie, over, health))
    thread.start()
    try:
        pages = asyncio.run(together(address, cookie, number, page))
    finally:
        over.set()
        thread.join()
    return {"pages": sorted(pages), "health": sorted(health)}


if __name__ == "__main__":
    at, given, how_many, which = sys.argv[1:]
    print(json.dumps(measured(at, given, int(how_many), which)))
