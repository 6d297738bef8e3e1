"""Running programs of this machine, and saying in one line why one of them was no use."""

import subprocess
from collections.abc import Sequence
from pathlib import Path


class RigImpossibleError(Exception):
    """Says in one line what this machine lacks, so that nothing can be proven on it."""


def tool(
    command: Sequence[str | Path],
    lacking: str,
    *,
    folder: Path | None = None,
    seconds: float = 300.0,
) -> str:
    """Run ``command`` in ``folder`` and return what it printed.

    Raises RigImpossibleError with ``lacking``, which says what is not to be had then, and the
    last line that the command said.
    """
    try:
        done = subprocess.run(
            command,
            cwd=folder,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=seconds,
            check=False,
        )
    except FileNotFoundError:
        raise RigImpossibleError(f"{lacking}: the program {command[0]} is missing") from None
    except subprocess.TimeoutExpired:
        raise RigImpossibleError(
            f"{lacking}: {command[0]} took over {seconds:.0f} seconds"
        ) from None
    if done.returncode:
        said = (done.stderr.strip() or done.stdout.strip() or "it said nothing").splitlines()
        raise RigImpossibleError(f"{lacking}: {command[0]}: {said[-1]}")
    return done.stdout
