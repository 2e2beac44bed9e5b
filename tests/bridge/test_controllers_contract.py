"""The contract of controllers, kept by every driver against something real.

HTTP against the simulator in each of its shapes, polled and pushed; MQTT against a real broker and an
independent client as the device; the kernel's files as a real tree.
"""

import asyncio
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager

import pytest
from controller_faces import SHAPE_NAMES, Face, kernel_files, mqtt_device, simulated
from support import run_async, until

from bridge.controllers.base import BadAnswerError, TimedOutError, UnreachableError
from rules.door import ControllerStatus, Event, Outcome
from rules.ports import Reading

DRIVERS = [
    *(f"http-{shape}" for shape in SHAPE_NAMES),
    "stream-lines",
    "stream-events",
    pytest.param("mqtt-periodic", marks=pytest.mark.broker),
    pytest.param("mqtt-on-change", marks=pytest.mark.broker),
    "hwmon",
]

Open = Callable[..., AbstractAsyncContextManager[Face]]


@pytest.fixture(params=DRIVERS)
def driver(request) -> str:
    """The driver's name."""
    return request.param


@pytest.fixture
def face(driver, request, tmp_path, site_id) -> Open:
    """Opens the driver's real face."""
    kind, _, what = driver.partition("-")
    if kind == "http":
        return lambda: simulated(what)
    if kind == "stream":
        path = "/feed" if what == "lines" else "/events"
        return lambda: simulated("rows", path=path, stream=what)
    if kind == "mqtt":
        broker = request.getfixturevalue("broker")
        return lambda: mqtt_device(broker, site_id, on_change=what == "on-change")
    return lambda: kernel_files(tmp_path / "sys")


@asynccontextmanager
async def watching(face: Face):
    """Watch a face; gives the events as they come."""
    events: list[Event] = []
    task = asyncio.create_task(face.controller.watch(events.extend))
    try:
        yield events
    finally:
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task


def _readings(events: list[Event], number: int) -> list[Reading]:
    return [e for e in events if isinstance(e, Reading) and e.port == f"gable/{number}"]


def _last(events: list[Event], number: int) -> Reading | None:
    found = _readings(events, number)
    return found[-1] if found else None


def _status(events: list[Event]) -> list[ControllerStatus]:
    return [e for e in events if isinstance(e, ControllerStatus)]


def _fresh(events: list[Event], number: int, since_s: float, **said: object) -> bool:
    return any(
        reading.measured_s >= since_s and all(getattr(reading, key) == value for key, value in said.items())
        for reading in _readings(events, number)
    )


def test_reads_every_port_with_its_time(face):
    """A read gives one reading per configured port, dated when it was asked for, with what the port says."""

    async def check() -> None:
        async with face() as made:
            before_s = made.controller.clock()
            readings = await made.controller.read()
            assert [r.port for r in readings] == [f"gable/{n}" for n in range(1, made.ports + 1)]
            for reading in readings:
                # A pushed state is dated at most its time under way (lag) before it was heard.
                assert before_s - 0.1 <= reading.measured_s <= made.controller.clock()
                assert reading.power is False
                assert reading.tripped is False
                assert reading.current_a is not None
            for number, current_a in made.currents.items():
                assert readings[number - 1].current_a == pytest.approx(current_a)

    run_async(check())


def test_switches_and_the_next_reading_confirms(face):
    """ON and OFF act on the one port they name, and a reading dated after the command says so."""

    async def check() -> None:
        async with face() as made, watching(made) as events:
            await until(lambda: _last(events, 3))
            for power in (True, False):
                given_s = made.controller.clock()
                outcome, detail = await made.controller.command(3, power)
                assert (outcome, detail.endswith(".")) == (Outcome.ACCEPTED, True)
                await until(lambda p=power: made.powered(3) is p)
                await until(lambda s=given_s, p=power: _fresh(events, 3, s, power=p))
                assert not any(made.powered(n) for n in range(1, made.ports + 1) if n != 3)

    run_async(check())


def test_unknown_port_is_never_switched(face):
    """A port that is not configured is refused here; nothing is sent."""

    async def check() -> None:
        async with face() as made:
            outcome, detail = await made.controller.command(77, True)
            assert outcome is Outcome.NOT_SENT
            assert "77" in detail

    run_async(check())


def test_unreachable_is_told_and_so_is_the_return(face, driver):
    """A controller that vanishes is told once per failed poll, and its return with fresh readings."""

    async def check() -> None:
        async with face() as made, watching(made) as events:
            await until(lambda: _last(events, 1))
            assert _status(events)[0].reachable is True
            await asyncio.to_thread(made.down)
            await until(
                lambda: len([s for s in _status(events) if not s.reachable]) >= 2, what="two failures"
            )
            assert all(s.detail for s in _status(events) if not s.reachable)
            outcome, _ = await made.controller.command(1, True)
            # A message for a device that is not there is still taken by the broker.
            assert outcome in ((Outcome.ACCEPTED,) if driver.startswith("mqtt") else (Outcome.NOT_SENT,))
            events.clear()
            await asyncio.to_thread(made.up)
            await until(lambda: any(s.reachable for s in _status(events)), what="told as back")
            await until(lambda: _last(events, 1), what="readings again")

    run_async(check())


def test_unreachable_read_raises(face):
    """A read of a controller that is not there raises an error of the transient kind, in words."""

    async def check() -> None:
        async with face() as made:
            await made.controller.read()
            await asyncio.to_thread(made.down)
            error: Exception | None = None

            async def fails() -> bool:
                nonlocal error
                try:
                    await made.controller.read()
                except (UnreachableError, TimedOutError, BadAnswerError) as met:
                    error = met
                return error is not None

            end_s = made.controller.clock() + 10.0
            while not await fails():
                assert made.controller.clock() < end_s, "reads go on without a controller"
                await asyncio.sleep(0.01)
            assert error is not None
            assert error.subject == "gable"
            assert "gable" in str(error)

    run_async(check())


def test_hanging_is_bounded_and_told(face, driver):
    """A controller that takes requests and never answers fails within its limit, is told, and may return."""
    if driver == "mqtt-on-change":
        pytest.skip("who publishes only changes is vouched for by its available topic")

    async def check() -> None:
        async with face() as made, watching(made) as events:
            await until(lambda: _last(events, 1))
            await asyncio.to_thread(made.hang, True)
            await until(lambda: any(not s.reachable for s in _status(events)), what="told as lost")
            if not driver.startswith("mqtt"):
                outcome, _ = await asyncio.wait_for(made.controller.command(1, True), 3.0)
                assert outcome is Outcome.UNKNOWN
            await asyncio.to_thread(made.hang, False)
            await until(lambda: _status(events)[-1].reachable, what="told as back")

    run_async(check())


def test_fewer_ports_is_no_data_not_off(face, driver):
    """A port the controller stops telling of gets no reading at all; the others go on."""

    async def check() -> None:
        async with face() as made, watching(made) as events:
            await until(lambda: all(_last(events, n) for n in range(1, made.ports + 1)))
            await asyncio.to_thread(made.set_ports, 4)
            given_s = made.controller.clock() + 0.3
            await until(lambda: _fresh(events, 4, given_s))
            if driver == "mqtt-on-change":
                return  # silence is no news there
            assert not _fresh(events, 5, given_s)
            assert not _fresh(events, 6, given_s)
            await asyncio.to_thread(made.set_ports, 6)
            await until(lambda: _fresh(events, 6, given_s), what="the port again")

    run_async(check())


def test_a_sink_that_fails_does_not_end_the_watch(face):
    """Whatever goes wrong where events are handed over, the watch goes on."""

    async def check() -> None:
        async with face() as made:
            calls: list[int] = []

            def sink(events: list[Event]) -> None:
                calls.append(len(events))
                raise ArithmeticError("of the engine's")

            task = asyncio.create_task(made.controller.watch(sink))
            await until(lambda: len(calls) >= 3)
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task

    run_async(check())


def test_cancelled_mid_way_leaves_nothing(face):
    """A read, a command and a watch that are cancelled end at once, and the controller still works."""

    async def check() -> None:
        async with face() as made:
            await made.controller.read()
            for start in (
                made.controller.read,
                lambda: made.controller.command(2, True),
                lambda: made.controller.watch(lambda _events: None),
            ):
                task = asyncio.create_task(start())
                await asyncio.sleep(0)
                await asyncio.sleep(0)
                task.cancel()
                await asyncio.wait({task}, timeout=2.0)
                assert task.done()
            outcome, _ = await made.controller.command(2, False)
            assert outcome is Outcome.ACCEPTED
            assert await made.controller.read()

    run_async(check())


def test_off_overtakes_a_pending_on(face, driver):
    """An OFF does not wait for an ON of the same port that hangs; the ON's outcome is unknown."""
    if driver.startswith("mqtt"):
        pytest.skip("a broker takes messages at once: there is nothing to overtake")

    async def check() -> None:
        async with face() as made:
            await made.controller.read()
            await asyncio.to_thread(made.hang, True)
            on = asyncio.create_task(made.controller.command(4, True))
            queued = asyncio.create_task(made.controller.command(4, True))
            await asyncio.sleep(0.05)
            off = asyncio.create_task(made.controller.command(4, False))
            outcome, detail = await asyncio.wait_for(on, 0.2)
            assert outcome is Outcome.UNKNOWN
            assert "overtook" in detail
            await asyncio.to_thread(made.hang, False)
            await off
            assert (await queued)[0] is Outcome.NOT_SENT
            assert (await made.controller.command(4, False))[0] is Outcome.ACCEPTED
            await until(lambda: made.powered(4) is False)

    run_async(check())
