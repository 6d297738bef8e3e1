"""What a machine does to an exposure that has nothing to do with it: clock, disk, standstill."""

import pytest
from rigging.bench import SLACK_NS, Enlarger

S = 1_000_000_000
DATA = "/var/lib/treadle"


def complete_with(enlarger: Enlarger, since_ns: int, intended_ns: int) -> None:
    """One period, of the intended length by the kernel, and so it stands in the record."""
    (period,) = enlarger.periods(since_ns)
    assert abs(period.ns - intended_ns) < SLACK_NS
    (told,) = enlarger.record()["passes"]
    assert told["state"] == "complete"
    assert abs(told["received_ns"] - period.ns) < SLACK_NS


@pytest.mark.fault(
    "clock",
    "The wall clock is set by `date -s`, an hour and a year forward and back, in mid-exposure",
    happens="The pass gets its seconds; the record is in order.",
    guard="none needed: only the monotonic clock decides",
    within="",
    annex_h=("clock",),
)
def test_the_clock_is_set_while_exposing(enlarger: Enlarger) -> None:
    """An hour and a year, forward and back, by `date -s`: the pass gets its seconds."""
    since_ns = enlarger.guest.now_ns()
    told = int(enlarger.guest.shell("date +%s"))
    enlarger.expose(8)
    for jump in (3600, -3600, 366 * 86400, -366 * 86400):
        enlarger.guest.run(f"date -s @{told + jump}")
        assert enlarger.lamp.is_on()
    enlarger.guest.run(f"date -s @{told + 8}")
    enlarger.guest.until_state("done")
    complete_with(enlarger, since_ns, 8 * S)
    assert enlarger.is_active()


@pytest.mark.fault(
    "disk",
    "The disk under the installed service fills in mid-exposure",
    happens="The pass ends exactly, the printer is told, and what was acknowledged is there.",
    guard="none needed: the disk is not on the way to the lamp",
    within="",
    annex_h=(),
)
def test_the_disk_fills_while_exposing(enlarger: Enlarger) -> None:
    """The pass ends when it must, the printer is told, and nothing that was promised is lost.

    What the disk refused is written as soon as there is room.
    """
    guest = enlarger.guest
    guest.run("systemctl stop treadle")
    guest.shell(
        "truncate -s 8M /small.img; mkfs.ext4 -q -m 0 /small.img;"
        f"mount -o loop /small.img {DATA}; chown treadle:treadle {DATA}; chmod 750 {DATA};"
        "systemctl start treadle"
    )
    try:
        since_ns = guest.now_ns()
        guest.treadle("programme save", "Small disk", "print", "--base", "12")
        guest.treadle("arm", "Small disk")
        guest.until_state("waiting")
        # Unbuffered, to be heard while it goes on; into a file Python writes by the block.
        guest.shell(
            "runuser -u printer -- env PYTHONUNBUFFERED=1"
            " treadle status --follow --json > /tmp/heard 2>&1 &"
        )
        guest.until(lambda: guest.shell("cat /tmp/heard"), "somebody listens")
        enlarger.start()
        guest.shell(
            f"cat /dev/zero > {DATA}/filler || true; sync; cat /dev/zero >> {DATA}/filler || true",
            check=False,
        )
        # In KiB; the database grows by pages of 4.
        assert int(guest.shell(f"df --output=avail {DATA} | tail -1")) < 4
        guest.until_state("done")
        (period,) = enlarger.periods(since_ns)
        assert abs(period.ns - 12 * S) < SLACK_NS
        heard = guest.until(
            lambda: '"trouble"' in (text := guest.shell("cat /tmp/heard")) and text,
            "the printer is told of the disk",
        )
        print("\n" + next(line for line in heard.splitlines() if '"trouble"' in line))  # noqa: T201

        guest.shell(f"rm {DATA}/filler; sync")
        guest.until(
            lambda: enlarger.record()["passes"][0]["state"] == "complete", "the record is whole"
        )
        complete_with(enlarger, since_ns, 12 * S)
        sound = "import sqlite3, sys; print(sqlite3.connect(sys.argv[1])"
        sound += ".execute('pragma integrity_check').fetchone()[0])"
        assert guest.run("python3 -c", sound, f"{DATA}/treadle.sqlite3").out == "ok\n"
    finally:
        guest.shell(
            "systemctl stop treadle;"
            f"umount {DATA}; rm -f /small.img; systemctl reset-failed treadle;"
            "systemctl start treadle",
            check=False,
        )


@pytest.mark.fault(
    "clock",
    "The whole (virtual) machine stands still over the end of a pass",
    happens="The lamp is off as soon as it goes on; the record tells what the lamp really gave.",
    guard="keeper: its deadline has passed",
    within="20 ms from going on",
    annex_h=("clock", "interrupt handling"),
)
@pytest.mark.parametrize("seconds", [4.0])
def test_the_machine_stands_still_while_exposing(enlarger: Enlarger, seconds: float) -> None:
    """The whole virtual machine is stopped over the end of a pass, and then goes on.

    Its clocks stand too, as far as the kernel can tell: what must come out is a lamp that is
    off by its order's deadline on the guest's own clock, or at once after it, and a record that
    says what the kernel saw.
    """
    since_ns = enlarger.guest.now_ns()
    enlarger.expose(8)
    enlarger.guest.stand_still(seconds)
    enlarger.lamp.until(on=False)
    enlarger.guest.until_state("done", "held", "fault")
    (period,) = enlarger.periods(since_ns)
    (told,) = enlarger.record()["passes"]
    received_ns = sum(one["off_ns"] - one["on_ns"] for one in told["periods"])
    print(  # noqa: T201 - the rig's figures are quoted
        f"\nstood still for {seconds} s: intended 8 s, kernel {period.ns / S:.6f} s,"
        f" record {received_ns / S:.6f} s, {told['state']}"
    )
    assert abs(received_ns - period.ns) < SLACK_NS
    assert not enlarger.lamp.is_on()
