"""The pedal and the lamp's sense contact on the kernel's GPIO character device.

Like :mod:`hardware.chip` for the process that owns the lamp: the standard
library only. Edges come with the kernel's own stamps, taken in the interrupt.
"""

from __future__ import annotations

import fcntl
import os
import struct

from hardware.chip import (
    GPIO_V2_LINE_FLAG_ACTIVE_LOW,
    GPIO_V2_LINE_FLAG_BIAS_DISABLED,
    GPIO_V2_LINE_FLAG_BIAS_PULL_DOWN,
    GPIO_V2_LINE_FLAG_BIAS_PULL_UP,
    GPIO_V2_LINE_FLAG_EDGE_FALLING,
    GPIO_V2_LINE_FLAG_EDGE_RISING,
    GPIO_V2_LINE_FLAG_INPUT,
    read_level,
    request_line,
)
from hardware.errors import HardwareError

TYPE_CHECKING = False  # known to type checkers; `typing` itself would cost 2 MiB
if TYPE_CHECKING:
    from hardware.chip import Ioctl

# struct gpio_v2_line_event of linux/gpio.h: timestamp_ns, id, offset, seqno, line_seqno, padding
LINE_EVENT = struct.Struct("=QIIII24x")
GPIO_V2_LINE_EVENT_RISING_EDGE = 1
_EVENTS_AT_ONCE = 16

_BIAS = {
    "up": GPIO_V2_LINE_FLAG_BIAS_PULL_UP,
    "down": GPIO_V2_LINE_FLAG_BIAS_PULL_DOWN,
    "none": GPIO_V2_LINE_FLAG_BIAS_DISABLED,
}
_LOOK_AT_THE_WIRE = "check its wiring, then restart the controller"


class _ChipInput:
    """An input line; ``what`` is its name in messages."""

    def __init__(
        self,
        what: str,
        line: int,
        flags: int,
        *,
        chip: str | None,
        active_high: bool,
        consumer: str,
        ioctl: Ioctl,
        device_folder: str,
    ) -> None:
        self._ioctl = ioctl
        self._fd = -1
        flags |= GPIO_V2_LINE_FLAG_INPUT
        self._fd, self._where = request_line(
            what, line, flags | (0 if active_high else GPIO_V2_LINE_FLAG_ACTIVE_LOW), chip=chip,
            consumer=consumer, ioctl=ioctl, device_folder=device_folder,
        )  # fmt: skip

    def close(self) -> None:
        """Let go of the line; a second call does nothing."""
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)

    def _open_fd(self) -> int:
        if self._fd < 0:
            raise HardwareError(f"{self._where} was closed: open it again before using it.")
        return self._fd

    def _read_level(self) -> bool:
        return read_level(self._open_fd(), self._where, self._ioctl, _LOOK_AT_THE_WIRE)


class ChipPedal(_ChipInput):
    """A PedalWire on line ``line`` of a GPIO chip.

    ``pull`` "up" is for a switch to ground, "down" for a switch to 3.3 V, "none"
    for a switch to ground with a resistor of the board's own. ``chip`` None looks for a
    Raspberry Pi's header. Stamps are the kernel's, on the monotonic clock (Linux
    5.7 and later, from memory). Raises HardwareError.
    """

    def __init__(
        self,
        line: int,
        *,
        pull: str = "up",
        chip: str | None = None,
        ioctl: Ioctl = fcntl.ioctl,
        device_folder: str = "/dev",
    ) -> None:
        if pull not in _BIAS:
            raise HardwareError(f"the pedal has pull {pull!r}: write up, down or none.")
        flags = _BIAS[pull] | GPIO_V2_LINE_FLAG_EDGE_RISING | GPIO_V2_LINE_FLAG_EDGE_FALLING
        super().__init__(
            "the pedal", line, flags, chip=chip, active_high=pull == "down",
            consumer="treadle-pedal", ioctl=ioctl, device_folder=device_folder,
        )  # fmt: skip
        os.set_blocking(self._fd, False)

    def fileno(self) -> int:
        """Return the file descriptor that becomes readable with an edge."""
        return self._open_fd()

    @property
    def is_down(self) -> bool:
        """Whether the switch is pressed now."""
        return self._read_level()

    def read(self) -> list[tuple[bool, int]]:
        """Return the edges that came since the last call, without waiting; HardwareError."""
        try:
            events = os.read(self._open_fd(), LINE_EVENT.size * _EVENTS_AT_ONCE)
        except BlockingIOError:
            return []
        except OSError as error:
            raise HardwareError(
                f"{self._where} can't be read ({error.strerror}): {_LOOK_AT_THE_WIRE}."
            ) from error
        return [
            (kind == GPIO_V2_LINE_EVENT_RISING_EDGE, at_ns)
            for at_ns, kind, *_ in LINE_EVENT.iter_unpack(events)
        ]


class ChipSense(_ChipInput):
    """A Sense on line ``line``: a contact or a light sensor that tells whether the lamp burns.

    ``active_high`` is for a contact that closes to 3.3 V, else it closes to ground; the line is
    pulled the other way.
    Raises HardwareError.
    """

    def __init__(
        self,
        line: int,
        *,
        active_high: bool = True,
        chip: str | None = None,
        ioctl: Ioctl = fcntl.ioctl,
        device_folder: str = "/dev",
    ) -> None:
        bias = GPIO_V2_LINE_FLAG_BIAS_PULL_DOWN if active_high else GPIO_V2_LINE_FLAG_BIAS_PULL_UP
        super().__init__(
            "the sense contact", line, bias, chip=chip, active_high=active_high,
            consumer="treadle-sense", ioctl=ioctl, device_folder=device_folder,
        )  # fmt: skip

    @property
    def is_lit(self) -> bool:
        """Whether the lamp is seen to burn; raises HardwareError where that can't be told."""
        return self._read_level()
