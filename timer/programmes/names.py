"""How names of programmes compare, and what to say where one is not there."""

import unicodedata
from collections.abc import Sequence
from difflib import get_close_matches

_LONGEST_SHOWN = 120


def name_key(name: str) -> str:
    """Return what two names share that look alike to a person: NFC, without regard to case."""
    folded = unicodedata.normalize("NFC", name.strip()).casefold()
    # Folding can take a composed letter apart again.
    return unicodedata.normalize("NFC", folded)


def near(name: str, names: Sequence[str]) -> tuple[str, ...]:
    """Return up to three of ``names`` that may have been meant by ``name``, the likeliest first."""
    by_key = {name_key(one): one for one in names}
    # A far longer text is no mistyped name, and would take long to compare.
    wanted = name_key(name[:_LONGEST_SHOWN])
    return tuple(by_key[key] for key in get_close_matches(wanted, by_key, n=3))


def shown(name: str) -> str:
    """Return ``name`` quoted for a message, cut where it is too long to be one."""
    return repr(name if len(name) <= _LONGEST_SHOWN else name[:_LONGEST_SHOWN] + "…")
