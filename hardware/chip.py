"""Lines straight on the kernel's GPIO character device, without any library; the lamp first.

It exists for two reasons. The line is requested as an output *together with* its
off level, in one step, so that a relay which is active at a low level does not
blip when the line is opened. And it costs next to no memory: the process that
owns the lamp imports only this and a few modules that are written in C.

The numbers are those of the kernel's ``linux/gpio.h`` (second version of the
interface, Linux 5.10 and later). The tests check them against a compiled C
program and against a fake kernel; it has not been run on a real chip by them.
"""

from __future__ import annotations

import errno
import fcntl
import os
import struct

from hardware.errors import HardwareError

TYPE_CHECKING = False  # known to type checkers; `typing` itself would cost 2 MiB
if TYPE_CHECKING:
    from collections.abc import Callable

    Ioctl = Callable[[int, int, bytearray], object]

# The requests of linux/gpio.h: _IOR or _IOWR of type 0xB4.
GPIO_GET_CHIPINFO_IOCTL = 0x8044B401
GPIO_V2_GET_LINEINFO_IOCTL = 0xC100B405
GPIO_V2_GET_LINE_IOCTL = 0xC250B407
GPIO_V2_LINE_GET_VALUES_IOCTL = 0xC010B40E
GPIO_V2_LINE_SET_VALUES_IOCTL = 0xC010B40F

# enum gpio_v2_line_flag and enum gpio_v2_line_attr_id of linux/gpio.h
GPIO_V2_LINE_FLAG_USED = 1 << 0
GPIO_V2_LINE_FLAG_ACTIVE_LOW = 1 << 1
GPIO_V2_LINE_FLAG_INPUT = 1 << 2
GPIO_V2_LINE_FLAG_OUTPUT = 1 << 3
GPIO_V2_LINE_FLAG_EDGE_RISING = 1 << 4
GPIO_V2_LINE_FLAG_EDGE_FALLING = 1 << 5
GPIO_V2_LINE_FLAG_BIAS_PULL_UP = 1 << 8
GPIO_V2_LINE_FLAG_BIAS_PULL_DOWN = 1 << 9
GPIO_V2_LINE_FLAG_BIAS_DISABLED = 1 << 10
GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES = 2

# struct gpiochip_info: name, label, lines
CHIP_INFO = struct.Struct("=32s32sI")
# struct gpio_v2_line_info: name, consumer, offset, num_attrs, flags; attrs and padding
LINE_INFO = struct.Struct("=32s32sIIQ176x")
# struct gpio_v2_line_values: bits, mask
LINE_VALUES = struct.Struct("=QQ")
# struct gpio_v2_line_request with one line and one attribute: offsets[64]; consumer;
# config (flags, num_attrs, padding, attrs[10], of which the first is id, padding,
# value, mask); num_lines, event_buffer_size, padding; fd
LINE_REQUEST = struct.Struct("=I252x32sQI20xI4xQQ216xII20xi")
LINE_REQUEST_FD_AT = 588
LONGEST_CONSUMER = 31  # GPIO_MAX_NAME_SIZE less the closing zero

# What the chips behind a Raspberry Pi's 40-pin header call themselves (from memory of
# the kernel's drivers). On these a line's offset is its BCM number.
HEADER_LABELS = ("pinctrl-bcm2835", "pinctrl-bcm2711", "pinctrl-rp1")
HIGHEST_HEADER_LINE = 27

_THE_ONLY_LINE = 1  # as a bit mask: we ask for one line, which is bit 0
_AT_THE_SWITCH = "switch the enlarger off at its own switch and restart the controller"


class ChipLamp:
    """A Lamp on one line of a GPIO chip, off from the instant at which it is an output.

    ``line`` is the line's number on the chip (on a Raspberry Pi the BCM number),
    or its name as the kernel knows it, such as "GPIO17". ``chip`` is a path such
    as "/dev/gpiochip0"; None looks for the chip of a Raspberry Pi's header.
    ``active_high`` False is for a switching device which is on at a low level.
    ``consumer`` is the name by which others see who holds the line.

    The kernel releases the line when this process dies, but it need not change
    its level: after a crash the lamp may stay on until somebody else takes the
    line. ``ioctl`` and ``device_folder`` are for tests.

    Raises HardwareError where there is no such chip or line, where it may not be
    opened, and where another program holds it.
    """

    def __init__(
        self,
        line: int | str,
        *,
        chip: str | None = None,
        active_high: bool = True,
        consumer: str = "treadle-lamp",
        ioctl: Ioctl = fcntl.ioctl,
        device_folder: str = "/dev",
    ) -> None:
        self._ioctl = ioctl
        # With ACTIVE_LOW the kernel turns levels round itself, so 0 is "off" either way.
        flags = GPIO_V2_LINE_FLAG_OUTPUT | (0 if active_high else GPIO_V2_LINE_FLAG_ACTIVE_LOW)
        self._fd = -1  # for a look at a lamp that could not be opened
        self._fd, self._where = request_line(
            "the lamp", line, flags, chip=chip, consumer=consumer, starts_off=True, ioctl=ioctl,
            device_folder=device_folder,
        )  # fmt: skip

    def on(self) -> None:
        """Switch on; raises HardwareError where the kernel refuses or the lamp is closed."""
        self._set(_THE_ONLY_LINE, "on")

    def off(self) -> None:
        """Switch off; raises HardwareError where the kernel refuses or the lamp is closed."""
        self._set(0, "off")

    @property
    def is_on(self) -> bool:
        """The level that the kernel reads back from the line now."""
        return read_level(self._open_fd(), self._where, self._ioctl, _AT_THE_SWITCH)

    def close(self) -> None:
        """Switch off and let go of the line; a second call does nothing.

        The line is let go of even where switching off fails; then HardwareError is raised.
        """
        if self._fd < 0:
            return
        try:
            self.off()
        finally:
            fd, self._fd = self._fd, -1
            os.close(fd)

    def _open_fd(self) -> int:
        if self._fd < 0:
            raise HardwareError(f"{self._where} was closed: open it again before using it.")
        return self._fd

    def _set(self, bits: int, wanted: str) -> None:
        values = bytearray(LINE_VALUES.pack(bits, _THE_ONLY_LINE))
        try:
            self._ioctl(self._open_fd(), GPIO_V2_LINE_SET_VALUES_IOCTL, values)
        except OSError as error:
            raise HardwareError(
                f"{self._where} can't be switched {wanted} ({_reason(error)}): {_AT_THE_SWITCH}."
            ) from error


def find_header(ioctl: Ioctl = fcntl.ioctl, device_folder: str = "/dev") -> str:
    """Return the path of the chip behind a Raspberry Pi's header.

    Raises HardwareError where there is none, or where no chip may be opened.
    """
    try:
        names = os.listdir(device_folder)  # noqa: PTH208 - pathlib would cost 2 MiB
    except OSError as error:
        raise HardwareError(
            f"{device_folder} can't be searched for GPIO chips ({_reason(error)}): "
            "name the lamp's chip in the configuration."
        ) from error
    numbers = sorted(
        int(name[len("gpiochip") :])
        for name in names
        if name.startswith("gpiochip") and name[len("gpiochip") :].isdecimal()
    )
    if not numbers:
        raise HardwareError(
            f"there is no GPIO chip in {device_folder}: run on a Raspberry Pi or another board "
            "with one, or take the simulated devices."
        )
    labels = []
    refused: HardwareError | None = None
    for number in numbers:
        path = f"{device_folder}/gpiochip{number}"
        try:
            fd = _open_chip(path)
        except HardwareError as error:
            refused = error
            continue
        try:
            label, _ = _chip_info(ioctl, fd, path)
        finally:
            os.close(fd)
        if label in HEADER_LABELS:
            return path
        labels.append(f"{path} is {label}")
    if refused is not None:
        raise refused
    raise HardwareError(
        f"no GPIO chip of a Raspberry Pi's header was found ({', '.join(labels)}): "
        "name the lamp's chip in the configuration."
    )


def look_at_line(
    line: int, *, chip: str | None = None, ioctl: Ioctl = fcntl.ioctl, device_folder: str = "/dev"
) -> tuple[str, str]:
    """Return the line's name on its chip, and who holds it ("" for nobody); changes nothing.

    Raises HardwareError where the chip or the line isn't there.
    """
    path = chip or find_header(ioctl, device_folder)
    fd = _open_chip(path)
    try:
        _, lines = _chip_info(ioctl, fd, path)
        offset = _find_line(ioctl, fd, path, line, lines, what="the lamp")
        name, holder, flags = _line_info(ioctl, fd, offset)
    except OSError as error:
        raise HardwareError(
            f"line {line} of {path} can't be looked at ({_reason(error)}): "
            "choose another line in the configuration."
        ) from error
    finally:
        os.close(fd)
    return name, holder or ("the kernel" if flags & GPIO_V2_LINE_FLAG_USED else "")


def _open_chip(path: str) -> int:
    try:
        return os.open(path, os.O_RDWR | os.O_CLOEXEC)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise HardwareError(
            f"there is no GPIO chip {path}: look with 'ls /dev/gpiochip*' and correct "
            "the lamp's chip in the configuration."
        ) from error
    except PermissionError as error:
        raise HardwareError(
            f"this user may not open {path}: add the user to group gpio "
            "('sudo usermod -aG gpio USER') and log in again."
        ) from error
    except OSError as error:
        raise HardwareError(
            f"{path} can't be opened ({_reason(error)}): check that it is a GPIO chip."
        ) from error


def _chip_info(ioctl: Ioctl, fd: int, path: str) -> tuple[str, int]:
    info = bytearray(CHIP_INFO.size)
    try:
        ioctl(fd, GPIO_GET_CHIPINFO_IOCTL, info)
    except OSError as error:
        raise HardwareError(
            f"{path} is no GPIO chip ({_reason(error)}): look with 'ls /dev/gpiochip*' and "
            "correct the lamp's chip in the configuration."
        ) from error
    _, label, lines = CHIP_INFO.unpack(info)
    return _text(label), lines


def _line_info(ioctl: Ioctl, fd: int, offset: int) -> tuple[str, str, int]:
    """Return a line's name, its consumer and its flags; raises OSError."""
    info = bytearray(LINE_INFO.pack(b"", b"", offset, 0, 0))
    ioctl(fd, GPIO_V2_GET_LINEINFO_IOCTL, info)
    name, consumer, _, _, flags = LINE_INFO.unpack(info)
    return _text(name), _text(consumer), flags


def _find_line(ioctl: Ioctl, fd: int, path: str, line: int | str, lines: int, *, what: str) -> int:
    if isinstance(line, str) and not line.isdecimal():
        for offset in range(lines):
            try:
                name, _, _ = _line_info(ioctl, fd, offset)
            except OSError as error:
                raise HardwareError(
                    f"line {offset} of {path} can't be asked for its name ({_reason(error)}): "
                    f"give {what}'s line as a number."
                ) from error
            if name == line:
                return offset
        raise HardwareError(
            f"{path} has no line named {line}: give {what}'s line as a number "
            f"from 0 to {lines - 1}."
        )
    offset = int(line)
    if not 0 <= offset < lines:
        raise HardwareError(
            f"{path} has no line {offset} for {what}: choose one from 0 to {lines - 1}."
        )
    return offset


def request_line(
    what: str,
    line: int | str,
    flags: int,
    *,
    chip: str | None,
    consumer: str,
    starts_off: bool = False,
    ioctl: Ioctl = fcntl.ioctl,
    device_folder: str = "/dev",
) -> tuple[int, str]:
    """Take a line for ``what``; returns its file descriptor and the words for where it is.

    ``starts_off``: an output gets its level in the same step. Raises HardwareError.
    """
    path = find_header(ioctl, device_folder) if chip is None else chip
    chip_fd = _open_chip(path)
    try:
        label, lines = _chip_info(ioctl, chip_fd, path)
        # A chip that we chose ourselves also has lines which do not come out on the
        # header; they run the board's own parts and must not be touched.
        if chip is None and label in HEADER_LABELS:
            lines = min(lines, HIGHEST_HEADER_LINE + 1)
        offset = _find_line(ioctl, chip_fd, path, line, lines, what=what)
        where = f"{what}'s GPIO line {offset} on {path}"
        request = bytearray(
            LINE_REQUEST.pack(
                offset,
                consumer.encode("ascii", "replace")[:LONGEST_CONSUMER],
                flags,
                int(starts_off),  # one attribute: the level to start with
                GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES if starts_off else 0,
                0,  # off
                _THE_ONLY_LINE if starts_off else 0,
                1,  # one line
                0,  # as many events waiting as the kernel likes
                -1,
            )
        )
        try:
            ioctl(chip_fd, GPIO_V2_GET_LINE_IOCTL, request)
        except OSError as error:
            raise HardwareError(
                _refusal(ioctl, chip_fd, where, offset, error, what=what)
            ) from error
    finally:
        os.close(chip_fd)
    fd: int = struct.unpack_from("=i", request, LINE_REQUEST_FD_AT)[0]
    return fd, where


def read_level(fd: int, where: str, ioctl: Ioctl, mend: str) -> bool:
    """Return whether the line is active; HardwareError, with ``mend``, where it can't be read."""
    values = bytearray(LINE_VALUES.pack(0, _THE_ONLY_LINE))
    try:
        ioctl(fd, GPIO_V2_LINE_GET_VALUES_IOCTL, values)
    except OSError as error:
        raise HardwareError(f"{where} can't be read ({_reason(error)}): {mend}.") from error
    bits: int = LINE_VALUES.unpack(values)[0]
    return bool(bits & _THE_ONLY_LINE)


def _refusal(
    ioctl: Ioctl, chip_fd: int, where: str, offset: int, error: OSError, *, what: str
) -> str:
    if error.errno == errno.EBUSY:
        try:
            _, holder, _ = _line_info(ioctl, chip_fd, offset)
        except OSError:
            holder = ""
        return (
            f"{where} is held by {holder or 'another program'}: stop that program, "
            f"or choose another line for {what}."
        )
    if error.errno in (errno.EPERM, errno.EACCES):
        return f"this user may not use {where}: add the user to group gpio and log in again."
    if error.errno in (errno.EINVAL, errno.ENOTTY):
        return (
            f"the kernel does not understand the request for {where} ({_reason(error)}): "
            "update the system to Linux 5.10 or later."
        )
    return f"{where} can't be taken ({_reason(error)}): choose another line for {what}."


def _text(field: bytes) -> str:
    return field.split(b"\0", 1)[0].decode("utf-8", "replace")


def _reason(error: OSError) -> str:
    return error.strerror or str(error)
