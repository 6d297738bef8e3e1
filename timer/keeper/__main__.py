"""Start of the keeper's process: ``python -m timer.keeper`` with what the daemon passes to it."""

import os
import socket
import sys

from hardware.errors import HardwareError
from timer.clock import SteadyClock
from timer.keeper.keeper import Keeper
from timer.keeper.lamps import open_lamp
from timer.keeper.realtime import ask_for_real_time


def main(arguments: list[str]) -> int:
    """Run the keeper on ``lamp channel_fd clock_rate longest_ns beats_ns journal_path``."""
    lamp_text, channel_fd, rate, longest_ns, beats_ns, journal = arguments
    clock = SteadyClock(int(rate))
    try:
        # The first act of the process: the lamp is off from here on.
        lamp = open_lamp(lamp_text, clock.monotonic_ns)
    except (HardwareError, ValueError) as error:
        return _failed(error)
    scheduled, locked = ask_for_real_time()
    channel = socket.socket(fileno=int(channel_fd))
    journal_fd = os.open(journal, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o640)
    keeper = Keeper(
        lamp,
        channel,
        clock,
        longest_ns=int(longest_ns),
        beats_ns=int(beats_ns),
        journal_fd=journal_fd,
    )
    try:
        keeper.run(scheduled=scheduled, locked=locked)
    except HardwareError as error:
        return _failed(error)
    return 0


def _failed(error: Exception) -> int:
    sys.stderr.write(f"{error}\n")
    return HardwareError.exit_code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
