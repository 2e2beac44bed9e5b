"""Counts of the running process: begun and ended by the rules, watched by whoever asked.

The rules say which port may be counted and until when (`CountPixels`), and take it away (`JobEnded`). Here
the test patterns are sent, readings are handed to the count, and its outcome goes back as `Counted`. One
count at a time; whatever ends it, the pixels are sent dark and the port is given back.
"""

import asyncio
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import structlog

from bridge.config import Settings
from bridge.config.show_data import MULTICAST
from bridge.errors import DuskwardError
from bridge.pixels.counting import CountJob, CountProgress, CountStopped, CountTimes
from bridge.pixels.e131 import LevelSender
from rules.door import Counted, CountPixels, Event, JobChanged, JobEnded
from rules.pixels.counting import Count, CountSettings, Refusal, Result
from rules.plan import PortPlan, SitePlan
from rules.ports import PortId, Reading, controller_of, number_of

_log = structlog.get_logger()

PROGRESS_S = 0.25
"""Progress is told at most this often [s]."""
READINGS_HELD = 64
READING_LIMIT_S = 5.0

Told = dict[str, Any]
"""A line for the one who watches: ``progress``, or the outcome with ``accepted`` and ``text``."""


class Counts:
    """Runs the counts. All of it on the event loop.

    feed: takes events for the engine; monotonic_s: the clock of readings and of `CountPixels.until_s`.
    """

    def __init__(self, feed: Callable[[list[Event]], None], monotonic_s: Callable[[], float]) -> None:
        self.cid = uuid.uuid4().bytes
        """The source id of our test patterns: what is heard of them is no show."""
        self._feed = feed
        self._monotonic_s = monotonic_s
        self._running: _Running | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        """The count that runs, and those that are being ended."""
        self._watchers: set[asyncio.Queue[Told]] = set()
        """Of the count that is asked for; those of the last one are its own."""

    # ------------------------------------------------------------ from the rules

    def begin(self, effect: CountPixels, settings: Settings, plan: SitePlan) -> None:
        """Begin the count the rules let in, as soon as the one before it is dark and over."""
        before = self._running
        if before is not None:
            before.taken = True
            before.end("another count begins.")
        running = self._running = _Running(effect, self._watchers)
        self._watchers = set()
        running.task = asyncio.create_task(
            self._count(running, settings, plan, set(self._tasks)), name=f"count {effect.port}"
        )
        self._tasks.add(running.task)
        running.task.add_done_callback(self._tasks.discard)

    def ended(self, effect: JobEnded) -> None:
        """The rules took the ports away: end the count that had them."""
        if self._running is not None and self._running.effect.name == effect.name:
            self._running.taken = True
            self._running.end(effect.reason)

    def readings(self, readings: list[Reading]) -> None:
        """Hand the readings of the counted port to its count."""
        running = self._running
        if running is None:
            return
        for reading in readings:
            if reading.port == running.effect.port:
                if running.readings.full():
                    running.readings.get_nowait()
                running.readings.put_nowait(reading)

    def left(self, watching: asyncio.Queue[Told]) -> None:
        """The one who watches left: end the count that was asked for there, no other."""
        if self._running is not None and watching in self._running.watchers:
            self._running.end("the one who asked for it left.")

    async def close(self) -> PortId | None:
        """End what runs, wait until it is dark, and say which port it was."""
        running = self._running
        if running is None or running.task is None:
            return None
        running.end("duskward is stopping.")
        await asyncio.gather(*self._tasks, return_exceptions=True)
        return running.effect.port

    # ------------------------------------------------------------ for those who watch

    @contextmanager
    def watching(self) -> Iterator[asyncio.Queue[Told]]:
        """What happens in counts while the context lasts; the newest, where nobody takes it out."""
        queue: asyncio.Queue[Told] = asyncio.Queue(READINGS_HELD)
        self._watchers.add(queue)
        try:
            yield queue
        finally:
            self._watchers.discard(queue)
            if self._running is not None:
                self._running.watchers.discard(queue)

    def _tell(self, running: "_Running", told: Told) -> None:
        for queue in running.watchers:
            if queue.full():
                queue.get_nowait()
            queue.put_nowait(told)

    # ------------------------------------------------------------ the count

    async def _count(
        self, running: "_Running", settings: Settings, plan: SitePlan, before: set[asyncio.Task[None]]
    ) -> None:
        effect = running.effect
        port = plan.ports[effect.port]
        outcome = Counted(effect.port, False, f"{port.name}: not counted.")
        try:
            if before:
                await asyncio.wait(before)
            result = await self._run(running, settings, port)
            outcome = _outcome(port, result)
        except asyncio.CancelledError:
            outcome = Counted(effect.port, False, f"{port.name}: the count was ended. {running.reason}")
            if not running.reason:
                raise
        except CountStopped as stop:
            outcome = _stopped(port, str(stop), stop.cause.value)
        except DuskwardError as error:
            outcome = _stopped(port, str(error), "no-test-pattern")
        except Exception as error:
            _log.exception("count.unexpected", port=effect.port)
            outcome = _stopped(port, f"unexpected {type(error).__name__}, it is in the log", "unexpected")
        finally:
            if self._running is running:
                self._running = None
            log = _log.info if outcome.accepted else _log.warning
            log("count.ended", port=effect.port, text=outcome.text, **outcome.data)
            self._give_back(running)
            self._feed([outcome])
            self._tell(running, {"accepted": outcome.accepted, "text": outcome.text, "count": outcome.data})

    async def _run(self, running: "_Running", settings: Settings, port: PortPlan) -> Result:
        effect, send = running.effect, settings.e131.send
        if send is None or port.show_data is None or port.capacity is None:
            raise DuskwardError("nothing says where its test patterns go")
        host = send.to[controller_of(port.id)]
        sender = LevelSender(
            None if host == MULTICAST else host,
            source_name=send.source,
            priority=send.priority,
            cid=self.cid,
            port=send.port,
            interface=send.interface or "",
        )
        every_s = settings.controllers[controller_of(port.id)].reach.every_s
        async with sender:
            job = CountJob(
                replace(port.show_data, pixels=port.capacity),
                CountSettings(capacity=port.capacity, limit_a=effect.limit_a),
                power=lambda on: self._power(running, on=on),
                read=running.readings.get,
                show=sender.show,
                progress=self._progress(running),
                times=CountTimes(
                    reading_s=max(READING_LIMIT_S, 3.0 * every_s),
                    in_all_s=max(1.0, effect.until_s - self._monotonic_s()),
                ),
            )
            return await job.run()

    async def _power(self, running: "_Running", *, on: bool | None) -> None:
        """Power for the port, or everything back to the rules: with no show about, that is off."""
        effect = running.effect
        if on:
            self._feed([JobChanged(effect.name, (effect.port,), True, effect.until_s)])
        else:
            self._give_back(running)

    def _give_back(self, running: "_Running") -> None:
        """Everything back to the rules, unless they took it: another count may have it now."""
        if not running.taken:
            self._feed([JobChanged(running.effect.name, running.effect.feeds, None)])

    def _progress(self, running: "_Running") -> Callable[[CountProgress], None]:
        next_s = 0.0

        def tell(at: CountProgress) -> None:
            nonlocal next_s
            now_s = self._monotonic_s()
            if now_s < next_s:
                return
            next_s = now_s + PROGRESS_S
            self._tell(
                running,
                {
                    "progress": {
                        "stage": at.stage,
                        "lit": at.lit,
                        "readings": at.readings,
                        "current_a": at.current_a,
                    }
                },
            )

        return tell


class _Running:
    """The count that runs, and who watches it. taken: the rules took its ports already."""

    def __init__(self, effect: CountPixels, watchers: set[asyncio.Queue[Told]]) -> None:
        self.effect = effect
        self.watchers = watchers
        self.taken = False
        self.readings: asyncio.Queue[Reading] = asyncio.Queue(READINGS_HELD)
        self.task: asyncio.Task[None] | None = None
        self.reason = ""

    def end(self, reason: str) -> None:
        """Cancel it, once; `reason` is told."""
        if not self.reason and self.task is not None and not self.task.done():
            self.reason = reason
            self.task.cancel()


def _stopped(port: PortPlan, what: str, cause: str) -> Counted:
    text = f"{port.name}: the count was stopped and the power taken away: {what}."
    return Counted(port.id, False, text, data={"cause": cause})


def _outcome(port: PortPlan, result: Result) -> Counted:
    if isinstance(result, Refusal):
        more = ""
        if result.readings_needed is not None:
            more = f" About {result.readings_needed} readings would be needed."
        end = "" if result.reason.endswith("?") else "."
        text = f"{port.name}: not counted: {result.reason}{end}{more}"
        data: dict[str, Any] = {"cause": result.cause.value, "readings": result.readings}
        return Counted(port.id, False, text, data=data)
    group = port.show_data.group if port.show_data is not None else 1
    pixels = result.pixels * group
    return Counted(
        port.id, True, _sentence(port, result, pixels, group), pixels, _figures(port, result, pixels)
    )


def _sentence(port: PortPlan, count: Count, pixels: int, group: int) -> str:
    parts = [f"{port.name}: {pixels} pixels"]
    if group > 1:
        parts = [f"{port.name}: {count.pixels} groups of {group}, {pixels - group + 1} to {pixels} pixels"]
    if port.pixels is not None and port.pixels != pixels:
        parts.append(f"; {port.pixels} are configured")
    sure = 100.0 * count.confidence
    parts.append(
        f" ({sure:.3f} % sure). With nothing lit it draws {count.dark_a:.3f} A, "
        f"{1000.0 * count.dark_per_pixel_a / group:.2f} mA per pixel; a lit one adds "
        f"{1000.0 * count.pixel_a / group:.1f} mA."
    )
    parts += [f" {note[0].upper()}{note[1:]}." for note in count.notes]
    return "".join(parts)


def _figures(port: PortPlan, count: Count, pixels: int) -> dict[str, Any]:
    return {
        "pixels": pixels,
        "configured": port.pixels,
        "confidence": count.confidence,
        "dark_a": round(count.dark_a, 5),
        "dark_per_pixel_a": round(count.dark_a / pixels, 7),
        "pixel_a": round(count.pixel_a, 6),
        "dead_pixels": count.dead_pixels,
        "noise_a": round(count.noise_a, 5),
        "sensor_step_a": round(count.sensor_step_a, 5),
        "readings": count.readings,
        "line": f"pixels: {pixels}",
        "under": f"controllers.{controller_of(port.id)}.ports.{number_of(port.id)}",
    }
