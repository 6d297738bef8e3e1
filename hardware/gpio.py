"""Lamp, pedal and sounder on a Raspberry Pi's pins, through gpiozero.

Pins have their BCM numbers, 0 to 27. The pin factory is handed in; gpiozero's own
global one is never set. Needs the extra ``gpio`` (or ``gpio-older``); importing
this module without gpiozero raises HardwareError.
"""

import logging
import math
import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Literal

from hardware.errors import HardwareError
from hardware.interface import Note, PedalEdge

_INSTALL = "install it with: pip install gpiozero lgpio"
_INSTALL_OLDER = "install it with: pip install gpiozero RPi.GPIO"

try:
    from gpiozero import DigitalOutputDevice, InputDevice, TonalBuzzer, exc
    from gpiozero.tones import Tone
except ModuleNotFoundError as _error:
    raise HardwareError(
        f"the package gpiozero is missing for the Pi's pins: {_INSTALL}"
    ) from _error

_log = logging.getLogger(__name__)

HIGHEST_PIN = 27
_NS_PER_SECOND = 1_000_000_000
_JOIN_GROUP = "add the user to group gpio ('sudo usermod -aG gpio USER') and log in again"

# name: (module, class, the package below it, how to install)
_FACTORIES = {
    "lgpio": ("gpiozero.pins.lgpio", "LGPIOFactory", "lgpio", _INSTALL),
    "rpigpio": ("gpiozero.pins.rpigpio", "RPiGPIOFactory", "RPi.GPIO", _INSTALL_OLDER),
}


class _MissingPackageError(HardwareError):
    """Raised when the library of a pin factory is not installed."""


def make_factory(name: str | None = None) -> object:
    """Return a gpiozero pin factory: "lgpio", "rpigpio" or "mock".

    None chooses as gpiozero does: the factory that GPIOZERO_PIN_FACTORY in the
    environment names, or else the first of lgpio and rpigpio that works.
    (gpiozero would then try two more; they do not stamp edges on the clock that
    a pedal needs.) Raises HardwareError where there is none.
    """
    name = name or os.environ.get("GPIOZERO_PIN_FACTORY")
    if name is not None:
        return _make_named(name.lower())
    failures: list[HardwareError] = []
    for candidate in _FACTORIES:
        try:
            return _make_named(candidate)
        except HardwareError as error:
            failures.append(error)
    # A library that is installed and fails says more than one that isn't there.
    failures.sort(key=lambda failure: isinstance(failure, _MissingPackageError))
    raise failures[0]


def _make_named(name: str) -> object:
    if name == "mock":
        from gpiozero.pins.mock import MockFactory, MockPWMPin  # noqa: PLC0415 - for trials only

        factory: object = MockFactory(pin_class=MockPWMPin)
        return factory
    if name not in _FACTORIES:
        raise HardwareError(
            f"there is no pin factory {name!r}: write lgpio, rpigpio or mock in the configuration."
        )
    module, class_name, package, install = _FACTORIES[name]
    try:
        factory = getattr(import_module(module), class_name)()
    except ModuleNotFoundError as error:
        raise _MissingPackageError(
            f"the package {package} is missing for the pin factory {name}: {install}"
        ) from error
    except Exception as error:
        raise HardwareError(_factory_sentence(name, error)) from error
    return factory


def _factory_sentence(name: str, error: Exception) -> str:
    text = str(error)
    if isinstance(error, exc.PinUnknownPi) or "only be run on a Raspberry Pi" in text:
        return (
            f"the pin factory {name} does not find a Raspberry Pi here: run on a Pi, "
            "or take the simulated devices."
        )
    if "can not open gpiochip" in text and not _chips():
        return (
            f"the pin factory {name} finds no /dev/gpiochip here: run on a Pi, "
            "or take the simulated devices."
        )
    if "can not open gpiochip" in text or _is_permission(error):
        return f"this user may not open the Pi's pins with the pin factory {name}: {_JOIN_GROUP}."
    if isinstance(error, OSError) and ".lgd-nfy" in text:
        return (
            "lgpio can't make its file .lgd-nfy in the working folder: set the environment "
            "variable LG_WD to a folder that this user may write to."
        )
    return f"the pin factory {name} can't be opened ({text}): try another one in the configuration."


def _chips() -> list[Path]:
    return list(Path("/dev").glob("gpiochip*"))


def _is_permission(error: Exception) -> bool:
    text = str(error).lower()
    return isinstance(error, PermissionError) or any(
        sign in text for sign in ("permission", "not permitted", "no access to /dev")
    )


@cache
def _shared_factory() -> object:
    return make_factory(None)


def _pin_and_factory(what: str, pin: int, pin_factory: object | None) -> object:
    if isinstance(pin, bool) or not isinstance(pin, int) or not 0 <= pin <= HIGHEST_PIN:
        raise HardwareError(
            f"{what} can't be on pin {pin!r}: give a BCM number from 0 to {HIGHEST_PIN}."
        )
    # gpiozero would set its global factory if it were given none.
    return _shared_factory() if pin_factory is None else pin_factory


@contextmanager
def _sentences(where: str) -> Iterator[None]:
    """Turn whatever gpiozero and the libraries below it raise into one sentence."""
    try:
        yield
    except HardwareError:
        raise
    except Exception as error:
        raise HardwareError(_pin_sentence(where, error)) from error


def _pin_sentence(where: str, error: Exception) -> str:
    if isinstance(error, exc.GPIOPinInUse):
        return f"{where} can't be opened, its pin is in use here: give each device its own pin."
    if isinstance(error, exc.PinFixedPull):
        return f"{where} can't be pulled so, its pin has a resistor on the board: use another pin."
    if isinstance(error, exc.PinPWMError):
        return f"{where} can't make tones with this pin factory: use lgpio."
    if "busy" in str(error).lower():
        return f"{where} is held by another program: stop that program, or choose another pin."
    if _is_permission(error):
        return f"{where} may not be used by this user: {_JOIN_GROUP}."
    return f"{where} failed ({error}): check its pin and its wiring, then restart the controller."


class GpioLamp:
    """A Lamp on pin ``pin``, off from its opening.

    ``active_high`` False is for a switching device that is on at a low level.
    With lgpio gpiozero claims the line before it writes the level, so that such
    a device may be on for an instant at opening; ``hardware.chip.ChipLamp`` has
    no such blip. Raises HardwareError.
    """

    def __init__(
        self, pin: int, *, active_high: bool = True, pin_factory: object | None = None
    ) -> None:
        factory = _pin_and_factory("the lamp", pin, pin_factory)
        self._where = f"the lamp on GPIO {pin}"
        self._closed = False
        with _sentences(self._where):
            self._device = DigitalOutputDevice(
                pin, active_high=active_high, initial_value=False, pin_factory=factory
            )

    def on(self) -> None:
        """Switch on; raises HardwareError where the pin refuses or the lamp is closed."""
        self._check_open()
        with _sentences(self._where):
            self._device.on()

    def off(self) -> None:
        """Switch off; raises HardwareError where the pin refuses or the lamp is closed."""
        self._check_open()
        with _sentences(self._where):
            self._device.off()

    @property
    def is_on(self) -> bool:
        """The level that is read back from the pin now."""
        self._check_open()
        with _sentences(self._where):
            return bool(self._device.is_active)

    def close(self) -> None:
        """Switch off and let go of the pin; a second call does nothing."""
        if self._closed:
            return
        try:
            self.off()
        finally:
            self._closed = True
            with _sentences(self._where):
                self._device.close()

    def _check_open(self) -> None:
        if self._closed:
            raise HardwareError(f"{self._where} was closed: open it again before using it.")


class GpioPedal:
    """A Pedal on pin ``pin``: every edge, not debounced, with the edge's own stamp.

    ``pull`` "up" is for a switch to ground, "down" for a switch to 3.3 V; with
    "none" the board has a resistor of its own, and ``active_high`` says whether
    the pin is high while the pedal is down.

    With lgpio the stamp is the kernel's own, taken in the interrupt, and no edge
    is lost. With rpigpio it is taken when the edge is handed to us, a little later,
    and the level is read then: of two edges that follow one another closely
    both may have the second one's level. Raises HardwareError.
    """

    # The hook is the pin's documented `when_changed`, which hands over (ticks, state) for
    # each edge. The events of gpiozero's devices give no stamp, and drop an edge that does
    # not change the state that they remember.

    def __init__(
        self,
        pin: int,
        *,
        pull: Literal["up", "down", "none"] = "up",
        active_high: bool | None = None,
        pin_factory: object | None = None,
    ) -> None:
        factory = _pin_and_factory("the pedal", pin, pin_factory)
        self._where = f"the pedal on GPIO {pin}"
        if pull not in ("up", "down", "none"):
            raise HardwareError(f"{self._where} has pull {pull!r}: write up, down or none.")
        if (pull == "none") != (active_high is not None):
            raise HardwareError(
                f"{self._where} has pull {pull!r} and active_high {active_high!r}: "
                "give active_high with pull none, and only then."
            )
        self._active_high = pull == "down" if active_high is None else active_high
        self._watchers: tuple[Callable[[PedalEdge], None], ...] = ()
        self._closed = False
        _check_ticks(factory, self._where)
        with _sentences(self._where):
            self._device = InputDevice(
                pin,
                pull_up={"up": True, "down": False, "none": None}[pull],
                active_state=active_high,
                pin_factory=factory,
            )
            try:
                self._device.pin.bounce = None
                self._device.pin.edges = "both"
                self._device.pin.when_changed = self._changed
            except BaseException:
                self._device.close()
                raise

    def watch(self, on_edge: Callable[[PedalEdge], None]) -> None:
        """Call ``on_edge`` at every edge from now on, in the pin library's thread.

        Watchers are called in the order in which they came; one that raises is
        logged and the others are told.
        """
        self._check_open()
        self._watchers = (*self._watchers, on_edge)

    @property
    def is_down(self) -> bool:
        """Whether the switch is pressed now."""
        self._check_open()
        with _sentences(self._where):
            return bool(self._device.is_active)

    def close(self) -> None:
        """Let go of the switch; no more edges come, and a second call does nothing."""
        if self._closed:
            return
        self._closed = True
        self._watchers = ()
        with _sentences(self._where):
            try:
                self._device.pin.when_changed = None
            finally:
                self._device.close()

    def _check_open(self) -> None:
        if self._closed:
            raise HardwareError(f"{self._where} was closed: open it again before using it.")

    def _changed(self, ticks: float, state: float) -> None:
        edge = PedalEdge(down=bool(state) == self._active_high, at_ns=_stamp_ns(ticks))
        for on_edge in self._watchers:
            # An error that escaped would end the pin library's thread, and with it the pedal.
            try:
                on_edge(edge)
            except Exception:
                _log.exception("a watcher of %s failed at %s", self._where, edge)


def _check_ticks(factory: object, where: str) -> None:
    """Refuse a factory whose ticks are not seconds of this machine's monotonic clock."""
    with _sentences(where):
        before = time.monotonic()
        ticks = factory.ticks()  # type: ignore[attr-defined]
        after = time.monotonic()
    if not (isinstance(ticks, float) and before <= ticks <= after):
        raise HardwareError(
            f"{where} can't be stamped, {type(factory).__name__} has another clock: use lgpio."
        )


def _stamp_ns(ticks: float) -> int:
    """Return ticks in seconds as nanoseconds; exact to 1 ns for the first 100 days of uptime.

    A stamp never lies ahead of now. Kernels before 5.7 stamp edges with the time of
    day (from memory); there, the best stamp to be had is now.
    """
    return min(round(ticks * _NS_PER_SECOND), time.monotonic_ns())


_OCTAVES_EACH_WAY = 4  # round A4: the widest range that gpiozero can name, 27.5 to 7040 Hz
_LOWEST_HERTZ, _HIGHEST_HERTZ = 440 / 2**_OCTAVES_EACH_WAY, 440 * 2**_OCTAVES_EACH_WAY


class GpioSounder:
    """A Sounder on a piezo buzzer without an oscillator of its own, at pin ``pin``.

    Sounds come from a thread of their own. A pitch outside 27.5 to 7040 Hz is
    moved by whole octaves until it fits; one that is no positive number is a rest.
    A buzzer that fails while it sounds is logged and stays silent. Raises HardwareError.
    """

    def __init__(self, pin: int, *, pin_factory: object | None = None) -> None:
        factory = _pin_and_factory("the sounder", pin, pin_factory)
        self._where = f"the sounder on GPIO {pin}"
        self._lock = threading.Lock()
        self._order = threading.Event()  # set at each new order, which cuts short the last
        self._waiting: tuple[Note, ...] = ()
        self._closed = False
        with _sentences(self._where):
            self._buzzer = TonalBuzzer(pin, octaves=_OCTAVES_EACH_WAY, pin_factory=factory)
        self._thread = threading.Thread(target=self._run, name="sounder", daemon=True)
        self._thread.start()

    def play(self, notes: Sequence[Note]) -> None:
        """Start the sound at once and return; raises HardwareError where it is closed."""
        self._check_open()
        with self._lock:
            self._waiting = tuple(notes)
            self._order.set()

    def silence(self) -> None:
        """Stop whatever sounds before returning; raises HardwareError where it is closed."""
        self._check_open()
        with self._lock, _sentences(self._where):
            self._waiting = ()
            self._order.set()
            self._buzzer.stop()

    def close(self) -> None:
        """Fall silent and let go of the pin; a second call does nothing."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            self._order.set()
        self._thread.join()
        with _sentences(self._where):
            try:
                self._buzzer.stop()
            finally:
                self._buzzer.close()

    def _check_open(self) -> None:
        if self._closed:
            raise HardwareError(f"{self._where} was closed: open it again before using it.")

    def _run(self) -> None:
        while True:
            self._order.wait()
            with self._lock:
                if self._closed:
                    return
                notes, self._waiting = self._waiting, ()
                self._order.clear()
            try:
                self._sound(notes)
            except Exception:
                _log.exception("%s failed", self._where)
                with suppress(Exception):
                    self._tone(None)

    def _sound(self, notes: Sequence[Note]) -> None:
        # Against absolute instants, so that a long cue does not drift.
        ends = time.monotonic()
        for note in notes:
            ends += note.seconds
            if not self._tone(note.hertz) or self._order.wait(max(0.0, ends - time.monotonic())):
                break
        self._tone(None)

    def _tone(self, hertz: float | None) -> bool:
        """Set the pitch, unless a newer order has come; return whether it was set."""
        with self._lock:
            # Under the lock, so that a tone never starts after `silence` has returned.
            if self._order.is_set() and hertz is not None:
                return False
            pitch = None if hertz is None else _within_range(hertz)
            if pitch is None:
                self._buzzer.stop()
            else:
                self._buzzer.play(Tone.from_frequency(pitch))
            return True


def _within_range(hertz: float) -> float | None:
    if not (math.isfinite(hertz) and hertz > 0):
        return None
    while hertz < _LOWEST_HERTZ:
        hertz *= 2
    while hertz > _HIGHEST_HERTZ:
        hertz /= 2
    return hertz
