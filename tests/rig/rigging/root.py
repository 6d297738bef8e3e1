"""The guest's disk: a small Debian with systemd, as a printer would find it on a new board.

What a Raspberry Pi OS brings is made here: the group gpio, the rule that gives it the
chips, and a user who may use sudo. There is no network inside: pip is set, in
/etc/pip.conf, to take packages from a folder of wheels and from nowhere else. That is
"the package index that pip is set to use", to which install.sh keeps.

gpiozero with lgpio asks /proc/cpuinfo which Raspberry Pi this is, and refuses a machine
that is none. A drop-in for the service, the only thing that is not as on a Pi, puts a
copy with a revision code over it: b03115, a Pi 4B by Raspberry Pi's documentation,
"Raspberry Pi revision codes".
"""

import shutil
import sys
import tomllib
from pathlib import Path

from rigging.tools import tool

SUITE = "bookworm"  # python3.11, for which the wheels are chosen
PYTHON = "3.11"
PRINTER = "printer"
STRANGER = "stranger"
DISK_MEBIBYTES = 1200

_PACKAGES = "systemd,systemd-sysv,udev,python3,python3-venv,procps,util-linux,e2fsprogs,sudo"
_REVISION = "b03115"
_DROP_IN = """\
[Service]
BindReadOnlyPaths=/etc/rig/cpuinfo:/proc/cpuinfo
"""
_AGENT = """\
[Unit]
Description=Works for the tests
DefaultDependencies=no
After=systemd-udevd.service local-fs.target

[Service]
ExecStart=/usr/bin/python3 -I /etc/rig/agent.py
Restart=always
OOMScoreAdjust=-900

[Install]
WantedBy=sysinit.target
"""
_FILES = {
    "etc/fstab": "/dev/vda / ext4 noatime 0 1\n",
    "etc/hostname": "darkroom\n",
    "etc/hosts": "127.0.0.1 localhost darkroom\n",
    "etc/pip.conf": "[global]\nno-index = true\nfind-links = /opt/wheels\n",
    # As Raspberry Pi OS has it in its 99-com.rules (from memory).
    "etc/udev/rules.d/99-com.rules": 'SUBSYSTEM=="gpio", GROUP="gpio", MODE="0660"\n',
    "etc/sudoers.d/printer": f"{PRINTER} ALL=(ALL) NOPASSWD: ALL\n",
    "etc/systemd/system/rig-agent.service": _AGENT,
    "etc/systemd/system/treadle.service.d/rig.conf": _DROP_IN,
    "etc/rig/cpuinfo": f"Hardware\t: BCM2835\nRevision\t: {_REVISION}\n",
    "etc/systemd/journald.conf.d/rig.conf": "[Journal]\nStorage=persistent\n",
}


def build_root(folder: Path, checkout: Path) -> None:
    """Put the disk ``root.img`` into ``folder``, which exists; raises RigImpossibleError."""
    tree = folder / "tree"
    tool(
        [
            "mmdebstrap",
            "--mode=root",
            "--variant=minbase",
            f"--include={_PACKAGES}",
            "--dpkgopt=path-exclude=/usr/share/man/*",
            "--dpkgopt=path-exclude=/usr/share/doc/*",
            "--dpkgopt=path-exclude=/usr/share/locale/*",
            SUITE,
            tree,
        ],
        "the guest's Debian can't be made",
    )
    for name, text in _FILES.items():
        file = tree / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, encoding="utf-8")
    shutil.copy(Path(__file__).parent / "agent.py", tree / "etc/rig")
    for command in (
        ["groupadd", "--system", "gpio"],
        ["useradd", "--create-home", PRINTER],
        ["useradd", "--create-home", STRANGER],
        ["systemctl", "enable", "rig-agent.service"],
        # Nobody logs in, and nothing is to run by itself while stamps are compared.
        ["systemctl", "mask", "getty.target", "apt-daily.timer", "apt-daily-upgrade.timer"],
        ["systemctl", "mask", "e2scrub_all.timer", "e2scrub_reap.service", "fstrim.timer"],
    ):
        tool(["chroot", tree, *command], "the guest's Debian can't be set up")
    _fetch_wheels(tree / "opt/wheels", checkout)
    image = folder / "root.img"
    with image.open("wb") as file:
        file.truncate(DISK_MEBIBYTES << 20)
    tool(["mke2fs", "-q", "-t", "ext4", "-d", tree, image], "the guest's disk can't be made")
    shutil.rmtree(tree)


def _fetch_wheels(wheels: Path, checkout: Path) -> None:
    """Fetch what ``pip install '.[gpio]'`` will ask for, built for the guest's Python."""
    told = tomllib.loads((checkout / "pyproject.toml").read_text(encoding="utf-8"))
    wanted = [
        *told["build-system"]["requires"],
        *told["project"]["dependencies"],
        *told["project"]["optional-dependencies"]["gpio"],
        "wheel",
    ]
    platforms = [f"--platform=manylinux_2_{minor}_x86_64" for minor in range(36, 16, -1)]
    tool(
        [
            *(sys.executable, "-m", "pip", "download", "--quiet", "--only-binary=:all:"),
            *(f"--python-version={PYTHON}", "--implementation=cp", *platforms),
            *("--platform=manylinux2014_x86_64", f"--dest={wheels}", *wanted),
        ],
        "Treadle's Python packages can't be fetched",
    )
