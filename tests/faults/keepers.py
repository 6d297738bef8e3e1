"""A keeper with a fault, in place of ``python -m timer.keeper``: ``keepers.py FAULT ...``.

FAULT is "silent" (the lamp goes on and no word is said), "garbage" (the same,
with a word that no keeper says), "once:FILE" (sound where FILE is not there yet,
which is made then; after that it does not start), "then silent:FILE" (the same,
and after that silent), or "memory:on" and "memory:off" (there is none where the
lamp is switched, from the first light on).
"""

import os
import socket
import sys
import time
from pathlib import Path

import hardware.simulated
from hardware.simulated import SimulatedLamp, SimulatedLine
from timer.keeper.__main__ import main


class ForgetfulLamp(SimulatedLamp):
    """A lamp at whose switching the memory is all."""

    at = ""

    def on(self) -> None:
        super().on()
        if self.at == "on":
            raise MemoryError

    def off(self) -> None:
        if self.at == "off" and self.line.level:
            raise MemoryError
        super().off()


def keep(what: str, more: str, arguments: list[str]) -> int:
    """Be a keeper with the fault ``what``, on the arguments that a keeper gets."""
    if what in ("once", "then silent"):
        if Path(more).exists():
            return 1 if what == "once" else keep("silent", "", arguments)
        Path(more).touch()
    elif what == "memory":
        ForgetfulLamp.at = more
        hardware.simulated.SimulatedLamp = ForgetfulLamp  # type: ignore[misc] # the same, worse
    else:
        told = dict(one.split("=", 1) for one in arguments)
        channel = socket.socket(fileno=int(told["channel"]))
        SimulatedLamp(SimulatedLine(told["lamp"].partition(":")[2])).on()
        if what == "garbage":
            channel.send(os.urandom(64))
        time.sleep(600)
    return main(arguments)


if __name__ == "__main__":
    fault, *given = sys.argv[1:]
    sys.exit(keep(*fault.partition(":")[::2], given))
