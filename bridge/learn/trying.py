"""Prove a mapping on one port: off, on, off, and after each command the controller's own report must follow.

The proof goes both ways: the port that was commanded changed, and no other did. It ends with the port given
back, whatever happens. Who switches is the caller's: the running process (`bridge.learn.tries`), or,
where none runs, the driver alone (`bridge.learn.trying_alone`).
"""

import asyncio
import time
from collections.abc import AsyncGenerator, Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from bridge.errors import TransientError
from rules.ports import Abilities, PortId, Reading

_RISE_A = 0.01
"""A current that rises by less than this [A] may be the sensor's."""
_OVER = 1.25
_NOISE_READINGS = 3
_SETTLE_S = 1.0
"""After a switching the current is looked at for this long [s]."""

Readings = Mapping[PortId, Reading]
Line = dict[str, Any]
"""``{"step": …}`` while it goes, at last ``accepted`` and ``text``."""


class TrialStopped(Exception):  # noqa: N818 - it says what happened
    """The port was taken away, or is not safe to try; the text is the reason."""


@dataclass(slots=True)
class Trial:
    """One proof of one port.

    power: commands the port (True, False) or gives it back (None); returns when that is under way, and
    raises TrialStopped where it is refused. read: the newest readings of all ports of the controller, made
    after it was called. limit_s: how long one command may take until it is seen.
    """

    port: PortId
    name: str
    abilities: Abilities
    power: Callable[[bool | None], Awaitable[None]]
    read: Callable[[], Awaitable[Readings]]
    rating_a: float | None = None
    limit_s: float = 6.0
    findings: list[str] = field(default_factory=list)
    commanded: bool = False
    noise_a: float = 0.0
    """How far the port's current moved by itself before anything was commanded [A]."""
    well: bool = False
    """It ended as it should: the port may be given back as it was, else it stays off."""

    async def run(self) -> AsyncGenerator[Line, None]:
        """The steps as they come, then the outcome. Closing it gives the port back."""
        if not (self.abilities.readback or self.abilities.current):
            yield _refused(
                f"{self.port}: the mapping reads neither power nor current of it, so nothing could prove it; "
                "map one of them first."
            )
            return
        proven, stopped = True, ""
        try:
            await self._listen()
            for place, on in enumerate((False, True, False)):
                step, followed = await self._switch(on=on, quiet=place == 0)
                yield {"step": step, "followed": followed}
                proven = proven and followed
                if not followed:
                    break
            self.well = proven
        except (TrialStopped, TransientError) as stop:
            stopped = f"{self.port} is not proven: {stop}"
        finally:
            if self.commanded:
                await self._give_back()
        if stopped:
            yield _refused(stopped)
            return
        text = f"{self.port} ({self.name}) follows its commands, and no other port did."
        if self.findings or not proven:
            proven = False
            text = f"{self.port} ({self.name}) is not proven: {' '.join(self.findings)}"
        yield {"accepted": proven, "text": text}

    async def _listen(self) -> None:
        """Look before anything is touched; where only the current can prove it, also how noisy that is."""
        looks = 1 if self.abilities.readback else _NOISE_READINGS
        seen = [self._look(await self.read()).current_a for _ in range(looks)]
        known = [current_a for current_a in seen if current_a is not None]
        self.noise_a = max(known, default=0.0) - min(known, default=0.0)

    async def _give_back(self) -> None:
        """Whatever comes between, the port goes back."""
        leaving = asyncio.ensure_future(self.power(None))
        while not leaving.done():
            try:
                await asyncio.shield(leaving)
            except asyncio.CancelledError:
                if leaving.cancelled():
                    raise
        leaving.result()

    def _look(self, readings: Readings) -> Reading:
        """The port's reading. Raises TrialStopped where it says that nothing may be tried."""
        reading = readings.get(self.port)
        if reading is None:
            raise TrialStopped(
                "the controller answers, but says nothing of this port; is its number the controller's?"
            )
        if reading.tripped:
            raise TrialStopped("its fuse is open; find the cause and reset it first.")
        limit_a = _OVER * self.rating_a if self.rating_a is not None else None
        if reading.current_a is not None and limit_a is not None and reading.current_a > limit_a:
            raise TrialStopped(
                f"it reads {reading.current_a:g} A, more than its rating of {self.rating_a:g} A; "
                "is the unit right?"
            )
        return reading

    async def _switch(self, *, on: bool, quiet: bool) -> tuple[str, bool]:
        """Command it, and see: one sentence, and whether it followed. `quiet`: it may be so already."""
        before = await self.read()
        was = self._look(before)
        word = "on" if on else "off"
        start_s = time.monotonic()
        self.commanded = True
        await self.power(on)
        reading, after = was, before
        while time.monotonic() - start_s < self.limit_s:
            after = await self.read()
            reading = self._look(after)
            if self._is(on, reading, was):
                break
        else:
            self._missed(on, before, after)
            return f"{word}: not seen within {self.limit_s:g} s", False
        took_s = time.monotonic() - start_s
        while time.monotonic() - start_s < took_s + _SETTLE_S:
            after = await self.read()
            reading = self._look(after)
        if not self._is(on, reading, was):
            self.findings.append(f"It was switched {word}, and did not stay so.")
            return f"{word}: seen after {took_s:.1f} s, and gone again", False
        if not quiet:
            self._others(before, after, word)
        amperes = "" if reading.current_a is None else f", {abs(reading.current_a):.3f} A"
        if quiet and self._is(on, was, was):
            return f"{word}: it was {word} already{amperes}", True
        note = ""
        if on and self.abilities.current and _rise(was, reading) < _RISE_A:
            note = "; its current did not rise: nothing hangs on it, or the current is another port's"
        return f"{word}: seen after {took_s:.1f} s{amperes}{note}", True

    def _is(self, on: bool, reading: Reading, was: Reading) -> bool:
        """Whether the port is seen to be so; by its power where that is reported, else by its current."""
        if self.abilities.readback:
            return reading.power is on
        if reading.current_a is None:
            return False
        plain_a = _RISE_A + 2.0 * self.noise_a
        if on:
            return _rise(was, reading) >= plain_a
        return reading.current_a < _RISE_A + self.noise_a or _rise(reading, was) >= plain_a

    def _missed(self, on: bool, before: Readings, after: Readings) -> None:
        """Say why a command was not seen, as far as can be told."""
        word = "on" if on else "off"
        moved = self._moved(before, after)
        if moved:
            self.findings.append(
                f"It was switched {word}, and {', '.join(moved)} changed instead: are the numbers shifted?"
            )
            return
        reading = after.get(self.port)
        if reading is not None and self.abilities.readback and reading.power is None:
            self.findings.append(f"It was switched {word}, but whether it has power is not said any more.")
        elif reading is not None and _rise(before[self.port], reading) >= _RISE_A and on:
            self.findings.append(
                "Its current rose, but its power is told as off: is `power` the right field?"
            )
        else:
            self.findings.append(
                f"It was switched {word}, and nothing changed: check `switch` and how it spells on and off."
            )

    def _moved(self, before: Readings, after: Readings) -> list[str]:
        """Other ports whose reported power changed meanwhile."""
        return [
            port
            for port, reading in after.items()
            if port != self.port
            and port in before
            and None not in (reading.power, before[port].power)
            and reading.power is not before[port].power
        ]

    def _others(self, before: Readings, after: Readings, word: str) -> None:
        moved = self._moved(before, after)
        if moved:
            self.findings.append(f"When it was switched {word}, {', '.join(moved)} changed too.")


def _rise(before: Reading, after: Reading) -> float:
    """How much more it draws [A]; 0 where that is not known."""
    if before.current_a is None or after.current_a is None:
        return 0.0
    return after.current_a - before.current_a


def _refused(text: str) -> Line:
    return {"accepted": False, "text": text}
