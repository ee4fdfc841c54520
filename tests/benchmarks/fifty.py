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

PATIENCE = 300
"""Seconds after which a page that is not at rest, or a health page that does not answer, is an error."""


async def at_rest(address: str, cookie: str, page: str) -> float:
    """Seconds from the wish to connect until the script of the page has ended."""
    wish = BackMsg()
    wish.rerun_script.page_name = page
    wish.rerun_script.query_string = ""
    start = time.perf_counter()
    try:
        async with asyncio.timeout(PATIENCE):
            await _rested(address, cookie, wish)
    except TimeoutError as late:
        message = f"the page {page or 'first shown'} of {address} was not at rest within {PATIENCE} seconds"
        raise TimeoutError(message) from late
    return time.perf_counter() - start


async def _rested(address: str, cookie: str, wish: BackMsg) -> None:
    async with connect(
        f"ws://{urlsplit(address).netloc}/_stcore/stream",
        origin=address,  # type: ignore[arg-type]
        additional_headers={"Cookie": cookie} if cookie else {},
        max_size=None,
        open_timeout=PATIENCE,
    ) as stream:
        await stream.send(wish.SerializeToString())
        while True:
            message = ForwardMsg.FromString(await stream.recv())  # type: ignore[arg-type]
            if message.WhichOneof("type") == "script_finished" and message.script_finished in {0, 2}:
                return


async def together(address: str, cookie: str, number: int, page: str) -> list[float]:
    return list(await asyncio.gather(*(at_rest(address, cookie, page) for _ in range(number))))


def watched(address: str, cookie: str, over: Event, took: list[float]) -> None:
    """Ask the health page again and again."""
    while not over.is_set():
        asked = urllib.request.Request(f"{address}/_stcore/health", headers={"Cookie": cookie} if cookie else {})
        start = time.perf_counter()
        with urllib.request.urlopen(asked, timeout=PATIENCE / 2) as answer:
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
