"""A whole count over real E1.31 on loopback, and every way out of it."""

import asyncio
from collections import Counter

import pytest
from benchmarks.counting import SimulatedString
from support import LOOPBACK, run_async, until

from bridge.errors import TransientError
from bridge.pixels.counting import CountJob, CountStopped, CountTimes, StopCause
from bridge.pixels.e131 import LevelReceiver, LevelSender
from rules.pixels.counting import Cause, Count, CountSettings, Refusal
from rules.ports import PortId, Reading
from rules.show_data.levels import PixelMap

PORT = PortId("gable/1")


class Controller:
    """A port with a string: hears levels by E1.31, reports current, power and trip."""

    def __init__(self, pixel_map, string):
        self.map = pixel_map
        self.string = string
        self.receiver = LevelReceiver(bind=LOOPBACK, port=0)
        self.power = False
        self.tripped = False
        self.asked = []
        self.readings = 0
        self.lit = None
        self.on_reading = lambda: None

    async def set_power(self, on):
        """The running process is asked for power."""
        await asyncio.sleep(0)
        self.asked.append(on)
        self.power = bool(on)

    def is_lit(self):
        """How many pixels are lit now."""
        data = self.map.pick(self.receiver.levels()) or b""
        return sum(any(data[n : n + 3]) for n in range(0, len(data), 3))

    async def read(self):
        """A reading a few milliseconds later."""
        await asyncio.sleep(0.002)
        self.readings += 1
        self.on_reading()
        now_s = asyncio.get_running_loop().time()
        data = self.map.pick(self.receiver.levels()) or b""
        if data != self.lit:
            self.lit = data
            on = [n // 3 for n in range(0, len(data), 3) if any(data[n : n + 3])]
            self.string.show([range(n, n + 1) for n in on], now_s)
        current_a = self.string.read_a(now_s) if self.power else 0.0
        return Reading(PORT, now_s, current_a=current_a, power=self.power, tripped=self.tripped)


def job(controller, ours, **options):
    """A job on that controller."""
    settings = CountSettings(capacity=200, limit_a=4.0, settle_s=0.006)
    return CountJob(
        controller.map,
        settings,
        **({"power": controller.set_power, "read": controller.read, "show": ours.show} | options),
    )


def with_controller(scenario, *, pixels=60, group=1, **string):
    """Run `scenario(controller, sender)` with everything open."""

    async def run():
        pixel_map = PixelMap(PORT, 1, 200, group=group)
        controller = Controller(pixel_map, SimulatedString(pixels, 0.0555, **string))
        async with controller.receiver:
            port = controller.receiver.address[1]
            async with LevelSender(LOOPBACK, source_name="Count", priority=150, port=port) as ours:
                await scenario(controller, ours)
                if controller.asked:
                    await until(lambda: controller.is_lit() == 0, what="all pixels dark")

    run_async(run())


def test_whole_count():
    """A string of 60 pixels is counted over real packets; the port is given back and left dark."""
    stages = Counter()

    async def scenario(controller, ours):
        result = await job(controller, ours, progress=lambda at: stages.update([at.stage])).run()
        assert isinstance(result, Count)
        assert result.pixels == 60
        assert result.dark_per_pixel_a == pytest.approx(0.00226, rel=0.05)
        assert controller.asked == [True, None]

    with_controller(scenario)
    assert {"dark", "calibrate", "search", "prove", "inside"} <= set(stages)


def test_groups_are_said():
    """Where the controller drives several pixels as one, the answer says that groups were counted."""

    async def scenario(controller, ours):
        result = await job(controller, ours).run()
        assert isinstance(result, Count)
        assert result.pixels == 20
        assert any("groups" in note for note in result.notes)

    with_controller(scenario, pixels=20, group=2)


def stopped(change, cause, **options):
    """A count in which `change(controller)` happens at reading 40 stops with `cause`, off and dark."""

    async def scenario(controller, ours):
        def happen():
            if controller.readings == 40:
                change(controller)

        controller.on_reading = happen
        with pytest.raises(CountStopped) as caught:
            await job(controller, ours, **options).run()
        assert caught.value.cause is cause
        assert controller.asked == [True, False]
        assert controller.readings < 60
        assert not controller.power

    with_controller(scenario)


def test_trip_stops():
    """A trip during the count stops it at once, and the port is powered off."""
    stopped(lambda controller: setattr(controller, "tripped", True), StopCause.TRIPPED)


def test_lost_power_stops():
    """Power that goes away (somebody's hold) stops the count; it is not asked for again."""
    stopped(lambda controller: setattr(controller, "power", False), StopCause.POWER_LOST)


def test_too_much_current_stops():
    """A current above the limit stops the count at once."""
    stopped(lambda controller: setattr(controller.string, "offset_a", 5.0), StopCause.OVER_LIMIT)


def test_silent_controller_stops():
    """A controller that no longer answers stops the count after the time for a reading."""

    async def scenario(controller, ours):
        async def read():
            if controller.readings >= 40:
                await asyncio.Event().wait()
            return await controller.read()

        with pytest.raises(CountStopped) as caught:
            await job(controller, ours, read=read, times=CountTimes(reading_s=0.2)).run()
        assert caught.value.cause is StopCause.NO_DATA
        assert controller.asked == [True, False]

    with_controller(scenario)


def test_unreachable_controller_stops():
    """A controller that cannot be reached stops the count with the reason."""

    def gone(controller):
        raise TransientError("connection refused", subject="gable")

    stopped(gone, StopCause.NO_DATA)


def test_no_current_reported_stops():
    """A controller that reports no current any more stops the count."""

    async def scenario(controller, ours):
        async def read():
            reading = await controller.read()
            return reading._replace(current_a=None) if controller.readings > 40 else reading

        with pytest.raises(CountStopped) as caught:
            await job(controller, ours, read=read).run()
        assert caught.value.cause is StopCause.NO_DATA
        assert controller.asked == [True, False]

    with_controller(scenario)


def test_power_that_does_not_come_stops():
    """Power that does not come within its time stops the count."""

    async def scenario(controller, ours):
        async def refuse(on):
            controller.asked.append(on)

        with pytest.raises(CountStopped) as caught:
            await job(controller, ours, power=refuse, times=CountTimes(power_s=0.2)).run()
        assert caught.value.cause is StopCause.NO_POWER
        assert controller.asked == [True, False]

    with_controller(scenario)


def test_time_limit_stops():
    """A count that takes longer than allowed stops."""

    async def scenario(controller, ours):
        with pytest.raises(CountStopped) as caught:
            await job(controller, ours, times=CountTimes(in_all_s=0.2)).run()
        assert caught.value.cause is StopCause.TIMED_OUT
        assert controller.asked == [True, False]

    with_controller(scenario)


def test_limit_refusal_powers_off():
    """Where the dark string already draws more than the limit, the port is powered off."""

    async def scenario(controller, ours):
        with pytest.raises(CountStopped) as caught:
            await job(controller, ours).run()
        assert caught.value.cause is StopCause.OVER_LIMIT
        assert controller.asked == [True, False]

    with_controller(scenario, dark_a=0.1)


@pytest.mark.parametrize("times", [1, 3])
def test_cancelling_powers_off(times):
    """A cancelled count powers the port off and leaves it dark, however often it is cancelled."""

    async def scenario(controller, ours):
        release = asyncio.Event()

        async def slow_off(on):
            if on is False:
                await release.wait()
            await controller.set_power(on)

        task = asyncio.create_task(job(controller, ours, power=slow_off).run())
        await until(lambda: controller.readings > 40)
        for _ in range(times):
            task.cancel()
            await asyncio.sleep(0.01)
        assert not task.done()
        release.set()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert controller.asked == [True, False]

    with_controller(scenario)


def test_empty_port_is_refused():
    """A port on which nothing answers is a refusal with its reason, and is given back."""

    async def scenario(controller, ours):
        result = await job(controller, ours).run()
        assert isinstance(result, Refusal)
        assert result.cause is Cause.NO_RESPONSE
        assert controller.asked == [True, None]

    with_controller(scenario, pixels=0)
