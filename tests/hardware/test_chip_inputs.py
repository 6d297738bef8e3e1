"""Pedal and sense contact on the kernel's GPIO device, against the fake kernel of conftest.py.

Nothing here has run on a real chip.
"""

import ctypes
import errno
import os
import re
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from hardware import chip_inputs
from hardware.chip import ChipLamp
from hardware.chip_inputs import ChipPedal, ChipSense
from hardware.errors import HardwareError

PEDAL, SENSE, LAMP = 27, 22, 17

# Source of these three: a C program with <linux/gpio.h> that prints sizeof, offsetof and the
# macros, compiled by gcc against Debian's linux-libc-dev 6.1.187-1 on amd64.
EVENT_SIZE = 48  # struct gpio_v2_line_event
EVENT_OFFSETS = {
    "timestamp_ns": 0, "id": 8, "offset": 12, "seqno": 16, "line_seqno": 20, "padding": 24,
}  # fmt: skip
RISING_EDGE, FALLING_EDGE = 1, 2

PULLS = {"up": 0x100, "down": 0x200, "none": 0x400}  # of the same program
INPUT_BOTH_EDGES, ACTIVE_LOW, INPUT = 0x34, 0x2, 0x4


@pytest.fixture
def structures(kernel):
    """The independent structures, which live beside the fake kernel."""
    return sys.modules[type(kernel).__module__]


@pytest.fixture
def header(kernel):
    return kernel.add_chip(0)


def open_pedal(kernel, line=PEDAL, **kwargs):
    return ChipPedal(line, ioctl=kernel.ioctl, device_folder=kernel.folder, **kwargs)


def open_sense(kernel, line=SENSE, **kwargs):
    return ChipSense(line, ioctl=kernel.ioctl, device_folder=kernel.folder, **kwargs)


OPENED = {"the pedal": open_pedal, "the sense contact": open_sense}


def refusal(call) -> str:
    with pytest.raises(HardwareError) as refused:
        call()
    return str(refused.value)


# ---------------------------------------------------------------- numbers


def test_an_event_is_laid_out_as_the_compiler_lays_it_out(structures):
    event = structures.LineEvent
    assert ctypes.sizeof(event) == chip_inputs.LINE_EVENT.size == EVENT_SIZE
    assert {name: getattr(event, name).offset for name in EVENT_OFFSETS} == EVENT_OFFSETS
    assert (structures.RISING_EDGE, structures.FALLING_EDGE) == (RISING_EDGE, FALLING_EDGE)
    assert chip_inputs.GPIO_V2_LINE_EVENT_RISING_EDGE == RISING_EDGE


# ---------------------------------------------------------------- the pedal


@pytest.mark.parametrize("pull", PULLS)
def test_a_pedal_asks_for_both_edges_and_the_resistor_that_was_wished(kernel, header, pull):
    wire = header.wires[PEDAL]
    with closing(open_pedal(kernel, pull=pull)):
        # A switch to ground is pressed at a low level, a switch to 3.3 V at a high one.
        pressed_low = 0 if pull == "down" else ACTIVE_LOW
        assert wire.flags == INPUT_BOTH_EDGES | PULLS[pull] | pressed_low
        assert wire.consumer == "treadle-pedal"
        assert wire.driven == [], "it is listened to and never driven"
    assert not wire.held


@pytest.mark.parametrize("pull", ["up", "down"])
def test_a_pedal_that_is_pulled_off_its_wire_is_up(kernel, header, pull):
    wire = header.wires[PEDAL]
    wire.join(pull == "down")
    with closing(open_pedal(kernel, pull=pull)) as pedal:
        assert pedal.is_down
        came_off_ns = wire.join(None)
        assert not pedal.is_down
        assert pedal.read() == [(False, came_off_ns)]


def test_a_stamp_is_passed_on_to_the_nanosecond(kernel, header):
    with closing(open_pedal(kernel)) as pedal:
        at_ns = 9_007_199_254_740_993  # one more than a float could hold
        header.wires[PEDAL].join(False, at_ns)
        header.wires[PEDAL].join(None, (1 << 63) + 1)
        assert pedal.read() == [(True, at_ns), (False, (1 << 63) + 1)]


def test_of_more_edges_than_the_kernel_keeps_the_latest_are_told(kernel, header):
    """A keeper that was held up knows at least where the foot is now."""
    wire = header.wires[PEDAL]
    sent = []
    with closing(open_pedal(kernel)) as pedal:
        for _ in range(50):
            sent += [(True, wire.join(False)), (False, wire.join(None))]
        sent.append((True, wire.join(False)))
        told = pedal.read()
        while more := pedal.read():
            told += more
        assert 0 < len(told) < len(sent)
        assert told == sent[-len(told) :]
        assert pedal.is_down


def test_edges_from_before_the_opening_are_not_told(kernel, header):
    wire = header.wires[PEDAL]
    with closing(open_pedal(kernel)):
        wire.join(False)
        wire.join(None)
    with closing(open_pedal(kernel)) as pedal:
        assert pedal.read() == []


def test_a_pull_that_there_is_not_is_refused_with_those_that_are(kernel, header):
    assert refusal(lambda: open_pedal(kernel, pull="sideways")) == (
        "the pedal has pull 'sideways': write up, down or none."
    )
    assert not header.wires[PEDAL].held


def test_a_pedal_that_can_not_be_read_is_told_with_its_place(kernel, header, monkeypatch):
    def gone(fd, length):
        raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))

    with closing(open_pedal(kernel)) as pedal:
        # Linux gives this where the chip has gone (from memory of gpiolib-cdev).
        monkeypatch.setattr(chip_inputs.os, "read", gone)
        assert refusal(pedal.read) == (
            f"the pedal's GPIO line 27 on {header.path} can't be read (No such device): "
            "check its wiring, then restart the controller."
        )
        monkeypatch.undo()


# ---------------------------------------------------------------- the sense contact


@pytest.mark.parametrize("active_high", [True, False])
def test_a_sense_contact_asks_for_the_resistor_that_means_dark(kernel, header, active_high):
    wire = header.wires[SENSE]
    with closing(open_sense(kernel, active_high=active_high)):
        assert wire.flags == INPUT | (PULLS["down"] if active_high else PULLS["up"] | ACTIVE_LOW)
        assert wire.consumer == "treadle-sense"
        assert wire.driven == [], "it is listened to and never driven"
    assert not wire.held


@pytest.mark.parametrize("active_high", [True, False])
@pytest.mark.parametrize("level", [True, False])
def test_a_sensor_that_drives_both_levels_is_believed(kernel, header, active_high, level):
    """As a light sensor's module does, which has an output of its own."""
    header.wires[SENSE].join(level)
    with closing(open_sense(kernel, active_high=active_high)) as sense:
        assert sense.is_lit is (level == active_high)


@pytest.mark.parametrize("active_high", [True, False])
def test_a_sense_contact_whose_wire_breaks_sees_no_light(kernel, header, active_high):
    wire = header.wires[SENSE]
    wire.join(active_high)
    with closing(open_sense(kernel, active_high=active_high)) as sense:
        assert sense.is_lit
        wire.join(None)
        assert not sense.is_lit


# ---------------------------------------------------------------- both


def test_lamp_pedal_and_sense_contact_share_one_chip(kernel, header):
    lamp = ChipLamp(LAMP, ioctl=kernel.ioctl, device_folder=kernel.folder)
    with closing(lamp), closing(open_pedal(kernel)) as pedal, closing(open_sense(kernel)) as sense:
        header.wires[PEDAL].join(False)
        lamp.on()
        header.wires[SENSE].join(True)
        assert [down for down, _ in pedal.read()] == [True]
        assert (lamp.is_on, sense.is_lit) == (True, True)


@pytest.mark.parametrize("what", OPENED)
def test_a_held_line_names_its_holder_and_leaves_nothing_open(kernel, header, what):
    held = kernel.hold(header.wires[5], "spi0 CS0")
    before = len(list(Path("/proc/self/fd").iterdir()))
    assert refusal(lambda: OPENED[what](kernel, 5)) == (
        f"{what}'s GPIO line 5 on {header.path} is held by spi0 CS0: stop that program, "
        f"or choose another line for {what}."
    )
    assert len(list(Path("/proc/self/fd").iterdir())) == before
    os.close(held)


@pytest.mark.parametrize("what", OPENED)
def test_a_line_that_is_not_on_the_header_is_refused(kernel, header, what):
    assert refusal(lambda: OPENED[what](kernel, 40)) == (
        f"{header.path} has no line 40 for {what}: choose one from 0 to 27."
    )


@pytest.mark.parametrize("what", OPENED)
def test_a_named_chip_is_taken_whatever_it_is_called(kernel, header, what):
    other = kernel.add_chip(1, "gpio-sim", lines=32)
    with closing(OPENED[what](kernel, 30, chip=other.path)):
        assert other.wires[30].held
        assert not header.wires[30].held


@pytest.mark.parametrize("what", OPENED)
def test_a_level_that_can_not_be_read_is_an_error(kernel, header, structures, what):
    with closing(OPENED[what](kernel, 5)) as device:
        kernel.fail_with[structures.GET_VALUES] = errno.EIO
        expected = (
            f"{what}'s GPIO line 5 on {header.path} can't be read (Input/output error): "
            "check its wiring, then restart the controller."
        )
        with pytest.raises(HardwareError, match=f"^{re.escape(expected)}$"):
            device.is_down if what == "the pedal" else device.is_lit  # noqa: B018


def test_the_fake_chip_stamps_edges_by_the_clock_that_the_keeper_reads(kernel, header):
    # Source: the comment on struct gpio_v2_line_event in linux/gpio.h: "By default the
    # timestamp_ns is read from CLOCK_MONOTONIC", which is Python's time.monotonic_ns on Linux.
    before_ns = time.clock_gettime_ns(time.CLOCK_MONOTONIC)
    with closing(open_pedal(kernel)) as pedal:
        header.wires[PEDAL].join(False)
        [(_, at_ns)] = pedal.read()
    assert before_ns <= at_ns <= time.monotonic_ns()
    assert not header.wires[PEDAL].flags & 1 << 11, "GPIO_V2_LINE_FLAG_EVENT_CLOCK_REALTIME"
