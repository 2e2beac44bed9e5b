"""What a show usually draws, over a restart: one process learns it, the next one judges with it.

The whole site runs, over real HTTP and with real files; its clock is moved on second by second.
"""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from support import BrokerAddress, MovedClock, run_async, until
from test_count_whole import Running, powered, running

from bridge.site.folder import HISTORY
from rules.ports import PortId
from rules.show_data.nights import SETTLE_S
from rules.show_data.signature import SignatureSettings
from rules.state import PortState

PORT = PortId("eave/3")
PIXELS = 20
LENGTH_S = 60
SHOWS = [{"name": "Tea", "needs": [PORT], "when": {"from": "18:00", "to": "18:01"}}]
NIGHTS = SignatureSettings().nights
ALERT = "alert undercurrent"


def six_on(day: int) -> datetime:
    """When the show begins on that day of December."""
    return datetime(2025, 12, day, 18, 0, tzinfo=UTC)


def state(held: Running) -> PortState:
    """What the rules know of the port."""
    return held.app.runner.engine.state.ports[PORT]


async def pass_to(held: Running, clock: MovedClock, utc: datetime) -> None:
    """It is `utc`, and the port was read since."""
    clock.move_to(utc)
    moved_s = clock.monotonic_s()
    await until(lambda: state(held).reading_s >= moved_s, what="a reading")


async def evening(held: Running, clock: MovedClock, day: int, *, dark_after_s: int | None = None) -> None:
    """One show from before its beginning until it is judged; `dark_after_s`: half the string goes dark."""
    start = six_on(day)
    await pass_to(held, clock, start - timedelta(seconds=10))
    assert not powered(held, PORT)
    for second in range(LENGTH_S):
        held.site.port(PORT).set_levels(bytes([60 if second < LENGTH_S // 2 else 120] * 3 * PIXELS))
        if second == dark_after_s:
            assert held.told(PORT, "fault") == "none"
            held.site.port(PORT).fault("data-tail", at=PIXELS // 2)
        await pass_to(held, clock, start + timedelta(seconds=second + 0.5))
        await until(lambda: powered(held, PORT), what="power for the show")
    await pass_to(held, clock, start + timedelta(seconds=LENGTH_S + 1))
    await until(lambda: not powered(held, PORT), what="the port dark")
    await pass_to(held, clock, start + timedelta(seconds=LENGTH_S + 2 * SETTLE_S))
    await until(
        lambda: all(night.start_utc is None for night in state(held).signatures.values()),
        what="the night judged",
    )


@pytest.mark.parametrize("remembers", [True, False])
def test_a_dark_part_is_told_by_what_the_process_before_learned(
    tmp_path: Path, site_id: str, broker: BrokerAddress, remembers: bool
) -> None:
    """Half a string that goes dark (its idle current stays) is told by nights an earlier process saw.

    Without the history of that process nothing is told: it is those nights, and nothing else.
    """

    async def learn() -> None:
        clock = MovedClock(six_on(1) - timedelta(minutes=1))
        async with running(tmp_path, site_id, broker, clock=clock, shows=SHOWS) as held:
            for day in range(1, 1 + NIGHTS):
                await evening(held, clock, day)
            assert held.told(PORT, "fault") == "none"

    async def judge() -> None:
        day = 1 + NIGHTS
        clock = MovedClock(six_on(day) - timedelta(minutes=1))
        async with running(tmp_path, site_id, broker, clock=clock, shows=SHOWS) as held:
            await evening(held, clock, day, dark_after_s=15)
            if remembers:
                assert "In Tea, from 0:1" in held.told(PORT, ALERT)
                assert "% less" in held.told(PORT, ALERT)
            else:
                assert held.told(PORT, ALERT) is None

    run_async(learn(), 90.0)
    if not remembers:
        (tmp_path / "state" / HISTORY).unlink()
    run_async(judge())
