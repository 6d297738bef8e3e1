"""Whether what a foot does is meant for the state that it meets.

A foot that came down in an earlier state must not start, arm, give up or clear
anything by lifting: it was meant for what was then.
"""

from timer.control.table import Input, State

_BROUGHT_ABOUT_BY_THE_PRESS = frozenset({State.HOLDING, State.ENDING})


class FootIntent:
    """Remembers when the foot came down, and what has changed since.

    ``again_ns``: after a press that armed something once more, a second tap
    within this time is the first one's echo and exposes nothing.
    """

    def __init__(self, again_ns: int) -> None:
        self._again_ns = again_ns
        self._changed_ns = 0
        self._holds_good = False
        self._pressed_ns = 0
        self._armed_ns: int | None = None

    @property
    def from_ns(self) -> int:
        """The earliest instant of a press whose tap is meant for the present state, to expose."""
        if self._armed_ns is None:
            return self._changed_ns
        return max(self._changed_ns, self._armed_ns + self._again_ns)

    def state_changed(self, at_ns: int) -> None:
        """Take note that the state changed: what the foot was about to do is void."""
        self._changed_ns = at_ns
        self._holds_good = False

    def pressed(self, at_ns: int) -> None:
        """Take note that the foot came down, stamped ``at_ns``."""
        # A press older than the state that it meets was meant for the one before.
        self._holds_good = at_ns >= self._changed_ns
        self._pressed_ns = at_ns

    def armed(self, at_ns: int) -> None:
        """Take note that a press armed something once more."""
        self._armed_ns = at_ns

    def forget(self) -> None:
        """Take whatever the foot does until it comes down anew as not meant."""
        self._holds_good = False

    def is_meant(self, one: Input, state: State) -> bool:
        """Whether ``one``, told by the foot, is meant for ``state``."""
        if state in _BROUGHT_ABOUT_BY_THE_PRESS:
            return True
        is_echo = (
            one is Input.TAP
            and state is State.WAITING
            and self._armed_ns is not None
            and self._pressed_ns - self._armed_ns < self._again_ns
        )
        return self._holds_good and not is_echo
