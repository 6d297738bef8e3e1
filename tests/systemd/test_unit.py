"""The service's unit: what it promises, and what the service manager's own tools say of it."""

import os
import re
import shlex
import shutil
import signal
import subprocess
from pathlib import Path

import pytest

from timer.keeper.keeper import SIGNALS

UNIT = Path(__file__).parents[2] / "systemd" / "treadle.service"
ANALYZE = shutil.which("systemd-analyze")
needs_analyze = pytest.mark.skipif(
    ANALYZE is None,
    reason="NOT CHECKED: systemd-analyze is missing, so nobody has verified treadle.service",
)


def read_directives() -> dict[str, list[str]]:
    """Return every directive with its values in their order."""
    found: dict[str, list[str]] = {}
    for line in UNIT.read_text("utf-8").splitlines():
        if line and line[0] not in "#[":
            name, value = line.split("=", 1)
            found.setdefault(name, []).append(value)
    return found


def copy_of_unit(folder: Path, old: str = "", new: str = "") -> Path:
    """Return a copy that starts a program which is there: verify objects to a missing one."""
    text = UNIT.read_text("utf-8").replace("/opt/treadle/bin/treadle", "/bin/true")
    assert old in text
    copy = folder / "treadle.service"
    copy.write_text(text.replace(old, new) if old else text, "utf-8")
    return copy


def analyze(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """Run systemd-analyze."""
    assert ANALYZE is not None
    return subprocess.run(
        [ANALYZE, *words], check=False, capture_output=True, text=True, timeout=60
    )


def system_calls_of(name: str) -> set[str]:
    """Return the calls of one of the service manager's own groups, the groups in it included."""
    calls: set[str] = set()
    for line in analyze("syscall-filter", name).stdout.splitlines():
        word = line.strip()
        if line.startswith(" ") and word and not word.startswith("#"):
            calls |= system_calls_of(word) if word.startswith("@") else {word}
    return calls


@pytest.mark.parametrize(
    ("directive", "value"),
    [
        ("Type", "notify"),
        ("NotifyAccess", "main"),
        ("ExecStart", "/opt/treadle/bin/treadle serve --config /etc/treadle/treadle.toml"),
        (
            "ExecStopPost",
            "/opt/treadle/bin/treadle dark --force --config /etc/treadle/treadle.toml",
        ),
        ("WatchdogSec", "5"),
        ("Restart", "on-failure"),
        ("RestartSec", "1"),
        ("KillMode", "control-group"),
        ("WatchdogSignal", "SIGTERM"),
        ("User", "treadle"),
        ("Group", "treadle"),
        ("SupplementaryGroups", "gpio"),
        ("RuntimeDirectory", "treadle"),
        ("RuntimeDirectoryMode", "0750"),
        ("RuntimeDirectoryPreserve", "yes"),
        ("StateDirectory", "treadle"),
        ("UMask", "0007"),
        ("LimitRTPRIO", "50"),
        ("LimitMEMLOCK", "64M"),
        ("RestrictRealtime", "no"),
        ("PrivateDevices", "no"),
        ("DevicePolicy", "closed"),
        ("DeviceAllow", "char-gpiochip rw"),
        ("ProtectSystem", "strict"),
        ("ProcSubset", "all"),
        ("NoNewPrivileges", "yes"),
        ("CapabilityBoundingSet", ""),
        ("RestrictAddressFamilies", "AF_UNIX"),
    ],
)
def test_the_unit_promises(directive: str, value: str) -> None:
    assert read_directives()[directive] == [value]


def test_the_daemon_itself_is_not_made_a_real_time_process() -> None:
    assert not {name for name in read_directives() if name.startswith("CPUScheduling")}


def test_the_lamp_is_forced_off_whatever_the_stop_was_like() -> None:
    # A "-" before the command would let a failure to switch off pass unseen.
    assert read_directives()["ExecStopPost"][0].startswith("/")


def test_every_signal_that_the_unit_sends_first_makes_the_keeper_switch_off() -> None:
    directives = read_directives()
    # SIGTERM is what KillSignal= is where it is not given: systemd.kill(5).
    first = [*directives.get("KillSignal", ["SIGTERM"]), *directives["WatchdogSignal"]]
    assert {signal.Signals[name] for name in first} <= set(SIGNALS)


def test_a_stop_tells_the_daemon_and_waits_until_it_has_closed_down() -> None:
    words = shlex.split(read_directives()["ExecStop"][0].removeprefix("-"))
    with subprocess.Popen(["/bin/cat"], stdin=subprocess.PIPE) as daemon:
        environment = {"PATH": os.environ["PATH"], "MAINPID": str(daemon.pid)}
        with subprocess.Popen(words, env=environment) as stopping:
            # Until its parent has taken notice of its end the daemon counts as there.
            assert daemon.wait(timeout=60) == -signal.SIGTERM
            assert stopping.wait(timeout=60) == 0


@pytest.mark.parametrize(
    "directive", ["RestrictRealtime", "PrivateDevices", "ProcSubset", "PrivateUsers"]
)
def test_whatever_stays_open_says_why(directive: str) -> None:
    text = UNIT.read_text("utf-8")
    before = text[: re.search(rf"^{directive}=", text, re.MULTILINE).start()]  # type: ignore[union-attr]
    comment = before.rsplit("\n\n", 1)[-1]
    assert "pen on purpose" in comment


@needs_analyze
def test_the_service_manager_finds_nothing_wrong(tmp_path: Path) -> None:
    result = analyze("verify", copy_of_unit(tmp_path))
    assert result.returncode == 0, result.stderr
    assert "treadle.service" not in result.stderr


@needs_analyze
@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("WatchdogSec=5", "WatchdogSec=five"),
        ("ProtectHome=yes", "ProtectHom=yes"),
        ("/bin/true serve", "/bin/no-such-program serve"),
    ],
)
def test_the_service_manager_would_have_found_a_slip(tmp_path: Path, old: str, new: str) -> None:
    result = analyze("verify", copy_of_unit(tmp_path, old, new))
    assert "treadle.service" in result.stderr


@needs_analyze
def test_the_service_is_well_shut_in(tmp_path: Path) -> None:
    # The scale is systemd's own: 0 is shut in, 10 is open.
    result = analyze("security", "--offline=true", "--no-pager", copy_of_unit(tmp_path))
    found = re.search(r"Overall exposure level for treadle\.service: (\d+\.\d+)", result.stdout)
    assert found is not None, result.stdout + result.stderr
    print(f"exposure level of treadle.service: {found[1]}")  # noqa: T201
    assert float(found[1]) < 3.0


@needs_analyze
@pytest.mark.parametrize(
    "call",
    [
        "sched_setscheduler",  # the keeper asks for SCHED_FIFO
        "mlockall",  # and for locked memory
        "ioctl",  # GPIO lines
        "mknodat",  # the GPIO library's notification pipe
        "socketpair",  # the order channel
        "execve",  # the daemon starts the keeper
        "fdatasync",  # the database
    ],
)
def test_the_call_filter_lets_through_what_the_lamp_needs(call: str) -> None:
    # Independent source: the groups as the installed service manager lists them.
    allowed: set[str] = set()
    for value in read_directives()["SystemCallFilter"]:
        forbid = value.startswith("~")
        for name in value.lstrip("~").split():
            calls = system_calls_of(name)
            assert calls, f"{name} is empty or unknown here"
            allowed = allowed - calls if forbid else allowed | calls
    assert call in allowed
    assert not allowed & {"mount", "reboot", "setuid", "init_module"}
