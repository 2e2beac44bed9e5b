"""Discovery documents over the life of a process: what is said for a new plan, and what is not said twice."""

import json

from homie_site import tree

from bridge.mqtt.announcer import Announcer
from bridge.mqtt.link import Link, LinkSettings


def an_announcer(before):
    """A link that is offline, yet remembers what it is to hold, and its announcer once `before` was said."""
    link = Link(LinkSettings(host="127.0.0.1", client_id="site", state_topic=before.state_topic))
    announcer = Announcer(link, prefix="shown", version="1")
    for one in announcer.open(before, {}, []):
        link.publish(*one)
    return link, announcer


def test_a_new_plan_says_only_what_changed_and_takes_away_what_is_gone():
    """For a plan with a port less, its document goes, its controller's is said again, no other is."""
    link, announcer = an_announcer(tree(ports=3))
    assert "shown/device/lane-gable-port-3/config" in link.retained
    said = {one.topic: one.payload for one in announcer.replan(tree(ports=2))}
    assert said.pop("shown/device/lane-gable-port-3/config") == b""
    assert json.loads(said.pop("shown/device/lane-gable/config"))["device"]["model"] == "Controller, 2 ports"
    assert said == {}


def test_the_same_plan_again_says_nothing():
    """What was said stands: nothing is said twice."""
    _, announcer = an_announcer(tree(ports=2))
    assert list(announcer.replan(tree(ports=2))) == []


def test_somebody_elses_document_is_left_alone_for_good():
    """Neither at the start nor for a new plan is a document overwritten that another program put there."""
    before = tree(ports=2)
    link = Link(LinkSettings(host="127.0.0.1", client_id="site", state_topic=before.state_topic))
    announcer = Announcer(link, prefix="shown", version="1")
    topic = "shown/device/lane-gable-port-1/config"
    found = {topic: json.dumps({"origin": {"name": "another"}, "device": {}}).encode()}
    said = list(announcer.open(before, found, []))
    for one in said:
        link.publish(*one)
    assert topic not in {one.topic for one in said}
    assert topic not in {one.topic for one in announcer.replan(tree(ports=3))}
