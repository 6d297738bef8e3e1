"""install.sh run again, and run with --uninstall, while the lamp is on.

The lamp is on at a low level here, as with many relay boards, and the line is pulled high,
which is off: a line that is claimed before its level is known would light it.
"""

from collections.abc import Iterator

import pytest
from rigging.bench import USUAL, Enlarger

LOW = {**USUAL, "lamp": {**USUAL["lamp"], "active_high": False}}


@pytest.fixture
def active_low(enlarger: Enlarger) -> Iterator[Enlarger]:
    """The printer has exchanged the switch for one that is on at a low level."""
    enlarger.guest.run("systemctl stop treadle")
    enlarger.write(LOW)
    enlarger.lamp.pull(on=False)
    yield enlarger
    enlarger.lamp.pull(on=False)


def test_an_upgrade_while_viewing_and_a_removal_while_exposing(active_low: Enlarger) -> None:
    """The lamp goes off first; it does not blip through all of the upgrade, nor ever after.

    Also after a removal the configuration, the record and the users are still there.
    """
    enlarger, guest = active_low, active_low.guest
    since_ns = guest.now_ns()
    guest.run("systemctl start treadle")
    guest.until_state("dark")
    writes = enlarger.lamp.writes(since_ns)
    assert writes
    assert not any(one.on for one in writes), "an active-low lamp blips at the start"

    keeper = enlarger.keeper_pid()
    enlarger.start()
    guest.until_state("viewing")
    said = enlarger.install()
    assert "kept: /etc/treadle/treadle.toml is there already" in said.out
    (period,) = enlarger.periods(since_ns)
    assert period.off.pid == keeper
    assert not enlarger.lamp.is_on()
    guest.until_state("dark")
    assert enlarger.keeper_pid() != keeper

    keeper = enlarger.keeper_pid()
    enlarger.expose(300)
    said = enlarger.install("--uninstall")
    _, period = enlarger.periods(since_ns)
    assert period.off.pid == keeper
    assert not enlarger.lamp.is_on()
    assert guest.run("systemctl is-active treadle", check=False).out.strip() == "inactive"
    for gone in ("/opt/treadle", "/etc/systemd/system/treadle.service", "/usr/local/bin/treadle"):
        assert guest.run("test -e", gone, check=False).code == 1, gone
    for kept in ("/etc/treadle/treadle.toml", "/var/lib/treadle/treadle.sqlite3"):
        guest.run("test -s", kept)
    guest.run("id treadle")
    enlarger.first = None
