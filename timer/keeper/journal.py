"""Reading what the keeper noted down: how a pass ended that the daemon did not live to see."""

from dataclasses import dataclass
from pathlib import Path


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
    for line in text.splitlines():
        what, *rest = line.split(" ")
        if len(rest) != 4 or not all(word.isdecimal() for word in rest[:3]):
            continue
        order, on_ns, off_ns = (int(word) for word in rest[:3])
        if what == "on":
            periods[order] = KeptPeriod(order, on_ns, None)
        elif what == "off":
            periods[order] = KeptPeriod(order, on_ns, off_ns)
        elif what == "forced":
            # The line keeps its level without its keeper: it was on until it was forced off.
            periods |= {
                one.order: KeptPeriod(one.order, one.on_ns, off_ns)
                for one in periods.values()
                if one.off_ns is None
            }
    return periods


def note_forced_off(path: Path, off_ns: int) -> None:
    """Note in the journal at ``path``, if there is one, that the line was forced off just now."""
    if path.exists():
        with path.open("a", encoding="ascii") as journal:
            journal.write(f"forced 0 0 {off_ns} ORDERED\n")
