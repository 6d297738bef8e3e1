"""Treadle's daemon with loads in its own interpreter: ``python -m tests.bench.launcher``."""

import argparse
import asyncio
import ctypes
import logging
import resource
import threading
import time
from pathlib import Path

from tests.bench.loads import start_inside
from timer.service.config import Config, load_config
from timer.service.daemon import serve

_PR_CAPBSET_DROP, _CAP_SYS_NICE = 24, 23  # linux/prctl.h, linux/capability.h


def refuse_real_time() -> None:
    """Take from this process and its children what they would need for real-time scheduling."""
    resource.setrlimit(resource.RLIMIT_RTPRIO, (0, 0))
    # Only root has it, and root may drop it; the keeper's exec() then does not get it back.
    ctypes.CDLL(None).prctl(_PR_CAPBSET_DROP, _CAP_SYS_NICE, 0, 0, 0)


def _start_loads(config: Config, inside: list[str]) -> None:
    """Start the loads once the daemon is up; how it starts is measured elsewhere."""
    socket = Path(config.service.socket)
    while not socket.exists():
        time.sleep(0.05)
    start_inside(inside, Path(config.service.data))


def _main() -> None:
    parser = argparse.ArgumentParser(description="The daemon, with loads inside it.")
    parser.add_argument("config", type=Path)
    parser.add_argument("inside", nargs="*")
    parser.add_argument("--no-real-time", action="store_true")
    args = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    logging.getLogger("transitions").setLevel(logging.WARNING)
    if args.no_real_time:
        refuse_real_time()
    config = load_config(args.config)
    threading.Thread(target=_start_loads, args=(config, args.inside), daemon=True).start()
    asyncio.run(serve(config))


if __name__ == "__main__":
    _main()
