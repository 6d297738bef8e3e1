"""What is dear to make is made once: kernel and disk, kept until their own making changes."""

import fcntl
import hashlib
import os
import shutil
import tempfile
import tomllib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

from rigging.kernel import build_kernel
from rigging.root import build_root
from rigging.tools import RigImpossibleError

_HERE = Path(__file__).parent


class Parts(NamedTuple):
    """The folder with ``vmlinuz`` and ``initrd``, and the one with ``root.img``."""

    kernel: Path
    root: Path


def cache_folder() -> Path:
    """Return the folder, made if need be."""
    below = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    folder = Path(os.environ.get("TREADLE_RIG_CACHE") or Path(below) / "treadle-rig")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def prepare(checkout: Path) -> Parts:
    """Return kernel and disk, both made at the same time where need be; RigImpossibleError."""
    if os.geteuid() != 0:
        raise RigImpossibleError("making its disk needs root")
    told = tomllib.loads((checkout / "pyproject.toml").read_text(encoding="utf-8"))
    needs = repr([told["build-system"], told["project"]["dependencies"]])
    needs += repr(told["project"]["optional-dependencies"]["gpio"])
    cache = cache_folder()
    with (cache / "lock").open("w") as lock, ThreadPoolExecutor() as both:
        fcntl.flock(lock, fcntl.LOCK_EX)
        kernel = both.submit(_part, cache, "kernel", _key("kernel.py"), build_kernel)
        root = both.submit(
            *(_part, cache, "root", _key("root.py", "agent.py", more=needs)),
            lambda folder: build_root(folder, checkout),
        )
        return Parts(kernel.result(), root.result())


def _key(*names: str, more: str = "") -> str:
    text = more.encode() + b"".join((_HERE / name).read_bytes() for name in names)
    return hashlib.sha256(text).hexdigest()[:16]


def _part(cache: Path, name: str, key: str, build: Callable[[Path], None]) -> Path:
    folder = cache / f"{name}-{key}"
    if folder.exists():
        return folder
    for stale in cache.glob(f"{name}-*"):
        shutil.rmtree(stale)
    making = Path(tempfile.mkdtemp(prefix=f"{name}-being-made-", dir=cache))
    try:
        build(making)
        # Under its own name only when it is whole.
        making.rename(folder)
    finally:
        shutil.rmtree(making, ignore_errors=True)
    return folder
