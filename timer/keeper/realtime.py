"""Asking the system for what an exact switch-off needs: real-time scheduling, locked memory."""

import ctypes
import gc
import os

PRIORITY = 40
_MCL_CURRENT, _MCL_FUTURE, _MCL_ONFAULT = 1, 2, 4  # sys/mman.h


def ask_for_real_time() -> tuple[bool, bool]:
    """Return whether real-time scheduling and locked memory were granted; neither is required."""
    gc.disable()
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
        scheduled = True
    except OSError:
        scheduled = False
    # On fault: only pages that are used are locked, so that the process stays small.
    libc = ctypes.CDLL(None, use_errno=True)
    locked = libc.mlockall(_MCL_CURRENT | _MCL_FUTURE | _MCL_ONFAULT) == 0
    return scheduled, locked
