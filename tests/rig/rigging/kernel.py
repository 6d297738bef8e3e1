"""Debian's kernel, with a GPIO chip in it that a test can work: gpio-sim.

Debian does not build that module, so it is built here from Debian's own source of the
same version, with Debian's headers. All of it is fetched by apt when it is wanted; none
of it is kept in the repository. What the chip offers is told by the kernel's
Documentation/admin-guide/gpio/gpio-sim.rst.

The initial file system makes the chip before anything else runs, and starts the trace
that hears every write to the lamp's line, so that nothing of a start is missed.
"""

import os
import re
import shutil
from pathlib import Path

from rigging.tools import RigImpossibleError, tool

LAMP_PIN = 17
PEDAL_PIN = 27
# A label of the chip behind a Raspberry Pi's header: the configuration need not name the chip.
CHIP_LABEL = "pinctrl-bcm2711"
HEADER_LINES = 28

_MODULES = ("virtio_pci", "virtio_blk", "virtio_console", "ext4", "loop", "gpio-sim")
_BUSYBOX = Path("/bin/busybox")

_INIT = """\
#!/bin/busybox sh
b=/bin/busybox
$b mount -t proc proc /proc
$b mount -t sysfs sysfs /sys
$b mount -t devtmpfs dev /dev
for module in $($b cat /modules); do $b insmod $module || echo "rig: $module was refused"; done
$b mount -t configfs configfs /sys/kernel/config
$b mount -t tracefs tracefs /sys/kernel/tracing
chip=/sys/kernel/config/gpio-sim/rig
$b mkdir -p $chip/bank
echo LINES > $chip/bank/num_lines
echo LABEL > $chip/bank/label
echo 1 > $chip/live
base=$($b cat /sys/class/gpio/gpiochip*/base)
trace=/sys/kernel/tracing/instances/rig
$b mkdir $trace
echo mono > $trace/trace_clock
echo 8192 > $trace/buffer_size_kb
for event in gpio_value gpio_direction; do
    echo "gpio == $((base + LAMP))" > $trace/events/gpio/$event/filter
    echo 1 > $trace/events/gpio/$event/enable
done
until [ -b /dev/vda ]; do $b usleep 20000; done
$b mount -t ext4 -o noatime /dev/vda /new
for one in sys proc dev; do $b mount --move /$one /new/$one; done
exec $b switch_root /new /sbin/init
"""


def build_kernel(folder: Path) -> None:
    """Put ``vmlinuz`` and ``initrd`` into ``folder``, which exists; raises RigImpossibleError."""
    work = folder / "work"
    work.mkdir()
    version = _version()
    release = f"{version}-amd64"
    _fetch(work, version)
    shutil.copy(work / f"boot/vmlinuz-{release}", folder / "vmlinuz")
    _build_chip(work, version)
    _build_initrd(folder, work, release)
    shutil.rmtree(work)


def _version() -> str:
    """Return Debian's present kernel, such as 6.1.0-57."""
    lacking = "no kernel image can be found"
    # A new machine's apt knows nothing yet, and an old one's what is no longer to be had.
    tool(["apt-get", "update", "-qq"], lacking)
    told = tool(["apt-cache", "depends", "linux-image-amd64"], lacking)
    found = re.search(r"linux-image-(\S+)-amd64", told.partition("\n")[2])
    if not found:
        raise RigImpossibleError(f"{lacking}: apt knows no linux-image-amd64")
    return found[1]


def _fetch(work: Path, version: str) -> None:
    """Fetch image, headers and source of one version, and unpack them below ``work``."""
    series = ".".join(version.split(".")[:2])
    image = f"linux-image-{version}-amd64"
    depends = tool(["apt-cache", "show", "--no-all-versions", image], "no kernel image")
    exact = re.search(r"^Version: (\S+)$", depends, re.M)
    assert exact is not None
    names = (
        image,
        f"linux-headers-{version}-amd64",
        f"linux-headers-{version}-common",
        f"linux-kbuild-{series}",
        f"linux-source-{series}",
    )
    tool(
        ["apt-get", "download", "-qq", *(f"{name}={exact[1]}" for name in names)],
        "kernel, headers and source can't be fetched",
        folder=work,
    )
    for package in work.glob("*.deb"):
        tool(["dpkg-deb", "-x", package, work], "a kernel package can't be unpacked")
        package.unlink()


def _build_chip(work: Path, version: str) -> None:
    """Build gpio-sim.ko and put it among the modules of the image."""
    series = ".".join(version.split(".")[:2])
    source = f"linux-source-{series}"
    wanted = (
        "drivers/gpio/gpio-sim.c",
        "drivers/gpio/gpiolib.h",
        "kernel/irq/irq_sim.c",
    )
    tool(
        [
            *("tar", "-xf", work / f"usr/src/{source}.tar.xz", "-C", work, "--occurrence=1"),
            *(f"{source}/{name}" for name in wanted),
        ],
        "the kernel's source can't be unpacked",
    )
    build = work / "chip"
    build.mkdir()
    shutil.copy(work / source / wanted[0], build / "gpio-sim-main.c")
    shutil.copy(work / source / wanted[1], build)
    # The kernel lends irq_to_desc to no module; this call takes the number and does the same.
    simulated = (work / source / wanted[2]).read_text(encoding="utf-8")
    lent = simulated.replace("handle_simple_irq(irq_to_desc(irqnum))", "generic_handle_irq(irqnum)")
    (build / "irq_sim.c").write_text(lent, encoding="utf-8")
    (build / "Kbuild").write_text("obj-m := gpio-sim.o\ngpio-sim-y := gpio-sim-main.o irq_sim.o\n")
    headers = work / f"usr/src/linux-headers-{version}-amd64"
    # The headers name one another by the places where they would be installed.
    makefile = (headers / "Makefile").read_text(encoding="utf-8")
    (headers / "Makefile").write_text(makefile.replace("/usr/src", f"{work}/usr/src"))
    tool(
        ["make", "-C", headers, f"M={build}", "modules"],
        "gpio-sim can't be built",
    )
    updates = work / f"lib/modules/{version}-amd64/updates"
    updates.mkdir()
    shutil.copy(build / "gpio-sim.ko", updates)


def _build_initrd(folder: Path, work: Path, release: str) -> None:
    if not _BUSYBOX.exists():
        raise RigImpossibleError("busybox is missing: apt-get install busybox-static")
    tool(["depmod", "-b", work, release], "the kernel's modules can't be ordered")
    tree = work / "initrd"
    for name in ("bin", "proc", "sys", "dev", "new", "m"):
        (tree / name).mkdir(parents=True)
    shutil.copy(_BUSYBOX, tree / "bin/busybox")
    order: list[str] = []
    for module in _MODULES:
        told = tool(
            ["modprobe", "-d", work, "-S", release, "--show-depends", module],
            f"the kernel has no module {module}",
        )
        for path in re.findall(r"^insmod (\S+)", told, re.M):
            inside = f"/m/{Path(path).name}"
            if inside not in order:
                shutil.copy(path, tree / "m")
                order.append(inside)
    (tree / "modules").write_text("\n".join(order) + "\n", encoding="ascii")
    script = _INIT.replace("LINES", str(HEADER_LINES)).replace("LABEL", CHIP_LABEL)
    (tree / "init").write_text(script.replace("LAMP", str(LAMP_PIN)), encoding="ascii")
    (tree / "init").chmod(0o755)
    tool(
        ["sh", "-c", 'find . | cpio --quiet -o -H newc | gzip -1 > "$0"', folder / "initrd"],
        "the initial file system can't be packed",
        folder=tree,
    )
    os.sync()
