"""What a device of the darkroom must be able to do.

Small protocols, two or three methods each. The simulated twins keep the same
promises as the real devices, and the same tests hold them to it. Opening a
device that fails raises :class:`hardware.errors.HardwareError`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol


class Lamp(Protocol):
    """The line that switches the enlarger's light.

    Off from the moment it is opened, and off after it was closed.
    """

    def on(self) -> None:
        """Switch on."""
        ...

    def off(self) -> None:
        """Switch off; to be called as often as one likes."""
        ...

    @property
    def is_on(self) -> bool:
        """The level that the line has, not the one last asked for."""
        ...

    def close(self) -> None:
        """Switch off and let go of the line; a second call does nothing."""
        ...


@dataclass(frozen=True, slots=True)
class PedalEdge:
    """The pedal went down or up; ``at_ns`` is the edge's own stamp on the monotonic clock."""

    down: bool
    at_ns: int


class Pedal(Protocol):
    """The foot switch. Edges come raw, bounce included: control judges them."""

    def watch(self, on_edge: Callable[[PedalEdge], None]) -> None:
        """Call ``on_edge`` at every edge from now on, from whatever thread the device uses."""
        ...

    @property
    def is_down(self) -> bool:
        """Whether the switch is pressed now."""
        ...

    def close(self) -> None:
        """Let go of the switch; no more edges come."""
        ...


class PedalWire(Protocol):
    """The foot switch for whoever waits on file descriptors, without a thread of its own."""

    def fileno(self) -> int:
        """Return the file descriptor that becomes readable with an edge."""
        ...

    def read(self) -> Sequence[tuple[bool, int]]:
        """Return the edges since the last call as (down, stamp in ns), without waiting."""
        ...

    @property
    def is_down(self) -> bool:
        """Whether the switch is pressed now."""
        ...

    def close(self) -> None:
        """Let go of the switch."""
        ...


class Sense(Protocol):
    """What sees whether the lamp really burns: a second contact, or a sensor in its light."""

    @property
    def is_lit(self) -> bool:
        """Whether the lamp burns now; raises HardwareError where that can't be told."""
        ...

    def close(self) -> None:
        """Let go of it."""
        ...


@dataclass(frozen=True, slots=True)
class Note:
    """One piece of a sound: a pitch, or a rest where ``hertz`` is None."""

    hertz: float | None
    seconds: float


class Sounder(Protocol):
    """Something that makes the cues heard. It never blocks its caller."""

    def play(self, notes: Sequence[Note]) -> None:
        """Start the sound at once; one that is still sounding is cut short."""
        ...

    def silence(self) -> None:
        """Stop whatever sounds."""
        ...

    def close(self) -> None:
        """Fall silent and let go of the device."""
        ...


class Readout(Protocol):
    """A small display."""

    def show(self, lines: Sequence[str]) -> None:
        """Replace what is shown."""
        ...

    def close(self) -> None:
        """Go blank and let go of the device."""
        ...


class LightProbe(Protocol):
    """A meter on the easel."""

    def read_lux(self) -> float:
        """Return the illuminance in lux; raises HardwareError where it can't be read."""
        ...

    def close(self) -> None:
        """Let go of the device."""
        ...
