"""A darkroom whose wall clock and disk are in the test's hand, and ears for its daemon."""

import asyncio
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from aiohttp import ClientError, ClientSession, UnixConnector

from ..service.conftest import PATIENCE_SECONDS, ROOT, Darkroom, until

TAMPERING = Path(__file__).parent / "tampering"
NS = 1_000_000_000
LATE_NS = NS // 4
# The keeper's stamp of a switching lies within the write to the line; this allows for a busy
# machine between the two.
MOMENT_NS = NS // 20


class Ears:
    """Everything that a daemon tells, from the moment of listening on, and when it was heard."""

    def __init__(self, socket: str) -> None:
        self.heard: list[dict[str, Any]] = []
        self._socket = socket
        self._listens = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._listening: asyncio.Task[None] | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        assert self._listens.wait(PATIENCE_SECONDS)

    def _run(self) -> None:
        self._listening = self._loop.create_task(self._listen())
        with suppress(asyncio.CancelledError, ClientError):
            self._loop.run_until_complete(self._listening)
        self._loop.run_until_complete(self._loop.shutdown_asyncgens())
        self._loop.close()

    async def _listen(self) -> None:
        connector = UnixConnector(self._socket)
        async with (
            ClientSession(connector=connector) as session,
            session.ws_connect("http://localhost/events") as events,
        ):
            async for message in events:
                self.heard.append(message.json() | {"heard_ns": time.monotonic_ns()})
                self._listens.set()

    def close(self) -> None:
        with suppress(RuntimeError):  # the daemon has ended, and the loop with it
            if self._listening is not None:
                self._loop.call_soon_threadsafe(self._listening.cancel)
        self._thread.join(PATIENCE_SECONDS)
        assert not self._thread.is_alive()

    @property
    def cues(self) -> list[str]:
        return [one["cue"] for one in self.heard if one["event"] == "cue"]

    @property
    def story(self) -> list[str]:
        """The cues that tell what happens, without those that count."""
        counting = ("tick", "fifth", "count")
        return [cue for cue in self.cues if cue not in counting]

    @property
    def troubles(self) -> list[str]:
        return [one["trouble"] for one in self.heard if one["event"] == "trouble"]

    def until(self, cue: str, *, after: int = 0) -> None:
        """Wait until ``cue`` is heard, once more after the first ``after`` cues."""
        until(lambda: cue in self.cues[after:], f"the sound {cue!r} is heard")


class TroubledDarkroom(Darkroom):
    """A darkroom whose daemons and keepers take their wall clock and the time of a COMMIT from
    the test.
    """

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str] | None) -> None:
        super().__init__(folder, capsys)
        self._ears: list[Ears] = []

    def serve(self) -> "subprocess.Popen[bytes]":
        with (self.folder / "daemon.log").open("ab") as log:
            daemon = subprocess.Popen(
                [sys.executable, "-m", "timer.service.cli", "serve", "--config", self.config_file],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=log,
                env={
                    **os.environ,
                    "PYTHONPATH": f"{TAMPERING}{os.pathsep}{ROOT}",
                    "PYTHONWARNINGS": "error",
                    "TREADLE_TESTS_TAMPERING": str(self.folder),
                },
            )
        self.daemons.append(daemon)
        return daemon

    def _tell_tampering(self, name: str, seconds: float) -> None:
        # Replaced as a whole: a daemon must never read half a number.
        new = self.folder / f"{name}.new"
        new.write_text(str(seconds), encoding="ascii")
        new.replace(self.folder / name)

    def set_wall_clock(self, ahead_seconds: float) -> None:
        """Set the wall clock of daemon and keeper, in seconds from the machine's own."""
        self._tell_tampering("wall", ahead_seconds)

    def slow_disk(self, seconds: float) -> None:
        """Let everything that is to be on the disk take ``seconds``."""
        self._tell_tampering("commit", seconds)

    def listen(self) -> Ears:
        """Return ears for what the present daemon tells."""
        ears = Ears(self.socket)
        self._ears.append(ears)
        return ears

    def expose_and_listen(self, seconds: str, name: str = "Long one") -> Ears:
        """Start a print of ``seconds``, and return when its light is on, listening."""
        self.treadle("programme", "save", name, "print", "--base", seconds)
        self.arm(name)
        ears = self.listen()
        self.tell("pedal")
        self.until_lamp_on()
        return ears

    def passes(self, sheet: int = 1) -> Any:
        return self.tell("record show", str(sheet))["passes"]

    def no_traceback(self) -> None:
        assert "Traceback" not in self.log, self.log

    def close(self) -> None:
        super().close()
        for ears in self._ears:
            ears.close()


def open_troubled(
    folder: Path, capsys: pytest.CaptureFixture[str] | None
) -> Iterator[TroubledDarkroom]:
    """Yield a darkroom, then check that its lamp is off after its last daemon."""
    one = TroubledDarkroom(folder, capsys)
    try:
        yield one
    finally:
        one.close()
    if Path(one.line_path).exists():
        one.until_dark()


def darkroom_of_tests_own(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Iterator[TroubledDarkroom]:
    """A darkroom of the test's own; no daemon runs yet."""
    monkeypatch.setenv("TREADLE_CONFIG", str(folder / "treadle.toml"))
    yield from open_troubled(folder, capsys)
