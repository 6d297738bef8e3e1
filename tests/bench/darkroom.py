"""A darkroom to measure in: the real daemon and keeper, a simulated line in memory."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from hardware.simulated import LineChange, SimulatedLine
from tests.bench.loads import ROOT
from timer.errors import TreadleError
from timer.record.sheets import SheetRecord
from timer.record.store import Record
from timer.service.client import Client
from timer.service.config import Config, load_config
from timer.storage.database import open_database

PATIENCE_SECONDS = 60.0


def wait_until(condition: Callable[[], Any], what: str) -> Any:
    """Wait for ``condition`` and return what it gave."""
    gives_up_at = time.monotonic() + PATIENCE_SECONDS
    while not (found := condition()):
        if time.monotonic() > gives_up_at:
            raise RuntimeError(f"waited in vain until {what}")
        time.sleep(0.002)
    return found


class Darkroom:
    """One configuration; line, socket and journal lie in ``memory``, the database on ``disk``.

    So it is on a Raspberry Pi: /run is in memory, /var/lib on the card.
    """

    def __init__(self, memory: Path, disk: Path) -> None:
        memory.mkdir(parents=True, exist_ok=True)
        disk.mkdir(parents=True, exist_ok=True)
        self.memory = memory
        self.config_file = memory / "treadle.toml"
        # A short bounce only lets the foot of a bench tap quickly; an edge is taken as ever.
        self.config_file.write_text(
            f"""\
[lamp]
driver = "simulated"
[pedal]
driver = "simulated"
bounce_s = 0.005
[sounder]
driver = "simulated"
[service]
data = {json.dumps(str(disk))}
runtime = {json.dumps(str(memory))}
socket = {json.dumps(str(memory / "s"))}
""",
            encoding="utf-8",
        )
        self.config: Config = load_config(self.config_file)
        self.socket = Path(self.config.service.socket)
        self.pedal_wire = memory / "pedal.line"
        self.client = Client(self.socket)
        self.daemon: subprocess.Popen[bytes] | None = None

    def start(self, inside: tuple[str, ...] = (), *, real_time: bool = True) -> None:
        """Start a daemon with loads inside it, and wait until it answers."""
        self.serve(
            [
                sys.executable,
                "-m",
                "tests.bench.launcher",
                str(self.config_file),
                *inside,
                *([] if real_time else ["--no-real-time"]),
            ]
        )
        wait_until(self.answers, "the daemon answers")

    def serve(self, command: list[str], **environment: str) -> None:
        """Start a daemon by ``command`` without waiting for it."""
        with (self.memory / "daemon.log").open("ab") as log:
            self.daemon = subprocess.Popen(
                command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=log,
                env={**os.environ, **environment},
            )  # fmt: skip

    def answers(self) -> bool:
        """Whether the daemon of now answers."""
        daemon = self.running
        if daemon.poll() is not None:
            raise RuntimeError(f"the daemon ended:\n{self.log[-2000:]}")
        try:
            return bool(self.client.get("/health")["daemon_pid"] == daemon.pid)
        except TreadleError:
            return False

    @property
    def running(self) -> "subprocess.Popen[bytes]":
        """The daemon's process."""
        if self.daemon is None:
            raise RuntimeError("no daemon was started")
        return self.daemon

    @property
    def keeper_pid(self) -> int:
        """The keeper's process number, 0 where there is none now."""
        return int(self.client.get("/health")["keeper_pid"] or 0)

    @property
    def log(self) -> str:
        """What the daemon said."""
        return (self.memory / "daemon.log").read_text(encoding="utf-8", errors="replace")

    def state(self) -> str:
        """The state that the daemon tells."""
        return str(self.client.get("/status")["state"])

    def until_state(self, *states: str) -> None:
        """Wait until the daemon tells one of ``states``."""
        wait_until(lambda: self.state() in states, f"the enlarger is {' or '.join(states)}")

    def history(self) -> list[LineChange]:
        """Every write to the lamp's line."""
        line = SimulatedLine(self.config.lamp_text.partition(":")[2])
        try:
            return line.history()
        finally:
            line.close()

    def sheets(self) -> list[SheetRecord]:
        """All sheets of the record, the oldest first; only after the daemon has ended."""
        database = open_database(self.config.database, read_only=True)
        try:
            return sorted(Record(database).sheets(1000), key=lambda one: one.number)
        finally:
            database.close()

    def end(self) -> None:
        """End the daemon in order, or by force where it does not come to it."""
        if self.daemon is None or self.daemon.poll() is not None:
            return
        self.daemon.send_signal(signal.SIGTERM)
        try:
            self.daemon.wait(PATIENCE_SECONDS)
        except subprocess.TimeoutExpired:
            self.daemon.kill()
            self.daemon.wait()
