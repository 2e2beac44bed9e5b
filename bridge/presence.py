"""What the broker's word says of the partner's process: one object, fed with what was heard and when.

Each process of a pair says its role at the broker, retained and with a will, and says it again each second.
A will comes late when a machine loses its power, because the broker first has to miss it; so a partner that
was heard here and then says nothing for `UNSAID_S` is gone as well, if our own words came back from the
broker all the while.
"""

from rules.pairing import ALONE_S, Partner

SAY_AGAIN_S = 1.0
"""Each process says its role again after this long [s]."""
UNSAID_S = 3.5
"""A partner that did not say its role for this long [s] is gone, whatever stands retained."""
ECHO_LATE_S = 2.0
"""Our own word not heard for this long [s]: the broker, or the way to it, is in trouble."""
BACK_S = 10.0
"""After we ourselves lost the broker, the partner has this long [s] to come back to it as well."""


class Presence:
    """Of the partner, at the broker. All times are monotonic seconds."""

    def __init__(self, own: str) -> None:
        self._own = own
        self._since_s: float | None = None
        self._patience_s = ALONE_S / 2
        self._echo_s = 0.0
        self._trusted_from_s = 0.0
        """From when on silence at the broker is the partner's own."""
        self._present: dict[str, bool] = {}
        self._said_s: dict[str, float] = {}
        """By name: when it last said its role while we listened."""

    def connected(self, now_s: float) -> None:
        """The broker has us; its retained words arrive within moments, and silence then is absence."""
        self._since_s = self._echo_s = self._trusted_from_s = now_s
        self._present.clear()
        self._said_s.clear()

    def lost(self) -> None:
        """The broker lost us: what took it from us may have taken it from the partner, too."""
        if self._since_s is not None:
            self._patience_s = BACK_S
        self._since_s = None

    def heard(self, name: str, present: bool, retained: bool, now_s: float) -> None:
        """Somebody's role, or that it is gone; retained: it may have been said long ago."""
        if name == self._own:
            self._notice_break(now_s)
            self._echo_s = now_s
            return
        self._present[name] = present
        if present and not retained:
            self._said_s[name] = now_s
        else:
            self._said_s.pop(name, None)

    def partner(self, now_s: float) -> Partner:
        """What is known of the partner now."""
        if self._since_s is None:
            return Partner.UNKNOWN
        self._notice_break(now_s)
        if any(present and not self._fell_silent(name, now_s) for name, present in self._present.items()):
            return Partner.PRESENT
        return Partner.ABSENT if now_s - self._since_s >= self._patience_s else Partner.UNKNOWN

    def _fell_silent(self, name: str, now_s: float) -> bool:
        """Whether it said its role, as it does again and again, and then no more, while ours came back."""
        said_s = self._said_s.get(name)
        return said_s is not None and now_s - said_s > UNSAID_S and now_s >= self._trusted_from_s

    def _notice_break(self, now_s: float) -> None:
        if now_s - self._echo_s > ECHO_LATE_S:
            self._trusted_from_s = now_s + BACK_S
