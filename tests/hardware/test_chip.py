"""The lamp on the kernel's GPIO device, against the fake kernel of conftest.py.

Nothing here has run on a real chip: the fake kernel decodes the requests by its own
structures, and the numbers are those that a C compiler gave.
"""

import ctypes
import errno
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from hardware import chip
from hardware.chip import ChipLamp, look_at_line
from hardware.errors import HardwareError

PIN = 17
ROOT = Path(__file__).resolve().parents[2]

# Source: a C program with <linux/gpio.h> that prints sizeof and the macros, compiled by
# gcc against Debian's linux-libc-dev 6.1.187-1 on amd64.
SIZES = {
    "ChipInfo": 68,  # struct gpiochip_info
    "LineAttribute": 16,  # struct gpio_v2_line_attribute
    "ConfigAttribute": 24,  # struct gpio_v2_line_config_attribute
    "LineConfig": 272,  # struct gpio_v2_line_config
    "LineRequest": 592,  # struct gpio_v2_line_request
    "LineValues": 16,  # struct gpio_v2_line_values
    "LineInfo": 256,  # struct gpio_v2_line_info
}
NUMBERS = {
    "GPIO_GET_CHIPINFO_IOCTL": 0x8044B401,
    "GPIO_V2_GET_LINEINFO_IOCTL": 0xC100B405,
    "GPIO_V2_GET_LINE_IOCTL": 0xC250B407,
    "GPIO_V2_LINE_GET_VALUES_IOCTL": 0xC010B40E,
    "GPIO_V2_LINE_SET_VALUES_IOCTL": 0xC010B40F,
    "GPIO_V2_LINE_FLAG_USED": 0x1,
    "GPIO_V2_LINE_FLAG_ACTIVE_LOW": 0x2,
    "GPIO_V2_LINE_FLAG_INPUT": 0x4,
    "GPIO_V2_LINE_FLAG_OUTPUT": 0x8,
    "GPIO_V2_LINE_FLAG_EDGE_RISING": 0x10,
    "GPIO_V2_LINE_FLAG_EDGE_FALLING": 0x20,
    "GPIO_V2_LINE_FLAG_BIAS_PULL_UP": 0x100,
    "GPIO_V2_LINE_FLAG_BIAS_PULL_DOWN": 0x200,
    "GPIO_V2_LINE_FLAG_BIAS_DISABLED": 0x400,
    "GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES": 0x2,
}
# offsetof, of the same program
OFFSETS = {
    ("LineRequest", "consumer"): 256,
    ("LineRequest", "config"): 288,
    ("LineRequest", "num_lines"): 560,
    ("LineRequest", "event_buffer_size"): 564,
    ("LineRequest", "fd"): 588,
    ("LineConfig", "num_attrs"): 8,
    ("LineConfig", "attrs"): 32,
    ("ConfigAttribute", "mask"): 16,
    ("LineInfo", "consumer"): 32,
    ("LineInfo", "offset"): 64,
    ("LineInfo", "flags"): 72,
    ("LineInfo", "padding"): 240,
}


@pytest.fixture
def structures(kernel):
    """The independent structures, which live beside the fake kernel."""
    return sys.modules[type(kernel).__module__]


def open_lamp(kernel, line=PIN, **kwargs):
    return ChipLamp(line, ioctl=kernel.ioctl, device_folder=kernel.folder, **kwargs)


def refusal(kernel, line=PIN, **kwargs) -> str:
    with pytest.raises(HardwareError) as refused:
        open_lamp(kernel, line, **kwargs)
    message = str(refused.value)
    assert message.endswith(".")
    assert ": " in message, "a message also says what to do"
    return message


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


# ---------------------------------------------------------------- numbers


@pytest.mark.parametrize("name", NUMBERS)
def test_the_numbers_are_the_compilers(name):
    assert getattr(chip, name) == NUMBERS[name]


@pytest.mark.parametrize("name", SIZES)
def test_the_fake_kernels_structures_have_the_compilers_sizes(structures, name):
    assert ctypes.sizeof(getattr(structures, name)) == SIZES[name]


@pytest.mark.parametrize("place", OFFSETS, ids=".".join)
def test_the_fake_kernels_fields_are_where_the_compiler_puts_them(structures, place):
    structure, name = place
    assert getattr(getattr(structures, structure), name).offset == OFFSETS[place]


def test_the_lamps_own_packing_has_the_compilers_sizes():
    packed = [chip.CHIP_INFO, chip.LINE_REQUEST, chip.LINE_VALUES, chip.LINE_INFO]
    assert [struct.size for struct in packed] == [68, 592, 16, 256]


# ---------------------------------------------------------------- opening


@pytest.mark.parametrize("active_high", [True, False])
@pytest.mark.parametrize("resting_level", [True, False])
def test_the_line_is_never_lit_while_it_is_opened(kernel, active_high, resting_level):
    wire = kernel.add_chip(0).wires[PIN]
    wire.level = resting_level
    lamp = open_lamp(kernel, active_high=active_high)
    off = not active_high
    assert wire.driven == [off], "one step, straight to off"
    lamp.close()


def test_an_active_low_lamp_is_lit_by_a_low_level(kernel):
    wire = kernel.add_chip(0).wires[PIN]
    lamp = open_lamp(kernel, active_high=False)
    lamp.on()
    assert wire.level is False
    lamp.off()
    assert wire.level is True
    lamp.close()


def test_others_see_who_holds_the_line(kernel):
    wire = kernel.add_chip(0).wires[PIN]
    lamp = open_lamp(kernel)
    assert wire.held
    assert wire.consumer == "treadle-lamp"
    lamp.close()
    assert not wire.held


def test_a_long_consumer_is_cut_to_what_the_kernel_keeps(kernel):
    wire = kernel.add_chip(0).wires[PIN]
    lamp = open_lamp(kernel, consumer="e" * 40)
    assert wire.consumer == "e" * 31
    lamp.close()


def test_only_the_line_stays_open_and_the_chip_is_let_go_of(kernel):
    kernel.add_chip(0)
    before = open_files()
    lamp = open_lamp(kernel)
    assert open_files() == before + 1
    lamp.close()
    assert open_files() == before


def test_a_refused_lamp_leaves_nothing_open(kernel):
    kernel.hold(kernel.add_chip(0).wires[PIN], "another")
    before = open_files()
    refusal(kernel)
    assert open_files() == before


def test_the_header_is_found_among_other_chips(kernel):
    kernel.add_chip(0, "gpio-brcmstb@107d508500")
    kernel.add_chip(10, "raspberrypi-exp-gpio")
    header = kernel.add_chip(4, "pinctrl-rp1")
    lamp = open_lamp(kernel)
    assert header.wires[PIN].held
    lamp.close()


def test_of_two_headers_the_one_with_the_lower_number_is_taken(kernel):
    for number in (10, 9, 11, 2, 3):
        kernel.add_chip(number, "pinctrl-rp1")
    assert chip.find_header(kernel.ioctl, kernel.folder) == f"{kernel.folder}/gpiochip2"


@pytest.mark.parametrize("label", ["pinctrl-bcm2835", "pinctrl-bcm2711", "pinctrl-rp1"])
def test_every_raspberry_pi_header_is_known(kernel, label):
    header = kernel.add_chip(0, label)
    assert chip.find_header(kernel.ioctl, kernel.folder) == header.path


def test_a_named_chip_is_taken_whatever_it_is_called(kernel):
    kernel.add_chip(0, "pinctrl-bcm2711")
    rig = kernel.add_chip(1, "gpio-sim", lines=32)
    lamp = open_lamp(kernel, 30, chip=rig.path)
    assert rig.wires[30].held
    lamp.close()


@pytest.mark.parametrize("line", ["17", "GPIO17", 17])
def test_a_line_is_given_by_number_or_by_name(kernel, line):
    wire = kernel.add_chip(0).wires[PIN]
    lamp = open_lamp(kernel, line)
    assert wire.held
    lamp.close()


# ---------------------------------------------------------------- refusals


def test_without_any_chip_a_board_is_asked_for(kernel):
    assert refusal(kernel) == (
        f"there is no GPIO chip in {kernel.folder}: run on a Raspberry Pi or another board with "
        "one, or take the simulated devices."
    )


def test_chips_that_are_no_header_are_listed(kernel):
    path = kernel.add_chip(0, "gpio-sim").path
    assert refusal(kernel) == (
        f"no GPIO chip of a Raspberry Pi's header was found ({path} is gpio-sim): "
        "name the lamp's chip in the configuration."
    )


def test_a_named_chip_that_is_missing(kernel):
    path = f"{kernel.folder}/gpiochip7"
    assert refusal(kernel, chip=path).startswith(f"there is no GPIO chip {path}: look with")


def test_a_file_that_is_no_chip(kernel, tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("not a chip")
    assert f"{path} is no GPIO chip" in refusal(kernel, chip=str(path))


@pytest.mark.parametrize("named", [True, False])
def test_a_user_without_rights_is_sent_to_the_group(kernel, monkeypatch, named):
    path = kernel.add_chip(0).path

    def refuse(path, flags):
        raise PermissionError(errno.EACCES, "Permission denied", path)

    monkeypatch.setattr(chip.os, "open", refuse)  # tests may run as root, who may open all
    message = refusal(kernel, chip=path if named else None)
    assert message.startswith(f"this user may not open {path}: add the user to group gpio")


def test_a_held_line_names_its_holder(kernel):
    header = kernel.add_chip(0)
    held = kernel.hold(header.wires[PIN], "spi0 CS0")
    assert refusal(kernel) == (
        f"the lamp's GPIO line 17 on {header.path} is held by spi0 CS0: stop that program, "
        "or choose another line for the lamp."
    )
    os.close(held)


def test_a_held_line_of_an_unnamed_holder(kernel):
    held = kernel.hold(kernel.add_chip(0).wires[PIN], "")
    assert "is held by another program: stop that program" in refusal(kernel)
    os.close(held)


@pytest.mark.parametrize("line", [28, 40, 57])
def test_lines_that_are_not_on_the_header_are_refused(kernel, line):
    path = kernel.add_chip(0, lines=58).path
    assert refusal(kernel, line) == (
        f"{path} has no line {line} for the lamp: choose one from 0 to 27."
    )


@pytest.mark.parametrize("line", [-1, 8, 1000])
def test_lines_that_a_named_chip_does_not_have_are_refused(kernel, line):
    path = kernel.add_chip(0, lines=8).path
    assert f"no line {line} for the lamp: choose one from 0 to 7." in refusal(
        kernel, line, chip=path
    )


def test_an_unknown_name_is_refused(kernel):
    path = kernel.add_chip(0).path
    assert refusal(kernel, "LAMP") == (
        f"{path} has no line named LAMP: give the lamp's line as a number from 0 to 27."
    )


@pytest.mark.parametrize(
    ("error", "remedy"),
    [
        (errno.EPERM, "add the user to group gpio"),
        (errno.EINVAL, "update the system to Linux 5.10"),
        (errno.ENOTTY, "update the system to Linux 5.10"),
        (errno.EIO, "choose another line"),
    ],
)
def test_other_refusals_say_what_to_do(kernel, error, remedy):
    kernel.add_chip(0)
    kernel.fail_with[NUMBERS["GPIO_V2_GET_LINE_IOCTL"]] = error
    assert remedy in refusal(kernel)


# ---------------------------------------------------------------- faults in use


@pytest.mark.parametrize("order", ["on", "off"])
def test_a_switching_that_fails_sends_the_printer_to_the_enlargers_own_switch(kernel, order):
    path = kernel.add_chip(0).path
    lamp = open_lamp(kernel)
    kernel.fail_with[NUMBERS["GPIO_V2_LINE_SET_VALUES_IOCTL"]] = errno.EIO
    expected = (
        f"the lamp's GPIO line 17 on {path} can't be switched {order} (Input/output error): "
        "switch the enlarger off at its own switch and restart the controller."
    )
    with pytest.raises(HardwareError, match=re.escape(expected)):
        getattr(lamp, order)()
    kernel.fail_with.clear()
    lamp.close()


def test_a_line_that_can_not_be_read_is_an_error_and_not_off(kernel):
    kernel.add_chip(0)
    lamp = open_lamp(kernel)
    kernel.fail_with[NUMBERS["GPIO_V2_LINE_GET_VALUES_IOCTL"]] = errno.EIO
    with pytest.raises(HardwareError, match=r"can't be read \(Input/output error\)"):
        lamp.is_on  # noqa: B018
    lamp.close()


def test_a_lamp_that_can_not_be_switched_off_is_let_go_of_all_the_same(kernel):
    wire = kernel.add_chip(0).wires[PIN]
    lamp = open_lamp(kernel)
    kernel.fail_with[NUMBERS["GPIO_V2_LINE_SET_VALUES_IOCTL"]] = errno.EIO
    with pytest.raises(HardwareError, match="can't be switched off"):
        lamp.close()
    assert not wire.held
    lamp.close()


# ---------------------------------------------------------------- weight

WEIGH = """
import sys
sys.path.insert(0, {root!r})
import {module}
known = [name for name in sys.modules if name.split(".")[0] not in sys.stdlib_module_names]
print(sorted(known))
print([name for name in ("typing", "dataclasses", "logging", "asyncio", "re", "ctypes",
                         "pathlib", "threading") if name in sys.modules])
status = open("/proc/self/status").read()
print(status.split("VmRSS:")[1].split()[0])
"""


@pytest.mark.parametrize("module", ["chip", "chip_inputs", "simulated"])
def test_what_the_small_process_imports_is_light(module):
    # -S leaves out what this machine's site-packages add to every interpreter.
    program = WEIGH.format(root=str(ROOT), module=f"hardware.{module}")
    weighed = subprocess.run(
        [sys.executable, "-S", "-c", program], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    needed = {"errors", module} | ({"chip"} if module == "chip_inputs" else set())
    assert weighed[0] == str(["__main__", "hardware", *sorted(f"hardware.{one}" for one in needed)])
    assert weighed[1] == "[]"
    assert int(weighed[2]) < 15 * 1024, "KiB resident"


def test_a_look_tells_name_and_holder_and_changes_nothing(kernel):
    wire = kernel.add_chip(0).wires[17]

    def look():
        return look_at_line(17, ioctl=kernel.ioctl, device_folder=kernel.folder)

    assert look() == ("GPIO17", "")
    fd = kernel.hold(wire, "another program")
    assert look() == ("GPIO17", "another program")
    assert wire.driven == []
    os.close(fd)


def test_a_look_at_a_line_that_is_not_there_is_refused_in_a_sentence(kernel):
    kernel.add_chip(0, lines=4)
    with pytest.raises(HardwareError, match="has no line 17"):
        look_at_line(17, ioctl=kernel.ioctl, device_folder=kernel.folder)
