"""A darkroom to test in: a daemon in a process of its own, on a simulated line, worked by command.

Nothing is faked but the wire to the lamp. Whatever a test does, it fails if the lamp is on after
the last daemon has ended.
"""

import http.client
import json
import os
import re
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import pytest
import tomli_w

from hardware.simulated import LineChange, SimulatedLine
from timer.rehearsal.sheet import lamp_periods
from timer.service.cli import main
from timer.service.config import Config
from timer.service.rehearsal import rehearsal_config

ROOT = Path(__file__).parents[2]
# Far beyond what any step here takes, and only ever waited for in full by a test that fails.
PATIENCE_SECONDS = 30.0


class Answer(NamedTuple):
    """What a command printed, and its exit code."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        assert self.code == 0, self.err
        return json.loads(self.out)

    @property
    def sentence(self) -> str:
        """The one sentence of a command that failed, without the programme's name."""
        assert self.code != 0
        assert self.out == ""
        assert self.err.endswith("\n")
        assert self.err.count("\n") == 1
        assert self.err.startswith("treadle: ")
        assert "Traceback" not in self.err
        return self.err.removeprefix("treadle: ").rstrip("\n")


def until(condition: Callable[[], Any], what: str) -> Any:
    """Wait for ``condition`` and return what it gave."""
    gives_up_at = time.monotonic() + PATIENCE_SECONDS
    while not (found := condition()):
        assert time.monotonic() < gives_up_at, f"waited in vain until {what}"
        time.sleep(0.003)
    return found


class _Connection(http.client.HTTPConnection):
    def __init__(self, path: str) -> None:
        super().__init__("localhost", timeout=PATIENCE_SECONDS)
        self._path = path

    def connect(self) -> None:
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(PATIENCE_SECONDS)
        self.sock.connect(self._path)


class Darkroom:
    """One folder with a configuration, the daemons started on it, and the line to the lamp."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str] | None) -> None:
        self.folder = folder
        self.config: Config = rehearsal_config(folder)
        self.config_file = folder / "treadle.toml"
        self.daemons: list[subprocess.Popen[bytes]] = []
        self._capsys = capsys
        self.configure()

    # The configuration.

    def configure(self, **tables: dict[str, Any]) -> None:
        """Write the configuration with the values of ``tables`` in place of the usual ones."""
        told = msgspec.to_builtins(self.config)
        for name, values in tables.items():
            told[name] |= values
        self.config_file.write_text(tomli_w.dumps(told), encoding="utf-8")
        self.config = msgspec.convert(told, Config)

    @property
    def socket(self) -> str:
        return self.config.service.socket

    # The daemon.

    def serve(self) -> "subprocess.Popen[bytes]":
        """Start a daemon without waiting for it."""
        with (self.folder / "daemon.log").open("ab") as log:
            daemon = subprocess.Popen(
                [sys.executable, "-m", "timer.service.cli", "serve", "--config", self.config_file],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=log,
                env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "error"},
            )
        self.daemons.append(daemon)
        return daemon

    def start(self) -> "subprocess.Popen[bytes]":
        """Start a daemon that answers when this returns."""
        daemon = self.serve()

        def answers() -> bool:
            assert daemon.poll() is None, self.log
            try:
                return int(self.ask("GET", "/health")[1]["daemon_pid"]) == daemon.pid
            except OSError:
                return False

        until(answers, "the daemon answers")
        return daemon

    def refused(self) -> Answer:
        """Start a daemon that must end by itself, and return what it said."""
        done = subprocess.run(
            [sys.executable, "-m", "timer.service.cli", "serve", "--config", self.config_file],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=PATIENCE_SECONDS,
            check=False,
            env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "error"},
        )
        return Answer(done.returncode, done.stdout.decode(), done.stderr.decode())

    def end(self, daemon: "subprocess.Popen[bytes]", number: int = signal.SIGTERM) -> int:
        """Send a signal to a daemon and return its exit code."""
        daemon.send_signal(number)
        return daemon.wait(PATIENCE_SECONDS)

    @property
    def keeper_pid(self) -> int:
        return int(self.ask("GET", "/health")[1]["keeper_pid"])

    @property
    def log(self) -> str:
        return (self.folder / "daemon.log").read_text(encoding="utf-8")

    def ask(self, method: str, path: str, body: bytes | None = None) -> tuple[int, Any]:
        """Ask over the socket itself; the answer must be JSON whatever it is."""
        connection = _Connection(self.socket)
        try:
            connection.request(method, path, body)
            response = connection.getresponse()
            assert response.headers.get_content_type() == "application/json"
            return response.status, json.loads(response.read())
        finally:
            connection.close()

    # The command line.

    def treadle(self, command: str, *more: str) -> Answer:
        """Run a command: ``command`` is split at blanks, ``more`` is taken word for word."""
        assert self._capsys is not None
        self._capsys.readouterr()
        code = main([*command.split(), *more])
        return Answer(code, *self._capsys.readouterr())

    def tell(self, command: str, *more: str) -> Any:
        """Run a command that must succeed, and return its JSON."""
        return self.treadle(command, *more, "--json").json

    def status(self) -> Any:
        return self.tell("status")

    def until_state(self, *states: str) -> Any:
        """Wait for one of ``states`` with nothing of the lamp still under way."""

        def reached() -> Any:
            status = self.status()
            settled = status["state"] == "exposing" or status["on_since_ns"] is None
            return status if status["state"] in states and settled else None

        return until(reached, f"the enlarger is {' or '.join(states)}: {self.status()}")

    def until_lamp_on(self) -> Any:
        """Wait until the daemon knows the lamp to be on."""

        def on() -> Any:
            status = self.status()
            return status if status["on_since_ns"] is not None else None

        return until(on, "the lamp is on")

    def arm(self, *arguments: str) -> Any:
        self.tell("arm", *arguments)
        return self.until_state("waiting")

    def save(self, name: str, what: str) -> Any:
        return self.tell("programme save", name, *what.split())

    def expose(self, seconds: str, name: str = "Long one") -> None:
        """Save, arm and start a print of ``seconds``, and wait until its light is on."""
        self.treadle("programme", "save", name, "print", "--base", seconds)
        self.arm(name)
        self.tell("pedal")
        self.until_lamp_on()

    # What really happened.

    @property
    def line_path(self) -> str:
        return self.config.lamp_text.partition(":")[2]

    def history(self) -> list[LineChange]:
        line = SimulatedLine(self.line_path)
        try:
            return line.history()
        finally:
            line.close()

    def periods(self) -> list[tuple[int, int]]:
        """From when to when the line was on, by the line's own history."""
        return lamp_periods(self.history())

    def lit(self) -> bool:
        return self.history()[-1].level

    def until_dark(self) -> None:
        until(lambda: not self.lit(), "the line is off")

    def journal(self) -> list[tuple[int, int]]:
        """The periods as the keeper stamped and noted them, oldest first."""
        text = self.config.journal.read_text(encoding="ascii")
        return [(int(on), int(off)) for on, off in re.findall(r"^off \d+ (\d+) (\d+) ", text, re.M)]

    def close(self) -> None:
        for daemon in self.daemons:
            if daemon.poll() is None:
                self.end(daemon)


def _folder() -> Iterator[Path]:
    # Short, for a socket's path may have 107 characters at most (unix(7)).
    with tempfile.TemporaryDirectory(prefix="tr-") as name:
        yield Path(name)


folder = pytest.fixture(_folder)
shared_folder = pytest.fixture(_folder, scope="module")


def _checked(one: Darkroom) -> Iterator[Darkroom]:
    try:
        yield one
    finally:
        one.close()
    if Path(one.line_path).exists():
        one.until_dark()


@pytest.fixture
def darkroom(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Iterator[Darkroom]:
    """A darkroom of the test's own; no daemon runs yet."""
    one = Darkroom(folder, capsys)
    monkeypatch.setenv("TREADLE_CONFIG", str(one.config_file))
    yield from _checked(one)


@pytest.fixture(scope="module")
def shared(shared_folder: Path) -> Iterator[Darkroom]:
    """One darkroom with a running daemon for all tests of a file; asked over its socket only."""
    one = Darkroom(shared_folder, None)
    one.start()
    yield from _checked(one)


@pytest.fixture
def treadle(capsys: pytest.CaptureFixture[str]) -> Callable[..., Answer]:
    """The command line where no daemon is needed."""

    def run(command: str, *more: str) -> Answer:
        capsys.readouterr()
        code = main([*command.split(), *more])
        return Answer(code, *capsys.readouterr())

    return run


@pytest.fixture
def wait_until() -> Callable[[Callable[[], Any], str], Any]:
    """How to wait for a condition."""
    return until
