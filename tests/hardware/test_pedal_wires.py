"""What every pedal promises that the keeper reads by itself, real or simulated."""

import os
import select
import time
from contextlib import closing
from pathlib import Path

import pytest

from hardware.errors import HardwareError

CLOSED = r"pedal.* was closed: open it again before using it\.$"


def is_readable(wire) -> bool:
    return select.select([wire], (), (), 0)[0] == [wire]


@pytest.fixture
def wire(pedal_wire_bench):
    with closing(pedal_wire_bench.open()) as wire:
        yield wire


def test_a_pedal_at_rest_is_up_and_has_nothing_to_tell(wire):
    assert not is_readable(wire)
    assert wire.read() == []
    assert not wire.is_down


def test_reading_never_waits(wire):
    assert not os.get_blocking(wire.fileno())


def test_the_file_wakes_with_an_edge_and_sleeps_once_it_was_read(pedal_wire_bench, wire):
    pedal_wire_bench.press()
    assert is_readable(wire)
    wire.read()
    assert not is_readable(wire)
    pedal_wire_bench.lift()
    assert is_readable(wire)


def test_is_down_follows_the_foot(pedal_wire_bench, wire):
    pedal_wire_bench.press()
    wire.read()
    assert wire.is_down
    pedal_wire_bench.lift()
    wire.read()
    assert not wire.is_down


def test_is_down_is_the_latest_of_several_edges_that_were_read_together(pedal_wire_bench, wire):
    pedal_wire_bench.press()
    pedal_wire_bench.lift()
    wire.read()
    assert not wire.is_down
    pedal_wire_bench.press()
    pedal_wire_bench.lift()
    pedal_wire_bench.press()
    wire.read()
    assert wire.is_down


def test_edges_come_in_order_each_with_the_stamp_of_its_own_instant(pedal_wire_bench, wire):
    before_ns = time.monotonic_ns()
    pressed_ns = pedal_wire_bench.press()
    lifted_ns = pedal_wire_bench.lift()
    after_ns = time.monotonic_ns()
    # Read together, and long after they happened.
    assert wire.read() == [(True, pressed_ns), (False, lifted_ns)]
    assert before_ns <= pressed_ns <= lifted_ns <= after_ns


def test_each_edge_is_told_once(pedal_wire_bench, wire):
    pedal_wire_bench.press()
    assert [down for down, _ in wire.read()] == [True]
    pedal_wire_bench.lift()
    assert [down for down, _ in wire.read()] == [False]
    assert wire.read() == []


def test_a_chattering_contact_loses_no_edge_while_it_is_read(pedal_wire_bench, wire):
    sent, told = [], []
    for _ in range(300):
        # Eight edges at a time: a line of a chip keeps sixteen for its reader.
        for _ in range(4):
            sent += [(True, pedal_wire_bench.press()), (False, pedal_wire_bench.lift())]
        told += wire.read()
    assert told == sent


def test_a_foot_that_is_down_at_the_opening_is_known_and_is_no_edge(pedal_wire_bench):
    with closing(pedal_wire_bench.open_under_a_foot()) as wire:
        assert wire.is_down
        assert wire.read() == []
        lifted_ns = pedal_wire_bench.lift()
        assert wire.read() == [(False, lifted_ns)]
        assert not wire.is_down


def test_a_second_close_does_nothing_to_the_next_owner(pedal_wire_bench):
    wire = pedal_wire_bench.open()
    wire.close()
    with closing(pedal_wire_bench.open()) as next_owner:
        wire.close()
        pressed_ns = pedal_wire_bench.press()
        assert next_owner.read() == [(True, pressed_ns)]


@pytest.mark.parametrize("use", ["fileno", "read", "is_down"])
def test_a_closed_pedal_refuses_to_be_used(pedal_wire_bench, use):
    wire = pedal_wire_bench.open()
    wire.close()
    with pytest.raises(HardwareError, match=CLOSED):
        wire.is_down if use == "is_down" else getattr(wire, use)()


def test_a_closed_pedal_holds_no_file(pedal_wire_bench):
    def files():
        return len(list(Path("/proc/self/fd").iterdir()))

    pedal_wire_bench.open().close()  # what is made once and for all is made now
    before = files()
    pedal_wire_bench.open().close()
    assert files() == before
