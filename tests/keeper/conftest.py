"""A real keeper in a process of its own, on a simulated line, over a real socket pair."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from hardware.simulated import LineChange, SimulatedLine
from timer.clock import SteadyClock, to_ns
from timer.keeper.link import KeeperLink, KeeperSettings
from timer.keeper.protocol import PACKET_BYTES, Kind, Reason, Record, pack, unpack

ROOT = Path(__file__).resolve().parents[2]
# Long enough for the slowest machine; a failing test alone waits for it to pass.
PATIENCE_SECONDS = 10.0
PLAIN_KEEPER = (sys.executable, "-m", "timer.keeper")
FAULTY_KEEPER = Path(__file__).with_name("faulty_keeper.py")


def wait_until(what: Callable[[], bool], saying: str) -> None:
    """Return as soon as ``what`` is true; fail where it does not become so."""
    gives_up_at = time.monotonic() + PATIENCE_SECONDS
    while not what():
        if time.monotonic() > gives_up_at:
            pytest.fail(f"in vain waited for: {saying}")
        time.sleep(0.002)


@dataclass
class Bench:
    """One folder with a line and a journal, and the keepers started on it."""

    folder: Path
    longest_ns: int = to_ns(60.0)
    beats_ns: int = to_ns(60.0)
    more: dict[str, Any] = field(default_factory=dict)
    processes: list["subprocess.Popen[bytes]"] = field(default_factory=list)
    channels: list[socket.socket] = field(default_factory=list)
    links: list[KeeperLink] = field(default_factory=list)

    @property
    def lamp_text(self) -> str:
        return f"simulated:{self.folder / 'line'}"

    @property
    def journal(self) -> Path:
        return self.folder / "journal"

    def history(self) -> list[LineChange]:
        """Return every write to the line so far."""
        line = SimulatedLine(self.folder / "line")
        try:
            return line.history()
        finally:
            line.close()

    @property
    def is_lit(self) -> bool:
        history = self.history()
        return bool(history) and history[-1].level

    def last(self, level: bool) -> LineChange:
        """Return the last time that the line changed to ``level``."""
        history = self.history()
        pairs = pairwise(history)
        return [after for before, after in pairs if after.level == level != before.level][-1]

    def wait_lit(self) -> None:
        wait_until(lambda: self.is_lit, "the lamp to be on")

    def wait_dark(self) -> None:
        wait_until(lambda: not self.is_lit, "the lamp to be off")

    def settings(self, journal: Path | None = None) -> KeeperSettings:
        """Return how a keeper is started here; ``more`` are settings of the test's own."""
        return KeeperSettings(
            lamp=self.lamp_text,
            longest_ns=self.longest_ns,
            beats_ns=self.beats_ns,
            journal=journal or self.journal,
            **self.more,
        )

    def start(
        self, command: tuple[str, ...] = PLAIN_KEEPER, journal: Path | None = None
    ) -> "RawKeeper":
        """Start a keeper with nothing between it and the test."""
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            process = subprocess.Popen(
                [*command, *self.settings(journal).arguments(theirs.fileno())],
                pass_fds=(theirs.fileno(),), cwd=ROOT, stdin=subprocess.DEVNULL,
                stderr=subprocess.PIPE, start_new_session=True,
            )  # fmt: skip
        ours.settimeout(PATIENCE_SECONDS)
        self.processes.append(process)
        self.channels.append(ours)
        return RawKeeper(process, ours)

    def link(self, command: tuple[str, ...] = PLAIN_KEEPER, lamp: str | None = None) -> KeeperLink:
        """Return the daemon's end of a keeper, not started yet."""
        settings = replace(self.settings(), lamp=lamp or self.lamp_text, command=command)
        link = KeeperLink(settings, SteadyClock())
        self.links.append(link)
        return link

    def close(self) -> None:
        for link in self.links:
            link.abandon()
        for channel in self.channels:
            channel.close()
        for process in self.processes:
            with suppress(ProcessLookupError):
                process.kill()
            process.wait()
            if process.stderr:
                process.stderr.close()


@dataclass
class RawKeeper:
    """A keeper process and our end of its channel."""

    process: "subprocess.Popen[bytes]"
    channel: socket.socket
    reports: list[Record] = field(default_factory=list)

    @property
    def pid(self) -> int:
        return self.process.pid

    def send(self, kind: Kind, order: int = 1, a_ns: int = 0) -> None:
        self.channel.send(pack(Record(kind, Reason.NONE, order, a_ns)))

    def hear(self, kind: Kind) -> Record:
        """Return the next report of a kind; those before it are put by, beats are passed over."""
        gives_up_at = time.monotonic() + PATIENCE_SECONDS
        while time.monotonic() < gives_up_at:
            packet = self.channel.recv(PACKET_BYTES + 1)
            assert packet, f"the keeper left before it told {kind.name}"
            report = unpack(packet)
            if report.kind is not Kind.ALIVE:
                self.reports.append(report)
            if report.kind is kind:
                return report
        pytest.fail(f"in vain waited for: {kind.name}")

    def ready(self) -> "RawKeeper":
        assert self.hear(Kind.READY) == self.reports[0]
        return self

    def expose(self, seconds: float, order: int = 1) -> Record:
        self.send(Kind.EXPOSE, order, to_ns(seconds))
        return self.hear(Kind.ON)

    def leave(self) -> int:
        """Close the channel, wait for the keeper to leave, and return its exit code."""
        self.channel.close()
        return self.process.wait(PATIENCE_SECONDS)

    def said(self) -> str:
        """Return what it wrote to its log; only once it has left."""
        assert self.process.stderr is not None
        return self.process.stderr.read().decode()

    def stop(self) -> None:
        os.kill(self.pid, signal.SIGSTOP)

    def go_on(self) -> None:
        os.kill(self.pid, signal.SIGCONT)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    # A keeper that a link starts finds the packages wherever the tests are run from.
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    one = Bench(tmp_path)
    yield one
    one.close()


@pytest.fixture
def keeper(bench: Bench) -> RawKeeper:
    """A plain keeper that is ready."""
    return bench.start().ready()


@pytest.fixture(scope="session")
def until() -> Callable[[Callable[[], bool], str], None]:
    return wait_until


@pytest.fixture(scope="session")
def faulty() -> Callable[..., tuple[str, ...]]:
    """The command of a keeper with a fault in its lamp."""

    def command(fault: str) -> tuple[str, ...]:
        return (sys.executable, str(FAULTY_KEEPER), fault)

    return command
