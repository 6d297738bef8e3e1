"""Benches for the contract suites: each device with a way to see and work its other end."""

import ctypes
import errno
import fcntl
import os
import termios
import threading
import time
from collections.abc import Callable
from contextlib import closing, contextmanager
from dataclasses import dataclass, field

import pytest
from gpiozero.pins.mock import MockFactory, MockPWMPin

from hardware.chip import ChipLamp
from hardware.chip_inputs import ChipPedal, ChipSense
from hardware.gpio import GpioLamp, GpioPedal, GpioSounder
from hardware.simulated import (
    SimulatedFoot,
    SimulatedLamp,
    SimulatedLine,
    SimulatedPedal,
    SimulatedPedalWire,
    SimulatedSense,
    SimulatedSounder,
)

PIN = 17

# ---------------------------------------------------------------- the fake kernel
#
# The structures of linux/gpio.h once more, by ctypes and by the compiler's own rules of
# alignment, so that hardware/chip.py's packing is checked by something else than itself.


class ChipInfo(ctypes.Structure):
    _fields_ = [
        ("name", ctypes.c_char * 32),
        ("label", ctypes.c_char * 32),
        ("lines", ctypes.c_uint32),
    ]


class AttributeValue(ctypes.Union):
    _fields_ = [
        ("flags", ctypes.c_uint64),
        ("values", ctypes.c_uint64),
        ("debounce_period_us", ctypes.c_uint32),
    ]


class LineAttribute(ctypes.Structure):
    _fields_ = [("id", ctypes.c_uint32), ("padding", ctypes.c_uint32), ("value", AttributeValue)]


class ConfigAttribute(ctypes.Structure):
    _fields_ = [("attr", LineAttribute), ("mask", ctypes.c_uint64)]


class LineConfig(ctypes.Structure):
    _fields_ = [
        ("flags", ctypes.c_uint64),
        ("num_attrs", ctypes.c_uint32),
        ("padding", ctypes.c_uint32 * 5),
        ("attrs", ConfigAttribute * 10),
    ]


class LineRequest(ctypes.Structure):
    _fields_ = [
        ("offsets", ctypes.c_uint32 * 64),
        ("consumer", ctypes.c_char * 32),
        ("config", LineConfig),
        ("num_lines", ctypes.c_uint32),
        ("event_buffer_size", ctypes.c_uint32),
        ("padding", ctypes.c_uint32 * 5),
        ("fd", ctypes.c_int32),
    ]


class LineValues(ctypes.Structure):
    _fields_ = [("bits", ctypes.c_uint64), ("mask", ctypes.c_uint64)]


class LineInfo(ctypes.Structure):
    _fields_ = [
        ("name", ctypes.c_char * 32),
        ("consumer", ctypes.c_char * 32),
        ("offset", ctypes.c_uint32),
        ("num_attrs", ctypes.c_uint32),
        ("flags", ctypes.c_uint64),
        ("attrs", LineAttribute * 10),
        ("padding", ctypes.c_uint32 * 4),
    ]


class LineEvent(ctypes.Structure):
    _fields_ = [
        ("timestamp_ns", ctypes.c_uint64),
        ("id", ctypes.c_uint32),
        ("offset", ctypes.c_uint32),
        ("seqno", ctypes.c_uint32),
        ("line_seqno", ctypes.c_uint32),
        ("padding", ctypes.c_uint32 * 6),
    ]


READ, READ_WRITE = 2, 3
FLAG_USED, FLAG_ACTIVE_LOW, FLAG_INPUT, FLAG_OUTPUT = 1, 2, 4, 8
FLAG_EDGE_RISING, FLAG_EDGE_FALLING = 1 << 4, 1 << 5
FLAG_PULL_UP, FLAG_PULL_DOWN, FLAG_NO_BIAS = 1 << 8, 1 << 9, 1 << 10
EDGES = FLAG_EDGE_RISING | FLAG_EDGE_FALLING
BIASES = FLAG_PULL_UP | FLAG_PULL_DOWN | FLAG_NO_BIAS
RISING_EDGE, FALLING_EDGE = 1, 2
ATTR_OUTPUT_VALUES = 2
EVENTS_KEPT = 16  # for one line, where the request asks for no other number


def request_number(direction: int, nr: int, size: int) -> int:
    """_IOC of asm-generic/ioctl.h for the type 0xB4 of linux/gpio.h."""
    return direction << 30 | size << 16 | 0xB4 << 8 | nr


GET_CHIPINFO = request_number(READ, 0x01, ctypes.sizeof(ChipInfo))
GET_LINEINFO = request_number(READ_WRITE, 0x05, ctypes.sizeof(LineInfo))
GET_LINE = request_number(READ_WRITE, 0x07, ctypes.sizeof(LineRequest))
GET_VALUES = request_number(READ_WRITE, 0x0E, ctypes.sizeof(LineValues))
SET_VALUES = request_number(READ_WRITE, 0x0F, ctypes.sizeof(LineValues))


def identity(fd: int) -> tuple[int, int]:
    status = os.fstat(fd)
    return status.st_dev, status.st_ino


@dataclass
class FakeWire:
    """One line of a chip: its physical level, and who holds it how."""

    name: str = ""
    level: bool = False
    outside: bool | None = None  # what a switch joins it to; None: to nothing
    flags: int = 0
    is_output: bool = False
    active_low: bool = False
    consumer: str = ""
    held_as: tuple[int, tuple[int, int]] | None = None
    driven: list[bool] = field(default_factory=list)  # every level since it became an output
    events: tuple[int, int] | None = None  # the reading and the writing end of its queue
    seqno: int = 0

    @property
    def held(self) -> bool:
        if self.held_as is None:
            return False
        fd, its_identity = self.held_as
        try:
            return identity(fd) == its_identity
        except OSError:
            return False

    def drive(self, logical: bool) -> None:
        self.level = logical != self.active_low
        self.driven.append(self.level)

    def join(self, outside: bool | None, at_ns: int | None = None) -> int:
        """Join the line to a level, or to nothing; returns the stamp of it."""
        at_ns = time.monotonic_ns() if at_ns is None else at_ns
        before, self.outside = self.level, outside
        self.settle()
        if self.level != before:
            self._note_edge(at_ns)
        return at_ns

    def settle(self) -> None:
        """Take the level from outside, else from the bias; a floating line keeps what it had."""
        if self.outside is not None:
            self.level = self.outside
        elif self.flags & (FLAG_PULL_UP | FLAG_PULL_DOWN):
            self.level = bool(self.flags & FLAG_PULL_UP)

    def _note_edge(self, at_ns: int) -> None:
        active = self.level != self.active_low
        asked = self.flags & (FLAG_EDGE_RISING if active else FLAG_EDGE_FALLING)
        if not (self.held and asked and self.events):
            return
        reading, writing = self.events
        self.seqno += 1
        waiting = bytearray(4)
        fcntl.ioctl(reading, termios.FIONREAD, waiting)
        if int.from_bytes(waiting, "little") >= EVENTS_KEPT * ctypes.sizeof(LineEvent):
            os.read(reading, ctypes.sizeof(LineEvent))  # the oldest is lost
        kind = RISING_EDGE if active else FALLING_EDGE
        event = LineEvent(at_ns, kind, int(self.name[4:]), self.seqno, self.seqno)
        os.write(writing, bytes(event))


@dataclass
class FakeChip:
    path: str
    label: str
    wires: list[FakeWire]


class FakeKernel:
    """The GPIO part of a kernel, as far as we see it; strict about padding as the real one.

    What it refuses and with which error number, that edges are those of the active
    state, and that of too many events the oldest is lost, is from memory of the
    kernel's gpiolib-cdev; it has not been compared with a real chip.
    """

    def __init__(self, folder: str) -> None:
        self.folder = folder
        self.chips: dict[tuple[int, int], FakeChip] = {}
        self.requested: dict[tuple[int, int], FakeWire] = {}
        self.fail_with: dict[int, int] = {}  # request number: error number

    def add_chip(self, number: int, label: str = "pinctrl-bcm2711", lines: int = 58) -> FakeChip:
        path = f"{self.folder}/gpiochip{number}"
        fd = os.open(path, os.O_CREAT | os.O_RDWR)
        chip = FakeChip(path, label, [FakeWire(f"GPIO{offset}") for offset in range(lines)])
        self.chips[identity(fd)] = chip
        os.close(fd)
        return chip

    def close(self) -> None:
        for wire in (wire for chip in self.chips.values() for wire in chip.wires):
            for fd in wire.events or ():
                os.close(fd)
            wire.events = None

    def hold(self, wire: FakeWire, consumer: str) -> int:
        if wire.flags & EDGES:
            for fd in wire.events or ():
                os.close(fd)  # those of an owner before
            fd, writing = os.pipe2(os.O_CLOEXEC)
            wire.events = os.dup(fd), writing
        else:
            fd = os.memfd_create("line", os.MFD_CLOEXEC)
        wire.consumer, wire.held_as = consumer, (fd, identity(fd))
        self.requested[identity(fd)] = wire
        return fd

    def ioctl(self, fd: int, number: int, buffer: bytearray) -> int:
        if number in self.fail_with:
            error = self.fail_with[number]
            raise OSError(error, os.strerror(error))
        if len(buffer) != number >> 16 & 0x3FFF:
            raise AssertionError(f"request {number:#x} came with {len(buffer)} bytes")
        who = identity(fd)
        if who in self.chips:
            chip = self.chips[who]
            handler = {
                GET_CHIPINFO: self._chip_info,
                GET_LINEINFO: self._line_info,
                GET_LINE: self._get_line,
            }.get(number)
            if handler is not None:
                handler(chip, buffer)
                return 0
        elif who in self.requested:
            values = LineValues.from_buffer(buffer)
            self._values(self.requested[who], number, values)
            return 0
        else:
            raise OSError(errno.ENOTTY, os.strerror(errno.ENOTTY))
        raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))

    def _chip_info(self, chip: FakeChip, buffer: bytearray) -> None:
        info = ChipInfo.from_buffer(buffer)
        info.name = chip.path.rsplit("/", 1)[1].encode()
        info.label = chip.label.encode()
        info.lines = len(chip.wires)

    def _line_info(self, chip: FakeChip, buffer: bytearray) -> None:
        info = LineInfo.from_buffer(buffer)
        require(not any(info.padding) and info.offset < len(chip.wires), errno.EINVAL)
        wire = chip.wires[info.offset]
        info.name = wire.name.encode()
        info.consumer = wire.consumer.encode() if wire.held else b""
        info.flags = FLAG_USED if wire.held else 0

    def _get_line(self, chip: FakeChip, buffer: bytearray) -> None:
        request = LineRequest.from_buffer(buffer)
        config = request.config
        known = FLAG_ACTIVE_LOW | FLAG_INPUT | FLAG_OUTPUT | EDGES | BIASES
        require(request.num_lines == 1 and request.offsets[0] < len(chip.wires), errno.EINVAL)
        require(not any(request.padding) and not any(config.padding), errno.EINVAL)
        require(config.num_attrs <= 10 and config.flags & ~known == 0, errno.EINVAL)
        direction = config.flags & (FLAG_INPUT | FLAG_OUTPUT)
        require(direction != FLAG_INPUT | FLAG_OUTPUT, errno.EINVAL)
        require(not config.flags & EDGES or direction == FLAG_INPUT, errno.EINVAL)
        require((config.flags & BIASES).bit_count() <= bool(direction), errno.EINVAL)
        wire = chip.wires[request.offsets[0]]
        require(not wire.held, errno.EBUSY)
        initial = False  # the kernel's own default is the inactive level
        for attribute in config.attrs[: config.num_attrs]:
            require(attribute.attr.padding == 0, errno.EINVAL)
            if attribute.attr.id == ATTR_OUTPUT_VALUES and attribute.mask & 1:
                initial = bool(attribute.attr.value.values & 1)
        wire.active_low = bool(config.flags & FLAG_ACTIVE_LOW)
        wire.is_output = bool(config.flags & FLAG_OUTPUT)
        wire.flags, wire.seqno = config.flags, 0
        if wire.is_output:
            wire.driven.clear()
            wire.drive(initial)
        else:
            wire.settle()
        request.fd = self.hold(wire, request.consumer.decode())

    def _values(self, wire: FakeWire, number: int, values: LineValues) -> None:
        require(values.mask != 0, errno.EINVAL)
        if number == GET_VALUES:
            values.bits = int(wire.level != wire.active_low)
        elif number == SET_VALUES:
            require(wire.is_output, errno.EPERM)
            wire.drive(bool(values.bits & 1))
        else:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))


def require(condition: bool, error: int) -> None:
    if not condition:
        raise OSError(error, os.strerror(error))


@pytest.fixture
def kernel(tmp_path):
    folder = tmp_path / "dev"
    folder.mkdir()
    kernel = FakeKernel(str(folder))
    yield kernel
    kernel.close()


# ---------------------------------------------------------------- lamps


@dataclass
class LampBench:
    """A lamp, and the light itself, seen and worked past the lamp's back."""

    open: Callable[[], object]
    lit: Callable[[], bool]
    force: Callable[[bool], None]


def simulated_lamp(tmp_path, kernel) -> LampBench:
    line = SimulatedLine(tmp_path / "lamp.line")
    another_hand = SimulatedLine(tmp_path / "lamp.line")
    return LampBench(
        open=lambda: SimulatedLamp(line),
        lit=lambda: another_hand.level,
        force=another_hand.write,
    )


def gpio_lamp(active_high: bool):
    def make(tmp_path, kernel) -> LampBench:
        factory = MockFactory()
        pin = factory.pin(PIN)
        return LampBench(
            open=lambda: GpioLamp(PIN, active_high=active_high, pin_factory=factory),
            lit=lambda: pin.state == active_high,
            force=lambda lit: setattr(pin, "state", lit == active_high),
        )

    return make


def chip_lamp(active_high: bool):
    def make(tmp_path, kernel) -> LampBench:
        chip = kernel.add_chip(0)
        wire = chip.wires[PIN]
        wire.level = not active_high
        return LampBench(
            open=lambda: ChipLamp(
                PIN,
                active_high=active_high,
                ioctl=kernel.ioctl,
                device_folder=kernel.folder,
            ),
            lit=lambda: wire.level == active_high,
            force=lambda lit: setattr(wire, "level", lit == active_high),
        )

    return make


LAMPS = {
    "simulated": simulated_lamp,
    "gpio active high": gpio_lamp(True),
    "gpio active low": gpio_lamp(False),
    "chip active high": chip_lamp(True),
    "chip active low": chip_lamp(False),
}


@pytest.fixture(params=LAMPS)
def lamp_bench(request, tmp_path, kernel):
    return LAMPS[request.param](tmp_path, kernel)


# ---------------------------------------------------------------- pedals


@dataclass
class PedalBench:
    """A pedal and a foot."""

    pedal: object
    press: Callable[[], None]
    lift: Callable[[], None]


def simulated_pedal() -> PedalBench:
    pedal = SimulatedPedal()
    return PedalBench(pedal, pedal.press, pedal.lift)


def gpio_pedal(pull: str, active_high: bool | None, pressed_is_high: bool):
    def make() -> PedalBench:
        factory = MockFactory()
        pin = factory.pin(PIN)
        if not pressed_is_high:
            pin.drive_high()  # the board's own resistor holds it up at rest
        pedal = GpioPedal(PIN, pull=pull, active_high=active_high, pin_factory=factory)
        high, low = pin.drive_high, pin.drive_low
        return PedalBench(pedal, *((high, low) if pressed_is_high else (low, high)))

    return make


PEDALS = {
    "simulated": simulated_pedal,
    "gpio pull up": gpio_pedal("up", None, pressed_is_high=False),
    "gpio pull down": gpio_pedal("down", None, pressed_is_high=True),
    "gpio own resistor, pressed is high": gpio_pedal("none", True, pressed_is_high=True),
    "gpio own resistor, pressed is low": gpio_pedal("none", False, pressed_is_high=False),
}


@pytest.fixture(params=PEDALS)
def pedal_bench(request):
    bench = PEDALS[request.param]()
    yield bench
    bench.pedal.close()


# ---------------------------------------------------------------- the keeper's pedals


@dataclass
class PedalWireBench:
    """A pedal's wire to open, and a foot; ``press`` and ``lift`` return their stamps.

    ``open_under_a_foot`` opens the wire while the foot is down already.
    """

    open: Callable[[], object]
    press: Callable[[], int]
    lift: Callable[[], int]
    open_under_a_foot: Callable[[], object]


@contextmanager
def simulated_pedal_wire(tmp_path, kernel):
    path = tmp_path / "pedal.line"
    # A wire of the bench's own, which reads nothing, keeps the foot in reach throughout.
    with closing(SimulatedPedalWire(path)), closing(SimulatedFoot(path)) as foot:

        def open_under_a_foot():
            foot.press()
            return SimulatedPedalWire(path)

        yield PedalWireBench(
            lambda: SimulatedPedalWire(path), foot.press, foot.lift, open_under_a_foot
        )


def chip_pedal(pull: str, pressed_is_high: bool):
    @contextmanager
    def make(tmp_path, kernel):
        wire = kernel.add_chip(0).wires[PIN]
        # Without a pull of the chip's, the board has a resistor of its own.
        at_rest = None if pull != "none" else not pressed_is_high

        def open_wire():
            return ChipPedal(PIN, pull=pull, ioctl=kernel.ioctl, device_folder=kernel.folder)

        def open_under_a_foot():
            wire.join(pressed_is_high)
            return open_wire()

        wire.join(at_rest)
        yield PedalWireBench(
            open_wire,
            lambda: wire.join(pressed_is_high),
            lambda: wire.join(at_rest),
            open_under_a_foot,
        )

    return make


PEDAL_WIRES = {
    "simulated": simulated_pedal_wire,
    "chip pull up": chip_pedal("up", pressed_is_high=False),
    "chip pull down": chip_pedal("down", pressed_is_high=True),
    "chip own resistor": chip_pedal("none", pressed_is_high=False),
}


@pytest.fixture(params=PEDAL_WIRES)
def pedal_wire_bench(request, tmp_path, kernel):
    with PEDAL_WIRES[request.param](tmp_path, kernel) as bench:
        yield bench


# ---------------------------------------------------------------- senses


@dataclass
class SenseBench:
    """A sense contact to open, the light that it sees, and a way to make it unreadable."""

    open: Callable[[], object]
    light: Callable[[bool], object]
    spoil: Callable[[], object]


def simulated_sense(tmp_path, kernel) -> SenseBench:
    line = SimulatedLine(tmp_path / "lamp.line")
    return SenseBench(
        open=lambda: SimulatedSense(line.path),
        light=line.write,
        spoil=lambda: os.truncate(line.path, 7),
    )


def chip_sense(active_high: bool):
    def make(tmp_path, kernel) -> SenseBench:
        wire = kernel.add_chip(0).wires[PIN]
        return SenseBench(
            open=lambda: ChipSense(
                PIN, active_high=active_high, ioctl=kernel.ioctl, device_folder=kernel.folder
            ),
            light=lambda lit: wire.join(active_high if lit else None),
            spoil=lambda: kernel.fail_with.update({GET_VALUES: errno.EIO}),
        )

    return make


SENSES = {
    "simulated": simulated_sense,
    "chip, contact to 3.3 V": chip_sense(True),
    "chip, contact to ground": chip_sense(False),
}


@pytest.fixture(params=SENSES)
def sense_bench(request, tmp_path, kernel):
    return SENSES[request.param](tmp_path, kernel)


# ---------------------------------------------------------------- sounders


class HeardPin(MockPWMPin):
    """A pin that lets a listener wait for a pitch instead of sleeping."""

    def __init__(self, factory, info):
        super().__init__(factory, info)
        self.changed = threading.Condition()
        self.pitches = []

    def _set_frequency(self, value):
        super()._set_frequency(value)
        with self.changed:
            if not self.pitches or self.pitches[-1] != value:
                self.pitches.append(value)
            self.changed.notify_all()

    def hear(self, condition: Callable[[], bool]) -> bool:
        with self.changed:
            return self.changed.wait_for(condition, timeout=30)


@dataclass
class SounderBench:
    """A sounder and an ear. ``soon`` waits for a pitch, ``now`` is what sounds already."""

    sounder: object
    now: Callable[[], float | None]
    soon: Callable[[Callable[[float | None], bool]], bool]


def simulated_sounder() -> SounderBench:
    sounder = SimulatedSounder(time.monotonic_ns)
    return SounderBench(
        sounder,
        now=lambda: sounder.sounding,
        soon=lambda expected: expected(sounder.sounding),
    )


def gpio_sounder() -> SounderBench:
    factory = MockFactory(pin_class=HeardPin)
    pin = factory.pin(PIN)
    sounder = GpioSounder(PIN, pin_factory=factory)
    return SounderBench(
        sounder,
        now=lambda: pin.frequency,
        soon=lambda expected: pin.hear(lambda: expected(pin.frequency)),
    )


SOUNDERS = {"simulated": simulated_sounder, "gpio": gpio_sounder}


@pytest.fixture(params=SOUNDERS)
def sounder_bench(request):
    bench = SOUNDERS[request.param]()
    yield bench
    bench.sounder.close()


@pytest.fixture
def heard_pin():
    return HeardPin
