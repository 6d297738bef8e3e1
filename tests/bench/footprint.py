"""What Treadle takes of a machine: memory, processor, time to start; by the usual command."""

import os
import re
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from hardware.simulated import LineChange
from tests.bench.darkroom import PATIENCE_SECONDS, Darkroom
from tests.bench.figures import NS_PER_MS
from tests.bench.loads import ROOT
from timer.clock import to_ns
from timer.keeper.link import KeeperSettings
from timer.keeper.protocol import PACKET_BYTES, Kind, unpack

_OWN = {"timer", "hardware"}


@dataclass(frozen=True, slots=True)
class Footprint:
    """Resident memory in MiB, share of one core while idle, start to ready and to dark in ms.

    ``foreign`` are the keeper's modules that are neither the standard library's
    nor ours; ``of_the_environment`` those that any program gets from the
    installation's .pth files before its first line runs.
    """

    daemon_mib: float
    keeper_mib: float
    idle_share: float
    idle_seconds: float
    ready_ms: tuple[float, ...]
    dark_ms: tuple[float, ...]
    foreign: tuple[str, ...]
    of_the_environment: tuple[str, ...]


def measure_footprint(starts: int, idle_seconds: float, memory: Path, disk: Path) -> Footprint:
    """Start the daemon ``starts`` times, let it idle, and look at its processes."""
    ready, dark = [], []
    darkroom = Darkroom(memory, disk)
    try:
        for _ in range(starts):
            darkroom.end()
            ready_ms, dark_ms = _start(darkroom)
            ready.append(ready_ms)
            dark.append(dark_ms)
        pids = darkroom.running.pid, darkroom.keeper_pid
        time.sleep(2.0)
        before_ns, began = sum(map(_used_ns, pids)), time.monotonic()
        time.sleep(idle_seconds)
        used_ns, seconds = sum(map(_used_ns, pids)) - before_ns, time.monotonic() - began
        resident = [_resident_mib(pid) for pid in pids]
    finally:
        darkroom.end()
    foreign, of_the_environment = _foreign_modules(memory)
    return Footprint(
        daemon_mib=resident[0],
        keeper_mib=resident[1],
        idle_share=used_ns / 1e9 / seconds,
        idle_seconds=seconds,
        ready_ms=tuple(ready),
        dark_ms=tuple(dark),
        foreign=foreign,
        of_the_environment=of_the_environment,
    )


def _start(darkroom: Darkroom) -> tuple[float, float]:
    """Return the milliseconds from the start to ready, as systemd hears it, and to the dark."""
    address = darkroom.memory / "notify"
    address.unlink(missing_ok=True)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(address))
        systemd.settimeout(PATIENCE_SECONDS)
        began_ns = time.monotonic_ns()
        command = [sys.executable, "-m", "timer.service.cli", "serve", "--config"]
        darkroom.serve([*command, str(darkroom.config_file)], NOTIFY_SOCKET=str(address))
        while b"READY=1" not in systemd.recv(1000):
            pass
        ready_ns = time.monotonic_ns()
    first: LineChange = next(one for one in darkroom.history() if one.at_ns >= began_ns)
    return (ready_ns - began_ns) / NS_PER_MS, (first.at_ns - began_ns) / NS_PER_MS


def _used_ns(pid: int) -> int:
    """Return what all threads of ``pid`` have had of the processor."""
    threads = Path(f"/proc/{pid}/task").iterdir()
    return sum(int((one / "schedstat").read_text().split()[0]) for one in threads)


def _resident_mib(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii", errors="replace")
    found = re.search(r"VmRSS:\s+(\d+) kB", status)
    return int(found.group(1)) / 1024 if found else float("nan")


def _foreign_modules(memory: Path) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the foreign modules of a keeper's whole life, and of an interpreter that does nothing.

    The keeper's end is after its first off, so what it has before that is among them.
    """
    timed = (sys.executable, "-X", "importtime")
    settings = KeeperSettings(
        lamp=f"simulated:{memory / 'imports.line'}",
        longest_ns=to_ns(60.0),
        beats_ns=to_ns(60.0),
        journal=memory / "imports.journal",
        pedal=f"simulated:{memory / 'imports.pedal'}",
        command=(*timed, "-m", "timer.keeper"),
    )
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    with theirs:
        keeper = subprocess.Popen(
            [*settings.command, *settings.arguments(theirs.fileno())],
            cwd=ROOT, pass_fds=(theirs.fileno(),), stdin=subprocess.DEVNULL, stderr=subprocess.PIPE,
        )  # fmt: skip
    with ours:
        ours.settimeout(PATIENCE_SECONDS)
        if unpack(ours.recv(PACKET_BYTES + 1)).kind is not Kind.READY:
            raise RuntimeError("the keeper that tells its imports did not become ready")
    imported = _foreign(keeper.communicate(timeout=PATIENCE_SECONDS)[1])
    nothing = subprocess.run(
        [*timed, "-c", ""], cwd=ROOT, capture_output=True, check=True, env=dict(os.environ)
    )
    environment = _foreign(nothing.stderr)
    return tuple(sorted(imported - environment)), tuple(sorted(environment))


def _foreign(told: bytes) -> set[str]:
    names = re.findall(r"^import time:\s+\d+ \|\s+\d+ \|\s+(\S+)$", told.decode(), re.M)
    tops = {name.partition(".")[0] for name in names}
    return tops - set(sys.stdlib_module_names) - _OWN
