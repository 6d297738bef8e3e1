"""Whether this machine can switch a lamp exactly, and how to mend it if not."""

import grp
import importlib.util
import os
import pwd
import resource
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hardware.chip import look_at_line
from hardware.errors import HardwareError
from timer.errors import TreadleError
from timer.service.client import Client
from timer.service.config import Config, load_config

_RT_PRIORITY = 40


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at; ``mend`` says what to do where it is not ``sound``."""

    what: str
    sound: bool
    found: str
    mend: str | None = None


def examine(path: Path) -> Iterator[Finding]:
    """Look at everything that the configuration at ``path`` needs; switches no lamp."""
    try:
        config = load_config(path)
    except TreadleError as error:
        yield Finding("configuration", False, str(error), "mend it, then ask again")
        return
    yield Finding("configuration", True, str(path))
    health = _health(config)
    if config.lamp.driver == "simulated":
        yield Finding("lamp", True, "simulated: it needs no chip and no pin")
    others = None if health is None else _daemon_of_another(health)
    if others is None:
        if config.pins:
            yield from _chips(config)
            if config.gpio.library != "mock":
                yield from _pins(config, daemon_runs=health is not None)
        yield from _libraries(config)
        yield from _folders(config)
        yield from _real_time()
    else:
        # Rights are the daemon's matter, and it has shown that it has them.
        yield from others
    yield _clock()
    yield _daemon(health)


def _chips(config: Config) -> Iterator[Finding]:
    devices = (
        [Path(config.lamp.chip)] if config.lamp.chip else sorted(Path("/dev").glob("gpiochip*"))
    )
    present = [device for device in devices if device.exists()]
    if not present:
        yield Finding(
            "GPIO chip",
            False,
            f"there is no {config.lamp.chip or '/dev/gpiochip*'}",
            "run this on a board with GPIO, or name its chip in lamp.chip",
        )
        return
    yield Finding("GPIO chip", True, ", ".join(str(device) for device in present))
    user = _user(os.geteuid())
    for device in present:
        allowed = os.access(device, os.R_OK | os.W_OK)
        group = _group_of(device)
        yield Finding(
            f"permission for {device}",
            allowed,
            f"user {user}, group of the chip {group}",
            f"sudo adduser {user} {group}, then log in again",
        )


def _pins(config: Config, *, daemon_runs: bool) -> Iterator[Finding]:
    """Look at the lines; while the daemon runs it holds them, as it should."""
    for name, (table, key), pin in config.pins:
        what = f"pin GPIO{pin} ({name})"
        try:
            label, holder = look_at_line(pin, chip=config.lamp.chip or None)
        except HardwareError as error:
            yield Finding(what, False, str(error), f"correct {table}.{key} or lamp.chip")
            continue
        held = f"held by {holder}" if holder else "free"
        yield Finding(
            what,
            not holder or daemon_runs,
            f"line {label or pin}, {held}",
            f"end the program that holds it, or choose another pin in {table}.{key}",
        )


def _group_of(device: Path) -> str:
    try:
        return grp.getgrgid(device.stat().st_gid).gr_name
    except KeyError:
        return str(device.stat().st_gid)


def _libraries(config: Config) -> Iterator[Finding]:
    drivers = (config.lamp.driver, config.pedal.driver, config.sounder.driver)
    if "gpiozero" not in drivers:
        return
    needed = ["gpiozero"]
    if config.gpio.library != "mock":
        needed.append({"lgpio": "lgpio", "rpigpio": "RPi"}[config.gpio.library])
    for name in needed:
        package = "RPi.GPIO" if name == "RPi" else name
        yield Finding(
            f"library {name}",
            importlib.util.find_spec(name) is not None,
            "looked for by name",
            f"install it with: pip install {package}",
        )


def _folders(config: Config) -> Iterator[Finding]:
    user = _user(os.geteuid())
    for text in (config.service.data, config.service.runtime):
        folder = Path(text)
        nearest = next(p for p in (folder, *folder.parents) if p.exists())
        yield Finding(
            f"folder {folder}",
            os.access(nearest, os.W_OK),
            f"user {user} writes to {nearest}",
            f"sudo install -d -o {user} {folder}",
        )


def _health(config: Config) -> dict[str, Any] | None:
    """Return what a running daemon says of itself; None where none answers."""
    try:
        health: dict[str, Any] = Client(Path(config.service.socket)).get("/health")
    except TreadleError:
        return None
    return health


def _daemon_of_another(health: dict[str, Any]) -> list[Finding] | None:
    """Return what a daemon that runs as another user shows of its rights; None for one of ours."""
    try:
        owner = Path(f"/proc/{health['daemon_pid']}").stat().st_uid
    except OSError:
        return None
    if owner == os.geteuid():
        return None
    name = _user(owner)
    return [
        Finding("devices and folders", True, f"held by the daemon, which runs as {name}"),
        Finding(
            "real-time scheduling",
            bool(health["real_time"]),
            f"what the daemon's keeper got, as {name}",
            "run the daemon by the systemd unit, which sets LimitRTPRIO",
        ),
    ]


def _user(number: int) -> str:
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return str(number)


def _clock() -> Finding:
    info = time.get_clock_info("monotonic")
    return Finding(
        "clock",
        info.monotonic and info.resolution <= 1e-6,
        f"monotonic, resolution {info.resolution * 1e9:.0f} ns",
        "this kernel's clock is too coarse; update the system",
    )


def _real_time() -> Iterator[Finding]:
    limit = resource.getrlimit(resource.RLIMIT_RTPRIO)[0]
    allowed = os.geteuid() == 0 or limit == resource.RLIM_INFINITY or limit >= _RT_PRIORITY
    yield Finding(
        "real-time scheduling",
        allowed,
        f"priority {_RT_PRIORITY} wanted, {_allowed(limit)}",
        "run the daemon by the systemd unit, which sets LimitRTPRIO; without it an exposure may"
        " end milliseconds late on a busy machine",
    )
    memory = resource.getrlimit(resource.RLIMIT_MEMLOCK)[0]
    enough = os.geteuid() == 0 or memory == resource.RLIM_INFINITY or memory >= 32 << 20
    yield Finding(
        "locked memory",
        enough,
        f"{32 << 20} bytes wanted, {_allowed(memory)}",
        "run the daemon by the systemd unit, which sets LimitMEMLOCK",
    )


def _allowed(limit: int) -> str:
    if os.geteuid() == 0:
        return "root needs no permission"
    return "no limit" if limit == resource.RLIM_INFINITY else f"{limit} allowed"


def _daemon(health: dict[str, Any] | None) -> Finding:
    if health is None:
        return Finding("daemon", True, "not running, which is no fault of the machine")
    found = f"running as {health['daemon_pid']}, keeper {health['keeper_pid']}, real-time"
    found += f" {'granted' if health['real_time'] else 'not granted'}"
    return Finding("daemon", bool(health["well"]), found, "treadle clear, or restart the daemon")
