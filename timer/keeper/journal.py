"""Reading what the keeper noted down: how a pass ended that the daemon did not live to see."""

from dataclasses import dataclass
from pathlib import Path

from timer.errors import StoreError


@dataclass(frozen=True, slots=True)
class KeptPeriod:
    """One lamp-on period; ``off_ns`` is None where the keeper did not live to switch off."""

    order: int
    on_ns: int
    off_ns: int | None


def read_journal(path: Path) -> dict[int, KeptPeriod]:
    """Return the lamp-on periods in the journal at ``path`` by order, without a torn last line."""
    periods: dict[int, KeptPeriod] = {}
    try:
        text = path.read_text(encoding="ascii", errors="replace")
    except FileNotFoundError:
        return periods
    except OSError as error:
        raise _unusable(path, error) from None
    for line in text.splitlines():
        what, *rest = line.split(" ")
        if len(rest) != 4 or not all(word.isdecimal() for word in rest[:3]):
            continue
        order, on_ns, off_ns = (int(word) for word in rest[:3])
        if what == "on":
            periods[order] = KeptPeriod(order, on_ns, None)
        elif what == "off" and off_ns >= on_ns:
            periods[order] = KeptPeriod(order, on_ns, off_ns)
        elif what == "forced":
            # The line keeps its level without its keeper: it was on until it was forced off.
            periods |= {
                one.order: KeptPeriod(one.order, one.on_ns, off_ns)
                for one in periods.values()
                # A stamp from before the on is another boot's and tells nothing.
                if one.off_ns is None and off_ns >= one.on_ns
            }
    return periods


def note_forced_off(path: Path, off_ns: int) -> None:
    """Note in the journal at ``path``, if there is one, that the line was forced off just now."""
    if not path.exists():
        return
    try:
        with path.open("a", encoding="ascii") as journal:
            # A line of its own, whatever the last one lacks: a keeper may have died in it.
            journal.write(f"\nforced 0 0 {off_ns} ORDERED\n")
    except OSError as error:
        raise _unusable(path, error) from None


def set_journal_aside(path: Path) -> Path:
    """Move what the journal at ``path`` tells to the file returned, behind what that tells."""
    old = path.with_suffix(".before")
    try:
        if path.exists():
            with old.open("ab") as both:
                told = path.read_bytes()
                both.write(b"\n" + told if told else b"")  # the last line there may be torn
            path.unlink()
    except OSError as error:
        raise _unusable(path, error) from None
    return old


def _unusable(path: Path, error: OSError) -> StoreError:
    return StoreError(
        f"{path}: the keeper's journal can't be used ({error.strerror}); make room, or move away"
        " what stands there"
    )
