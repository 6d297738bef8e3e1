"""Python runs this first in a daemon under test, and in its keeper: for a wall clock that is set
by the test, and for a disk that takes its time.

Two files say what is tampered with, and may be rewritten at any time: ``wall`` by how many seconds
the wall clock is ahead of the machine's, ``commit`` how many seconds a COMMIT takes. The monotonic
clock is left as it is, as by a real setting of the clock.
"""

import datetime
import functools
import os
import sqlite3
import time
from pathlib import Path

_FOLDER = Path(os.environ["TREADLE_TESTS_TAMPERING"])
_machine_ns = time.time_ns


def _told(name):
    try:
        return float((_FOLDER / name).read_text(encoding="ascii") or 0)
    except FileNotFoundError:
        return 0.0


def _time_ns():
    return _machine_ns() + round(_told("wall") * 1_000_000_000)


def _time():
    return _time_ns() / 1_000_000_000


class _Datetime(datetime.datetime):
    @classmethod
    def now(cls, tz=None):
        return cls.fromtimestamp(_time(), tz)


class _SlowConnection(sqlite3.Connection):
    def execute(self, sql, *values):
        if sql == "COMMIT":
            # Others may run meanwhile, as they may while SQLite waits for a disk.
            time.sleep(_told("commit"))
        return super().execute(sql, *values)


time.time, time.time_ns = _time, _time_ns
datetime.datetime = _Datetime
sqlite3.connect = functools.partial(sqlite3.connect, factory=_SlowConnection)
