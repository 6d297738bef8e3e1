"""Start of the keeper's process: ``python -m timer.keeper`` with what the daemon passes to it."""

import os
import socket
import sys

from hardware.errors import HardwareError
from timer.clock import SteadyClock
from timer.foot import PedalTimes
from timer.keeper.inputs import open_pedal, open_sense
from timer.keeper.keeper import Keeper
from timer.keeper.lamps import open_lamp
from timer.keeper.realtime import ask_for_real_time


def main(arguments: list[str]) -> int:
    """Run the keeper on ``key=value`` arguments, as KeeperSettings of the link writes them."""
    told = dict(one.split("=", 1) for one in arguments)
    clock = SteadyClock(int(told.get("rate", "1")))
    try:
        # The first act of the process: the lamp is off from here on.
        lamp = open_lamp(told["lamp"], clock.monotonic_ns, alone=True)
        pedal = open_pedal(told["pedal"]) if told.get("pedal") else None
        sense = open_sense(told["sense"]) if told.get("sense") else None
    except (HardwareError, ValueError) as error:
        return _failed(error)
    scheduled, locked = ask_for_real_time()
    channel = socket.socket(fileno=int(told["channel"]))
    flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC
    keeper = Keeper(
        lamp,
        channel,
        clock,
        longest_ns=int(told["longest_ns"]),
        beats_ns=int(told["beats_ns"]),
        journal_fd=os.open(told["journal"], flags, 0o640),
        pedal=pedal,
        pedal_times=_times(told.get("pedal_ns", "")),
        pedal_holds=told.get("pedal_holds", "1") == "1",
        sense=sense,
        settle_ns=int(told.get("settle_ns", "0")),
        most_per_hour_ns=int(told.get("most_per_hour_ns", "0")),
    )
    try:
        keeper.run(scheduled=scheduled, locked=locked)
    except HardwareError as error:
        return _failed(error)
    return 0


def _times(text: str) -> PedalTimes:
    return PedalTimes(*map(int, text.split(","))) if text else PedalTimes()


def _failed(error: Exception) -> int:
    sys.stderr.write(f"{error}\n")
    return HardwareError.exit_code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
