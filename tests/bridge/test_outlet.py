"""What comes in from a broker: old, unknown, odd and too many commands change nothing, and are told once."""

import asyncio

import pytest
from homie_site import ALL, plan, port
from structlog.testing import capture_logs
from support import run_async, until

from bridge.mqtt.homie import Tree
from bridge.mqtt.homie_lifecycle import arrange
from bridge.mqtt.link import Link, LinkSettings
from bridge.mqtt.outlet import Outlet
from bridge.site.broker import survey
from rules.door import Asked, Publish, Verb
from rules.ports import Abilities

pytestmark = pytest.mark.broker


class Inlet:
    """An outlet on a real broker; `asked` is what got through to the rules."""

    def __init__(self, broker, site_id, abilities=ALL) -> None:
        self.tree = Tree(plan(site_id, abilities=abilities))
        self.asked: list[Asked] = []
        self.link = Link(
            LinkSettings(
                host=broker.host,
                port=broker.port,
                client_id=site_id,
                state_topic=self.tree.state_topic,
                filters=self.tree.filters,
            ),
            on_message=self._heard,
            arrange=lambda retained: arrange(self.outlet.tree, retained),
        )
        self.outlet = Outlet(self.tree, self.link, lambda: 1)
        self.port = f"homie/5/{site_id}-gable-port-1/port"

    def _heard(self, topic: str, payload: bytes, retained: bool) -> None:
        asked = self.outlet.command(topic, payload, retained, len(self.asked) + 1)
        if asked is not None:
            self.asked.append(asked)

    async def __aenter__(self):
        self.task = asyncio.create_task(self.link.run())
        assert await self.link.wait_connected(10)
        self.outlet.open(await survey(self.link, self.outlet))
        return self

    async def __aexit__(self, *_):
        await self.link.stop()
        await self.task


def refusals(logs: list) -> list:
    """The log lines about refused commands."""
    return [line for line in logs if line["event"] == "request.refused"]


def test_a_retained_command_is_refused_and_the_same_one_live_is_taken(broker, observe, site_id) -> None:
    """A command kept by the broker is not obeyed when we connect; sent live, it is."""
    topic = f"homie/5/{site_id}-gable-port-1/port/power/set"
    watch = observe(f"homie/5/{site_id}-gable-port-1/#")
    watch.publish(topic, b"true", retain=True)

    async def story() -> None:
        async with Inlet(broker, site_id) as inlet:
            await until(lambda: b"retained" in watch.latest.get(f"{inlet.port}/last-answer", b""))
            assert inlet.asked == []
            watch.publish(topic, b"true")
            await until(lambda: inlet.asked)
            assert (inlet.asked[0].verb, inlet.asked[0].argument) == (Verb.MODE, "on")
            watch.publish(topic, b"", retain=True)
            await until(lambda: b"clears a retained" in watch.latest[f"{inlet.port}/last-answer"])

    run_async(story())


@pytest.mark.parametrize(
    ("prop", "payload"),
    [
        ("power", b"ON"),
        ("power", b"1"),
        ("power", b" true"),
        ("power", b""),
        ("power", b"\xff\xfe"),
        ("mode", b"AUTO"),
        ("mode", b"toggle"),
        ("reset", b"yes"),
        ("add-hold", b""),
        ("current", b"1.5"),
        ("nonsense", b"true"),
        pytest.param("power", b"x" * 15_000, id="long"),
        pytest.param("add-hold", b"x" * 19_900, id="long name"),
        pytest.param("release", "\u00fc".encode() * 500_000, id="endless name"),
    ],
)
def test_what_is_outside_the_grammar_is_answered_and_changes_nothing(
    broker, observe, site_id, prop, payload
) -> None:
    """A payload no property can have is refused with what would be right."""
    if len(payload) > 20_480 and "embedded" in broker.name:
        pytest.skip("the embedded broker hangs up on payloads above 20,480 bytes")
    watch = observe(f"homie/5/{site_id}-gable-port-1/#")

    async def story() -> None:
        async with Inlet(broker, site_id) as inlet:
            watch.publish(f"{inlet.port}/{prop}/set", payload)
            await until(lambda: watch.latest.get(f"{inlet.port}/last-answer", b"").startswith(b"Refused"))
            assert len(watch.latest[f"{inlet.port}/last-answer"]) < 1_000
            assert inlet.asked == []

    run_async(story())


def test_commands_for_nobody_here_are_left_to_others(broker, observe, site_id) -> None:
    """A port that is not configured and another site's port get no answer from us, and ours still listen."""
    watch = observe("homie/5/+/+/+", "homie/5/+/+/+/+")

    async def story() -> None:
        async with Inlet(broker, site_id) as inlet:
            for device in (f"{site_id}-gable-port-99", f"{site_id}-other-port-1", "elsewhere-port-1"):
                watch.publish(f"homie/5/{device}/port/power/set", b"true")
            watch.publish(f"{inlet.port}/mode/set", b"auto")
            await until(lambda: inlet.asked)
            assert len(inlet.asked) == 1
            answers = [one for one in watch.latest if one.endswith("/last-answer")]
            assert not [one for one in answers if "port-99" in one or "elsewhere" in one or "other" in one]

    run_async(story())


def test_a_flood_is_counted_and_told_once_in_the_log(broker, observe, site_id) -> None:
    """250 bad commands leave three lines in the log, and a good one after them gets through."""
    watch = observe()

    async def story() -> None:
        async with Inlet(broker, site_id) as inlet:
            for _ in range(250):
                watch.publish(f"{inlet.port}/power/set", b"maybe", qos=0)
            watch.publish(f"{inlet.port}/mode/set", b"off")
            await until(lambda: inlet.asked)

    with capture_logs() as logs:
        run_async(story())
    assert [line["count"] for line in refusals(logs)] == [1, 100, 200]


def test_commands_are_heard_while_the_tree_is_still_held(broker, observe, site_id) -> None:
    """A refusal before anything was said waits: nothing appears under ids that may be foreign."""
    watch = observe(f"homie/5/{site_id}-gable-port-1/#")

    async def story() -> None:
        inlet = Inlet(broker, site_id)
        inlet.outlet.command(f"{inlet.port}/power/set", b"maybe", False, 1)
        async with inlet:
            await until(lambda: watch.latest.get(f"{inlet.port}/last-answer", b"").startswith(b"Refused"))
            first = next(seen.topic for seen in watch.messages)
            assert first.endswith("$state")

    run_async(story())


def test_values_of_properties_that_are_no_more_are_taken_away(broker, observe, site_id) -> None:
    """A port that measures no voltage any more, told at a start or by a new plan, leaves none standing."""
    voltage = f"homie/5/{site_id}-gable-port-1/port/voltage"
    fewer = Abilities(voltage=False, temperature=True)
    watch = observe(f"homie/5/{site_id}-gable-port-1/#")

    async def said(inlet: Inlet) -> None:
        inlet.outlet.say(Publish(port(), "voltage", 12.1))
        await until(lambda: watch.latest.get(voltage) == b"12.1")

    async def story() -> None:
        async with Inlet(broker, site_id) as inlet:
            await said(inlet)
        async with Inlet(broker, site_id, fewer):
            await until(lambda: watch.latest[voltage] == b"")
        async with Inlet(broker, site_id) as inlet:
            await said(inlet)
            inlet.outlet.replan(plan(site_id, abilities=fewer), Tree(plan(site_id, abilities=fewer)))
            await until(lambda: watch.latest[voltage] == b"")
            assert voltage not in inlet.link.retained

    run_async(story())


def test_bottomless_json_under_an_id_of_ours_does_not_keep_us_from_speaking(broker, observe, site_id) -> None:
    """A description nested deeper than a reader can follow, left by anybody, is written over."""
    topic = f"homie/5/{site_id}-gable-port-1/$description"
    watch = observe(topic)
    watch.publish(topic, b"[" * 15_000, retain=True)

    async def story() -> None:
        async with Inlet(broker, site_id):
            await until(lambda: watch.latest.get(topic, b"").startswith(b"{"))

    run_async(story())


def test_a_plan_that_changes_before_anything_was_said_leaves_nothing_of_the_old_one(
    broker, observe, site_id
) -> None:
    """What was to be said of a port that left the plan before the first connect is not said."""
    gone, stays = (f"homie/5/{site_id}-gable-port-{number}/port/power" for number in (2, 1))
    watch = observe(f"homie/5/{site_id}-gable-port-1/#", f"homie/5/{site_id}-gable-port-2/#")

    async def story() -> None:
        inlet = Inlet(broker, site_id)
        for number in (1, 2):
            inlet.outlet.say(Publish(port(number), "power", True))
            inlet.outlet.say(Publish(port(number), "voltage", 12.0))
        fewer = plan(site_id, ports=1, abilities=Abilities(voltage=False))
        inlet.outlet.replan(fewer, Tree(fewer))
        async with inlet:
            await until(lambda: watch.latest.get(stays) == b"true" and not inlet.link.unacknowledged)
            assert gone not in watch.latest
            assert not any(topic.endswith("voltage") for topic in watch.latest)

    run_async(story())


def test_a_silent_link_that_ends_says_nothing(broker, observe, site_id) -> None:
    """A process that ends before it knew whether the tree is its own leaves the root's state as it was."""
    state = f"homie/5/{site_id}/$state"
    watch = observe(state)
    watch.publish(state, b"ready", retain=True)

    async def story() -> None:
        inlet = Inlet(broker, site_id)
        task = asyncio.create_task(inlet.link.run())
        assert await inlet.link.wait_connected(10)
        inlet.outlet.say(Publish(port(), "power", True))
        await inlet.link.stop()
        await task

    run_async(story())
    assert watch.of(state) == [b"ready"]
    watch.publish(state, b"", retain=True)
