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
    fault, lamp_text, channel_fd, rate, longest_ns, beats_ns, journal = sys.argv[1:]
    clock = SteadyClock(int(rate))
    lamp = FaultyLamp(SimulatedLine(lamp_text.partition(":")[2], clock.monotonic_ns))
    lamp.fault = fault
    channel = socket.socket(fileno=int(channel_fd))
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
    journal_fd = os.open(journal, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o640)
    Keeper(
        lamp,
        channel,
        clock,
        longest_ns=int(longest_ns),
        beats_ns=int(beats_ns),
        journal_fd=journal_fd,
    ).run()


if __name__ == "__main__":
    main()
