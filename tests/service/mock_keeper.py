"""A keeper as it is, on a mock pin that writes down each of its changes for the test to read.

One line for a change: its level, and the monotonic clock's nanoseconds just after it.
"""

import os
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from gpiozero.pins.mock import MockFactory, MockPin

import hardware.gpio
from timer.keeper.__main__ import main


class _ToldPin(MockPin):
    def _change_state(self, value):
        changed = super()._change_state(value)
        if changed and self.function == "output":
            line = f"{int(value)} {time.monotonic_ns()}\n"
            fd = os.open(os.environ["TREADLE_TEST_PIN"], os.O_WRONLY | os.O_CREAT | os.O_APPEND)
            os.write(fd, line.encode())
            os.close(fd)
        return changed


if __name__ == "__main__":
    hardware.gpio.make_factory = lambda _name=None: MockFactory(pin_class=_ToldPin)
    sys.exit(main(sys.argv[1:]))
