"""An independent Homie 5 reader discovers a site on a real broker and switches a port.

The reader is ebus-sdk's Controller: it shares no code with this project. Each test has a Homie domain of its
own (the site's id), so that the reader does not look into what other tests left on a shared broker.
"""

import asyncio
import contextlib

import pytest
from ebus_sdk import Controller
from homie_site import plan, port, site
from support import retained_now, run_async, until
from test_link import running, settings

from bridge.mqtt.homie import Refusal, Tree
from bridge.mqtt.homie_lifecycle import announce, arrange, ghosts, read_descriptions, removal
from bridge.mqtt.link import Link
from rules.door import Alert, Asked, Presence, Publish, Verb
from rules.ports import Condition, Target, TargetKind

pytestmark = [
    pytest.mark.broker,
    # The reader's own MQTT client still asks for paho's older callbacks.
    pytest.mark.filterwarnings("ignore:Callback API version 1 is deprecated:DeprecationWarning"),
]

VALUES = {
    "power": False, "mode": "auto", "override-left": 0, "reason": "No show runs.", "hold-state": "none",
    "hold": [], "current": 0.0, "expected": 2.0, "load": 0.0, "energy": 0.125, "voltage": 12.04,
    "temperature": 21.5,
    "pixels": 100, "fault": "none", "alarm": "normal", "fault-detail": {}, "shots": 0,
}  # fmt: skip


def say(link, tree, effects):
    """Publish effects."""
    for effect in effects:
        for one in tree.publications(effect):
            assert link.publish(*one)


def say_all(link, tree, before=None):
    """A site's start: structure, values, presence, and the root's `ready` last."""
    for one in announce(tree, tree.descriptions(before or {}), before or {}):
        link.publish(*one)
    for target in [
        device.target for device in tree.devices.values() if device.target.kind is TargetKind.PORT
    ]:
        say(link, tree, [Publish(target, name, value) for name, value in VALUES.items()])
    say(link, tree, [Publish(site(tree.root), "show", ""), Publish(site(tree.root), "weather-hold", False)])
    say(link, tree, [Presence(controller, True) for controller in tree.plan.controllers])
    for device in tree.devices.values():
        if device.target.kind is TargetKind.PROP:
            link.publish(*tree.state(device.id, "ready"))
    link.publish(*tree.state(tree.root, "ready"))


@contextlib.contextmanager
def reader(broker, root):
    """The independent reader on one site; it asks a busy broker again for what did not come."""
    controller = Controller(
        mqtt_cfg={"host": broker.host, "port": broker.port}, homie_domain=root, root_device_id=root,
        stuck_device_timeout=2.0,
    )  # fmt: skip
    controller.start_discovery()
    try:
        yield controller
    finally:
        controller.stop()


def test_reader_discovers_all_and_switches(broker, site_id):
    """Every device, property and value arrives at the reader; its command arrives as the request meant."""
    tree, got = Tree(plan(site_id, ports=4), domain=site_id), []
    link = Link(
        settings(broker, site_id, state_topic=tree.state_topic, filters=tree.filters),
        on_message=lambda topic, payload, retained: got.append(tree.command(topic, payload, retained, 1)),
        arrange=lambda retained: arrange(tree, retained),
    )

    async def go():
        async with running(link):
            say_all(link, tree)
            with reader(broker, site_id) as controller:
                await until(lambda: controller.is_tree_complete(site_id), what="the whole tree")
                devices = {device.device_id: device for device in controller.get_all_devices().values()}
                assert set(devices) == set(tree.devices)
                assert {controller.get_effective_state(one) for one in devices} == {"ready"}
                told = tree.descriptions()
                for name, device in devices.items():
                    assert {**device.description, "version": 0} == {**told[name], "version": 0}
                first = devices[f"{site_id}-gable-port-1"]
                await until(lambda: len(first.properties.get("port", {})) == len(VALUES), what="all values")
                assert first.get_property("port", "voltage") == "12.04"
                assert first.get_property("port", "power") == "false"
                await asyncio.to_thread(controller.set_property, first.device_id, "port", "power", "true")
                await until(lambda: got)
                assert got == [Asked(1, Verb.MODE, port(1), "on")]
                say(
                    link,
                    tree,
                    [Publish(port(1), "power", True, as_target=True), Publish(port(1), "power", True)],
                )
                await until(lambda: first.get_property_target("port", "power") == "true")
                await until(lambda: first.get_property("port", "power") == "true")
                await asyncio.to_thread(controller.set_property, first.device_id, "port", "power", "ON")
                await until(lambda: len(got) == 2)
                assert isinstance(got[1], Refusal)
                say(link, tree, [Presence("gable", False)])
                await until(lambda: controller.get_effective_state(first.device_id) == "lost")

    run_async(go())


def test_a_lost_process_is_seen_as_lost_everywhere(broker, site_id):
    """When the process dies, the reader counts every device of the tree as lost (the root's will)."""
    tree = Tree(plan(site_id, ports=2), domain=site_id)
    link = Link(settings(broker, site_id, state_topic=tree.state_topic))

    async def go():
        task = asyncio.create_task(link.run())
        await link.wait_connected(10)
        say_all(link, tree)
        with reader(broker, site_id) as controller:
            await until(lambda: controller.is_tree_complete(site_id))
            task.cancel()
            await asyncio.wait([task])
            await until(lambda: {controller.get_effective_state(one) for one in tree.devices} == {"lost"})

    run_async(go())


def test_a_site_that_shrank_leaves_no_ghosts(broker, site_id):
    """Ports taken out of the plan are gone for a newcomer, alerts too; the others stay (PIT-06)."""
    old, now = Tree(plan(site_id, ports=3), domain=site_id), Tree(plan(site_id, ports=2), domain=site_id)
    ghost = f"{site_id}/5/{site_id}-gable-port-3"

    async def first():
        async with running(link := Link(settings(broker, site_id, state_topic=old.state_topic))):
            say_all(link, old)
            say(link, old, [Alert(port(3), Condition.FUSE_TRIP, "Arch 3 tripped.")])

    async def second():
        async with running(link := Link(settings(broker, site_id, state_topic=now.state_topic))):
            held = await link.gather([f"{site_id}/5/+/$description"])
            found = read_descriptions(now, held)
            gone = ghosts(now, found)
            assert gone == [f"{site_id}-gable-port-3"]
            held.update(await link.gather([f"{ghost}/#"]))
            for one in announce(now, now.descriptions(found), found):
                link.publish(*one)
            for one in removal(now, gone, found, held):
                link.publish(*one)
            await until(lambda: not link.unacknowledged)

    run_async(first())
    before = retained_now(broker.host, broker.port, f"{site_id}/5/{site_id}-gable-port-2/#")
    assert len(retained_now(broker.host, broker.port, f"{ghost}/#")) > 15
    run_async(second())
    assert retained_now(broker.host, broker.port, f"{ghost}/#") == {}
    assert retained_now(broker.host, broker.port, f"{site_id}/5/{site_id}-gable-port-2/#") == before


def test_after_a_broker_forgot_a_reader_finds_the_whole_site(start_mosquitto, site_id):
    """A killed broker holds the whole site again without the product's restart (PIT-33)."""
    private = start_mosquitto()
    tree = Tree(plan(site_id, ports=8), domain=site_id)
    link = Link(
        settings(private, site_id, state_topic=tree.state_topic),
        arrange=lambda retained: arrange(tree, retained),
    )

    async def go():
        async with running(link):
            say_all(link, tree)
            await until(lambda: not link.unacknowledged)
            await asyncio.to_thread(private.restart)
            await until(lambda: link.connected and not link.unacknowledged)
            with reader(private, site_id) as controller:
                await until(lambda: controller.is_tree_complete(site_id))
                assert set(controller.get_all_devices()) == set(tree.devices)

    run_async(go())


def test_a_prop_can_be_held(broker, site_id, observe):
    """A hold set on a prop's device is asked of the prop."""
    tree, got, observer = Tree(plan(site_id), domain=site_id), [], observe()
    link = Link(
        settings(broker, site_id, state_topic=tree.state_topic, filters=tree.filters),
        on_message=lambda topic, payload, retained: got.append(tree.command(topic, payload, retained, 1)),
    )

    async def go():
        async with running(link):
            await asyncio.to_thread(
                observer.publish, f"{site_id}/5/{site_id}-prop-arches/prop/add-hold/set", "Mara", qos=0
            )
            await until(lambda: got)

    run_async(go())
    assert got == [Asked(1, Verb.HOLD, Target(TargetKind.PROP, "arches"), "Mara")]
