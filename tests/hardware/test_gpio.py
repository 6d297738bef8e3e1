"""What is particular to the gpiozero devices. The pins are gpiozero's mock pins."""

import runpy
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import pytest
from gpiozero import Device, exc
from gpiozero.pins.mock import MockFactory, MockPin
from hypothesis import given, settings
from hypothesis import strategies as st

from hardware import gpio
from hardware.errors import HardwareError
from hardware.gpio import GpioLamp, GpioPedal, GpioSounder, make_factory
from hardware.interface import Note

PIN = 17
NS_PER_SECOND = 1_000_000_000
A_HUNDRED_DAYS_NS = 100 * 86_400 * NS_PER_SECOND


def refusal(action) -> str:
    with pytest.raises(HardwareError) as refused:
        action()
    message = str(refused.value)
    assert ": " in message, "a message also says what to do"
    assert "\n" not in message
    return message


# ---------------------------------------------------------------- stamps


@pytest.fixture
def watched():
    """A pedal's pin, and the edges that its watcher was told of."""
    factory = MockFactory()
    pedal = GpioPedal(PIN, pin_factory=factory)
    edges = []
    pedal.watch(edges.append)
    yield factory.pin(PIN), edges
    pedal.close()


@settings(deadline=None)
@given(at_ns=st.integers(min_value=0, max_value=A_HUNDRED_DAYS_NS))
def test_the_kernels_stamp_survives_to_the_nanosecond(at_ns):
    # What gpiozero's LGPIOPin does (read in gpiozero 2.0.1, pins/lgpio.py): the kernel's
    # nanoseconds, divided by 1e9, are handed to the pin's `when_changed`.
    factory = MockFactory()
    pedal = GpioPedal(PIN, pin_factory=factory)
    edges = []
    pedal.watch(edges.append)
    now_ns = time.monotonic_ns()
    at_ns = min(at_ns, now_ns)
    factory.pin(PIN).when_changed(at_ns / 1_000_000_000, False)
    assert edges[0].at_ns == pytest.approx(at_ns, abs=1)
    pedal.close()


def test_a_late_delivery_does_not_move_the_stamp(watched):
    pin, edges = watched
    a_minute_ago_ns = time.monotonic_ns() - 60 * NS_PER_SECOND
    pin.when_changed(a_minute_ago_ns / 1_000_000_000, False)
    assert edges[0].at_ns == pytest.approx(a_minute_ago_ns, abs=8)


def test_a_stamp_by_the_time_of_day_is_replaced_by_now(watched):
    pin, edges = watched
    before = time.monotonic_ns()
    pin.when_changed(time.time(), False)
    assert before <= edges[0].at_ns <= time.monotonic_ns()


def test_two_edges_that_report_the_same_level_are_both_delivered(watched):
    # An interrupt that is read late reports the level of now: two edges may look alike.
    pin, edges = watched
    pin.when_changed(time.monotonic(), False)
    pin.when_changed(time.monotonic(), False)
    assert [edge.down for edge in edges] == [True, True]


def test_a_factory_with_another_clock_is_refused():
    class Microseconds(MockFactory):
        @staticmethod
        def ticks():
            return 123456

    message = refusal(lambda: GpioPedal(PIN, pin_factory=Microseconds()))
    assert message == (
        "the pedal on GPIO 17 can't be stamped, Microseconds has another clock: use lgpio."
    )


def test_no_debouncing_is_asked_of_the_pin(watched):
    pin, _ = watched
    assert pin.bounce is None
    assert pin.edges == "both"


def test_an_edge_that_was_under_way_at_close_is_not_told():
    factory = MockFactory()
    pedal = GpioPedal(PIN, pin_factory=factory)
    edges = []
    pedal.watch(edges.append)
    under_way = factory.pin(PIN).when_changed
    pedal.close()
    under_way(time.monotonic(), False)
    assert edges == []


def test_closing_ends_the_edge_detection_of_a_pin_that_does_not_end_it_itself():
    # As gpiozero 2.0.1's lgpio pin, whose close only makes it an input again.
    class Lingering(MockPin):
        def close(self):
            self.function = "input"

    factory = MockFactory(pin_class=Lingering)
    pedal = GpioPedal(PIN, pin_factory=factory)
    pin = factory.pin(PIN)
    assert pin.when_changed is not None
    pedal.close()
    assert pin.when_changed is None


# ---------------------------------------------------------------- pins and wiring


@pytest.mark.parametrize("device", [GpioLamp, GpioPedal, GpioSounder])
@pytest.mark.parametrize("pin", [-1, 28, 54, True, "17"])
def test_numbers_that_are_no_pin_are_refused(device, pin):
    message = refusal(lambda: device(pin, pin_factory=MockFactory()))
    assert message.endswith(f"can't be on pin {pin!r}: give a BCM number from 0 to 27.")


@pytest.mark.parametrize("pin", [0, 27])
def test_the_first_and_the_last_pin_can_be_used(pin):
    GpioLamp(pin, pin_factory=MockFactory()).close()


def test_two_devices_can_not_share_a_pin():
    factory = MockFactory()
    lamp = GpioLamp(PIN, pin_factory=factory)
    message = refusal(lambda: GpioPedal(PIN, pin_factory=factory))
    assert message == (
        "the pedal on GPIO 17 can't be opened, its pin is in use here: "
        "give each device its own pin."
    )
    lamp.close()


def test_a_closed_device_frees_its_pin():
    factory = MockFactory()
    GpioLamp(PIN, pin_factory=factory).close()
    GpioPedal(PIN, pin_factory=factory).close()
    lamp = GpioLamp(PIN, pin_factory=factory)
    assert not lamp.is_on
    lamp.close()


def test_a_pin_with_a_resistor_on_the_board_can_not_be_pulled_the_other_way():
    # GPIO 2 and 3 have pull-ups on the board (gpiozero's own data of the header).
    message = refusal(lambda: GpioPedal(2, pull="down", pin_factory=MockFactory()))
    assert message == (
        "the pedal on GPIO 2 can't be pulled so, its pin has a resistor on the board: "
        "use another pin."
    )


@pytest.mark.parametrize(
    ("pull", "active_high"), [("none", None), ("up", True), ("up", False), ("down", True)]
)
def test_a_pedals_active_level_is_given_just_where_no_pull_says_it(pull, active_high):
    message = refusal(
        lambda: GpioPedal(PIN, pull=pull, active_high=active_high, pin_factory=MockFactory())
    )
    assert message.endswith("give active_high with pull none, and only then.")


def test_an_unknown_pull_is_refused():
    message = refusal(lambda: GpioPedal(PIN, pull="sideways", pin_factory=MockFactory()))
    assert message == "the pedal on GPIO 17 has pull 'sideways': write up, down or none."


def test_gpiozeros_global_factory_is_left_alone(monkeypatch):
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "mock")
    gpio._shared_factory.cache_clear()
    GpioLamp(PIN).close()
    assert Device.pin_factory is None
    gpio._shared_factory.cache_clear()


class BrokenPin(MockPin):
    """A pin that works until it is told to fail as a pin library does."""

    failure = None

    def _set_state(self, value):
        if self.failure is not None:
            raise self.failure
        super()._set_state(value)

    def _get_state(self):
        if self.failure is not None:
            raise self.failure
        return super()._get_state()


@pytest.mark.parametrize(
    ("failure", "sentence"),
    [
        (
            RuntimeError("GPIO busy"),
            "the lamp on GPIO 17 is held by another program: stop that program, "
            "or choose another pin.",
        ),
        (
            PermissionError(13, "Permission denied"),
            "the lamp on GPIO 17 may not be used by this user: add the user to group gpio "
            "('sudo usermod -aG gpio USER') and log in again.",
        ),
        (
            RuntimeError("bad handle"),
            "the lamp on GPIO 17 failed (bad handle): check its pin and its wiring, "
            "then restart the controller.",
        ),
    ],
)
@pytest.mark.parametrize("use", ["on", "off", "is_on"])
def test_a_lamp_that_fails_in_use_says_so_in_a_sentence(failure, sentence, use):
    factory = MockFactory(pin_class=BrokenPin)
    lamp = GpioLamp(PIN, pin_factory=factory)
    factory.pin(PIN).failure = failure
    assert refusal(lambda: lamp.is_on if use == "is_on" else getattr(lamp, use)()) == sentence
    factory.pin(PIN).failure = None
    lamp.close()


def test_a_lamp_that_can_not_be_switched_off_is_let_go_of_all_the_same():
    factory = MockFactory(pin_class=BrokenPin)
    lamp = GpioLamp(PIN, pin_factory=factory)
    factory.pin(PIN).failure = RuntimeError("bad handle")
    assert "failed (bad handle)" in refusal(lamp.close)
    factory.pin(PIN).failure = None
    GpioLamp(PIN, pin_factory=factory).close()


# ---------------------------------------------------------------- sounds


def test_notes_are_heard_in_their_order(heard_pin):
    factory = MockFactory(pin_class=heard_pin)
    pin = factory.pin(PIN)
    sounder = GpioSounder(PIN, pin_factory=factory)
    pin.pitches.clear()
    sounder.play([Note(440.0, 0.002), Note(None, 0.002), Note(880.0, 0.002), Note(660.0, 0.002)])
    assert pin.hear(lambda: len(pin.pitches) == 5)
    assert pin.pitches == [440.0, None, 880.0, 660.0, None]
    sounder.close()


@pytest.mark.parametrize(
    ("asked", "heard"),
    [
        (27.5, 27.5),  # A0 and A8, the ends of the range
        (7040.0, 7040.0),
        (20.0, 40.0),
        (5.0, 40.0),
        (8000.0, 4000.0),
        (30000.0, 3750.0),
        (100.0, 100.0),  # gpiozero would take a bare 100 for a MIDI note
    ],
)
def test_pitches_out_of_range_are_moved_by_octaves(heard_pin, asked, heard):
    factory = MockFactory(pin_class=heard_pin)
    pin = factory.pin(PIN)
    sounder = GpioSounder(PIN, pin_factory=factory)
    sounder.play([Note(asked, 3600.0)])
    assert pin.hear(lambda: pin.frequency is not None)
    assert pin.frequency == pytest.approx(heard)
    sounder.close()


@pytest.mark.parametrize("hertz", [0.0, -440.0, float("nan"), float("inf")])
def test_a_pitch_that_is_none_is_a_rest(heard_pin, hertz):
    factory = MockFactory(pin_class=heard_pin)
    pin = factory.pin(PIN)
    sounder = GpioSounder(PIN, pin_factory=factory)
    pin.pitches.clear()
    sounder.play([Note(hertz, 0.0), Note(440.0, 3600.0)])
    assert pin.hear(lambda: pin.frequency == 440.0)
    assert [pitch for pitch in pin.pitches if pitch is not None] == [440.0]
    sounder.close()


def test_a_note_that_is_about_to_start_is_not_heard_after_silence(heard_pin):
    factory = MockFactory(pin_class=heard_pin)
    pin = factory.pin(PIN)
    sounder = GpioSounder(PIN, pin_factory=factory)

    class SilencedAtTheLastInstant:
        hertz = 880.0

        @property
        def seconds(self):
            sounder.silence()
            return 3600.0

    sounder.play([Note(440.0, 0.0), SilencedAtTheLastInstant(), Note(770.0, 3600.0)])
    assert pin.hear(lambda: 440.0 in pin.pitches and pin.frequency is None)
    sounder.play([Note(660.0, 3600.0)])
    assert pin.hear(lambda: pin.frequency == 660.0)
    assert 880.0 not in pin.pitches
    assert 770.0 not in pin.pitches
    sounder.close()


def test_a_buzzer_that_fails_once_is_logged_and_sounds_again(heard_pin, caplog):
    class Stumbling(heard_pin):
        def _set_frequency(self, value):
            if value == 440.0:
                raise RuntimeError("the buzzer stumbled")
            super()._set_frequency(value)

    factory = MockFactory(pin_class=Stumbling)
    pin = factory.pin(PIN)
    sounder = GpioSounder(PIN, pin_factory=factory)
    sounder.play([Note(330.0, 0.0), Note(440.0, 3600.0)])
    assert pin.hear(lambda: 330.0 in pin.pitches and pin.frequency is None)
    sounder.play([Note(880.0, 3600.0)])
    assert pin.hear(lambda: pin.frequency == 880.0)
    assert "the buzzer stumbled" in caplog.text
    sounder.close()


def test_a_pin_without_tones_is_refused():
    message = refusal(lambda: GpioSounder(PIN, pin_factory=MockFactory(pin_class=MockPin)))
    assert message == "the sounder on GPIO 17 can't make tones with this pin factory: use lgpio."


# ---------------------------------------------------------------- factories


def stand_in(monkeypatch, name, class_name, failure=None):
    """Put a factory in the place of gpiozero's own, which works or fails as told."""

    def make():
        if failure is not None:
            raise failure
        return f"a factory of {name}"

    module = SimpleNamespace(**{class_name: make})
    monkeypatch.setitem(sys.modules, f"gpiozero.pins.{name}", module)


def lgpio(monkeypatch, failure=None):
    stand_in(monkeypatch, "lgpio", "LGPIOFactory", failure)


def rpigpio(monkeypatch, failure=None):
    stand_in(monkeypatch, "rpigpio", "RPiGPIOFactory", failure)


def missing(package):
    return ModuleNotFoundError(f"No module named {package!r}", name=package)


@pytest.fixture(autouse=True)
def no_factory_from_outside(monkeypatch):
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)


def test_the_mock_factory_serves_lamp_pedal_and_sounder():
    factory = make_factory("mock")
    for device in (
        GpioLamp(17, pin_factory=factory),
        GpioPedal(27, pin_factory=factory),
        GpioSounder(22, pin_factory=factory),
    ):
        device.close()
    assert isinstance(factory, MockFactory)


@pytest.mark.parametrize("name", ["lgpio", "rpigpio", "LGPIO"])
def test_a_factory_is_made_by_its_name(monkeypatch, name):
    lgpio(monkeypatch)
    rpigpio(monkeypatch)
    assert make_factory(name) == f"a factory of {name.lower()}"


def test_lgpio_is_the_first_choice(monkeypatch):
    lgpio(monkeypatch)
    rpigpio(monkeypatch)
    assert make_factory(None) == "a factory of lgpio"


def test_the_older_library_is_the_second_choice(monkeypatch):
    lgpio(monkeypatch, missing("lgpio"))
    rpigpio(monkeypatch)
    assert make_factory(None) == "a factory of rpigpio"


def test_gpiozeros_own_variable_decides_where_nothing_is_named(monkeypatch):
    lgpio(monkeypatch)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "mock")
    assert isinstance(make_factory(None), MockFactory)
    assert make_factory("lgpio") == "a factory of lgpio"


def test_a_missing_package_names_its_extra(monkeypatch):
    lgpio(monkeypatch, missing("lgpio"))
    rpigpio(monkeypatch, missing("RPi"))
    assert refusal(lambda: make_factory("lgpio")) == (
        "the package lgpio is missing for the pin factory lgpio: "
        "install it with: pip install gpiozero lgpio"
    )
    assert refusal(lambda: make_factory("rpigpio")) == (
        "the package RPi.GPIO is missing for the pin factory rpigpio: "
        "install it with: pip install gpiozero RPi.GPIO"
    )
    assert "pip install gpiozero lgpio" in refusal(lambda: make_factory(None))


def test_a_library_that_is_there_and_fails_says_more_than_one_that_is_missing(monkeypatch):
    lgpio(monkeypatch, missing("lgpio"))
    rpigpio(monkeypatch, RuntimeError("No access to /dev/mem.  Try running as root!"))
    message = refusal(lambda: make_factory(None))
    assert message == (
        "this user may not open the Pi's pins with the pin factory rpigpio: add the user to "
        "group gpio ('sudo usermod -aG gpio USER') and log in again."
    )


@pytest.mark.parametrize(
    "failure",
    [
        exc.PinUnknownPi("unable to locate Pi revision"),
        RuntimeError("This module can only be run on a Raspberry Pi!"),
    ],
)
def test_another_computer_is_sent_to_the_simulated_devices(monkeypatch, failure):
    lgpio(monkeypatch, failure)
    assert refusal(lambda: make_factory("lgpio")) == (
        "the pin factory lgpio does not find a Raspberry Pi here: run on a Pi, "
        "or take the simulated devices."
    )


@pytest.mark.parametrize(
    ("chips", "sentence"),
    [
        ([], "finds no /dev/gpiochip here: run on a Pi"),
        ([Path("/dev/gpiochip0")], "this user may not open the Pi's pins"),
    ],
)
def test_a_chip_that_can_not_be_opened_is_missing_or_forbidden(monkeypatch, chips, sentence):
    # The words are lgpio 0.2.2's, seen on a computer without a chip.
    lgpio(monkeypatch, RuntimeError("'can not open gpiochip'"))
    monkeypatch.setattr(gpio, "_chips", lambda: chips)
    assert sentence in refusal(lambda: make_factory("lgpio"))


def test_a_working_folder_that_lgpio_can_not_write_to(monkeypatch):
    lgpio(monkeypatch, FileNotFoundError(2, "No such file or directory", ".lgd-nfy0"))
    assert "set the environment variable LG_WD" in refusal(lambda: make_factory("lgpio"))


def test_any_other_failure_is_a_sentence_too(monkeypatch):
    lgpio(monkeypatch, RuntimeError("something odd"))
    assert refusal(lambda: make_factory("lgpio")) == (
        "the pin factory lgpio can't be opened (something odd): "
        "try another one in the configuration."
    )


def test_an_unknown_factory_is_refused():
    assert refusal(lambda: make_factory("abacus")) == (
        "there is no pin factory 'abacus': write lgpio, rpigpio or mock in the configuration."
    )


def test_without_gpiozero_the_extra_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "gpiozero", None)
    message = refusal(lambda: runpy.run_path(gpio.__file__))
    assert message == (
        "the package gpiozero is missing for the Pi's pins: "
        "install it with: pip install gpiozero lgpio"
    )
