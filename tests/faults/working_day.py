"""A working day in the darkroom, done at random until something dies, and a ledger of its light.

The printer views, arms strips and prints, starts, holds, goes on, gives up, makes a pass or a
sheet once more, keeps programmes and reads the record. Whatever can bring light is put into the
ledger before it is asked for: so each time in which the line was on has a cause.
"""

import http.client
import json
import random
import time
from bisect import bisect_left
from dataclasses import dataclass, field
from typing import Any

VIEWING, NOBODY = "viewing", "nobody"
STRIP = (
    'treadle = 1\nname = "{0}"\n[strip]\nfirst_s = 0.3\nadd_s = 0.25\npatches = 3\npause_s = 1\n'
)
BURNT = '[print]\nbase_s = 0.5\nburn = [{{ label = "sky", stops = "1/2" }}]\n'
PRINT = 'treadle = 1\nname = "{0}"\n' + BURNT
LONG_PRINT = 'treadle = 1\nname = "{0}"\n[print]\nbase_s = 1.6\n'
TEXTS = (STRIP, PRINT, LONG_PRINT)


class DaemonDiedError(Exception):
    """Raised where the daemon no longer answers."""


@dataclass
class Ledger:
    """What the printer asked for and was told; ``causes`` are instants and what light would be for:
    a sheet's number, viewing, or nobody.
    """

    causes: list[tuple[int, int | str]] = field(default_factory=list)
    kept: dict[str, str] = field(default_factory=dict)  # acknowledged programmes
    asked: set[str] = field(default_factory=set)  # whether or not they were acknowledged
    sheets: set[int] = field(default_factory=set)  # told as ready, so written

    def cause(self, what: int | str) -> None:
        self.causes.append((time.monotonic_ns(), what))

    def cause_of(self, at_ns: int) -> int | str:
        """What a light that went on at an instant was for: what was asked for last."""
        return self.causes[bisect_left(self.causes, at_ns, key=lambda one: one[0]) - 1][1]


class WorkingDay:
    """The printer's doings, each as the enlarger's state allows."""

    def __init__(self, darkroom: Any, chance: random.Random) -> None:
        self.darkroom = darkroom
        self.chance = chance
        self.ledger = Ledger()
        self.state = ""

    def ask(self, method: str, path: str, **body: object) -> tuple[int, Any]:
        try:
            return self.darkroom.ask(method, path, json.dumps(body).encode() if body else None)
        except (OSError, http.client.HTTPException, ValueError) as error:
            raise DaemonDiedError from error

    def status(self) -> Any:
        status = self.ask("GET", "/status")[1]
        self.state = status["state"]
        if self.state in ("waiting", "exposing", "pausing", "held") and status["sheet"]:
            self.ledger.sheets.add(status["sheet"])
        return status

    def work(self) -> None:
        """Do one thing, or let a moment pass."""
        status = self.status()
        doing = getattr(self, "_" + self.state.replace(" ", "_"))
        doing(status)
        if self.chance.random() < 0.5:
            time.sleep(self.chance.uniform(0, 0.1))

    def _one_of(self, *doings: Any) -> None:
        self.chance.choice(doings)()

    def _press(self, press: str, cause: int | str | None = None) -> None:
        if cause is not None:
            self.ledger.cause(cause)
        self.ask("POST", "/pedal", press=press)

    def _view(self) -> None:
        self.ledger.cause(VIEWING)
        self._one_of(lambda: self.ask("POST", "/pedal", press="tap"), lambda: self._post("/view"))

    def _post(self, path: str) -> None:
        self.ask("POST", path)

    def _arm(self) -> None:
        if not self.ledger.kept:
            self._keep()
            return
        self.ask("POST", "/arm", name=self.chance.choice(list(self.ledger.kept)))

    def _keep(self) -> None:
        """Keep a new programme, or another version of one."""
        known = len(self.ledger.asked)
        new = known < 3 or self.chance.random() < 0.3
        name = f"Slipway {known + 1}" if new else self.chance.choice(sorted(self.ledger.asked))
        text = self.chance.choice(TEXTS).format(name)
        self.ledger.asked.add(name)
        status, told = self.ask("POST" if new else "PUT", "/programmes", programme=text)
        if status < 300:
            self.ledger.kept[name] = told["programme"]
        else:
            # One that was asked for when the daemon died is not there, or there already.
            assert status in (404, 409), told
            if status == 409:
                self.ledger.kept.setdefault(name, self._shown(name))

    def _shown(self, name: str) -> str:
        status, told = self.ask("POST", "/programmes/show", name=name)
        assert status == 200, told
        text: str = told["programme"]
        return text

    def _read(self) -> None:
        status, told = self.ask("GET", "/record?limit=3")
        assert status == 200, told

    def _dark(self, _status: Any) -> None:
        self._one_of(self._view, self._arm, self._arm, self._keep, self._read)

    def _viewing(self, _status: Any) -> None:
        time.sleep(self.chance.uniform(0, 0.2))
        self._one_of(self._read, lambda: self._press("tap"), lambda: self._post("/dark"), self._arm)

    def _paper_out(self, _status: Any) -> None:
        self._one_of(
            self._arm, self._arm, self._keep, self._read, lambda: self._post("/paper/away")
        )

    def _preparing(self, _status: Any) -> None:
        pass

    def _waiting(self, status: Any) -> None:
        sheet = status["sheet"]
        start = lambda: self._press("tap", sheet)  # noqa: E731 -- more likely by being named more often
        self._one_of(start, start, start, start, self._read, lambda: self._press("leave"))

    def _pausing(self, status: Any) -> None:
        self._exposing(status)

    def _exposing(self, status: Any) -> None:
        if self.chance.random() < 0.8:
            time.sleep(self.chance.uniform(0, 0.15))
            return
        # A pass may end meanwhile, and the press then starts the next one.
        self._one_of(
            self._read,
            self._keep,
            lambda: self._press("tap", status["sheet"]),
            lambda: self._press("tap", status["sheet"]),
            lambda: self._press("long", status["sheet"]),
            lambda: self._post("/dark"),
        )

    def _holding(self, _status: Any) -> None:
        pass

    def _ending(self, _status: Any) -> None:
        pass

    def _held(self, status: Any) -> None:
        go_on = lambda: self._press("tap", status["sheet"])  # noqa: E731 -- as above
        self._one_of(go_on, go_on, go_on, self._read, lambda: self._press("long"))

    def _done(self, _status: Any) -> None:
        self._one_of(
            lambda: self._press("tap"),
            lambda: self._press("long"),
            lambda: self._press("leave"),
            self._arm,
            self._keep,
        )

    def _fault(self, _status: Any) -> None:
        self._post("/clear")
