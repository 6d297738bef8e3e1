"""The disk refuses, in every way that a test can bring about for real: the light doesn't care.

Full is a small file system in memory, filled to the last byte. Read-only is a file system on a
loop device whose journal is aborted, which is what the kernel does to one on a failing card. One
that answers nothing is the same, frozen by ``fsfreeze``. These need root, to mount a file system
of the test's own. Locked is a second process that holds SQLite's own lock. Slow is a daemon in
which every COMMIT takes two seconds longer. Damaged is garbage written into the file.
"""

import os
import random
import signal
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path
from shutil import which

import pytest

from ..service.conftest import until
from .troubled import LATE_NS, MOMENT_NS, NS, darkroom_of_tests_own

darkroom = pytest.fixture(darkroom_of_tests_own)

CAP_SYS_ADMIN = 21  # linux/capability.h


def may_mount():
    """Whether this process may mount a file system: root in a container may not, as a rule."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    (effective,) = (line.split()[1] for line in status.splitlines() if line.startswith("CapEff:"))
    return os.geteuid() == 0 and bool(int(effective, 16) >> CAP_SYS_ADMIN & 1)


ROOT_ONLY = pytest.mark.skipif(
    not may_mount(), reason="only root with CAP_SYS_ADMIN may mount a file system of the test's own"
)
LOOP_ONLY = pytest.mark.skipif(
    not (may_mount() and Path("/dev/loop-control").exists() and which("mkfs.ext4")),
    reason="a card is a loop device with ext4: it needs root with CAP_SYS_ADMIN and mkfs.ext4",
)


def run(*command):
    subprocess.run(command, check=True, capture_output=True)


@contextmanager
def mounted(darkroom, *how):
    """Mount a file system for the darkroom's data, and take it away when its daemons have ended."""
    data = darkroom.folder / "disk"
    data.mkdir()
    run("mount", *how, data)
    darkroom.configure(service={"data": str(data)})
    try:
        yield data
    finally:
        darkroom.close()
        run("umount", data)


@pytest.fixture
def small_disk(darkroom):
    with mounted(darkroom, "-t", "tmpfs", "-o", "size=1m", "none") as data:
        yield data


@pytest.fixture
def card(darkroom):
    """A disk that can fail as a memory card does."""
    image = darkroom.folder / "card.image"
    with image.open("wb") as file:
        file.truncate(8 << 20)
    run("mkfs.ext4", "-q", image)
    with mounted(darkroom, "-o", "loop", image) as data:
        yield data


def fill(disk):
    """Fill a disk to the last byte."""
    with (disk / "holiday pictures").open("wb", buffering=0) as file:
        for size in (4096, 1):
            try:
                while True:
                    file.write(b"\xa5" * size)
            except OSError:
                continue


def make_room(disk):
    (disk / "holiday pictures").unlink()


def received_exactly(darkroom, sheet, intended_s):
    """Check the only pass of a sheet: complete, with what the line and the keeper's notes say."""
    (one,) = darkroom.passes(sheet)
    ((on_ns, off_ns),) = [(p["on_ns"], p["off_ns"]) for p in one["periods"]]
    assert one["state"] == "complete"
    assert one["received_ns"] == off_ns - on_ns
    line_on_ns, line_off_ns = darkroom.periods()[sheet - 1]
    assert abs(on_ns - line_on_ns) < MOMENT_NS
    assert abs(off_ns - line_off_ns) < MOMENT_NS
    assert intended_s * NS <= one["received_ns"] < intended_s * NS + LATE_NS


def ended_exactly(darkroom, keeper, intended_s):
    """Check by the line alone that the keeper ended the latest exposure at its deadline."""
    darkroom.until_state("done")
    on_ns, off_ns = darkroom.periods()[-1]
    last = darkroom.history()[-1]
    assert (last.level, last.pid) == (False, keeper)
    assert intended_s * NS - MOMENT_NS < off_ns - on_ns < intended_s * NS + LATE_NS


def a_good_start(darkroom):
    """One sheet made and one programme kept while all is well; return daemon and keeper."""
    daemon = darkroom.start()
    darkroom.save("Kept", "strip --centre 8 --step 1/3 --patches 5")
    darkroom.expose("0.3", "Short one")
    darkroom.until_state("done")
    received_exactly(darkroom, 1, 0.3)
    return daemon, darkroom.keeper_pid


def nothing_lost(darkroom):
    """Check that what was told as stored while all was well is there."""
    received_exactly(darkroom, 1, 0.3)
    kept = {one["name"]: one for one in darkroom.tell("programme list")}
    assert {"Kept", "Short one"} <= kept.keys()
    assert "patches = 5" in kept["Kept"]["programme"]


def refuses_what_is_new(darkroom, ears, why, press="tap"):
    """A new sheet and a new programme are refused in a sentence and by ear, without any light."""
    before = len(darkroom.history())
    told = darkroom.treadle("programme save Unkept strip --centre 8 --step 1/3 --patches 5")
    assert told.code == 4
    assert why in told.sentence
    heard = len(ears.cues)
    # Again the programme that is armed already, which need not be read from the disk.
    darkroom.tell("pedal", press)
    darkroom.until_state("paper out")
    ears.until("not stored", after=heard)
    assert not any(change.level for change in darkroom.history()[before:])


def story(darkroom, spoil, mend, why, *, killed):
    """An exposure during which the disk is spoilt, what is refused then, and what is left of it.

    ``killed`` tells whether the daemon is killed before the disk is mended.
    """
    daemon, keeper = a_good_start(darkroom)
    ears = darkroom.expose_and_listen("2")
    spoil()
    ended_exactly(darkroom, keeper, 2)
    ears.until("not stored")
    assert any(why in one for one in ears.troubles), ears.troubles
    assert "fault" not in ears.cues
    refuses_what_is_new(darkroom, ears, why)
    if killed:
        darkroom.end(daemon, signal.SIGKILL)
        mend()
        darkroom.start()
        status = darkroom.status()
        # All that is known of it came from the keeper's notes: the sheet is ended, nothing runs.
        assert status["state"] in ("paper out", "held")
    else:
        mend()
    received_exactly(darkroom, 2, 2)
    nothing_lost(darkroom)
    names = [one["name"] for one in darkroom.tell("programme list")]
    assert "Unkept" not in names
    # All is well again: the next sheet is written, and gets its light.
    darkroom.expose("0.3", "Short again")
    darkroom.until_state("done")
    received_exactly(darkroom, 3, 0.3)
    assert len(darkroom.periods()) == 3
    darkroom.no_traceback()


KILLED = pytest.mark.parametrize("killed", [False, True], ids=["mended", "killed"])


@ROOT_ONLY
@KILLED
@pytest.mark.fault(
    "disk",
    "The disk becomes full in mid-exposure",
    happens="The exposure ends exactly and its record is kept until there is room; new sheets and"
    " programmes are refused, by sound and in a sentence.",
    guard="none needed: nothing on the way to the lamp waits for a disk",
    within="",
    annex_h=(),
)
def test_a_full_disk(darkroom, small_disk, killed):
    story(
        darkroom,
        lambda: fill(small_disk),
        lambda: make_room(small_disk),
        "the disk is full, and nothing was saved; make room",
        killed=killed,
    )


@ROOT_ONLY
@pytest.mark.fault(
    "disk",
    "The disk is full when the daemon starts",
    happens="The lamp is off; the start is refused in a sentence that says to make room.",
    guard="keeper: switches off before anything is read",
    within="",
    annex_h=(),
)
def test_a_start_on_a_full_disk(darkroom, small_disk):
    daemon, _ = a_good_start(darkroom)
    assert darkroom.end(daemon) == 0
    fill(small_disk)
    before = len(darkroom.history())
    told = darkroom.refused()
    assert told.code == 4
    assert "the disk is full, and nothing was saved; make room" in told.err.splitlines()[-1]
    assert "Traceback" not in told.err
    assert darkroom.history()[before:]
    assert not any(change.level for change in darkroom.history()[before:])
    make_room(small_disk)
    darkroom.start()
    nothing_lost(darkroom)


@contextmanager
def locked(path):
    """Let another process hold SQLite's own lock on the database while inside."""
    script = (
        "import sqlite3, sys\n"
        "one = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=20)\n"
        "one.execute('BEGIN EXCLUSIVE')\n"
        "print('locked', flush=True)\n"
        "sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout.readline() == b"locked\n"
        try:
            yield
        finally:
            other.stdin.close()
            other.wait()


@KILLED
@pytest.mark.fault(
    "disk",
    "Another program locks the database in mid-exposure",
    happens="The exposure ends exactly and its record is kept until the lock is gone; new sheets"
    " and programmes are refused, by sound and in a sentence.",
    guard="none needed: nothing on the way to the lamp waits for a disk",
    within="",
    annex_h=(),
)
def test_a_locked_database(darkroom, killed):
    lock = locked(darkroom.config.database)
    story(
        darkroom,
        lock.__enter__,
        lambda: lock.__exit__(None, None, None),
        "another program has locked the database; close that one",
        killed=killed,
    )


def arm_from_a_file(darkroom, seconds):
    """Arm a print that is not kept: for the record alone the store of programmes is not read."""
    text = darkroom.folder / "print.toml"
    text.write_text(f'treadle = 1\nname = "Unnamed"\n[print]\nbase_s = {seconds}\n')
    darkroom.tell("arm", "--file", str(text))
    darkroom.until_state("waiting")


def damage(path):
    """Write garbage over every page of a file but the first, as a failing card may."""
    garbage = random.Random(1)
    with path.open("r+b") as file:
        for at in range(4096, path.stat().st_size, 4096):
            file.seek(at)
            file.write(garbage.randbytes(4000))


SOUND = "this is not a sound database, and it was left as it is; put a backup in its place"


@pytest.mark.fault(
    "disk",
    "The database is damaged in mid-exposure",
    happens="The exposure ends exactly; what is read from the damaged part is refused, by sound"
    " and in a sentence; a backup is needed for the next start.",
    guard="none needed: nothing on the way to the lamp waits for a disk",
    within="",
    annex_h=(),
)
def test_a_database_damaged_in_mid_exposure(darkroom):
    daemon, _ = a_good_start(darkroom)
    darkroom.end(daemon)
    backup = darkroom.config.database.read_bytes()
    daemon = darkroom.start()
    arm_from_a_file(darkroom, 2)
    ears = darkroom.listen()
    darkroom.tell("pedal")
    darkroom.until_lamp_on()
    damage(darkroom.config.database)
    ended_exactly(darkroom, darkroom.keeper_pid, 2)
    told = darkroom.treadle("programme list")
    assert told.code == 4
    assert SOUND in told.sentence
    ears.until("not stored")
    assert SOUND in ears.troubles[0]
    assert [cue for cue in ears.story if cue != "not stored"] == ["start", "end", "done"]
    darkroom.end(daemon)
    refused_and_dark(darkroom)
    darkroom.no_traceback()

    darkroom.config.database.write_bytes(backup)
    for left in darkroom.folder.glob("*.sqlite3-*"):
        left.unlink()
    darkroom.start()
    nothing_lost(darkroom)


def refused_and_dark(darkroom):
    """Start a daemon on a damaged database: it switches off, says what to do, and ends."""
    before = len(darkroom.history())
    damaged = darkroom.config.database.read_bytes()
    told = darkroom.refused()
    assert told.code == 4
    assert "Traceback" not in told.err
    assert SOUND in told.err.splitlines()[-1]
    assert darkroom.config.database.read_bytes() == damaged
    since = darkroom.history()[before:]
    assert since
    assert not any(change.level for change in since)


@pytest.mark.fault(
    "disk",
    "The database is damaged when the daemon starts, and the line is still on",
    happens="The lamp goes off, the start is refused in a sentence that says what to do, and the"
    " file is left as it is.",
    guard="keeper: switches off before anything is read",
    within="",
    annex_h=(),
)
def test_a_start_on_a_damaged_database(darkroom):
    daemon, _ = a_good_start(darkroom)
    darkroom.end(daemon)
    daemon = darkroom.start()
    darkroom.expose("600")
    keeper = darkroom.keeper_pid
    # Neither may switch off for the other, and nobody else does.
    os.kill(keeper, signal.SIGSTOP)
    darkroom.end(daemon, signal.SIGKILL)
    os.kill(keeper, signal.SIGKILL)
    assert darkroom.lit()
    damage(darkroom.config.database)
    refused_and_dark(darkroom)
    assert darkroom.history()[-1].pid not in (daemon.pid, keeper)
    # It is said again at each start, and a database that was moved away is made anew.
    refused_and_dark(darkroom)
    for one in darkroom.folder.glob("*.sqlite3*"):
        one.rename(one.with_name("moved away " + one.name))
    darkroom.start()
    assert darkroom.status()["state"] == "dark"
    assert len(darkroom.periods()) == 2
    darkroom.no_traceback()


@pytest.mark.fault(
    "disk",
    "The daemon dies, and the log that it left beside the database is damaged",
    happens="The lamp is off; the start is refused in a sentence that says what to do, where SQLite"
    " would have gone on without what was saved last.",
    guard="keeper: the channel closed",
    within="20 ms",
    annex_h=(),
)
def test_a_start_on_a_damaged_log(darkroom):
    daemon, keeper = a_good_start(darkroom)
    darkroom.expose("600")
    darkroom.end(daemon, signal.SIGKILL)
    darkroom.until_dark()
    assert darkroom.history()[-1].pid == keeper
    log = darkroom.config.database.with_name(darkroom.config.database.name + "-wal")
    sound = log.read_bytes()
    # In the middle of the first page that the log holds, behind which all the rest lies.
    damaged = sound[:2000] + random.Random(1).randbytes(100) + sound[2100:]
    log.write_bytes(damaged)
    told = darkroom.refused()
    assert told.code == 4
    assert f"{log}: the log of the database is damaged" in told.err.splitlines()[-1]
    assert "Traceback" not in told.err
    assert log.read_bytes() == damaged
    assert not darkroom.lit()
    log.write_bytes(sound)
    darkroom.start()
    assert darkroom.status()["state"] == "held"
    nothing_lost(darkroom)
    assert len(darkroom.periods()) == 2


@LOOP_ONLY
@pytest.mark.fault(
    "disk",
    "The disk becomes read-only in mid-exposure, as the kernel makes it when a card fails",
    happens="The exposure ends exactly; new sheets and programmes are refused, by sound and in a"
    " sentence. After the next start on a mended disk the sheet has the light that it got.",
    guard="none needed: nothing on the way to the lamp waits for a disk",
    within="",
    annex_h=(),
)
@KILLED
def test_a_disk_that_becomes_read_only(darkroom, card, killed):
    daemon, keeper = a_good_start(darkroom)
    ears = darkroom.expose_and_listen("2")
    run("mount", "-o", "remount,abort", card)
    ended_exactly(darkroom, keeper, 2)
    ears.until("not stored")
    why = "the disk has failed"
    assert why in ears.troubles[0]
    refuses_what_is_new(darkroom, ears, why)
    nothing_lost(darkroom)
    assert darkroom.end(daemon, signal.SIGKILL if killed else signal.SIGTERM) in (0, -9)
    refused = darkroom.refused()
    assert refused.code == 4
    assert not darkroom.lit()
    assert str(darkroom.config.database) in refused.err.splitlines()[-1]
    assert "Traceback" not in refused.err

    run("umount", card)
    image = darkroom.folder / "card.image"
    subprocess.run(["e2fsck", "-fp", image], check=False, capture_output=True)
    run("mount", "-o", "loop", image, card)
    darkroom.start()
    received_exactly(darkroom, 2, 2)
    nothing_lost(darkroom)
    assert len(darkroom.periods()) == 2
    darkroom.no_traceback()


@LOOP_ONLY
@pytest.mark.fault(
    "disk",
    "The disk answers nothing for a while in mid-exposure, as a card does that tidies itself up",
    happens="The exposure ends exactly; after five seconds new sheets and programmes are refused,"
    " by sound and in a sentence, until the disk answers again.",
    guard="none needed: nothing on the way to the lamp waits for a disk",
    within="",
    annex_h=(),
)
def test_a_disk_that_stalls(darkroom, card):
    _, keeper = a_good_start(darkroom)
    ears = darkroom.expose_and_listen("2")
    run("fsfreeze", "--freeze", card)
    try:
        ended_exactly(darkroom, keeper, 2)
        lit = len(darkroom.periods())
        # Not ready, and so no light, as long as the disk has not taken the next sheet.
        darkroom.tell("pedal")
        assert darkroom.treadle("pedal").code == 5
        ears.until("not stored")
        why = "the disk with the record has not answered for 5 s"
        assert why in ears.troubles[0]
        darkroom.until_state("paper out")
        refuses_what_is_new(darkroom, ears, why, press="long")
        assert len(darkroom.periods()) == lit
    finally:
        run("fsfreeze", "--unfreeze", card)
    wait_for_the_disk(darkroom)
    received_exactly(darkroom, 2, 2)
    nothing_lost(darkroom)
    darkroom.expose("0.3", "Short again")
    ears.until("ready")
    darkroom.until_state("done")
    received_exactly(darkroom, 3, 0.3)
    darkroom.no_traceback()


def wait_for_the_disk(darkroom):
    """Wait until the disk has taken what was kept for it."""
    until(lambda: darkroom.treadle("record list").code == 0, "the disk answers again")


@pytest.mark.parametrize("ended_by", [None, signal.SIGTERM, signal.SIGKILL])
@pytest.mark.fault(
    "disk",
    "The disk takes two seconds for each thing that is written",
    happens="The exposure and its sounds are exact; the next sheet is ready later. Nothing is lost"
    " if the daemon ends or dies before all is written.",
    guard="none needed: nothing on the way to the lamp waits for a disk",
    within="",
    annex_h=(),
)
def test_a_slow_disk(darkroom, ended_by):
    daemon, keeper = a_good_start(darkroom)
    darkroom.slow_disk(2)
    ears = darkroom.expose_and_listen("3.5")
    ended_exactly(darkroom, keeper, 3.5)
    ears.until("done")
    assert ears.cues == ["start", "count", "count", "count", "end", "done"]
    # The first two of the last three seconds were heard before the end, and not after the disk.
    heard_ns = [one["heard_ns"] for one in ears.heard if one.get("cue") == "count"]
    assert heard_ns[1] < darkroom.periods()[-1][1]
    if ended_by is not None:
        assert darkroom.end(daemon, ended_by) in (0, -signal.SIGKILL)
        darkroom.slow_disk(0)
        darkroom.start()
    received_exactly(darkroom, 2, 3.5)
    nothing_lost(darkroom)
    assert {"Long one"} <= {one["name"] for one in darkroom.tell("programme list")}
    assert "not stored" not in ears.cues
    assert len(darkroom.periods()) == 2
    darkroom.no_traceback()


@ROOT_ONLY
@pytest.mark.fault(
    "disk",
    "The folder in memory is full, so that the keeper can't note what it does",
    happens="Exposures end exactly and are recorded. If the daemon dies in one, what the paper"
    " received is told within bounds.",
    guard="keeper: the channel closed",
    within="20 ms",
    annex_h=(),
)
def test_a_full_folder_in_memory(darkroom):
    runtime = darkroom.folder / "runtime"
    runtime.mkdir()
    run("mount", "-t", "tmpfs", "-o", "size=64k", "none", runtime)
    darkroom.configure(service={"runtime": str(runtime)})
    try:
        daemon = darkroom.start()
        # The line has its page already; there is none for the keeper's notes.
        fill(runtime)
        darkroom.expose("1", "Short one")
        ended_exactly(darkroom, darkroom.keeper_pid, 1)
        (one,) = darkroom.passes(1)
        assert (one["state"], darkroom.journal()) == ("complete", [])
        assert NS <= one["received_ns"] < NS + LATE_NS
        keeper = darkroom.keeper_pid
        darkroom.expose("600")
        darkroom.end(daemon, signal.SIGKILL)
        darkroom.until_dark()
        assert darkroom.history()[-1].pid == keeper
        darkroom.start()
        assert darkroom.status()["state"] == "held"
        (one,) = darkroom.passes(2)
        on_ns, off_ns = darkroom.periods()[-1]
        assert one["received_least_ns"] <= off_ns - on_ns <= one["received_most_ns"] + MOMENT_NS
        assert len(darkroom.periods()) == 2
        darkroom.no_traceback()
    finally:
        darkroom.close()
        darkroom.until_dark()
        run("umount", runtime)
