"""Discovery documents: what a platform is told, in the form it takes, and when it goes."""

import asyncio
import json

import pytest
from homie_site import plan, tree
from support import run_async, until

from bridge.mqtt.announcer import Announcer, birth_topic
from bridge.mqtt.discovery import DOCUMENT_LIMIT_BYTES, Discovery, written
from bridge.mqtt.homie import Tree
from bridge.mqtt.link import Link, LinkSettings
from bridge.mqtt.outlet import Outlet
from bridge.site.broker import survey
from rules.ports import Abilities

CLASSES = {
    "current": ("current", "A", "measurement"),
    "energy": ("energy", "kWh", "total_increasing"),
    "voltage": ("voltage", "V", "measurement"),
    "temperature": ("temperature", "°C", "measurement"),
    "load": (None, "%", "measurement"),
}
"""Classes, units and state classes that the platform's documentation of sensors allows together."""


def documents(**more):
    """The documents of an invented site."""
    return dict(Discovery(tree(**more), version="1.0").documents())


# ---------------------------------------------------------------- the form


def test_every_document_is_complete_and_small() -> None:
    """A site of 48 ports has a document per device, each whole and below 16 kB."""
    found = documents(ports=48)
    assert set(found) == set(tree(ports=48).devices)
    for device, document in found.items():
        assert len(written(document)) < DOCUMENT_LIMIT_BYTES
        assert document["device"]["identifiers"] == [device]
        assert document["origin"]["name"]
        assert document["components"]
        for component in document["components"].values():
            assert component["platform"]
            assert component["unique_id"].startswith(device)


def test_unique_ids_are_unique_over_sites() -> None:
    """No two entities share a unique id, on one broker with two sites of similar names."""
    ids = [
        component["unique_id"]
        for site in ("lane", "lane-2")
        for document in documents(site=site, ports=12).values()
        for component in document["components"].values()
    ]
    assert len(ids) == len(set(ids))


def test_availability_maps_the_homie_states_in_each_entry() -> None:
    """A port waits for site, controller and itself; only `ready` is online."""
    port = documents()["lane-gable-port-1"]
    assert port["availability_mode"] == "all"
    assert [one["topic"] for one in port["availability"]] == [
        "homie/5/lane/$state",
        "homie/5/lane-gable/$state",
        "homie/5/lane-gable-port-1/$state",
    ]
    assert all("'ready'" in one["value_template"] for one in port["availability"])
    # That a controller does not answer is its own news, so it waits for the site alone.
    controller = documents()["lane-gable"]
    assert [one["topic"] for one in controller["availability"]] == ["homie/5/lane/$state"]


@pytest.mark.parametrize("key", CLASSES)
def test_measurements_have_the_platforms_classes(key) -> None:
    """Class, unit and state class of each measurement fit together."""
    component = documents()["lane-gable-port-1"]["components"][key]
    device_class, unit, state_class = CLASSES[key]
    assert component.get("device_class") == device_class
    assert component["unit_of_measurement"] == unit
    assert component["state_class"] == state_class


def test_every_topic_is_one_of_the_trees() -> None:
    """State and command topics are topics the tree really has; only settable properties have commands."""
    site = tree(ports=3)
    values, sets = {f"{site.base}/{device}/$state" for device in site.devices}, set()
    for device in site.devices.values():
        for prop in device.properties.values():
            topic = site.topic(device.target, prop.id)
            values.add(topic)
            if prop.settable:
                sets.add(f"{topic}/set")
    for document in dict(Discovery(site).documents()).values():
        for component in document["components"].values():
            for key in ("state_topic", "json_attributes_topic"):
                assert component.get(key) is None or component[key] in values
            assert component.get("command_topic") is None or component["command_topic"] in sets


def test_a_port_that_cant_do_something_has_no_component_for_it() -> None:
    """Without current there are no measurements, without a switch there is only a lamp for power."""
    found = documents(abilities=Abilities(switch=False, current=False))["lane-gable-port-1"]["components"]
    assert found["power"]["platform"] == "binary_sensor"
    assert not {"current", "load", "energy", "expected", "voltage", "temperature"} & set(found)


def test_what_is_no_more_is_taken_away_once_by_its_platform() -> None:
    """A component that went is named once with its platform alone, and left out the next time."""
    before = documents()
    after = dict(Discovery(tree(abilities=Abilities()), version="1.0").documents(before))
    assert after["lane-gable-port-1"]["components"]["voltage"] == {"platform": "sensor"}
    later = dict(Discovery(tree(abilities=Abilities()), version="1.0").documents(after))
    assert "voltage" not in later["lane-gable-port-1"]["components"]


def test_a_prop_called_like_a_port_says_what_it_is() -> None:
    """Two devices never have the same name on the dashboard."""
    from dataclasses import replace
    from types import MappingProxyType

    one = plan()
    port = next(iter(one.ports.values()))
    same = replace(one, ports=MappingProxyType({**one.ports, port.id: replace(port, name="arches")}))
    named = [document["device"]["name"] for _, document in Discovery(Tree(same)).documents()]
    assert "Arches (prop)" in named
    assert len({name.casefold() for name in named}) == len(named)


def test_shows_with_quotes_and_braces_keep_their_names() -> None:
    """A show's name survives the platform's template language (rendered here by Jinja, which it uses)."""
    jinja2 = pytest.importorskip("jinja2")
    from dataclasses import replace

    from rules.plan import ShowPlan
    from rules.shows.calendar import Anchor, Moment, Window

    names = ['It\'s "late" {{ 1 }}', "Ünïcode 🎆, and more", "Lantern walk"]
    when = (Window(Moment(Anchor.SUNSET), Moment(Anchor.SUNRISE)),)
    shows = tuple(ShowPlan(f"s{n}", name, when, ()) for n, name in enumerate(names))
    site = dict(Discovery(Tree(replace(plan(), shows=shows))).documents())["lane"]
    select = site["components"]["start-show"]
    assert select["options"] == ["No show", *names]
    render = jinja2.Environment().from_string(select["value_template"]).render
    for name in names:
        assert render(value=name) == name
    assert render(value="\0") == "No show"
    assert render(value=f"{names[2]}, {names[0]}") in names
    command = jinja2.Environment().from_string(select["command_template"]).render
    assert command(value="No show") == "end"
    assert command(value=names[0]) == names[0]


# ---------------------------------------------------------------- on a broker


def settings(broker, site, *filters):
    """A link of a site on the tests' broker."""
    return LinkSettings(
        host=broker.host,
        port=broker.port,
        client_id=site,
        state_topic=f"homie/5/{site}/$state",
        filters=filters,
    )


class Running:
    """A link, an announcer and an outlet, as the application wires them."""

    def __init__(self, broker, site_plan, prefix, *, enabled=True, delay_s=0.3) -> None:
        self.tree = Tree(site_plan)
        self.link = Link(
            settings(broker, site_plan.id, *self.tree.filters, birth_topic(prefix)),
            on_message=self._heard,
        )
        self.announcer = Announcer(
            self.link, prefix=prefix, version="1.0", enabled=enabled, delay_s=lambda: delay_s
        )
        self.outlet = Outlet(self.tree, self.link, lambda: 1, self.announcer)

    def _heard(self, topic: str, payload: bytes, retained: bool) -> None:
        self.announcer.heard(topic, payload, retained)

    async def __aenter__(self):
        self.task = asyncio.create_task(self.link.run())
        assert await self.link.wait_connected(10)
        self.outlet.open(await survey(self.link, self.outlet))
        return self

    async def __aexit__(self, *_):
        self.announcer.stop()
        await self.link.stop()
        await self.task


@pytest.mark.broker
def test_a_burst_of_births_brings_everything_again_once(broker, observe, site_id) -> None:
    """Three births within the delay make one round of documents and values; later ones make another."""
    prefix = f"ha-{site_id}"
    watch = observe(f"{prefix}/#", "homie/5/+/+/+")

    async def story() -> None:
        async with Running(broker, plan(site_id), prefix) as site:
            topic = f"{prefix}/device/{site_id}/config"
            await until(lambda: len(watch.of(topic)) == 1)
            for _ in range(3):
                watch.publish(birth_topic(prefix), b"online")
            await until(lambda: len(watch.of(topic)) == 2)
            await until(lambda: site.link.unacknowledged == 0)
            await asyncio.sleep(0.5)
            assert len(watch.of(topic)) == 2
            assert site.announcer.rounds == 1
            watch.publish(birth_topic(prefix), b"online")
            await until(lambda: len(watch.of(topic)) == 3)

    run_async(story())


@pytest.mark.broker
def test_an_old_birth_and_other_words_ask_for_nothing(broker, observe, site_id) -> None:
    """A birth replayed as retained at our connect, a goodbye and nonsense bring no second round."""
    prefix = f"ha-{site_id}"
    watch = observe(f"{prefix}/#")
    watch.publish(birth_topic(prefix), b"online", retain=True)

    async def story() -> None:
        async with Running(broker, plan(site_id), prefix, delay_s=0.0) as site:
            topic = f"{prefix}/device/{site_id}/config"
            await until(lambda: watch.of(topic))
            for payload in (b"offline", b"ONLINE", b"", b"\xff\xfe"):
                watch.publish(birth_topic(prefix), payload)
            await asyncio.sleep(0.4)
            assert site.announcer.rounds == 0
            assert len(watch.of(topic)) == 1

    run_async(story())
    watch.publish(birth_topic(prefix), b"", retain=True)


@pytest.mark.broker
def test_a_port_that_left_takes_its_document_along(broker, observe, site_id) -> None:
    """A port taken out of the configuration, while running or between runs, has no document any more."""
    prefix = f"ha-{site_id}"
    watch = observe(f"{prefix}/#")
    gone = f"{prefix}/device/{site_id}-gable-port-3/config"
    stays = f"{prefix}/device/{site_id}-gable-port-1/config"

    async def running() -> None:
        async with Running(broker, plan(site_id, ports=3), prefix) as site:
            await until(lambda: watch.latest.get(gone))
            fewer = plan(site_id, ports=2)
            site.outlet.replan(fewer, Tree(fewer))
            await until(lambda: watch.latest[gone] == b"")
            site.outlet.replan(plan(site_id, ports=3), Tree(plan(site_id, ports=3)))
            await until(lambda: watch.latest[gone] != b"")

    async def between_runs() -> None:
        async with Running(broker, plan(site_id, ports=2), prefix):
            await until(lambda: watch.latest[gone] == b"")
            assert json.loads(watch.latest[stays])["origin"]["name"] == "duskward"

    run_async(running())
    run_async(between_runs())


@pytest.mark.broker
def test_switched_off_it_takes_its_documents_away_and_no_others(broker, observe, site_id) -> None:
    """With discovery off, this site's documents go; another site's and another program's stay."""
    prefix = f"ha-{site_id}"
    watch = observe(f"{prefix}/#")
    other = f"{prefix}/device/{site_id}-else/config"
    watch.publish(other, b'{"origin": {"name": "somebody"}, "device": {}}', retain=True)

    async def story() -> None:
        async with Running(broker, plan(f"{site_id}-two"), prefix):
            pass
        async with Running(broker, plan(site_id), prefix):
            await until(lambda: watch.latest.get(f"{prefix}/device/{site_id}-prop-arches/config"))
        async with Running(broker, plan(site_id), prefix, enabled=False) as site:
            for device in site.tree.devices:
                await until(lambda one=device: watch.latest[f"{prefix}/device/{one}/config"] == b"")

    run_async(story())
    assert watch.latest[other]
    assert watch.latest[f"{prefix}/device/{site_id}-two/config"]


@pytest.mark.broker
def test_somebody_elses_document_is_left_alone(broker, observe, site_id) -> None:
    """Another program's document under one of our ids is not overwritten, also not after a birth."""
    prefix = f"ha-{site_id}"
    watch = observe(f"{prefix}/#")
    theirs = b'{"origin": {"name": "somebody"}, "device": {"identifiers": ["x"]}}'
    for number, odd in enumerate((b"[]", b"7", b"{", b'{"origin": 1, "availability": 5}', b"\xff")):
        watch.publish(f"{prefix}/device/odd-{number}/config", odd, retain=True)
    topic = f"{prefix}/device/{site_id}-gable/config"
    watch.publish(topic, theirs, retain=True)

    async def story() -> None:
        async with Running(broker, plan(site_id), prefix, delay_s=0.0) as site:
            await until(lambda: watch.latest.get(f"{prefix}/device/{site_id}/config"))
            watch.publish(birth_topic(prefix), b"online")
            await until(lambda: site.announcer.rounds == 1 and site.link.unacknowledged == 0)

    run_async(story())
    assert set(watch.of(topic)) == {theirs}
