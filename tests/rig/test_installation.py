"""What a printer has after `sudo ./systemd/install.sh` on a fresh machine, seen from outside."""

import re
from collections.abc import Callable

from rigging.bench import Enlarger
from rigging.root import PRINTER, STRANGER

# What the keeper asks for (timer/keeper/realtime.py); SCHED_FIFO is 1 in linux/sched.h.
KEEPERS_PRIORITY = 40
SCHED_FIFO = "SCHED_FIFO"
# "systemd-analyze security" calls a service of less than 3.0 "OK" or better (systemd 252).
MOST_EXPOSED = 3.0


def process(enlarger: Enlarger, pid: int) -> dict[str, str]:
    """What /proc/PID/status tells (proc(5))."""
    text = enlarger.guest.run(f"cat /proc/{pid}/status").out
    return dict(re.findall(r"^(\w+):\s+(.*)$", text, re.M))


def test_install_sh_asks_nothing_and_leaves_a_running_service_with_the_lamp_off(
    installed: Enlarger,
) -> None:
    """The script runs through; at no time from its first line on was the lamp switched on."""
    assert installed.first is not None
    said, writes = installed.first
    assert said.code == 0, said
    assert "Done." in said.out
    assert "printer joins the group treadle" in said.out

    assert writes, "nobody has switched the lamp off"
    assert not any(one.on for one in writes)
    assert not installed.lamp.is_on()
    assert installed.is_active()
    assert installed.guest.run("systemctl is-enabled treadle").out.strip() == "enabled"
    assert installed.guest.until_state("dark")["fault"] is None


def test_daemon_and_keeper_run_as_treadle_without_any_right_of_roots(enlarger: Enlarger) -> None:
    """Both have the service's user and group and that of the chip, and no capability at all."""
    user = enlarger.guest.run("id -u treadle").out.strip()
    groups = {
        enlarger.guest.run(f"getent group {n}").out.split(":")[2] for n in ("treadle", "gpio")
    }
    for pid in (enlarger.pid(), enlarger.keeper_pid()):
        told = process(enlarger, pid)
        assert told["Uid"].split() == [user] * 4
        assert set(told["Groups"].split()) | {told["Gid"].split()[0]} == groups
        for capabilities in ("CapInh", "CapPrm", "CapEff", "CapBnd", "CapAmb"):
            assert int(told[capabilities], 16) == 0
        assert told["NoNewPrivs"] == "1"
        assert told["Seccomp"] == "2"  # filtered


def test_the_keeper_has_got_real_time_and_locked_memory_by_the_units_limits(
    enlarger: Enlarger,
) -> None:
    """The keeper runs under SCHED_FIFO with its memory locked; the daemon stays ordinary."""
    keeper, daemon = enlarger.keeper_pid(), enlarger.pid()
    said = enlarger.guest.run(f"chrt -p {keeper}").out
    assert SCHED_FIFO in said
    assert re.search(rf"priority: {KEEPERS_PRIORITY}$", said.strip())
    assert int(process(enlarger, keeper)["VmLck"].split()[0]) > 0
    assert SCHED_FIFO not in enlarger.guest.run(f"chrt -p {daemon}").out
    assert int(process(enlarger, daemon)["VmLck"].split()[0]) == 0


def test_doctor_finds_nothing_amiss_for_the_services_own_user(enlarger: Enlarger) -> None:
    """Asked as the unit runs the daemon, beside the daemon, `treadle doctor` is content."""
    # Not by runuser, for a login has its own limits.
    said = enlarger.guest.run(
        "prlimit --rtprio=50 --memlock=67108864"
        " setpriv --reuid=treadle --regid=treadle --init-groups treadle doctor",
        check=False,
    )
    assert said.code == 0, said
    assert "AMISS" not in said.out


def test_who_is_not_in_the_group_does_not_reach_the_enlarger(enlarger: Enlarger) -> None:
    """A member of group treadle gets an answer; a stranger can't even open the socket."""
    assert enlarger.guest.treadle("status").code == 0
    said = enlarger.guest.run("treadle status", user=STRANGER, check=False)
    assert said.code != 0
    assert said.out == ""
    assert said.err.count("\n") == 1
    reach = (
        "import socket; s = socket.socket(socket.AF_UNIX); s.connect('/run/treadle/treadle.sock')"
    )
    for user, reached in ((PRINTER, True), (STRANGER, False)):
        said = enlarger.guest.run("python3 -c", reach, user=user, check=False)
        assert (said.code == 0) is reached
        assert reached or "PermissionError" in said.err
    assert enlarger.guest.run(
        "cat /etc/treadle/treadle.toml", user=STRANGER, check=False
    ).err.endswith("Permission denied\n")


def test_systemd_finds_the_service_little_exposed(
    enlarger: Enlarger, keep: Callable[[str, str], None]
) -> None:
    """The live service's exposure, and what stays open, printed; below 3.0 of 10."""
    said = enlarger.guest.run(
        "systemd-analyze security --no-pager treadle.service", check=False
    ).out
    figure = re.search(r"Overall exposure level for treadle.service: ([\d.]+)", said)
    assert figure is not None, said
    left_open = [line.rstrip() for line in said.splitlines() if line.startswith("✗")]
    text = "\n".join([f"exposure of treadle.service: {figure[1]}, open:", *left_open])
    keep("security", text)
    assert float(figure[1]) < MOST_EXPOSED
