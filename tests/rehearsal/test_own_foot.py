"""A person rehearses in a real terminal, with the keyboard for a pedal."""

import os
import pty
import re
import select
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
WAITING = re.compile(rb"waiting: pass \d")
PATIENCE_SECONDS = 60.0
PRESS_AGAIN_SECONDS = 0.5


def test_by_keyboard_the_whole_rehearsal_is_made(tmp_path):
    ours, theirs = pty.openpty()
    rehearsal = subprocess.Popen(
        [sys.executable, "-m", "timer.service.cli", "rehearse", "--foot", "--fast"],
        stdin=theirs, stdout=theirs, stderr=theirs, cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm", "COLUMNS": "100"},
    )  # fmt: skip
    os.close(theirs)
    shown, pressed_at, ends_at = b"", 0.0, time.monotonic() + PATIENCE_SECONDS
    try:
        while time.monotonic() < ends_at:
            if select.select((ours,), (), (), 0.1)[0]:
                try:
                    shown += os.read(ours, 65536)
                except OSError:  # so a terminal ends whose program has left
                    break
            is_waiting = shown.rfind(b"waiting: pass") > shown.rfind(b"exposing: pass")
            # On a machine that is too busy the fast clock makes a tap long; a person presses again.
            if is_waiting and time.monotonic() - pressed_at > PRESS_AGAIN_SECONDS:
                pressed_at = time.monotonic()
                os.write(ours, b" ")
        assert rehearsal.wait(PATIENCE_SECONDS) == 0, shown.decode(errors="replace")
    finally:
        rehearsal.kill()
        rehearsal.wait()
        os.close(ours)
    assert len(WAITING.findall(shown)) >= 3  # the strip, the base, the burn
    assert shown.count(b"done: pass") == 2
    assert b"s left" in shown
    assert b"no light" not in shown
