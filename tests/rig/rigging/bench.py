"""Treadle in the guest: installed by its own script, configured, and brought back to the dark."""

import os
import re
import subprocess
import time
from pathlib import Path
from typing import Any, NamedTuple

from rigging.guest import Done, Edge, Guest, Period
from rigging.root import PRINTER

CHECKOUT = f"/home/{PRINTER}/treadle"
CONFIG = "/etc/treadle/treadle.toml"
_INSTALL_SECONDS = 500.0
_CARGO = ("pyproject.toml", "README.md", "LICENSE", "timer", "hardware", "systemd")

# The default but for what a simulated line needs: it has no lag, and the pedal goes through
# gpiozero and lgpio, whatever the default is. An emulated machine on a busy one may get no
# processor for longer than half a second; that alone must not hold a pass.
USUAL: dict[str, dict[str, Any]] = {
    "lamp": {"lag_s": 0.0, "shortest_s": 0.0},
    "pedal": {"driver": "gpiozero"},
    "service": {"beats_s": 4.0},
}
# What stamps and lengths may differ by on such a machine, with much to spare: exact figures
# belong to a real board.
SLACK_NS = 500_000_000
# A tap that comes late by more than a quarter of a second starts nothing, by design; then a
# printer taps again.
_ANSWER_SECONDS = 20.0
_TAPS = 5


class Installation(NamedTuple):
    """What install.sh said, and all that was written to the lamp's line from its first line on."""

    said: Done
    writes: list[Edge]


def make_cargo(checkout: Path, file: Path) -> None:
    """Pack what install.sh needs of the checkout, as the guest's second disk."""
    subprocess.run(
        ["tar", "-cf", file, "--exclude=__pycache__", "-C", checkout, *_CARGO], check=True
    )
    # A disk ends at a whole sector, and tar's own blocks are of 10 KiB.
    os.truncate(file, -(-file.stat().st_size // 4096) * 4096)


class Enlarger:
    """The installed Treadle, its pedal and its lamp."""

    def __init__(self, guest: Guest) -> None:
        self.guest = guest
        self.pedal, self.lamp = guest.pedal, guest.lamp
        self.first: Installation | None = None
        self._written: dict[str, dict[str, Any]] | None = None
        self._saved: set[str] = set()

    # Installing and configuring.

    def unpack(self) -> None:
        """Lay the checkout where the printer would have cloned it."""
        self.guest.shell(
            f"mkdir -p {CHECKOUT}; tar -xf /dev/vdb -C {CHECKOUT} --no-same-owner;"
            f"chown -R {PRINTER}: {CHECKOUT}"
        )

    def install(self, *options: str, check: bool = True) -> Done:
        """Run install.sh as the README says, by sudo."""
        return self.guest.run(
            f"sudo {CHECKOUT}/systemd/install.sh",
            *options,
            user=PRINTER,
            check=check,
            seconds=_INSTALL_SECONDS,
        )

    def be_installed(self) -> Installation:
        """Install where that was not done yet."""
        if self.first is None:
            since_ns = self.guest.now_ns()
            self.unpack()
            said = self.install(check=False)
            # Taken now: whichever test asks for it, others may have exposed before.
            self.first = Installation(said, self.lamp.writes(since_ns))
        return self.first

    def configure(self, **tables: dict[str, Any]) -> None:
        """Write a configuration, and restart the service if it is another than before."""
        told = {name: dict(values) for name, values in USUAL.items()}
        for name, values in tables.items():
            told.setdefault(name, {}).update(values)
        if told == self._written and self.is_active():
            return
        self.write(told)
        self.restart()

    def write(self, tables: dict[str, dict[str, Any]]) -> None:
        """Write a configuration without telling the service."""
        lines = []
        for name, values in tables.items():
            lines.append(f"[{name}]")
            lines += [f"{key} = {_toml(value)}" for key, value in values.items()]
        self.guest.run(f"tee {CONFIG}", stdin="\n".join(lines) + "\n")
        self._written = tables
        self.lamp.active_high = tables.get("lamp", {}).get("active_high", True)

    # The service.

    def is_active(self) -> bool:
        return self.guest.run("systemctl is-active treadle", check=False).out.strip() == "active"

    def restart(self) -> None:
        self.guest.run("systemctl reset-failed treadle", check=False)
        self.guest.run("systemctl restart treadle")

    def pid(self) -> int:
        """The daemon's."""
        return int(self.guest.run("systemctl show -p MainPID --value treadle").out)

    def keeper_pid(self) -> int:
        return int(self.guest.ask("ask", "GET", "/health")["keeper_pid"])

    def restarts(self) -> int:
        return int(self.guest.run("systemctl show -p NRestarts --value treadle").out)

    def log(self, since_ns: int = 0) -> str:
        """What the service and systemd said of it, by the monotonic clock."""
        told = self.guest.run("journalctl -u treadle -b -o short-monotonic --no-pager").out
        lines = []
        for line in told.splitlines():
            stamp = re.match(r"\[\s*(\d+\.\d+)\]", line)
            if stamp and float(stamp[1]) * 1e9 >= since_ns:
                lines.append(line)
        return "\n".join(lines)

    # The printer's work.

    def calm(self) -> None:
        """Come back to the dark, whatever was left."""

        def dark() -> bool:
            status = self.guest.status()
            if status is None:
                return False
            state = status["state"]
            if state == "fault":
                self.guest.ask("ask", "POST", "/clear")
            elif state == "done":
                self.guest.ask("ask", "POST", "/paper/away")
            elif state != "dark":
                self.guest.ask("ask", "POST", "/dark")
                self.guest.ask("ask", "POST", "/paper/away")
            return state == "dark" and status["on_since_ns"] is None

        self.guest.until(dark, f"the enlarger is dark again: {self.guest.status()}")

    def arm(self, name: str, what: str) -> None:
        """Save a programme under ``name``, once, and arm it."""
        if name not in self._saved:
            self.guest.treadle("programme save", name, *what.split())
            self._saved.add(name)
        self.guest.treadle("arm", name)
        self.guest.until_state("waiting")

    def start(self) -> None:
        """Tap, and tap again where nothing came of it, until the lamp was switched on."""
        for _ in range(_TAPS):
            since_ns, _ = self.pedal.tap()
            gives_up_at = time.monotonic() + _ANSWER_SECONDS
            while time.monotonic() < gives_up_at:
                if any(one.on for one in self.lamp.writes(since_ns)):
                    return
                time.sleep(0.05)
        raise AssertionError(f"{_TAPS} taps have not switched on: {self.guest.status()}")

    def expose(self, seconds: float) -> None:
        """Arm a print and start it by pedal."""
        self.arm(f"Print of {seconds} s", f"print --base {seconds}")
        self.start()

    def sheets(self) -> list[Any]:
        told = self.guest.ask("ask", "GET", "/record")
        return list(told["sheets"] if isinstance(told, dict) else told)

    def record(self) -> Any:
        """The newest sheet in the record."""
        number = max(one["sheet"] for one in self.sheets())
        return self.guest.ask("ask", "GET", f"/record/{number}")

    def periods(self, since_ns: int) -> list[Period]:
        return self.lamp.periods(since_ns)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f'"{value}"' if isinstance(value, str) else repr(value)
