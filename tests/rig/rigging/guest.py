"""The virtual machine as a test works it: commands, the pedal's wire, the lamp's line, the plug."""

import itertools
import json
import shlex
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from rigging.kernel import LAMP_PIN, PEDAL_PIN
from rigging.root import PRINTER
from rigging.tools import RigImpossibleError, tool

# Only ever waited for in full by a test that fails: emulation is slow, and the machine is shared.
PATIENCE_SECONDS = 240.0
BOOT_SECONDS = 180.0
TAP_SECONDS = 0.15
LONG_SECONDS = 1.3  # a long press by the configuration's defaults
VERY_LONG_SECONDS = 3.2

_QEMU = "qemu-system-x86_64"


class Done(NamedTuple):
    """What a command in the guest printed, and its exit code."""

    code: int
    out: str
    err: str


class Edge(NamedTuple):
    """One write to the lamp's line, as the kernel traced it; ``on`` minds an active-low lamp."""

    at_ns: int
    on: bool
    who: str
    pid: int


class Period(NamedTuple):
    """From when to when the kernel saw the lamp on, and who switched it on and off."""

    on: Edge
    off: Edge

    @property
    def ns(self) -> int:
        return self.off.at_ns - self.on.at_ns


class Channel:
    """The wire to the agent in the guest: requests by number, answered in any order."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX)
        try:
            self._socket.connect(str(path))
        except OSError:
            self._socket.close()
            raise
        self._numbers = itertools.count(1)
        self._answers: dict[int, Any] = {}
        self._changed = threading.Condition()
        self._broken = False
        threading.Thread(target=self._listen, daemon=True).start()

    def until_here(self, seconds: float) -> bool:
        """Wait for the agent's first word."""
        with self._changed:
            self._changed.wait_for(lambda: 0 in self._answers or self._broken, seconds)
            return 0 in self._answers

    def ask(self, what: str, *arguments: Any, seconds: float = PATIENCE_SECONDS) -> Any:
        number = next(self._numbers)
        request = {"number": number, "do": what, "with": arguments}
        self._socket.sendall(json.dumps(request).encode() + b"\n")
        with self._changed:
            self._changed.wait_for(lambda: number in self._answers or self._broken, seconds)
            assert number in self._answers, f"the guest did not answer: {what} {arguments}"
            told = self._answers.pop(number)
        assert "error" not in told, f"{what} {arguments}: {told['error']}"
        return told["answer"]

    def close(self) -> None:
        self._socket.close()

    def _listen(self) -> None:
        try:
            with self._socket.makefile("rb") as lines:
                for line in lines:
                    told = json.loads(line)
                    with self._changed:
                        self._answers[told["number"]] = told
                        self._changed.notify_all()
        except (OSError, ValueError):
            pass
        with self._changed:
            self._broken = True
            self._changed.notify_all()


class Pedal:
    """The foot: a switch to ground, as docs/wiring has it, on the pedal's line."""

    def __init__(self, guest: "Guest") -> None:
        self._guest = guest

    def press(self) -> tuple[int, int]:
        """Foot down; returns the guest's clock before and after."""
        return self._pull(0)

    def lift(self) -> tuple[int, int]:
        """Foot up; returns the guest's clock before and after."""
        return self._pull(1)

    def hold(self, seconds: float) -> tuple[int, int]:
        """Press, lift after ``seconds``; returns the guest's clock before and after the press."""
        down, _ = self._guest.ask("pull", [[PEDAL_PIN, 0, 0], [PEDAL_PIN, 1, seconds]])
        return tuple(down)

    def tap(self) -> tuple[int, int]:
        return self.hold(TAP_SECONDS)

    def _pull(self, level: int) -> tuple[int, int]:
        return tuple(self._guest.ask("pull", [[PEDAL_PIN, level, 0]])[0])


class Lamp:
    """The lamp's line, seen from outside of Treadle."""

    active_high = True

    def __init__(self, guest: "Guest") -> None:
        self._guest = guest

    def is_on(self) -> bool:
        """Whether a lamp on the line would be on now."""
        return (self._guest.ask("level", LAMP_PIN) == 1) is self.active_high

    def until(self, on: bool, seconds: float = PATIENCE_SECONDS) -> int:
        """Wait until the lamp is on or off; returns the guest's clock then."""
        level = 1 if on is self.active_high else 0
        seen = self._guest.ask("until_level", LAMP_PIN, level, seconds, seconds=seconds + 60)
        assert seen is not None, f"waited in vain until the lamp is {'on' if on else 'off'}"
        return int(seen)

    def pull(self, on: bool) -> None:
        """Let the line go on or off by itself where nobody drives it."""
        self._guest.ask("pull", [[LAMP_PIN, 1 if on is self.active_high else 0, 0]])

    def writes(self, since_ns: int = 0) -> list[Edge]:
        """Every write since ``since_ns``, also one that changed nothing."""
        told = self._guest.ask("trace")
        assert told["kept"] == told["written"], "the kernel's trace has lost writes"
        return [
            Edge(one["at_ns"], (one["value"] == 1) is self.active_high, one["who"], one["pid"])
            for one in told["events"]
            if one["event"] == "value" and one["what"] == "set" and one["at_ns"] >= since_ns
        ]

    def edges(self, since_ns: int = 0) -> list[Edge]:
        """The writes that changed something; the lamp counts as off before the first one."""
        edges: list[Edge] = []
        for one in self.writes(since_ns):
            if one.on is not (edges[-1].on if edges else False):
                edges.append(one)
        return edges

    def periods(self, since_ns: int = 0) -> list[Period]:
        edges = self.edges(since_ns)
        return [Period(*pair) for pair in zip(edges[::2], edges[1::2], strict=False)]


class Guest:
    """One virtual machine on one disk; it can lose its power and be started again."""

    def __init__(self, folder: Path, kernel: Path, disk: Path, cargo: Path) -> None:
        self.folder = folder
        self.accelerator = ""
        self._kernel = kernel
        self._cargo = cargo
        self._disk = folder / "disk.img"
        tool(["cp", "--sparse=always", disk, self._disk], "the guest's disk can't be copied")
        self._process: subprocess.Popen[bytes] | None = None
        self._channel: Channel | None = None
        self.pedal = Pedal(self)
        self.lamp = Lamp(self)

    # The plug.

    def boot(self) -> None:
        """Switch on, and wait for the agent; tries hardware virtualisation first, once."""
        refused = []
        for one in (self.accelerator,) if self.accelerator else ("kvm", "tcg,thread=multi"):
            if one == "kvm" and not Path("/dev/kvm").exists():
                continue
            channel = self._start(one)
            if channel and channel.until_here(BOOT_SECONDS if one != "kvm" else 30.0):
                self.accelerator = one
                return
            self.power_cut()
            refused.append(f"{one}: {self._last_words()}")
        raise RigImpossibleError(f"the virtual machine does not start ({'; '.join(refused)})")

    def power_cut(self) -> None:
        """Pull the plug."""
        if self._channel is not None:
            self._channel.close()
            self._channel = None
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def stand_still(self, seconds: float) -> None:
        """Stop the whole machine for a while, as a suspended one stands; its clocks stand too."""
        self._monitor("stop")
        time.sleep(seconds)
        self._monitor("cont")

    @property
    def console(self) -> str:
        return (self.folder / "console").read_text(encoding="utf-8", errors="replace")

    def _start(self, accelerator: str) -> Channel | None:
        """Start the machine; return the wire to the agent, None where it ended at once."""
        for name in ("agent", "monitor"):
            (self.folder / name).unlink(missing_ok=True)
        command = [
            *(_QEMU, "-M", "q35", "-accel", accelerator, "-cpu", "max", "-smp", "2", "-m", "1024"),
            *("-nodefaults", "-no-user-config", "-no-reboot", "-display", "none"),
            *("-kernel", self._kernel / "vmlinuz", "-initrd", self._kernel / "initrd"),
            *("-append", "console=ttyS0 quiet panic=-1 mitigations=off systemd.show_status=0"),
            *("-serial", f"file:{self.folder / 'console'}"),
            *("-monitor", f"unix:{self.folder / 'monitor'},server=on,wait=off"),
            *("-drive", f"file={self._disk},if=none,id=root,format=raw"),
            *("-device", "virtio-blk-pci,drive=root"),
            *("-drive", f"file={self._cargo},if=none,id=cargo,format=raw,read-only=on"),
            *("-device", "virtio-blk-pci,drive=cargo"),
            *("-device", "virtio-serial-pci"),
            *("-chardev", f"socket,id=agent,path={self.folder / 'agent'},server=on,wait=off"),
            *("-device", "virtserialport,chardev=agent,name=rig"),
        ]
        with (self.folder / "qemu").open("wb") as said:
            try:
                self._process = subprocess.Popen(
                    command, stdin=subprocess.DEVNULL, stdout=said, stderr=said
                )
            except FileNotFoundError:
                raise RigImpossibleError(f"the program {_QEMU} is missing") from None
        gives_up_at = time.monotonic() + 30
        while self._process.poll() is None and time.monotonic() < gives_up_at:
            try:
                self._channel = Channel(self.folder / "agent")
            except OSError:
                time.sleep(0.02)
            else:
                return self._channel
        return None

    def _last_words(self) -> str:
        said = (self.folder / "qemu").read_text(errors="replace").strip().splitlines()
        console = self.folder / "console"
        shown = console.read_text(errors="replace").strip().splitlines() if console.exists() else []
        return (said or shown or ["it said nothing"])[-1]

    def _monitor(self, order: str) -> None:
        with socket.socket(socket.AF_UNIX) as one:
            one.connect(str(self.folder / "monitor"))
            one.settimeout(30)
            said = b""
            one.sendall(order.encode() + b"\n")
            while said.count(b"(qemu)") < 2:
                said += one.recv(4096)

    # Work in it.

    def ask(self, what: str, *arguments: Any, seconds: float = PATIENCE_SECONDS) -> Any:
        """Ask the agent for one of the functions that agent.py offers."""
        assert self._channel is not None, "the guest is not running"
        return self._channel.ask(what, *arguments, seconds=seconds)

    def now_ns(self) -> int:
        return int(self.ask("now"))

    def run(
        self,
        command: str,
        *more: str,
        user: str = "root",
        check: bool = True,
        stdin: str = "",
        seconds: float = PATIENCE_SECONDS,
    ) -> Done:
        """Run a command: ``command`` is split as a shell would, ``more`` is taken word for word."""
        argv = [*shlex.split(command), *more]
        if user != "root":
            argv = ["runuser", "-u", user, "--", *argv]
        done = Done(**self.ask("run", argv, stdin, seconds, seconds=seconds + 60))
        assert not check or done.code == 0, f"{argv}: {done.code}\n{done.out}\n{done.err}"
        return done

    def shell(self, script: str, *, check: bool = True) -> str:
        """Run a shell script as root, and return what it printed."""
        return self.run("sh -euc", script, check=check).out

    def treadle(self, command: str, *more: str, check: bool = True) -> Done:
        """Run Treadle's command line as the printer, who is in group treadle."""
        return self.run(f"treadle {command}", *more, user=PRINTER, check=check)

    def status(self) -> Any:
        """What the daemon says; None where nobody listens."""
        return self.ask("ask", "GET", "/status")

    def until_state(self, *states: str) -> Any:
        """Wait for one of ``states``, with nothing of the lamp still under way."""
        seconds = PATIENCE_SECONDS
        told = self.ask("until_state", states, seconds, seconds=seconds + 60)
        assert told["reached"], f"waited in vain until {' or '.join(states)}: {told['status']}"
        return told["status"]

    def until(self, condition: Callable[[], Any], what: str) -> Any:
        gives_up_at = time.monotonic() + PATIENCE_SECONDS
        while not (found := condition()):
            assert time.monotonic() < gives_up_at, f"waited in vain until {what}"
            time.sleep(0.1)
        return found
