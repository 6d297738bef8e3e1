"""After a crash or a power cut: what the interrupted pass had received, and what is left."""

from collections.abc import Iterable
from dataclasses import dataclass

from timer.clock import to_seconds
from timer.control.control import SHORTEST_REST_NS
from timer.control.run import Run
from timer.errors import FormatError
from timer.keeper.journal import KeptPeriod
from timer.programmes.passes import passes_of
from timer.record.sheets import PassRecord, SheetRecord
from timer.record.store import Record


@dataclass(frozen=True, slots=True)
class Recovered:
    """Where to go on: ``run`` is held, unless only ``paper_is_out`` is known; ``text`` says why."""

    run: Run | None = None
    paper_is_out: bool = False
    text: str | None = None


def recover(record: Record, kept: Iterable[KeptPeriod], boot_id: str, now_ns: int) -> Recovered:
    """Complete the record of the sheet that was open, and return where to go on.

    ``kept`` are the exposures in the keeper's journal. The lamp must be off,
    and ``now_ns`` be later than that.
    """
    unfinished = record.unfinished()
    if unfinished is None:
        return Recovered(paper_is_out=record.paper_is_out())
    number = unfinished.sheet.number
    kept = tuple(kept)
    try:
        unfinished.programme  # noqa: B018 -- read for what it raises
    except FormatError as error:
        record.close_sheet(number, "interrupted")
        return Recovered(paper_is_out=True, text=f"{error}; the sheet is closed")
    _replay(record, number, sorted(kept, key=lambda one: one.order), boot_id)
    sheet = record.sheet(number)
    run = Run(sheet.programme, sheet.version, passes_of(sheet.programme), sheet.number)
    run.exposed = any(one.begun_ns is not None for one in sheet.passes)
    one = _present(sheet)
    if one is None or not run.exposed:
        record.close_sheet(number, "complete" if one is None else "interrupted")
        return Recovered(run, paper_is_out=True, text=f"sheet {number} was open; it is closed now")
    run.go_to(one.number - 1)
    if one.state != "begun":
        text = f"sheet {number} goes on with pass {one.number}, which had not begun"
        return Recovered(run, text=text)
    least_ns, most_ns = _bounds(one, boot_id, now_ns, kept)
    if least_ns != most_ns:
        record.set_received(number, one.number, least_ns, most_ns)
    run.begun = True
    run.received_ns = (least_ns + most_ns) // 2
    return Recovered(run, text=_told(sheet, one, least_ns, most_ns))


def _replay(record: Record, number: int, kept: list[KeptPeriod], boot_id: str) -> None:
    """Write into the record what only the keeper's journal knows."""
    # The journal tells of the whole evening: what the sheets before have had is theirs.
    theirs = record.latest_order(before=number)
    for period in kept:
        sheet = record.sheet(number)
        one = _present(sheet)
        if one is None:
            return
        known = -1 if one.order_id is None else one.order_id
        if period.order < known or period.order <= max(theirs, _latest_ended_order(sheet)):
            continue
        if period.order > known:
            record.begin_pass(number, one.number, period.order, boot_id, period.on_ns)
        elif not one.awaits_period:
            continue
        if period.off_ns is None:
            continue
        record.add_period(number, one.number, period.on_ns, period.off_ns)
        received_ns = _known(one)[0] + period.off_ns - period.on_ns
        if received_ns >= one.intended_ns - SHORTEST_REST_NS:
            record.end_pass(number, one.number, "complete")


def _latest_ended_order(sheet: SheetRecord) -> int:
    """Return the last order of the passes that have ended: the journal adds nothing to those."""
    ended = (one.order_id for one in sheet.passes if one.state not in ("planned", "begun"))
    return max((order for order in ended if order is not None), default=-1)


def _present(sheet: SheetRecord) -> PassRecord | None:
    """Return the first pass that has not ended, None where all have."""
    return next((one for one in sheet.latest if one.state in ("planned", "begun")), None)


def _known(one: PassRecord) -> tuple[int, int]:
    """Return the least and the most that the record holds, earlier bounds included."""
    if one.received is not None:
        return one.received.least_ns, one.received.most_ns
    return one.measured_ns, one.measured_ns


def _bounds(
    one: PassRecord, boot_id: str, now_ns: int, kept: Iterable[KeptPeriod]
) -> tuple[int, int]:
    """Return the least and the most that a pass which had begun can have received."""
    known_least_ns, known_most_ns = _known(one)
    # What an earlier start has bounded stays as it is: the lamp has been off since.
    if one.begun_ns is None or not one.awaits_period:
        return known_least_ns, known_most_ns
    least_ns = max(known_least_ns, one.marked_ns or 0)
    # Wherever power or daemon went, a keeper would have switched off when the pass was over.
    most_ns = one.intended_ns
    if one.boot_id == boot_id:
        since_on_ns = known_most_ns + now_ns - one.begun_ns
        lost_its_keeper = any(k.order == one.order_id and k.off_ns is None for k in kept)
        # Without its keeper the line may have been on until just now.
        most_ns = since_on_ns if lost_its_keeper else min(since_on_ns, most_ns)
    return least_ns, max(least_ns, most_ns)


def _told(sheet: SheetRecord, one: PassRecord, least_ns: int, most_ns: int) -> str:
    received = f"{to_seconds(least_ns):.3f}"
    if least_ns != most_ns:
        received = f"between {received} and {to_seconds(most_ns):.3f}"
    return (
        f"sheet {sheet.number}, pass {one.number} was interrupted: it had received {received} s of"
        f" {to_seconds(one.intended_ns):.3f} s; tap to give the rest, or press long to give it up"
    )
