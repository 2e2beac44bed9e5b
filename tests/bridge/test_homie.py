"""The tree of devices: what effects say, what commands ask, when what is said.

Source: Homie convention 5 (homieiot/convention, CC-BY 4.0). Each sentence of it that asks something of this
product is named in `MUSTS` and proven by the test that bears its key; the last test keeps the table complete.
"""

import json
import re

import pytest
from homie_site import ALL, plan, port, site, tree

from bridge.mqtt.documents import written
from bridge.mqtt.homie import Refusal, Tree
from bridge.mqtt.homie_lifecycle import (
    announce,
    arrange,
    ghosts,
    outlived,
    read_descriptions,
    refuse_foreign,
    removal,
    stale_alerts,
)
from bridge.mqtt.homie_properties import CONTROLLER, PROP, SITE, port_properties
from bridge.mqtt.homie_values import HomieError
from bridge.mqtt.publication import Publication
from bridge.mqtt.retained import Retained
from rules.door import Alert, Answer, Asked, Presence, Publish, Remark, Verb, WakeAt
from rules.plan import PortPlan
from rules.ports import Abilities, Condition, PortId, Target, TargetKind

MUSTS = {
    "ids": "IDs of devices, nodes, properties and alerts hold only a-z, 0-9 and -.",
    "base": "Topics begin with the domain (one segment) and the version 5.",
    "description-root": "`root` is required for children and forbidden on the root device.",
    "description-parent": "`parent` is required where the parent is not the root.",
    "description-version": "`version` rises at each change of a description.",
    "description-state": "A description changes only while `$state` is init, disconnected or lost.",
    "child-first": "A new child is published completely before its parent names it.",
    "parent-first": "A child leaves its parent's list first, then its topics go, beginning with `$state`.",
    "format-enum": "An enum's format is a comma list of at least one value, none empty, none twice.",
    "format-boolean": "A boolean's format holds two labels.",
    "units": "Units are written with the exact code points of the convention.",
    "retained": "All is retained but commands and values of properties declared as not retained.",
    "qos": "Retained topics have one quality of service throughout; what is not retained has QoS 0.",
    "set-retained": "A command must not be retained.",
    "set-grammar": "A command outside the datatype's grammar is not accepted.",
    "set-settable": "Only properties declared settable take commands.",
    "target-exact": "The payload of an accepted command is what `$target` says, byte for byte.",
    "target-always": "`$target` is used for every change of a property, or never.",
    "alert": "An alert is retained and deleted with an empty payload; ids beginning with $ are reserved.",
    "log": "Log messages are not retained and have the level as the only subtopic.",
    "state-lost": "A device that can't be reached says `lost`.",
    "empty-string": "An empty string value is one zero byte.",
}
PROVEN = set()


def must(*keys):
    """Mark a test as the proof of sentences of the convention."""
    PROVEN.update(keys)
    return lambda test: test


ID = re.compile(r"[a-z0-9-]+")


def all_properties():
    """Every property of every kind of device."""
    ports = port_properties(PortPlan(PortId("gable/1"), "Arch", abilities=ALL))
    return (*ports, *CONTROLLER, *PROP, *SITE)


# ---------------------------------------------------------------- the tree


@must("ids", "base")
def test_names_and_places():
    """Site, controllers, ports and props are devices whose ids say what they are."""
    one = tree(ports=2, controllers=("gable", "mast"))
    assert list(one.devices) == [
        "lane", "lane-gable", "lane-gable-port-1", "lane-gable-port-2",
        "lane-mast", "lane-mast-port-1", "lane-mast-port-2", "lane-prop-arches",
    ]  # fmt: skip
    assert one.topic(port(2), "power") == "homie/5/lane-gable-port-2/port/power"
    assert Tree(plan(), domain="lights").topic(site(), "load") == "lights/5/lane/site/load"
    ids = {*one.devices, *(d.node for d in one.devices.values()), *(p.id for p in all_properties())}
    assert all(ID.fullmatch(name) for name in {*ids, *(c.value for c in Condition)})


def test_two_parts_that_would_be_one_device():
    """Names that meet in one device id are an error naming both parts (PIT-12)."""
    with pytest.raises(HomieError, match=r"port gable/1 and controller gable-port-1 .* rename one"):
        tree(controllers=("gable", "gable-port-1"))


def test_a_port_has_what_it_can_report():
    """A port that reports no current or voltage has no such property, and saying one says nothing."""
    one = tree(abilities=Abilities(current=False))
    told = one.descriptions()["lane-gable-port-1"]["nodes"]["port"]["properties"]
    assert not {"current", "load", "energy", "voltage", "temperature"} & set(told)
    assert one.publications(Publish(port(), "current", 1.0)) == []
    with pytest.raises(HomieError, match="no property brightness"):
        one.publications(Publish(port(), "brightness", 1.0))
    with pytest.raises(HomieError, match="no port gable/9"):
        one.publications(Alert(port(9), Condition.FUSE_TRIP, "x"))


# ---------------------------------------------------------------- descriptions


def test_descriptions_stay_small():
    """With 48 ports on a controller each description stays below 8 kB, as embedded brokers need."""
    told = tree(ports=48).descriptions()
    largest = max(len(written(one)) for one in told.values())
    assert len(told) == 1 + 1 + 48 + 1
    assert largest < 8_000


@must("description-root", "description-parent")
def test_descriptions_say_where_they_belong():
    """The root has children and no root; controllers and ports name root and parent."""
    told = tree().descriptions()
    assert "root" not in told["lane"]
    assert told["lane"]["children"] == ["lane-gable", "lane-prop-arches"]
    assert (told["lane-gable"]["root"], told["lane-gable"]["parent"]) == ("lane", "lane")
    assert (told["lane-gable-port-1"]["root"], told["lane-gable-port-1"]["parent"]) == ("lane", "lane-gable")
    assert all(one["homie"] == "5.0" and isinstance(one["version"], int) for one in told.values())


@must("description-version")
def test_versions_rise_and_rest():
    """A changed description gets a higher version even if the clock went back; the others keep theirs."""
    before = tree(ports=1).descriptions(floor=2_000_000_000)
    after = tree(ports=2).descriptions(before, floor=1_000_000_000)
    assert after["lane-gable"]["version"] == 2_000_000_001
    assert after["lane-gable-port-1"] == before["lane-gable-port-1"]
    assert after["lane-gable-port-2"]["version"] == 1_000_000_000
    assert after["lane"] == before["lane"]


@must("format-enum", "format-boolean", "units")
def test_formats_and_units():
    """Enum lists, boolean labels and units are as the convention writes them."""
    known = {"", "A", "V", "W", "kWh", "%", "#", "\u00b0C"}
    for one in all_properties():
        if one.datatype == "enum":
            values = one.format.split(",")
            assert all(values)
            assert len(set(values)) == len(values)
        if one.datatype == "boolean":
            assert len(set(one.format.split(","))) == 2
        assert one.unit in known


def test_a_foreign_root_is_refused():
    """A device id of ours that already belongs to another site is refused, naming both (at the start)."""
    one = tree()
    held = {"lane-gable": {"root": "lane"}, "lane": {}, "other": {"root": "elsewhere"}}
    refuse_foreign(one, held)
    for device, told in (("lane-gable", {"root": "hill"}), ("lane-gable", {}), ("lane", {"root": "hill"})):
        with pytest.raises(HomieError, match=f"already has a device {device}, and it"):
            refuse_foreign(one, {**held, device: told})


# ---------------------------------------------------------------- effects


@must("retained", "qos", "empty-string")
def test_values_are_said_as_declared():
    """Values of retained properties are retained with QoS 1; measurements with the configured one."""
    one = Tree(plan(), measurement_qos=0)
    say = lambda *what: one.publications(Publish(*what))  # noqa: E731 - one line, used four times
    base = "homie/5/lane-gable-port-1/port"
    assert say(port(), "power", True) == [Publication(f"{base}/power", b"true", True, 1)]
    assert say(port(), "reason", "") == [Publication(f"{base}/reason", b"\0", True, 1)]
    assert say(port(), "current", 0.35) == [Publication(f"{base}/current", b"0.35", True, 0)]
    assert say(port(), "pixels", None) == [Publication(f"{base}/pixels", b"", True, 1)]
    assert say(port(), "add-hold", "Mara") == [Publication(f"{base}/add-hold", b"Mara", False, 0)]
    assert all(prop.settable for prop in all_properties() if not prop.retained)


@must("target-exact", "target-always")
def test_target_is_the_accepted_payload():
    """`$target` of power says exactly what was set; no other property has one."""
    one = tree()
    for payload, value in ((b"true", True), (b"false", False)):
        asked = one.command("homie/5/lane-gable-port-1/port/power/set", payload, False, 7)
        assert asked == Asked(7, Verb.MODE, port(), "on" if value else "off")
        (said,) = one.publications(Publish(port(), "power", value, as_target=True))
        assert said == Publication("homie/5/lane-gable-port-1/port/power/$target", payload, True, 1)
    assert [prop.id for prop in all_properties() if prop.target] == ["power"]
    with pytest.raises(HomieError, match="no \\$target"):
        one.publications(Publish(port(), "mode", "on", as_target=True))


@must("alert", "log", "state-lost")
def test_alerts_remarks_presence_answers():
    """Alerts come and go retained, remarks are not retained, a lost controller takes its ports along."""
    one = tree()
    device = "homie/5/lane-gable-port-1"
    alert = f"{device}/$alert/fuse-trip"
    assert one.publications(Alert(port(), Condition.FUSE_TRIP, "Arch 1 tripped.")) == [
        Publication(alert, b"Arch 1 tripped.", True, 1)
    ]
    assert one.publications(Alert(port(), Condition.FUSE_TRIP, None)) == [Publication(alert, b"", True, 1)]
    assert one.publications(Remark("warn", port(), "Odd.")) == [
        Publication(f"{device}/$log/warn", b"Odd.", False, 0)
    ]
    assert one.publications(Answer(1, port(), False, "Refused: held.")) == [
        Publication(f"{device}/port/last-answer", b"Refused: held.", True, 1)
    ]
    lost = one.publications(Presence("gable", False))
    assert [said.topic.split("/")[2] for said in lost] == [
        "lane-gable",
        "lane-gable-port-1",
        "lane-gable-port-2",
    ]
    assert {said.payload for said in lost} == {b"lost"}
    back = one.publications(Presence("gable", True))
    assert back[-1] == Publication("homie/5/lane-gable/$state", b"ready", True, 1)
    assert one.publications(WakeAt(1.0)) == []


# ---------------------------------------------------------------- commands


@pytest.mark.parametrize(
    ("topic", "payload", "verb", "target", "argument"),
    [
        ("lane-gable-port-1/port/power", b"true", Verb.MODE, port(), "on"),
        ("lane-gable-port-1/port/mode", b"auto", Verb.MODE, port(), "auto"),
        ("lane-gable-port-1/port/add-hold", b"Mara", Verb.HOLD, port(), "Mara"),
        ("lane-gable-port-2/port/release", b"Mara", Verb.RELEASE, port(2), "Mara"),
        ("lane-gable-port-1/port/acknowledge", b"fuse-trip", Verb.ACKNOWLEDGE, port(), "fuse-trip"),
        ("lane-gable-port-1/port/shelve", b"no-load PT2H", Verb.SHELVE, port(), "no-load PT2H"),
        ("lane-gable-port-1/port/reset", b"reset", Verb.RESET, port(), ""),
        (
            "lane-gable/controller/add-hold",
            b"Mara",
            Verb.HOLD,
            Target(TargetKind.CONTROLLER, "gable"),
            "Mara",
        ),
        ("lane-prop-arches/prop/add-hold", b"Mara", Verb.HOLD, Target(TargetKind.PROP, "arches"), "Mara"),
        ("lane/site/release", b"Mara", Verb.RELEASE, site(), "Mara"),
        ("lane/site/weather-hold", b"true", Verb.WEATHER_HOLD, site(), "true"),
        ("lane/site/start-show", b"end", Verb.START_SHOW, site(), "end"),
        ("lane/site/confirm", b"confirm", Verb.CONFIRM, site(), ""),
    ],
)
def test_commands_become_requests(topic, payload, verb, target, argument):
    """Each settable property's command is the request of its meaning."""
    assert tree().command(f"homie/5/{topic}/set", payload, False, 3) == Asked(3, verb, target, argument)


def test_every_settable_property_has_a_meaning():
    """No settable property is described that no request answers to."""
    one = tree()
    samples = {"boolean": b"true", "string": b"x"}
    for device in one.devices.values():
        for prop in device.properties.values():
            if prop.settable:
                payload = samples.get(prop.datatype, prop.format.split(",")[0].encode())
                topic = f"homie/5/{device.id}/{device.node}/{prop.id}/set"
                assert isinstance(one.command(topic, payload, False, 1), Asked)


@must("set-retained", "set-grammar", "set-settable")
@pytest.mark.parametrize(
    ("prop", "payload", "retained", "said"),
    [
        ("power", b"true", True, "retained"),
        ("power", b"false", True, "retained"),
        ("power", b"ON", False, "true or false"),
        ("power", b"", False, "true or false"),
        ("mode", b"manual", False, "auto, on, off"),
        ("add-hold", b"\xff", False, "UTF-8"),
        ("reset", b"1", False, "one of: reset"),
        ("current", b"1", False, "can't be set; here can be set: acknowledge, add-hold"),
        ("fuse", b"1", False, "can't be set"),
    ],
)
def test_commands_that_change_nothing(prop, payload, retained, said):
    """A retained command, one outside the grammar, one to what can't be set: refused with the reason."""
    one = tree()
    refusal = one.command(f"homie/5/lane-gable-port-1/port/{prop}/set", payload, retained, 1)
    assert isinstance(refusal, Refusal)
    assert said in refusal.text
    answer = one.refusal(refusal)
    assert answer.topic == "homie/5/lane-gable-port-1/port/last-answer"
    assert answer.payload.startswith(b"Refused: ")


@pytest.mark.parametrize(
    "topic",
    [
        "homie/5/hill/site/power/set",
        "homie/4/lane/site/load/set",
        "homie/5/lane/site/load",
        "x",
        "homie/5/lane/set",
    ],
)
def test_commands_to_others_are_not_ours(topic):
    """What is meant for another device is not answered."""
    assert tree().command(topic, b"true", False, 1) is None


# ---------------------------------------------------------------- order


def states(said):
    """Topics below the base, with payloads of states."""
    return [
        f"{one.topic.removeprefix('homie/5/')}={one.payload.decode()}" if one.topic.endswith("$state")
        else one.topic.removeprefix("homie/5/") for one in said
    ]  # fmt: skip


@must("description-state", "child-first")
def test_structure_is_said_from_the_leaves():
    """A new port is described before its controller, and that before the site; `init` comes first."""
    before = tree(ports=1, props=False).descriptions()
    now = tree(ports=2, props=False)
    said = states(announce(now, now.descriptions(before), before))
    assert said == [
        "lane/$state=init",
        "lane-gable-port-2/$state=init", "lane-gable-port-2/$description",
        "lane-gable/$state=init", "lane-gable/$description",
    ]  # fmt: skip
    assert not list(announce(now, before | now.descriptions(before), now.descriptions(before)))


@must("parent-first")
def test_devices_that_go_lose_their_state_first():
    """Once the parents' lists are said, each `$state` of what goes is cleared, then the rest (PIT-06)."""
    old = tree(ports=2, controllers=("gable", "mast"))
    now = tree(ports=1, controllers=("gable",))
    held = {f"homie/5/{device}/$description": written(told) for device, told in old.descriptions().items()}
    held["homie/5/lane-mast-port-1/$alert/fuse-trip"] = b"Tripped."
    held["homie/5/hill/$description"] = b'{"homie":"5.0","version":1}'
    held["homie/5/lane-gable/$description/odd"] = b"{"
    found = read_descriptions(now, held)
    gone = ghosts(now, found)
    assert gone == ["lane-gable-port-2", "lane-mast", "lane-mast-port-1", "lane-mast-port-2"]
    said = removal(now, gone, found, held)
    assert all(one.payload == b"" and one.retain for one in said)
    topics = [one.topic.removeprefix("homie/5/") for one in said]
    assert topics[:4] == [f"{device}/$state" for device in gone]
    assert {"lane-mast-port-1/port/power/$target", "lane-mast-port-1/$alert/fuse-trip"} <= set(topics[4:])
    assert not [topic for topic in topics if topic.startswith(("lane/", "lane-gable/", "hill"))]
    parents = states(announce(now, now.descriptions(found), found))
    assert "lane/$description" in parents
    assert "lane-gable/$description" in parents


def test_what_a_device_outlives_is_taken_away():
    """Values of properties that are no more, and alerts that stand no more, are taken away; nothing else."""
    was, now = tree().descriptions(), tree(abilities=Abilities()).descriptions()
    base = "homie/5/lane-gable-port-1"
    gone = {said.topic for said in outlived(tree(abilities=Abilities()), now, was)}
    assert f"{base}/port/voltage" in gone
    assert {
        topic for topic in gone if topic.endswith(("/power", "/$state", "/$description", "/mode"))
    } == set()
    assert all(said.payload == b"" and said.retain for said in outlived(tree(), now, was))
    assert outlived(tree(), was, was) == []
    held = {f"{base}/$alert/no-load": b"x", f"{base}/$alert/fuse-trip": b"y", "homie/5/hill/$alert/a": b"z"}
    standing = {f"{base}/$alert/fuse-trip": b"y"}
    assert [said.topic for said in stale_alerts(tree(), held, standing)] == [f"{base}/$alert/no-load"]


@pytest.mark.parametrize(
    "nodes", [7, [1], {"port": 7}, {"port": {"properties": [1]}}, {"port": {"properties": {"a": 1}}}]
)
def test_a_damaged_description_of_a_ghost_does_not_keep_it(nodes):
    """A ghost goes whatever stands in its description: a broker holds what anybody said."""
    device = "lane-gable-port-9"
    found = {device: {"root": "lane", "nodes": nodes}}
    held = [f"homie/5/{device}/port/power", f"homie/5/{device}/$state", f"homie/5/{device}/$description"]
    said = removal(tree(), ghosts(tree(), found), found, held)
    assert sorted(one.topic for one in said) == sorted(held)


@must("description-state")
def test_order_at_a_connect():
    """First the root's `init`, alerts and what is lost; each device whole before its state; then the root."""
    one = tree(ports=1, controllers=("gable", "mast"), props=False)
    retained = Retained()
    for device, told in one.descriptions().items():
        retained[f"homie/5/{device}/$state"] = b"lost" if "mast" in device else b"ready"
        node = one.devices[device].node
        retained[f"homie/5/{device}/{node}/fault"] = b"none"
        retained[f"homie/5/{device}/$description"] = written(told)
    retained["homie/5/lane-gable-port-1/$alert/fuse-trip"] = b"Tripped."
    retained["homeassistant/device/lane/config"] = b"{}"
    again = [(topic, payload or retained[topic]) for topic, payload in arrange(one, retained)]
    said = states([Publication(topic, payload, True, 1) for topic, payload in again])
    assert said[:2] == ["lane/$state=init", "lane-gable-port-1/$alert/fuse-trip"]
    assert set(said[2:4]) == {"lane-mast/$state=lost", "lane-mast-port-1/$state=lost"}
    assert said[-2:] == ["lane/$state=ready", "homeassistant/device/lane/config"]
    place = said.index("lane-gable-port-1/$state=init")
    assert said[place : place + 4] == [
        "lane-gable-port-1/$state=init", "lane-gable-port-1/$description", "lane-gable-port-1/port/fault",
        "lane-gable-port-1/$state=ready",
    ]  # fmt: skip
    assert said.index("lane-gable-port-1/$state=ready") < said.index("lane-gable/$description")
    topics = {one.split("=")[0] for one in said}
    assert topics == {topic.removeprefix("homie/5/") for topic in retained}


def test_a_description_is_json_text():
    """A description is one JSON document in UTF-8."""
    told = tree().descriptions()["lane-gable-port-1"]
    assert json.loads(written(told)) == told
    assert "\u00b0C".encode() in written(told)


def test_the_table_of_musts_is_proven():
    """Every sentence of the convention in the table has its test, and no other is claimed."""
    assert set(MUSTS) == PROVEN
