"""The floor that the operating system sets: cyclictest, run beside what is measured."""

import re
import shutil
import signal
import subprocess
from pathlib import Path
from types import TracebackType

from tests.bench.figures import Summary, summary_of_counts
from timer.keeper.realtime import PRIORITY

_MOST_US = 60_000


class Floor:
    """cyclictest while inside ``with``; then its histogram, how late it woke in ms to how often.

    One thread at the keeper's priority on all cores, as the keeper is, once a millisecond.
    It does not tune the machine: what it would gain, the keeper beside it would gain, too.
    """

    def __init__(self, file: Path, *, real_time: bool) -> None:
        self._file = file
        self._command = [
            "cyclictest", "-m", "-q", "-t", "1", "-i", "1000", "--default-system",
            "-h", str(_MOST_US), f"--histfile={file}",
            *(["-p", str(PRIORITY)] if real_time else ["-p", "0", "--policy=other"]),
        ]  # fmt: skip
        self._process: subprocess.Popen[bytes] | None = None
        self.counts: dict[float, int] = {}
        self.summary: Summary | None = None

    def __enter__(self) -> "Floor":
        if shutil.which(self._command[0]):
            self._process = subprocess.Popen(
                self._command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL, start_new_session=True,
            )  # fmt: skip
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        if self._process is None:
            return
        self._process.send_signal(signal.SIGINT)
        try:
            self._process.wait(10.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if self._file.exists():
            self._read(self._file.read_text(encoding="ascii"))

    def _read(self, text: str) -> None:
        for late_us, count in re.findall(r"^(\d+)\s+(\d+)$", text, re.M):
            if int(count):
                self.counts[int(late_us) / 1000] = int(count)
        worst = re.search(r"Max Latencies: (\d+)", text)
        over = re.search(r"Histogram Overflows: (\d+)", text)
        if worst is None:
            return
        worst_ms = int(worst.group(1)) / 1000
        if over is not None and int(over.group(1)):
            # What was off the scale is counted at the largest that was seen.
            self.counts[worst_ms] = self.counts.get(worst_ms, 0) + int(over.group(1))
        self.summary = summary_of_counts(self.counts, worst=worst_ms)
