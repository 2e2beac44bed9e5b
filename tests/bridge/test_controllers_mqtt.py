"""Controllers that publish by themselves: what counts, what is too old, and how fast it is told."""

import asyncio
import json
import time

import paho.mqtt.client as mqtt
import pytest
from controller_faces import controller_of, reach_of
from pydantic import ValidationError
from support import free_port, run_async, until

from bridge.controllers.base import TimedOutError, UnreachableError
from rules.door import ControllerStatus, Outcome
from rules.ports import Reading


def mapping(address, prefix, **more):
    """Two ports below `prefix`."""
    return {
        "kind": "mqtt", "broker": {"host": address.host, "port": address.port}, "every": "200 ms",
        "timeout": "500 ms", "lag": "50 ms",
        "topics": [
            {"topic": f"{prefix}/{{port}}/amps", "current": "@ | A"},
            {"topic": f"{prefix}/out{{port}}", "power": {"from": "@", "yes": ["CLOSED"], "no": ["OPEN"]}},
            {"topic": f"{prefix}/all", "ports": "o", "port": "id", "tripped": "open", "current": "ma | mA"},
        ],
        "switch": {"topic": f"{prefix}/{{port}}/set", "json": {"port": "{port}", "live": "{power}"}}, **more,
    }  # fmt: skip


class Device:
    """The device's side, by an independent client."""

    def __init__(self, address) -> None:
        self.heard: list[tuple[str, bytes]] = []
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self.client.on_message = lambda _c, _d, m: self.heard.append((m.topic, m.payload))
        self.client.connect(address.host, address.port)
        self.client.loop_start()

    def say(self, topic, payload, *, retain=False) -> None:
        """Publish and wait until the broker has it."""
        self.client.publish(topic, payload, 1, retain=retain).wait_for_publish(5)

    def close(self) -> None:
        """Leave."""
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def device(broker):
    """A device on the shared broker."""
    made = Device(broker)
    yield made
    made.close()


class Watched:
    """A controller that is being watched."""

    def __init__(self, spec, ports=2) -> None:
        self.controller = controller_of(spec, ports)
        self.events: list = []

    async def __aenter__(self):
        self.task = asyncio.create_task(self.controller.watch(self.events.extend))
        await until(lambda: self.controller._wire is not None)
        return self

    async def __aexit__(self, *_exc) -> None:
        self.task.cancel()
        await asyncio.wait({self.task})
        await self.controller.close()

    def readings(self, port=1):
        """Readings of a port, oldest first."""
        return [e for e in self.events if isinstance(e, Reading) and e.port == f"gable/{port}"]


pytestmark = pytest.mark.broker


def test_plain_json_and_whole_documents(broker, device, site_id):
    """A port's number is captured from the topic or named in the document; text and JSON payloads count."""

    async def check() -> None:
        async with Watched(mapping(broker, site_id)) as watched:
            device.say(f"{site_id}/1/amps", "0.75")
            device.say(f"{site_id}/out1", "CLOSED")
            device.say(f"{site_id}/all", json.dumps({"o": [{"id": 2, "open": True, "ma": 5}]}))
            await until(lambda: watched.readings(2))
            newest = watched.readings(1)[-1]
            assert (newest.current_a, newest.power, newest.tripped) == (0.75, True, None)
            newest = watched.readings(2)[-1]
            assert (newest.current_a, newest.power, newest.tripped) == (0.005, None, True)
            assert watched.events[0] == ControllerStatus("gable", reachable=True)

    run_async(check())


@pytest.mark.parametrize(
    "payload", [b"", b"\xff\xfe", b"NaN", b"1e400", b"null", b"{}", b"[[[", b"on", b"9" * 5000]
)
def test_bad_payloads_say_nothing(broker, device, site_id, payload):
    """A payload that is no number tells no current, and the next good one is heard."""

    async def check() -> None:
        async with Watched(mapping(broker, site_id)) as watched:
            device.say(f"{site_id}/1/amps", payload)
            device.say(f"{site_id}/all", payload)
            device.say(f"{site_id}/77/amps", "1")
            device.say(f"{site_id}/x/amps", "1")
            device.say(f"{site_id}/1/amps", "0.5")
            await until(watched.readings)
            assert {r.current_a for r in watched.readings()} == {0.5}
            assert {e.port for e in watched.events if isinstance(e, Reading)} == {"gable/1"}

    run_async(check())


def test_retained_states_are_not_fresh(broker, device, site_id):
    """What the broker kept from earlier is no reading: it may be hours old."""
    device.say(f"{site_id}/1/amps", "9", retain=True)

    async def check() -> None:
        async with Watched(mapping(broker, site_id)) as watched:
            device.say(f"{site_id}/2/amps", "1")
            await until(lambda: watched.readings(2))
            assert not watched.readings(1)

    run_async(check())
    device.say(f"{site_id}/1/amps", b"", retain=True)


def test_retained_states_count_while_the_device_is_there(broker, device, site_id):
    """Who publishes changes only is believed as long as its own will says that it is there."""
    device.say(f"{site_id}/1/amps", "0.9", retain=True)
    device.say(f"{site_id}/here", "up", retain=True)
    spec = mapping(
        broker, site_id, on_change=True, available={"topic": f"{site_id}/here", "yes": ["up"], "no": ["down"]}
    )

    async def check() -> None:
        async with Watched(spec) as watched:
            await until(lambda: len(watched.readings()) >= 3, what="the same state, dated anew")
            dates = [r.measured_s for r in watched.readings()]
            assert dates == sorted(dates)
            assert dates[-1] > dates[0]
            device.say(f"{site_id}/here", "down", retain=True)
            await until(
                lambda: not [e for e in watched.events if isinstance(e, ControllerStatus)][-1].reachable
            )
            count = len(watched.readings())
            await asyncio.sleep(0.5)
            assert len(watched.readings()) == count
            with pytest.raises(TimedOutError, match="not available"):
                await watched.controller.read()

    run_async(check())
    for topic in ("1/amps", "here"):
        device.say(f"{site_id}/{topic}", b"", retain=True)


def test_a_state_under_way_does_not_answer_a_command(broker, device, site_id):
    """A state that arrives within `lag` after a command is dated before it; standing for `lag`, after it."""

    async def check() -> None:
        async with Watched(mapping(broker, site_id, lag="300 ms")) as watched:
            device.say(f"{site_id}/out1", "OPEN")
            await until(watched.readings)
            given_s = watched.controller.clock()
            assert (await watched.controller.command(1, False))[0] is Outcome.ACCEPTED
            watched.events.clear()
            device.say(f"{site_id}/out1", "OPEN")
            await until(watched.readings)
            assert watched.readings()[0].measured_s < given_s
            await until(lambda: watched.readings()[-1].measured_s >= given_s)
            assert watched.readings()[-1].power is False

    run_async(check())


def test_what_was_said_before_a_command_is_not_carried_over(broker, device, site_id):
    """After a command a current alone does not repeat the power that was reported before it."""

    async def check() -> None:
        async with Watched(mapping(broker, site_id, lag="0 s", every="5 s")) as watched:
            device.say(f"{site_id}/out1", "CLOSED")
            await until(watched.readings)
            device.say(f"{site_id}/1/amps", "1")
            await until(lambda: watched.readings()[-1].current_a == 1)
            assert watched.readings()[-1].power is True
            await watched.controller.command(1, False)
            device.say(f"{site_id}/1/amps", "2")
            await until(lambda: watched.readings()[-1].current_a == 2)
            assert watched.readings()[-1].power is None

    run_async(check())


def test_commands_are_live_messages(broker, device, site_id):
    """A command is published once, not retained, as the mapping spells it."""
    device.client.subscribe(f"{site_id}/+/set", 1)

    async def check() -> None:
        async with Watched(mapping(broker, site_id)) as watched:
            outcome, detail = await watched.controller.command(2, True)
            assert outcome is Outcome.ACCEPTED
            assert f"{site_id}/2/set" in detail
            await until(lambda: device.heard)

    run_async(check())
    assert device.heard == [(f"{site_id}/2/set", b'{"port": 2, "live": true}')]
    late = Device(broker)
    late.client.subscribe(f"{site_id}/+/set", 1)
    device.say(f"{site_id}/1/set", "mark")
    end = time.monotonic() + 5
    while not late.heard and time.monotonic() < end:
        time.sleep(0.01)
    late.close()
    assert late.heard == [(f"{site_id}/1/set", b"mark")]


def test_silence_is_told_again_and_again(broker, device, site_id):
    """Three periods without a word are "does not answer", told once per period; a word ends it."""

    async def check() -> None:
        async with Watched(mapping(broker, site_id, every="50 ms")) as watched:
            device.say(f"{site_id}/1/amps", "1")
            await until(watched.readings)

            def lost():
                return [e for e in watched.events if isinstance(e, ControllerStatus) and not e.reachable]

            await until(lambda: len(lost()) >= 3)
            assert "published nothing for 0.15 s" in lost()[0].detail
            watched.events.clear()
            device.say(f"{site_id}/1/amps", "1")
            await until(lambda: ControllerStatus("gable", reachable=True) in watched.events)

    run_async(check())


def test_no_broker(site_id):
    """Without its broker a controller is unreachable in words, and a command was not sent."""

    class Nowhere:
        host, port = "127.0.0.1", free_port()

    async def check() -> None:
        controller = controller_of(mapping(Nowhere, site_id), 2)
        events: list = []
        task = asyncio.create_task(controller.watch(events.extend))
        await until(lambda: len(events) >= 2)
        assert all(not e.reachable for e in events)
        await until(lambda: "cannot be reached" in events[-1].detail)
        assert (await controller.command(1, True))[0] is Outcome.NOT_SENT
        with pytest.raises(UnreachableError):
            await controller.read()
        task.cancel()
        await asyncio.wait({task})
        await controller.close()

    run_async(check())


def test_broker_killed_and_back(start_mosquitto, site_id):
    """When the broker dies the controller is told as lost, and is heard again when the broker is back."""
    private = start_mosquitto()

    async def check() -> None:
        async with Watched(mapping(private, site_id)) as watched:
            one = Device(private)
            one.say(f"{site_id}/1/amps", "1")
            await until(watched.readings)
            one.close()
            await asyncio.to_thread(private.kill)
            await until(
                lambda: any(isinstance(e, ControllerStatus) and not e.reachable for e in watched.events)
            )
            await asyncio.to_thread(private.restart)
            await until(lambda: watched.controller._wire is not None)
            watched.events.clear()
            two = Device(private)
            two.say(f"{site_id}/1/amps", "2")
            await until(watched.readings)
            two.close()

    run_async(check())


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"topics": []}, "at least 1"),
        ({"topics": [{"topic": "a/+/b", "current": "@ | A"}]}, "no + and no #"),
        ({"topics": [{"topic": "a/{port}/{port}", "current": "@ | A"}]}, "stands once"),
        ({"topics": [{"topic": "a/b", "current": "@ | A"}]}, "not told where the ports are"),
        ({"topics": [{"topic": "a/{port}"}]}, "tells nothing"),
        ({"on_change": True}, "must say that it is there"),
        ({"switch": {"topic": "a/{port}/set", "payload": "1"}}, "depends on {power}"),
        ({"broker": {"host": "h", "password_env": "X"}}, "write username with"),
        ({"available": {"topic": "a", "yes": ["x"], "no": ["X"]}}, "under yes and under no"),
    ],
)
def test_mistakes_say_what_would_be_right(change, words):
    """What can't be meant is refused when the file is read, with what would be right."""

    class Somewhere:
        host, port = "127.0.0.1", 1883

    with pytest.raises(ValidationError) as refused:
        reach_of(mapping(Somewhere, "a") | change)
    assert words in str(refused.value)
