"""What goes wrong between daemon and keeper: words damaged, repeated, lost, or not understood."""

import asyncio
import itertools
import os
import random
import signal
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest

from timer.clock import to_ns
from timer.control.table import Input, State
from timer.errors import KeeperError
from timer.keeper.protocol import PACKET_BYTES, Damaged, Kind, Reason, Record, pack, unpack
from timer.rehearsal.sheet import lamp_periods

from .enlarger_in_words import MS, S
from .worked import enlarger, play, recorded

ROOT = Path(__file__).parents[2]
WIRES = Path(__file__).with_name("wires.py")
BITS = 8 * PACKET_BYTES
LONG_NS = to_ns(50.0)  # far longer than any test: what ends earlier was ended
# The line's own stamps lie within the write, the keeper's in its middle: room for a busy machine.
MOMENT_NS = S // 20
ORDERS = (Kind.EXPOSE, Kind.VIEW, Kind.OFF, Kind.BEAT)
# Where the duration stands in a packet, as protocol.py lays it out: after two bytes of mark, one
# each of version, kind and reason, and eight of the order's number.
DURATION_BITS = range(8 * 13, 8 * 21)


def flipped(packet, bits):
    damaged = bytearray(packet)
    for bit in bits:
        damaged[bit // 8] ^= 1 << bit % 8
    return bytes(damaged)


def order(number=1, seconds=50.0, kind=Kind.EXPOSE):
    return Record(kind, Reason.NONE, number, to_ns(seconds))


def must_refuse(keeper, packets):
    """Send packets to a keeper, each of which it must refuse."""
    for packet in packets:
        keeper.channel.send(packet)
        assert keeper.hear(Kind.REFUSED)[:3] == (Kind.REFUSED, Reason.BAD_ORDER, 0)


def bursts(chance, count, packet):
    """Errors that begin and end somewhere, with anything in between, not longer than 32 bits."""
    for _ in range(count):
        length = chance.randint(2, 32)
        first = chance.randrange(BITS - length + 1)
        between = [first + at for at in range(1, length - 1) if chance.getrandbits(1)]
        yield flipped(packet, [first, *between, first + length - 1])


# The checksum.


def by_hand(data):
    """CRC-32 bit by bit: the division that ISO 3309 and ITU-T V.42 describe (from memory)."""
    remainder = 0xFFFFFFFF
    for byte in data:
        remainder ^= byte
        for _ in range(8):
            remainder = remainder >> 1 ^ (0xEDB88320 if remainder & 1 else 0)
    return remainder ^ 0xFFFFFFFF


def test_the_checksum_is_the_published_one():
    """The check value of CRC-32 as in ISO 3309 and ITU-T V.42 is published so (from memory)."""
    assert by_hand(b"123456789") == 0xCBF43926
    assert zlib.crc32(b"123456789") == 0xCBF43926
    chance = random.Random("checksums")
    for kind in Kind:
        record = Record(
            kind,
            Reason.NONE,
            chance.getrandbits(64),
            chance.getrandbits(63),
            -chance.getrandbits(63),
        )
        body, check = pack(record)[:-4], pack(record)[-4:]
        assert int.from_bytes(check, "little") == by_hand(body) == zlib.crc32(body)


def test_up_to_five_wrong_bits_anywhere_in_a_packet_are_found():
    """All of them, by sums: a CRC is linear, so flipped bits go unseen only if theirs cancel out.

    That this CRC finds five at this length is published, too (Koopman, "32-bit cyclic redundancy
    codes for Internet applications", 2002; from memory). Here it is computed, by hand and zlib.
    """
    body = bytes(PACKET_BYTES - 4)
    of_nothing = zlib.crc32(body)
    sums = [
        zlib.crc32(flipped(body, [bit])) ^ of_nothing if bit < BITS - 32 else 1 << bit - (BITS - 32)
        for bit in range(BITS)
    ]
    assert sums[:3] == [by_hand(flipped(body, [bit])) ^ by_hand(body) for bit in range(3)]
    one = np.array(sums, dtype=np.uint32)
    first, second = np.triu_indices(BITS, 1)
    two = one[first] ^ one[second]
    up_to_two = np.concatenate([np.zeros(1, dtype=np.uint32), one, two])
    # No two different sets of at most two bits look alike: so no four bits or fewer cancel out.
    assert len(np.unique(up_to_two)) == 1 + BITS + len(two)
    # And no three look like two or fewer: so no five bits cancel out.
    known = np.sort(up_to_two)
    for bit in range(BITS):
        three = two[first > bit] ^ one[bit]  # each set of three once, its lowest bit first
        at = np.minimum(np.searchsorted(known, three), len(known) - 1)
        assert not np.any(known[at] == three)


def test_every_two_wrong_bits_in_an_order_are_refused():
    packet = pack(order())
    for pair in itertools.combinations(range(BITS), 2):
        with pytest.raises(Damaged):
            unpack(flipped(packet, pair))


# Damaged orders, at a real keeper.


@pytest.mark.fault(
    "orders",
    "Two bits of an order are flipped, or a burst of up to 32, or it is noise",
    happens="The order is refused, and the lamp stays as it is.",
    guard="keeper: the checksum of each order",
    within="",
    annex_h=("communication data", "internal data path"),
)
@pytest.mark.parametrize("kind", ORDERS, ids=lambda kind: kind.name)
def test_an_order_with_several_wrong_bits_is_refused_in_the_dark(bench, keeper, kind):
    chance = random.Random(f"wrong bits in {kind.name}")
    packet = pack(order(kind=kind))
    pairs = (flipped(packet, chance.sample(range(BITS), 2)) for _ in range(200))
    noise = (chance.randbytes(PACKET_BYTES) for _ in range(200))
    must_refuse(keeper, itertools.chain(pairs, bursts(chance, 200, packet), noise))
    assert not any(one.level for one in bench.history())


@pytest.mark.fault(
    "orders",
    "A bit of an exposure's duration is flipped",
    happens="The order is refused; the one sent anew exposes for what was meant.",
    guard="keeper: the checksum of each order",
    within="",
    annex_h=("communication data", "internal data path", "RAM"),
)
def test_a_flipped_bit_in_the_duration_never_changes_an_exposure(bench, keeper):
    meant = order(7, 0.25)
    packet = pack(meant)
    must_refuse(keeper, (flipped(packet, [bit]) for bit in DURATION_BITS))
    # The bits are those of the duration: with the sum made anew each is another order.
    with_sum = [flipped(packet[:-4], [bit]) for bit in DURATION_BITS]
    durations = {unpack(body + zlib.crc32(body).to_bytes(4, "little")).a_ns for body in with_sum}
    assert len(durations - {meant.a_ns}) == 64
    keeper.channel.send(packet)
    off = keeper.hear(Kind.WENT_OFF)
    assert (off.order, off.reason) == (7, Reason.COMPLETE)
    assert meant.a_ns - MS < off.b_ns - off.a_ns < 10 * S
    assert sum(one.level for one in bench.history()) == 1


@pytest.mark.fault(
    "orders",
    "Damaged orders arrive in mid-exposure",
    happens="They are refused; the exposure goes on to its own end.",
    guard="keeper: the checksum of each order",
    within="",
    annex_h=("communication data",),
)
def test_damaged_orders_do_not_touch_an_exposure(bench, keeper):
    on = keeper.expose(0.6, 3)
    chance = random.Random("in mid-exposure")
    packets = [pack(order(kind=kind, number=9)) for kind in ORDERS]
    must_refuse(keeper, (flipped(p, [chance.randrange(BITS)]) for p in packets * 5))
    must_refuse(keeper, (p[: chance.randrange(1, PACKET_BYTES)] for p in packets * 5))
    off = keeper.hear(Kind.WENT_OFF)
    assert (off.order, off.reason, off.a_ns) == (3, Reason.COMPLETE, on.a_ns)
    assert len(lamp_periods(bench.history())) == 1
    assert bench.last(False).pid == keeper.pid


# Another version.


def wired(fault, file):
    return (sys.executable, str(WIRES), fault, str(file))


@pytest.fixture
def there(folder, monkeypatch):
    """The file that is there where the fault is."""
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    file = folder / "fault"
    file.touch()
    return file


@pytest.mark.fault(
    "orders",
    "The keeper is of another version than the daemon's orders",
    happens="It refuses every one of them; the lamp does not go on.",
    guard="keeper: each order tells its version",
    within="",
    annex_h=("communication data",),
)
def test_a_keeper_of_another_version_takes_no_order(bench, there):
    keeper = bench.start(wired("version", there))

    def refuses():
        with pytest.raises(Damaged, match="it is of version"):
            unpack(keeper.channel.recv(PACKET_BYTES + 1))

    refuses()  # its very first word
    for kind in ORDERS:
        keeper.send(kind, 1, LONG_NS)
        refuses()
    assert not any(one.level for one in bench.history())
    assert keeper.leave() == 0


@pytest.mark.fault(
    "orders",
    "The daemon finds a keeper of another version when it starts",
    happens="It does not start, and says so in one sentence; the lamp is off.",
    guard="daemon: each report tells its version",
    within="",
    annex_h=("communication data",),
)
def test_a_daemon_does_not_start_with_a_keeper_of_another_version(folder, there):
    async def run():
        async with enlarger(folder, 1, keeper_command=wired("version", there)):
            raise AssertionError("it started")

    with pytest.raises(KeeperError, match=r"it is of version \d+, not \d+"):
        asyncio.run(run())


@pytest.mark.fault(
    "orders",
    "The keeper dies in mid-exposure, and the one that takes its place is of another version",
    happens="The fault stays, nothing starts; with the right keeper it can be cleared and the rest "
    "is given.",
    guard="daemon: forces the line off, and trusts no keeper of another version",
    within="1 s",
    annex_h=("communication data", "program counter"),
)
def test_a_keeper_of_another_version_is_not_trusted_in_mid_evening(folder, there):
    async def story(one):
        await one.bring_into(State.EXPOSING, seconds=2.5)
        there.touch()
        known = len(one.history())
        os.kill(one.daemon.link.pid, signal.SIGKILL)
        await one.until_state(State.FAULT)
        assert one.history()[known].pid == os.getpid()  # the daemon's own hand
        assert not one.is_lit
        await asyncio.sleep(1.5)  # a keeper is tried once a second
        assert not one.daemon.link.is_up
        assert not await one.say(Input.CLEAR)
        assert "the keeper failed" in (await one.status()).fault
        assert not any(change.level for change in one.history()[known:])
        there.unlink()
        await one.until(lambda: one.daemon.link.is_up, "the right keeper is up")
        assert await one.say(Input.CLEAR)
        await one.until_state(State.HELD)
        await one.tap()
        await one.until_state(State.DONE)

    there.unlink()
    play(folder, 1, story, keeper_command=wired("version", there))


# Reports that come damaged, twice, or not at all.


@pytest.mark.fault(
    "orders",
    "The keeper's report that the lamp is on comes damaged",
    happens="The keeper is not trusted any more: the lamp is off, and a fault is told.",
    guard="daemon: ends the keeper and forces the line off",
    within="20 ms",
    annex_h=("communication data", "RAM"),
)
@pytest.mark.parametrize("bit", [0, 16, 24, 32, 60, 110, 190, BITS - 1])
def test_a_damaged_report_of_on_ends_with_the_line_forced_off(folder, there, bit):
    async def story(one):
        await one.bring_into(State.WAITING)
        known = len(one.history())
        await asyncio.sleep(1.0)
        await one.tap()
        await one.until_state(State.FAULT)
        changes = one.history()[known:]
        on = next(at for at, change in enumerate(changes) if change.level)
        assert (changes[on + 1].level, changes[on + 1].pid) == (False, os.getpid())
        assert not any(change.level for change in changes[on + 1 :])
        assert "the keeper failed and the lamp was forced off" in (await one.status()).fault

    play(folder, 1, story, keeper_command=wired(f"flip:ON:{bit}", there))


@pytest.mark.fault(
    "orders",
    "The keeper's report that the lamp went off comes damaged",
    happens="A fault is told; the time until then counts as exposed, so nothing is exposed twice.",
    guard="keeper: the order's own deadline; the daemon then forces the line off once more",
    within="the exposure's own end",
    annex_h=("communication data", "RAM"),
)
def test_a_damaged_report_of_off_is_no_reason_to_expose_again(folder, there):
    async def story(one):
        await one.bring_into(State.EXPOSING, seconds=1.0)
        await one.until_state(State.FAULT)
        assert not one.is_lit
        status = await one.status()
        assert status.received_ns >= S - MS
        there.unlink()
        await one.until(lambda: one.daemon.link.is_up, "a new keeper is up")
        assert await one.say(Input.CLEAR)
        await one.until_state(State.HELD)
        await one.tap()
        await one.until_state(State.DONE)
        assert one.turned_on() == 1

    play(folder, 1, story, keeper_command=wired("flip:WENT_OFF:77", there))


@pytest.mark.fault(
    "orders",
    "The keeper's reports come twice",
    happens="Each counts once.",
    guard="control: an order's report is taken while the order is the present one",
    within="",
    annex_h=("communication timing",),
)
@pytest.mark.parametrize("kind", [Kind.ON, Kind.WENT_OFF], ids=lambda kind: kind.name)
def test_a_report_that_comes_twice_counts_once(folder, there, kind):
    async def story(one):
        await one.bring_into(State.EXPOSING, seconds=1.0)
        await one.until_state(State.DONE)
        assert one.turned_on() == 1
        status = await one.status()
        assert status.fault is None
        ((on_ns, off_ns),) = one.periods()
        assert abs(status.received_ns - (off_ns - on_ns)) < (off_ns - on_ns) // 2

    play(folder, 1, story, keeper_command=wired(f"twice:{kind.name}", there))
    (period,) = recorded(folder).periods
    assert period.off_ns - period.on_ns >= S - MS


@pytest.mark.fault(
    "orders",
    "The keeper's report that the lamp is on, or that it went off, is lost",
    happens="The lamp goes off at its time all the same, and no light starts by itself.",
    guard="keeper: the order's own deadline",
    within="the exposure's own end",
    annex_h=("communication timing",),
)
@pytest.mark.parametrize("kind", [Kind.ON, Kind.WENT_OFF], ids=lambda kind: kind.name)
def test_a_report_that_is_lost_does_not_keep_the_lamp_on(folder, there, kind):
    async def story(one):
        keeper = one.daemon.link.pid
        await one.bring_into(State.WAITING, seconds=1.0)
        await asyncio.sleep(1.0)
        await one.tap()
        await one.until(lambda: any(change.level for change in one.history()), "it was on")
        await one.until(lambda: not one.is_lit, "the lamp is off")
        last = one.history()[-1]
        assert last.pid == keeper
        ((on_ns, off_ns),) = one.periods()
        assert off_ns - on_ns >= S - MOMENT_NS
        await asyncio.sleep(1.0)
        assert one.turned_on() == 1

    play(folder, 1, story, keeper_command=wired(f"lost:{kind.name}", there))


# A second daemon.


@pytest.mark.fault(
    "orders",
    "A second daemon is started on the enlarger in mid-exposure",
    happens="It is refused with a sentence; the exposure goes on, undisturbed, to its exact end.",
    guard="daemon: the lock in the runtime folder",
    within="",
    annex_h=("communication timing",),
)
def test_a_second_daemon_does_not_disturb_the_first(darkroom):
    darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.expose("2")
    known = len(darkroom.history())
    refused = darkroom.refused()
    assert refused.code == 6
    assert "another daemon runs this enlarger already; stop it first" in refused.err
    assert "Traceback" not in refused.err
    darkroom.until_state("done")
    changes = darkroom.history()[known:]
    assert {change.pid for change in changes} == {keeper}
    assert not any(change.level for change in changes)
    assert darkroom.config.journal.read_text(encoding="ascii").endswith(" COMPLETE\n")
