"""What keeps machine and interpreter busy.

Inside an interpreter: threads, by :func:`start_inside`. Beside it: processes, by
:class:`Outside`, each of which is ``python -m tests.bench.loads NAME``.
"""

import argparse
import asyncio
import json
import os
import select
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any

import aiohttp

ROOT = Path(__file__).absolute().parents[2]
LISTENERS = 50
REQUESTS_PER_SECOND = 10_000
# Writing and reading it takes about 0.2 s, in which no other thread of the interpreter can run.
_JSON_PAUSE_SECONDS = 0.25
# Each connection waits with so many requests on their way: enough to keep a server busy, and few
# enough that a page still gets its answer.
_CONNECTIONS, _ON_THEIR_WAY = 4, 8
_REQUEST = b"GET /status HTTP/1.1\r\nHost: localhost\r\n\r\n"
_ANSWER = b"HTTP/1.1 200"


def _greedy(_folder: Path) -> None:
    number = 0
    while True:
        number = (number * 5 + 1) % 1_000_003


def _json(_folder: Path) -> None:
    sheet = {
        "name": "Slipway at low tide",
        "passes": [0.1 * n for n in range(24)],
        "note": "x" * 80,
    }
    sheets = [sheet | {"sheet": n} for n in range(8_000)]  # 3 MB of text
    while True:
        json.loads(json.dumps(sheets))
        time.sleep(_JSON_PAUSE_SECONDS)


def _sqlite(folder: Path) -> None:
    database = sqlite3.connect(folder / "load.sqlite3", isolation_level=None)
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("PRAGMA synchronous = FULL")
    database.execute("CREATE TABLE IF NOT EXISTS load (at INTEGER, what BLOB)")
    while True:
        database.execute("BEGIN IMMEDIATE")
        for _ in range(20):
            database.execute("INSERT INTO load VALUES (?, ?)", (time.time_ns(), os.urandom(2000)))
        database.execute("DELETE FROM load WHERE rowid < (SELECT max(rowid) - 2000 FROM load)")
        database.execute("COMMIT")


_INSIDE = {"greedy": _greedy, "json": _json, "sqlite": _sqlite}


def start_inside(names: Sequence[str], folder: Path) -> None:
    """Start threads in this interpreter that keep it busy until the process ends.

    ``folder`` is where the database is written to: a disk.
    """
    for name in names:
        threading.Thread(target=_INSIDE[name], args=(folder,), name=name, daemon=True).start()


class Outside:
    """The loads ``names`` beside what is measured, while inside ``with``; ``told`` is their count.

    Listeners and requests come to the Unix socket ``page``.
    """

    def __init__(self, names: Sequence[str], page: Path) -> None:
        self._names = [one for one in names for _ in range(_copies(one))]
        self._page = page
        self._processes: list[subprocess.Popen[bytes]] = []
        self.told: dict[str, Any] = {}

    def __enter__(self) -> "Outside":
        for name in self._names:
            self._processes.append(
                subprocess.Popen(
                    [sys.executable, "-m", "tests.bench.loads", name, str(self._page)],
                    cwd=ROOT,
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.PIPE,
                )
            )
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        for one in self._processes:
            one.terminate()
        for one in self._processes:
            try:
                told = one.communicate(timeout=10.0)[0]
            except subprocess.TimeoutExpired:
                one.kill()
                told = one.communicate()[0]
            self.told |= json.loads(told or b"{}")


def _copies(name: str) -> int:
    return os.cpu_count() or 1 if name == "cores" else 1


# What runs in a process of its own.


class _Asked:
    """Whether SIGTERM has come."""

    def __init__(self) -> None:
        self.to_end = False
        signal.signal(signal.SIGTERM, self._end)

    def _end(self, _number: int, _frame: object) -> None:
        self.to_end = True


def _cores(_page: Path) -> dict[str, int]:
    """Compute and copy memory."""
    asked, number, block = _Asked(), 0, bytes(1 << 20)
    while not asked.to_end:
        for _ in range(1000):
            number = (number * 5 + 1) % 1_000_003
        block = block[::-1]
    return {}


def _requests(page: Path) -> dict[str, int]:
    """Ask for the status as often as can be, up to so many a second; return how often it was."""
    asked = _Asked()
    waiting: dict[socket.socket, int] = {}
    rest: dict[socket.socket, bytes] = {}
    for _ in range(_CONNECTIONS):
        one = socket.socket(socket.AF_UNIX)
        one.connect(str(page))
        waiting[one], rest[one] = 0, b""
    sent = answered = 0
    began = time.monotonic()
    # Without an end of the page, too: it leaves when it is done.
    with suppress(OSError):
        while not asked.to_end:
            allowed = round((time.monotonic() - began) * REQUESTS_PER_SECOND) - sent
            for one, number in waiting.items():
                more = min(_ON_THEIR_WAY - number, allowed)
                if more > 0:
                    one.sendall(_REQUEST * more)
                    waiting[one] += more
                    sent, allowed = sent + more, allowed - more
            for one in select.select(waiting, (), (), 0.001)[0]:
                came = one.recv(1 << 16)
                if not came:
                    raise ConnectionResetError
                text = rest[one] + came
                found = text.count(_ANSWER)
                # An answer's first words may be split over two reads.
                rest[one] = text[text.rfind(_ANSWER) + 1 :][-len(_ANSWER) + 1 :]
                waiting[one] -= found
                answered += found
    per_second = round(answered / (time.monotonic() - began))
    return {"requests_per_second": per_second, "requests_answered": answered}


def _listeners(page: Path) -> dict[str, int]:
    """Listen to all events as 50 pages do, of which one never reads; return how many came."""
    heard = 0
    mute = socket.socket(socket.AF_UNIX)
    mute.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    mute.connect(str(page))
    mute.sendall(
        b"GET /events HTTP/1.1\r\nHost: localhost\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
        b"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dHJlYWRsZSBiZW5jaCAxMg==\r\n\r\n"
    )

    async def listen(session: aiohttp.ClientSession) -> None:
        nonlocal heard
        async with session.ws_connect("http://localhost/events") as events:
            async for _ in events:
                heard += 1

    async def listen_all() -> None:
        connector = aiohttp.UnixConnector(str(page), limit=0)
        async with aiohttp.ClientSession(connector=connector) as session:
            listening = asyncio.gather(*(listen(session) for _ in range(LISTENERS - 1)))
            asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, listening.cancel)
            with suppress(asyncio.CancelledError, OSError, aiohttp.ClientError):
                await listening

    asyncio.run(listen_all())
    mute.close()
    return {"listeners": LISTENERS, "events_heard": heard}


_OUTSIDE = {"cores": _cores, "requests": _requests, "listeners": _listeners}


def _main() -> None:
    parser = argparse.ArgumentParser(description="One load; ends on SIGTERM.")
    parser.add_argument("name", choices=_OUTSIDE)
    parser.add_argument("page", type=Path)
    args = parser.parse_args()

    sys.stdout.write(json.dumps(_OUTSIDE[args.name](args.page)))


if __name__ == "__main__":
    _main()
