"""A keeper whose simulated lamp has a fault, or whose daemon has: ``faulty_keeper.py FAULT ...``.

The faults come with the first time that the lamp goes on.
"""

import os
import socket
import sys
import time

from hardware.simulated import SimulatedLamp, SimulatedLine
from timer.clock import SteadyClock
from timer.keeper.keeper import Keeper
from timer.keeper.protocol import Kind, Record, pack


class FaultyLamp(SimulatedLamp):
    """A lamp that goes wrong once it is told to go on."""

    fault = ""

    def on(self) -> None:
        if self.fault == "no light":
            return
        super().on()
        self.welded = self.fault == "welded"
        self.fail_writes = self.fault == "no writes"


def main() -> None:
    fault = sys.argv[1]
    told = dict(one.split("=", 1) for one in sys.argv[2:])
    clock = SteadyClock(int(told["rate"]))
    lamp = FaultyLamp(SimulatedLine(told["lamp"].partition(":")[2], clock.monotonic_ns))
    lamp.fault = fault
    channel = socket.socket(fileno=int(told["channel"]))
    if fault == "alarm first":
        channel.send(pack(Record(Kind.ALARM)))
    elif fault == "garbage":
        channel.send(b"garbage")
    elif fault == "garbage later":
        channel.send(pack(Record(Kind.READY)))
        channel.send(b"garbage")
    elif fault == "silent":
        channel.send(pack(Record(Kind.READY)))
        lamp.on()
        time.sleep(60)
    journal_fd = os.open(told["journal"], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o640)
    Keeper(
        lamp,
        channel,
        clock,
        longest_ns=int(told["longest_ns"]),
        beats_ns=int(told["beats_ns"]),
        journal_fd=journal_fd,
    ).run()


if __name__ == "__main__":
    main()
