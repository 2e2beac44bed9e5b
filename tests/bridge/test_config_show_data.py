"""Show data in the configuration: which slots light a port, where test patterns go, what is heard."""

import pytest

from bridge.config import ConfigurationError, parse, plan, schema
from rules.ports import PortId
from rules.show_data.levels import SlotRange

TEXT = """\
site: {id: mill, name: Mill, timezone: Europe/Dublin, latitude: 53.3, longitude: -6.2}
broker: {host: localhost}
supplies: {shed: {volts: 12 V, rating: 29 A}}
e131:
  send: {to: {gable: 127.0.0.1}, priority: 160}
  listen: {enabled: true, multicast: false, bind: 127.0.0.1}
controllers:
  gable:
    reach: {kind: http, url: "http://127.0.0.1:9/x", every: 1 s, ports: "o[*]", port: id, current: "ma | mA",
            power: live, switch: {method: POST, url: "http://127.0.0.1:9/{port}", json: {live: "{power}"}}}
    every_port: {supply: shed, chip: ws2811-12v, brightness: 30 %, show_data: {colours: GRB, gamma: 2.2}}
    ports:
      1: {pixels: 200, show_data: {universe: 1}}
      2: {pixels: 100, show_data: {universe: 2, channel: 91, colours: RGB, capacity: 140}}
      3: {pixels: 50}
shows:
  - {name: Walk, when: {from: "17:00", to: "23:00"}, needs: [gable/*], data: needs}
"""


def problems(text):
    """The problems of `text`."""
    with pytest.raises(ConfigurationError) as caught:
        parse(text)
    return caught.value.problems


def test_what_is_written_reaches_the_rules():
    """Universe, channel, colours, gamma and limits come together from the port and its controller."""
    site = plan(parse(TEXT))
    first, second = site.ports[PortId("gable/1")], site.ports[PortId("gable/2")]
    # 170 pixels of three colours fill a universe of 512 slots (510 used): common practice.
    assert first.show_data.slots == (SlotRange(1, 1, 510), SlotRange(2, 1, 90))
    assert (first.show_data.colour_order, first.show_data.gamma, first.show_data.brightness) == (
        "GRB",
        2.2,
        0.3,
    )
    assert first.capacity == 200
    assert second.show_data.slots == (SlotRange(2, 91, 390),)
    assert second.show_data.colour_order == "RGB"
    assert second.capacity == 140
    assert site.ports[PortId("gable/3")].show_data is None
    assert site.lightable == {"gable"}
    assert site.shows[0].data == (1, 2)


def test_slots_of_two_ports_that_meet_are_told_with_their_line():
    """A port that begins inside another's slots is refused where it stands, unless it is meant."""
    text = TEXT.replace("channel: 91", "channel: 90")
    (problem,) = problems(text)
    assert (
        problem.line
        == text.splitlines().index(
            "      2: {pixels: 100, show_data: {universe: 2, channel: 90, colours: RGB, capacity: 140}}"
        )
        + 1
    )
    assert "gable/2 reads slots 90 to 90 of universe 2 of gable/1 too" in str(problem)
    parse(text.replace("capacity: 140", "capacity: 140, shared: true"))


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("{gable: 127.0.0.1}", "{gabel: 127.0.0.1}", "there is no controller gabel"),
        ("enabled: true", "enabled: false", "nothing is listened to"),
        ("colours: RGB", "colours: RBB", "for example GRB"),
        ("{universe: 1}", "{universe: 63999}", "its slots run from universe 63999 to 64000"),
        ("{universe: 1}", "{universe: 0}", "universe"),
        ("{universe: 1}", "{channel: 1}", "universe"),
        ("multicast: false, bind", "bind", "hears no multicast"),
        ("priority: 160", "priority: 201", "priority"),
        ("bind: 127.0.0.1", "bind: here", "IPv4 address"),
    ],
)
def test_mistakes_are_told_with_what_is_right(old, new, says):
    """Each mistake in the sections of show data is named, with its place."""
    assert old in TEXT
    found = problems(TEXT.replace(old, new))
    assert any(says in str(problem) for problem in found), found
    assert all(problem.line > 1 for problem in found)


def test_nothing_is_sent_or_heard_unless_written():
    """Without a section e131 nothing listens and nothing can be lit."""
    text = (
        TEXT.replace("  send: {to: {gable: 127.0.0.1}, priority: 160}\n", "")
        .replace("  listen: {enabled: true, multicast: false, bind: 127.0.0.1}\n", "")
        .replace("e131:\n", "")
        .replace(", data: needs", "")
    )
    settings = parse(text)
    assert settings.e131.send is None
    assert not settings.e131.listen.enabled
    assert plan(settings).lightable == frozenset()


def test_the_schema_describes_every_key():
    """Editors show a description for each key of show data."""
    made = schema()
    for name in ("ShowDataSettings", "SendSettings", "ListenSettings", "E131Settings"):
        for key, part in made["$defs"][name]["properties"].items():
            assert part.get("description"), f"{name}.{key}"
