"""Prove a mapping where no duskward runs: by the driver alone, with the state folder locked meanwhile.

The safety journal still rules: nothing is tried that is held, tripped or locked out in it, nor during a show.
"""

import asyncio
from collections.abc import AsyncGenerator
from datetime import timedelta

from bridge.clock import SystemClock
from bridge.commands.checking import read_calendars
from bridge.config import Settings, plan
from bridge.controllers import create
from bridge.journal import Journal
from bridge.learn.trying import Line, Readings, Trial, TrialStopped
from bridge.site.folder import state_folder
from rules.door import Origin, Outcome
from rules.outlook.season import outlook
from rules.plan import SitePlan
from rules.ports import Mode, PortId, controller_of, number_of
from rules.safety import SafetyState

_HISTORY = "history.db"
_GIVE_BACK_TRIES, _GIVE_BACK_AGAIN_S = 3, 1.0


def refusal(site: SitePlan, safety: SafetyState, origin: Origin, port: PortId) -> str:
    """Why `port` may not be tried, by what was kept on disk; empty if it may."""
    if origin is Origin.LOST:
        return "the safety journal is lost, so nobody knows what is held; run duskward, and confirm."
    prop = next((prop for prop in site.props.values() if port in prop.fed_by), None)
    feeds = tuple(prop.fed_by) if prop is not None else (port,)
    if safety.weather_hold:
        return "the site is held for the weather."
    names = {site.id, controller_of(port), *feeds} | ({prop.id} if prop is not None else set())
    held = sorted(hold.holder for hold in safety.holds if hold.target.id in names)
    if held:
        return f"it is held by {', '.join(held)}; release it first."
    tripped = [feed for feed in feeds if feed in safety.trips]
    if tripped:
        return f"{tripped[0]} has tripped; find the cause and reset it first."
    hands = [feed for feed in feeds if feed in safety.modes and safety.modes[feed].mode is not Mode.AUTO]
    if hands:
        return f"{hands[0]} is {safety.modes[hands[0]].mode.value} by hand; set it to auto first."
    return _show_now(site)


def _show_now(site: SitePlan) -> str:
    """The show that is on, or leads in, by the calendar."""
    now_utc = SystemClock().now().utc
    calendars, _ = read_calendars(site)
    for one in outlook(site, calendars, now_utc - timedelta(hours=1), now_utc + timedelta(hours=12)).values():
        for span in one.spans:
            begin, end = span.start_utc - timedelta(seconds=one.lead_s), span.end_utc
            if begin <= now_utc < end + timedelta(seconds=one.show.run_on_s):
                return f"{one.show.name} is on by the calendar; try it when no show is."
    return ""


async def try_alone(settings: Settings, port: PortId) -> AsyncGenerator[Line, None]:
    """Try `port` by its driver; lines as `Trial.run` gives them.

    Raises JournalInUseError when a duskward runs with this state folder after all.
    """
    site = plan(settings)
    with Journal(state_folder(settings), traces=(_HISTORY,)) as journal:
        safety, origin = journal.read()
        why = refusal(site, safety, origin, port)
        one = site.ports[port]
        if not why and not one.abilities.switch:
            why = "its mapping has no switch; write how it is switched first."
        if why:
            yield {"accepted": False, "text": f"Refused: {why}"}
            return
        name = controller_of(port)
        box = site.controllers[name]
        reach = settings.controllers[name].reach
        driver = create(name, reach, {number_of(own): site.ports[own].abilities for own in box.ports})
        before: bool | None = None
        left = ""
        last: Line | None = None

        async def read() -> Readings:
            """All ports, and how the tried one was found."""
            nonlocal before
            await asyncio.sleep(min(0.2, box.every_s))
            found = {reading.port: reading for reading in await driver.read()}
            if before is None and port in found:
                before = found[port].power
            return found

        async def power(on: bool | None) -> None:
            """One command; None: as it was found, or off where anything was wrong."""
            nonlocal left
            wanted = (trial.well and bool(before)) if on is None else on
            for again in range(_GIVE_BACK_TRIES if on is None else 1):
                if again:
                    await asyncio.sleep(_GIVE_BACK_AGAIN_S)
                outcome, detail = await driver.command(number_of(port), wanted)
                if outcome is Outcome.ACCEPTED:
                    return
            if on is None:
                left = (
                    f" It could not be switched {'on' if wanted else 'off'} at the end ({detail}): "
                    "it may have power. Keep hands off it, and look."
                )
            elif outcome in (Outcome.REFUSED, Outcome.NOT_SENT):
                raise TrialStopped(f"the command was refused: {detail}")

        trial = Trial(
            port, one.name, one.abilities, power, read, one.rating_a,
            limit_s=max(6.0, 4 * box.every_s),
        )  # fmt: skip
        steps = trial.run()
        try:
            async for line in steps:
                if "accepted" in line:
                    last = line  # told when the port is given back, and how that went
                else:
                    yield line
        finally:
            await steps.aclose()
            await driver.close()
        if last is not None:
            yield last | {"accepted": last["accepted"] and not left, "text": last["text"] + left}
