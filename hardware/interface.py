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
