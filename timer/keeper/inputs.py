"""Opening the keeper's inputs from one line of text each: the pedal, and the sense contact."""

from __future__ import annotations

TYPE_CHECKING = False  # known to type checkers; what is only a type need not be in memory
if TYPE_CHECKING:
    from hardware.interface import PedalWire, Sense


def open_pedal(text: str) -> PedalWire:
    """Return the pedal that ``text`` names.

    ``simulated:PATH`` or ``chip:LINE:up|down|none[:DEVICE]``. Raises ValueError for any
    other text, and HardwareError where it can't be opened.
    """
    kind, _, rest = text.partition(":")
    if kind == "simulated":
        from hardware.simulated import SimulatedPedalWire  # noqa: PLC0415 -- each alone, to be small

        return SimulatedPedalWire(rest)
    number, pull, chip = _line(kind, rest, ("up", "down", "none"), text)
    from hardware.chip_inputs import ChipPedal  # noqa: PLC0415

    return ChipPedal(number, pull=pull, chip=chip)


def open_sense(text: str) -> Sense:
    """Return the sense contact that ``text`` names.

    ``simulated:PATH`` or ``chip:LINE:high|low[:DEVICE]``. Raises ValueError for any
    other text, and HardwareError where it can't be opened.
    """
    kind, _, rest = text.partition(":")
    if kind == "simulated":
        from hardware.simulated import SimulatedSense  # noqa: PLC0415

        return SimulatedSense(rest)
    number, level, chip = _line(kind, rest, ("high", "low"), text)
    from hardware.chip_inputs import ChipSense  # noqa: PLC0415

    return ChipSense(number, active_high=level == "high", chip=chip)


def _line(kind: str, rest: str, words: tuple[str, ...], text: str) -> tuple[int, str, str | None]:
    number, _, rest = rest.partition(":")
    word, _, chip = rest.partition(":")
    if kind != "chip" or word not in words or not number.isdecimal():
        raise ValueError(f"{text!r} names no input")
    return int(number), word, chip or None
