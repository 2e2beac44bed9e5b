"""A controller that is lost right after its ports came on: a short without a flag, or a supply too small.

It restarts, its ports are off, and power would be put back as after any outage: a reclosing shot in disguise,
and again and again. So after the first few such losses its ports wait, twice as long each time.
"""

from typing import NamedTuple

SOON_S = 30.0
"""Lost within this long [s] of an ON it may be lost because of it: time to miss some polls is in it."""
FREE_LOSSES = 2
"""So many losses in a row may be chance: power comes back at once."""
FIRST_S = 60.0
"""The first wait [s]."""
LONGEST_S = 900.0
"""The longest wait [s]."""
FORGOTTEN_S = 2 * LONGEST_S
"""A controller that was not lost for this long [s] begins anew."""


class Losses(NamedTuple):
    """How often in a row a controller was lost right after an ON, and when the last time [monotonic s]."""

    times: int = 0
    last_s: float = float("-inf")


NOT_LOST = Losses()


def lost(losses: Losses, on_s: float, now_s: float) -> Losses:
    """It is lost now; the last ON for one of its ports was given at `on_s`."""
    if now_s - on_s > SOON_S:
        return losses
    return Losses(1 if now_s - losses.last_s > FORGOTTEN_S else losses.times + 1, now_s)


def words(losses: Losses) -> str:
    """What a person is told; empty while it may be chance."""
    if losses.times <= FREE_LOSSES:
        return ""
    return (
        f"Lost {losses.times} times right after its ports were switched on: "
        "a short in a string or its cable, or a supply too small."
    )


def wait_s(losses: Losses) -> float:
    """How long [s] its ports wait for power after it is back."""
    over = losses.times - FREE_LOSSES
    return 0.0 if over <= 0 else min(LONGEST_S, FIRST_S * 2.0 ** min(over - 1, 10))
