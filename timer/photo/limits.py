"""What can't be meant: durations, counts and labels that are refused before any arithmetic."""

import unicodedata

from timer.errors import PlanError

SHORTEST_SECONDS = 0.001
LONGEST_SECONDS = 3600.0
LONGEST_LABEL = 80
# Format characters without which words of some languages can't be written.
_JOINERS = "\u200c\u200d"


def check_seconds(
    seconds: float, what: str, *, least: float = SHORTEST_SECONDS, most: float = LONGEST_SECONDS
) -> float:
    """Return ``seconds`` if an enlarger could be asked for it; PlanError names ``what`` if not."""
    if isinstance(seconds, bool) or not isinstance(seconds, int | float):
        raise PlanError(f"{what}: {seconds!r} is not a number of seconds")
    # Compared before it is converted: an int may be too large to become a float.
    # NaN compares as false with everything, so it is refused here too.
    if not least <= seconds <= most:
        shown = f"{seconds:g}" if isinstance(seconds, float) or abs(seconds) < 10**15 else "so many"
        raise PlanError(
            f"{what}: {shown} s is outside of what can be exposed; give {least:g} s to {most:g} s"
        )
    return float(seconds)


def check_label(label: str, what: str, *, longest: int = LONGEST_LABEL) -> str:
    """Return ``label`` in Unicode's composed form (NFC) if it can be read out and shown."""
    label = unicodedata.normalize("NFC", label)
    shown = label if len(label) <= 20 else label[:20] + "…"
    if not label.strip():
        raise PlanError(f"{what}: it is empty; give it a name that you will know again")
    if len(label) > longest:
        raise PlanError(f"{what}: {shown!r} has {len(label)} characters; use {longest} or fewer")
    if label != label.strip():
        raise PlanError(f"{what}: {shown!r} begins or ends with a blank; leave it out")
    # Categories C*: control, surrogate and unassigned characters garble a terminal or a file.
    if any(
        (unicodedata.category(c)[0] == "C" and c not in _JOINERS) or c in "\u2028\u2029"
        for c in label
    ):
        raise PlanError(f"{what}: {shown!r} has control characters in it; use letters and signs")
    return label
