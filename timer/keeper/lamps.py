"""Opening the lamp line from one line of text, alike in the keeper and on the guard's way.

Only the module of the lamp that is asked for is imported: the keeper stays small.
"""

from __future__ import annotations

TYPE_CHECKING = False  # known to type checkers; what is only a type need not be in memory
if TYPE_CHECKING:
    from collections.abc import Callable

    from hardware.interface import Lamp


def open_lamp(text: str, now_ns: Callable[[], int], *, alone: bool = False) -> Lamp:
    """Return the lamp that ``text`` names, switched off.

    ``alone`` is for its keeper: a second one is refused before it touches the line. A chip
    refuses it whoever asks.

    ``simulated:PATH``, ``chip:LINE:high|low[:DEVICE]`` or
    ``gpiozero:PIN:high|low[:FACTORY]``. Raises ValueError for any other text,
    and HardwareError where the lamp can't be opened.
    """
    kind, _, rest = text.partition(":")
    if kind == "simulated":
        from hardware.simulated import SimulatedLamp, SimulatedLine  # noqa: PLC0415

        line = SimulatedLine(rest, now_ns)
        if alone:
            line.own()
        return SimulatedLamp(line)
    number, _, rest = rest.partition(":")
    level, _, rest = rest.partition(":")
    if level not in ("high", "low") or not number.isdecimal():
        raise ValueError(f"{text!r} does not name a lamp")
    if kind == "chip":
        from hardware.chip import ChipLamp  # noqa: PLC0415

        return ChipLamp(int(number), chip=rest or None, active_high=level == "high")
    if kind == "gpiozero":
        from hardware.gpio import GpioLamp, make_factory  # noqa: PLC0415

        factory = make_factory(rest or None)
        return GpioLamp(int(number), active_high=level == "high", pin_factory=factory)
    raise ValueError(f"{text!r} does not name a lamp")
