"""Two processes for one site: which one is active. One table of facts, no memory, no clock.

Plain controllers check no token, so nothing can be fenced: commands are absolute and may be given twice.
What must not happen is that both decide for long, or that one decides without knowing the holds and
lockouts. So:

- Whoever hears an active partner stands by.
- A silent partner is taken for dead only when the broker says so as well (its will was sent). Without the
  broker the active one goes on and the other stays passive: silence alone proves nothing.
- Two that are active yield by age: the one that became active later stops.
- Two that have just begun agree by their copies: the newer copy of the safety state wins, then the name.
- A standby's copy is current only while the partner is heard. Silence that the broker does not explain at
  once (it is away, or says that the partner lives) makes the copy stale, and a standby with a stale copy
  takes over as one that lost its journal: everything is held until a person confirms.
"""

from enum import StrEnum
from typing import NamedTuple

SILENT_S = 2.0
"""A partner unheard for this long [s] is silent; it speaks twice a second."""
STALE_S = 4.0
"""A partner that lives by the broker's word but is unheard for this long [s] makes our copy stale."""
ALONE_S = 3.0
"""At its start a process waits this long [s] for a word of the partner, from itself or by the broker."""


class Role(StrEnum):
    """What a process of a pair does."""

    STARTING = "starting"
    STANDBY = "standby"
    ACTIVE = "active"


class Partner(StrEnum):
    """What the broker says of the partner's process."""

    UNKNOWN = "unknown"
    """No broker, or it was not asked yet."""
    ABSENT = "absent"
    """It never was there, said goodbye, or its will was sent."""
    PRESENT = "present"


class Heard(NamedTuple):
    """The partner's last word over the direct line: its role, how old its activity is, its copy's number.

    active_for_s: how long it has been active [s], 0 if it is not; age_s: how long ago it said so [s];
    copy: the number of its copy of the safety state.
    """

    role: Role
    active_for_s: float
    age_s: float
    copy: int
    name: str


class Own(NamedTuple):
    """Ourselves: role, how long active and how long running [s], our copy's number, our name."""

    role: Role
    active_for_s: float
    running_s: float
    copy: int
    name: str


class Decision(NamedTuple):
    """The role from now on; `stale`: our copy is no longer current; `stop`: yield and end; why, in words."""

    role: Role
    stale: bool = False
    stop: bool = False
    why: str = ""


def decide(own: Own, heard: Heard | None, partner: Partner) -> Decision:
    """The role that follows from what is known now."""
    audible = heard is not None and heard.age_s <= SILENT_S
    if own.role is Role.ACTIVE:
        if audible and heard is not None and heard.role is Role.ACTIVE and _yields(own, heard):
            why = f"{heard.name} is active for longer; this one yields."
            return Decision(Role.ACTIVE, stop=True, why=why)
        return Decision(Role.ACTIVE)
    if audible and heard is not None:
        return _beside(own, heard)
    if partner is Partner.ABSENT and (own.role is Role.STANDBY or own.running_s >= ALONE_S):
        return Decision(Role.ACTIVE, why="The partner is silent, and the broker says that it is gone.")
    unheard_s = own.running_s if heard is None else heard.age_s
    stale = own.role is Role.STANDBY and (partner is Partner.UNKNOWN or unheard_s > STALE_S)
    why = "The partner is not heard, and may live: the copy here is stale." if stale else ""
    return Decision(own.role, stale=stale, why=why)


def _beside(own: Own, heard: Heard) -> Decision:
    """Not active ourselves, and the partner is heard."""
    if heard.role is Role.ACTIVE:
        return Decision(Role.STANDBY, why=f"{heard.name} is active.")
    if (own.copy, _reverse(own.name)) > (heard.copy, _reverse(heard.name)):
        return Decision(
            Role.ACTIVE, why="Neither was active; this one's copy is the newer, or its name the first."
        )
    return Decision(
        Role.STANDBY, why=f"Neither was active; {heard.name} has the newer copy, or the first name."
    )


def _yields(own: Own, heard: Heard) -> bool:
    """Of two that are active, the later one yields; at the same age the one whose name comes later."""
    difference_s = heard.active_for_s - own.active_for_s
    if abs(difference_s) > 0.5:
        return difference_s > 0
    return heard.name < own.name


def _reverse(name: str) -> tuple[int, ...]:
    """For comparing: an earlier name counts as greater."""
    return tuple(-ord(letter) for letter in name)
