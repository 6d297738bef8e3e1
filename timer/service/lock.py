"""The lock that keeps a second daemon away from an enlarger."""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from timer.errors import ServiceError


def _open(runtime: Path) -> int:
    path = runtime / "treadle.lock"
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except OSError as error:
        raise ServiceError(
            f"{path}: can't be opened ({error.strerror}); check who may write to that folder"
        ) from None


def _take(lock_fd: int) -> bool:
    try:
        fcntl.flock(lock_fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


@contextmanager
def only_daemon(runtime: Path) -> Iterator[None]:
    """Hold the lock while inside; ServiceError where another daemon holds it.

    The system frees it when the process ends, however it ends.
    """
    lock_fd = _open(runtime)
    try:
        if not _take(lock_fd):
            raise ServiceError(
                f"{runtime / 'treadle.lock'}: another daemon runs this enlarger already;"
                " stop it first"
            )
        yield
    finally:
        os.close(lock_fd)


def is_locked(runtime: Path) -> bool:
    """Whether a daemon runs the enlarger whose runtime folder is ``runtime``."""
    if not (runtime / "treadle.lock").exists():
        return False
    lock_fd = _open(runtime)
    try:
        return not _take(lock_fd)
    finally:
        os.close(lock_fd)
