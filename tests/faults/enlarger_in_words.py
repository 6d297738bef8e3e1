"""What an enlarger must do, told as a printer would, for its control to be held against.

It knows nothing of the control's table, pedal grammar or run. It is told the same raw
happenings (edges of the pedal, requests, the disk's and the keeper's answers, the time) and says
after each where the enlarger must then be, which light must have been ordered, what must be
written, and how much light the sheet has had.

All times are nanoseconds.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

S = 1_000_000_000
MS = 1_000_000

# What the owner's guide promises for the pedal, in its default setting.
LONG, VERY_LONG, STUCK = 800 * MS, 2500 * MS, 15 * S
BOUNCE, SPIKE = 50 * MS, 8 * MS
REST, CHATTER = 25 * MS, 100 * MS  # a contact comes to rest for so long, and within so long
ON_ITS_WAY = 30 * MS  # a lift may still be on its way when a length is reached
STANDSTILL = 250 * MS  # what comes later than this fell into a standstill of the machine
HURRY = 700 * MS  # a second tap sooner than this belongs to the first
VIEWING_LIMIT = 180 * S
NOT_WORTH_IT = 1 * MS  # what is left of a pass below this is not exposed

# Where light may fall, and where the paper is known to be safe.
LIT = ("viewing", "exposing")
PAPER_SAFE = ("dark", "viewing")


@dataclass
class Paper:
    """One sheet: the passes that it is to get, and what the present one has had."""

    kind: str
    passes: list[int]
    pauses: list[int | None]  # before each pass: a pause that is counted, or the pedal
    name: Any = None  # what the record calls it
    written: bool = False
    being_written: bool = True
    closed: bool = False
    at: int = 0
    had: int = 0
    had_light: bool = False
    any_light: bool = False
    done: bool = False
    fogged: bool = False

    @property
    def wants(self) -> int:
        return self.passes[self.at]

    @property
    def left(self) -> int:
        return max(0, self.wants - self.had)

    def enough(self, also: int = 0) -> bool:
        return self.had_light and self.had + also >= self.wants - NOT_WORTH_IT

    @property
    def is_last(self) -> bool:
        return self.at == len(self.passes) - 1

    @property
    def next_is_counted(self) -> bool:
        return not self.is_last and self.pauses[self.at + 1] is not None

    def go_to(self, at: int) -> None:
        self.at, self.had, self.had_light = at, 0, False

    @property
    def to_repeat(self) -> int | None:
        """Which pass "once more" means: the one just made, where there is one."""
        if not self.any_light:
            return None
        if self.done:
            return self.at
        return self.at - 1 if self.at else None

    def is_open(self) -> bool:
        return self.written and not (self.closed or self.done or self.being_written or self.fogged)


@dataclass
class Foot:
    """A foot on a switch whose contact bounces: what it did is told to ``meant(what, stamp)``.

    The first edge counts; what follows within the bounce does not, but the contact's level at
    its end does, once it has come to rest. A contact that does not for long was no foot's.
    """

    meant: Callable[[str, int], None]
    is_down: bool = False
    down_at: int = 0
    contact: bool = False
    contact_at: int = 0
    deaf_since: int = 0
    deaf_until: int | None = None
    no_foot: bool = False
    ahead: list[tuple[int, str]] = field(default_factory=list)

    def edge(self, down: bool, at: int) -> None:
        self._hear_again(at)
        self._lengths(at, at)
        self.contact, self.contact_at = down, at
        if self.deaf_until is not None:
            rest = REST if self.is_down else 0  # only a lift is waited for
            self.deaf_until = max(self.deaf_until, at + rest)
        elif down != self.is_down:
            self._move(at)

    def time(self, now: int) -> None:
        self._hear_again(now)
        self._lengths(now - ON_ITS_WAY, now)

    def _hear_again(self, now: int) -> None:
        if self.deaf_until is not None and now >= self.deaf_until:
            if self.deaf_until - self.deaf_since > CHATTER:
                self.no_foot = True
            self.deaf_until = None
            if self.contact != self.is_down:
                self._move(max(self.contact_at, self.down_at))

    def _move(self, at: int) -> None:
        self.is_down, self.deaf_since, self.deaf_until = self.contact, at, at + BOUNCE
        if self.is_down:
            self.down_at, self.no_foot = at, False
            self.ahead = [(at + LONG, "long"), (at + STUCK, "stuck")]
            self.meant("down", at)
            return
        self.ahead, lasted = [], at - self.down_at
        if lasted < SPIKE or self.no_foot:
            self.meant("spike", at)
        elif lasted < LONG:
            self.meant("tap", at)
        else:
            self.meant("once more" if lasted < VERY_LONG else "leave", at)

    def _lengths(self, until: int, now: int) -> None:
        while self.ahead and self.ahead[0][0] <= until:
            at, what = self.ahead.pop(0)
            # Nobody knows what a foot meant that a standstill went over.
            at_rest = self.deaf_until is None and not self.no_foot
            if what == "stuck" or (at_rest and now - at <= STANDSTILL):
                self.meant(what, at)


class Enlarger:
    """The enlarger in words.

    ``where`` is what the printer sees; ``light`` the orders for light that must have been given
    by the last happening, as ("view" or "expose", duration, why); ``goes_off`` whether it must
    have ordered the lamp off; ``writes`` how many sheets or repeats the record must have been
    asked for; ``agrees`` whether what was asked was taken.
    """

    def __init__(self, *, pedal_holds: bool = True) -> None:
        self.where = "dark"
        self.paper: Paper | None = None
        self.latest: Paper | None = None
        self.foot = Foot(self._foot)
        self.keeper_is_well: Callable[[], bool] = lambda: True
        self._pedal_holds = pedal_holds
        self._order = 0
        self._ordered_at = 0
        self._on_at: int | None = None
        self._nobody_took_it_at: int | None = None
        self._pause_ends: int | None = None
        self._came_here_at = 0
        self._foot_is_for_here = False
        self._foot_came_down_at = 0
        self._armed_by_foot_at: int | None = None
        self._wanted: Paper | None = None
        self.begin()

    def begin(self) -> None:
        """Forget what the last happening demanded."""
        self.light: list[tuple[str, int, str]] = []
        self.goes_off = False
        self.writes = 0
        self.agrees = True

    def order_was(self, number: int) -> None:
        """Take note of the number that the light just ordered was given; 0: no one took it."""
        self._order = number

    # What happens.

    def edge(self, down: bool, at: int, *, stale: bool = False) -> None:
        """The pedal's contact moved; ``stale``: so long ago that nothing may start by it."""
        if stale:
            self._foot_is_for_here = False
        self.foot.edge(down, at)
        if stale:
            self._foot_is_for_here = False

    def time(self, now: int) -> None:
        self.foot.time(now)
        if self._pause_ends is not None and now >= self._pause_ends:
            ended, self._pause_ends = self._pause_ends, None
            if now - ended > STANDSTILL:
                self._go("held", now)
            else:
                self._expose(ended, "the pause ended")
        if self._nobody_took_it_at is not None:
            self.keeper_lost(self._nobody_took_it_at)

    def arm(self, paper: Paper, at: int) -> None:
        free = self.where in ("dark", "viewing", "paper out", "done")
        if free or (self.where == "waiting" and not self._has_light()):
            self._take(paper, at)
        else:
            self._refuse()

    def view(self, at: int) -> None:
        if self.where == "dark":
            self._view(at, "asked for")
        elif self.where != "viewing":
            self._refuse()

    def go_dark(self, at: int) -> None:
        if self.where in ("preparing", "waiting", "pausing"):
            self._give_up(at)
        elif self.where == "viewing":
            self._off()
            self._go("dark", at)
        elif self.where in ("exposing", "holding") or (self.where == "held" and self._order):
            self._off()
            self._go("ending", at)
        elif self.where == "held" or (
            self.where == "ending" and not self._order and not self.foot.is_down
        ):
            self._give_up(at)
        else:
            self._off()

    def paper_comes_out(self, at: int) -> None:
        if self.where == "fault":
            self._refuse()
        elif self.where in PAPER_SAFE:
            if self.where == "viewing":
                self._off()
            self._go("paper out", at)

    def paper_goes_away(self, at: int) -> None:
        if self.where == "dark":
            return
        if self.where == "paper out":
            self.paper = None
            self._go("dark", at)
        elif self.where == "waiting" and not self._has_light():
            self._give_up(at, "dark")
        elif self.where == "done":
            self._put_away()
            self._go("dark", at)
        else:
            self._refuse()

    def clear(self, at: int) -> None:
        if self.where != "fault":
            return
        if self.foot.is_down or self._order or not self.keeper_is_well():
            self._refuse()
            return
        self._off()
        paper = self.paper
        if paper is not None and paper.is_open():
            self._go("held" if paper.had_light else "waiting", at)
        else:
            self._put_away()
            self._go("paper out", at)

    def written(self, name: Any, ok: bool, at: int) -> None:
        """The disk answered for the sheet that the record calls ``name``."""
        paper = self.paper
        if paper is None or paper.name is not name:
            return
        if ok:
            paper.written, paper.being_written = True, False
            if self.where == "preparing":
                self._go("waiting", at)
        elif self.where in ("preparing", "fault"):
            self._put_away()
            if self.where == "preparing":
                self._go("paper out", at)

    # What the keeper tells.

    def lamp_on(self, order: int, on_at: int) -> None:
        mine = order == self._order
        if not mine or self.where not in (*LIT, "holding", "held", "ending", "fault"):
            # Light that nobody here wants.
            if self.where != "viewing":
                self._off()
            return
        if self.where == "fault":
            self._off()
        self._on_at = on_at
        if self.where != "viewing" and self.paper is not None and self.paper.written:
            self.paper.had_light = self.paper.any_light = True

    def lamp_off(self, order: int, on_at: int, off_at: int, now: int) -> None:
        if order != self._order:
            return
        self._order, self._on_at = 0, None
        self._nobody_took_it_at = None
        paper = self.paper
        if self.where == "viewing":
            self._go("dark", now)
        elif self.where in ("exposing", "holding", "held", "ending", "fault") and paper:
            paper.had += off_at - on_at
            if self.where == "exposing":
                if paper.enough():
                    self._pass_is_over(now, dark_since=off_at)
                else:
                    self._go("held", now)
            elif self.where == "held" and paper.enough():
                self._pass_is_over(now)
            elif self.where == "ending" and not self.foot.is_down:
                self._give_up(now)

    def order_refused(self, order: int, now: int) -> None:
        if order != self._order:
            return
        self._order, self._on_at = 0, None
        if self.where in (*LIT, "holding", "held", "ending", "fault"):
            self._fail(now)

    def keeper_lost(self, now: int) -> None:
        """No keeper answers any more, and the lamp was forced off just now."""
        paper = self.paper
        if self._order and paper is not None and paper.written:
            on_at = self._ordered_at if self._on_at is None else self._on_at
            paper.had_light = paper.any_light = True
            # The worst case: as if it had been on until now.
            paper.had += now - on_at
        self._order, self._on_at = 0, None
        self._fail(now)

    def alarm(self, now: int) -> None:
        """The lamp stays on: nobody knows what the paper gets, so it is no longer gone on with."""
        if self.paper is not None:
            self.paper.fogged = True
        self._fail(now)

    # What a foot means.

    def _foot(self, what: str, at: int) -> None:
        if what == "down":
            self._foot_is_for_here = at >= self._came_here_at
            self._foot_came_down_at = at
            if self.where == "exposing" and self._pedal_holds:
                self._off()
                self._go("holding", at)
            elif self.where == "pausing":
                self._pause_ends = None
                self._go("holding", at)
            return
        if what == "stuck":
            self._foot_is_for_here = False  # lifting such a foot means nothing
            self._fail(at)
            return
        if self.where in ("holding", "ending"):  # the very foot brought it about
            self._foot_of_a_stopped_pass(what, at)
            return
        in_a_hurry = (
            what == "tap"
            and self.where == "waiting"
            and self._armed_by_foot_at is not None
            and self._foot_came_down_at - self._armed_by_foot_at < HURRY
        )
        if not self._foot_is_for_here or in_a_hurry:
            return
        before = self.where
        {
            "tap": self._tap,
            "spike": lambda _at: None,
            "long": self._long,
            "once more": self._once_more,
            "leave": self._leave,
        }[what](at)
        if self.where == "preparing" and before != "preparing":
            self._armed_by_foot_at = at

    def _foot_of_a_stopped_pass(self, what: str, at: int) -> None:
        paper = self.paper
        if self.where == "ending":
            if what != "long" and not self._order:
                self._give_up(at)
        elif what == "long":
            self._off()
            self._go("ending", at)
        elif what in ("tap", "spike") and paper is not None and paper.enough():
            self._pass_is_over(at)
        else:
            self._go("held", at)

    def _tap(self, at: int) -> None:
        paper = self.paper
        if self.where == "dark":
            self._view(at, "tap in the dark")
        elif self.where == "viewing":
            self._off()
            self._go("dark", at)
        elif self.where == "waiting":
            self._expose(at, "tap while waiting")
        elif self.where == "held" and not self._order and paper is not None:
            if paper.enough():
                self._pass_is_over(at)
            else:
                self._expose(at, "tap while held")
        elif self.where == "done":
            self._same_again(at)

    def _long(self, at: int) -> None:
        if self.where in ("exposing", "held"):
            self._off()
            self._go("ending", at)

    def _once_more(self, at: int) -> None:
        if self.where == "viewing":
            self._off()
            self._go("dark", at)
        elif self.where in ("dark", "paper out") and self.latest is not None:
            self._same_again(at)
        elif self.where in ("waiting", "done") and self.paper is not None:
            again = self.paper.to_repeat
            if again is not None:
                self.paper.go_to(again)
                self.paper.done, self.paper.being_written = False, True
                self.writes += 1
                self._go("preparing", at)

    def _leave(self, at: int) -> None:
        if self.where == "viewing":
            self._off()
            self._go("dark", at)
        elif self.where == "paper out":
            self.paper = None
            self._go("dark", at)
        elif self.where in ("preparing", "waiting"):
            self._give_up(at)
        elif self.where == "done":
            self._put_away()
            self._go("dark", at)
        elif self.where == "fault":
            self.clear(at)

    # What it does.

    def _go(self, where: str, at: int) -> None:
        if where != self.where:
            self.where = where
            self._came_here_at = at
            self._foot_is_for_here = False  # what the foot is about to do was meant for before

    def _refuse(self) -> None:
        self.agrees = False

    def _off(self) -> None:
        self.goes_off = True
        self._nobody_took_it_at = None

    def _view(self, at: int, why: str) -> None:
        self._go("viewing", at)
        self._light(at, ("view", VIEWING_LIMIT, why))

    def _expose(self, at: int, why: str) -> None:
        if self.paper is None:
            raise AssertionError(f"there is no paper to expose: {why}")
        self._go("exposing", at)
        self._ordered_at, self._pause_ends = at, None
        self._light(at, ("expose", self.paper.left, why))

    def _light(self, at: int, order: tuple[str, int, str]) -> None:
        self.light.append(order)
        self._order = 0
        self._nobody_took_it_at = None if self.keeper_is_well() else at

    def _take(self, paper: Paper, at: int) -> None:
        self._off()
        self._order, self._on_at = 0, None
        self._put_away()
        self.paper = self.latest = paper
        self.writes += 1
        self._go("preparing", at)

    def _same_again(self, at: int) -> None:
        latest = self.latest
        if latest is not None:
            self._take(Paper(latest.kind, latest.passes, latest.pauses), at)

    def _has_light(self) -> bool:
        return self.paper is not None and self.paper.any_light

    def _pass_is_over(self, at: int, dark_since: int = 0) -> None:
        paper = self.paper
        if paper is None:
            raise AssertionError("a pass without paper")
        if paper.is_last:
            paper.done = True
            self._go("done", at)
            return
        counted = paper.next_is_counted and dark_since
        paper.go_to(paper.at + 1)
        if counted:
            self._pause_ends = dark_since + (paper.pauses[paper.at] or 0)
        self._go("pausing" if counted else "waiting", at)

    def _put_away(self) -> None:
        if self.paper is not None:
            self.paper.closed = True
        self.paper = None

    def _give_up(self, at: int, where: str = "paper out") -> None:
        self._pause_ends = None
        self._put_away()
        self._go(where, at)

    def _fail(self, at: int) -> None:
        self._pause_ends = None
        self._off()
        self._go("fault", at)
