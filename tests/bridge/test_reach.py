"""What a mapping can do, port by port, and how often it is heard of."""

import pytest
from controller_faces import reach_of

from bridge.config.reach import abilities
from rules.ports import Abilities

HTTP = {"kind": "http", "url": "http://10.0.5.20/s", "ports": "o", "current": "ma | mA"}
SWITCH = {"url": "http://10.0.5.20/{port}", "json": {"live": "{power}"}}


@pytest.mark.parametrize(
    ("more", "able"),
    [
        ({}, Abilities(switch=False, readback=False, trip=False, current=True, clear=False)),
        ({"power": "on", "switch": SWITCH}, Abilities(trip=False)),
        ({"also": [{"url": "http://10.0.5.20/t", "ports": "o", "tripped": "t"}]},
         Abilities(switch=False, readback=False)),
        ({"switch": SWITCH, "clear": {"url": "http://10.0.5.20/c/{port}"}},
         Abilities(readback=False, trip=False, clear=True)),
    ],
)  # fmt: skip
def test_abilities_follow_the_mapping(more, able):
    """A port can do what its mapping says, and nothing it is silent about."""
    assert abilities(reach_of(HTTP | more), 1) == able


def test_abilities_of_kernel_files_differ_by_port():
    """Each port of the kernel's files has its own; a port without files can do nothing."""
    reach = reach_of({"kind": "hwmon", "ports": {
        1: {"power": "d/state", "switch": {"file": "d/state"}},
        2: {"chip": {"label": "x"}, "current": "curr1"},
    }})  # fmt: skip
    assert abilities(reach, 1) == Abilities(trip=False, current=False)
    assert abilities(reach, 2) == Abilities(switch=False, readback=False, trip=False)
    assert abilities(reach, 3) == Abilities(switch=False, readback=False, trip=False, current=False)


@pytest.mark.parametrize(
    ("reach", "slowest_s"),
    [
        (HTTP, 5.0),
        (HTTP | {"every": "20 s"}, 20.0),
        (HTTP | {"slow_every": "1 min"}, 60.0),
        ({"kind": "hwmon", "slow_every": "7 s", "ports": {1: {"power": "d/state"}}}, 7.0),
        ({"kind": "mqtt", "every": "30 s", "broker": {"host": "h"},
          "topics": [{"topic": "a/{port}", "power": "@"}]}, 30.0),
    ],
)  # fmt: skip
def test_the_slowest_pace_is_known(reach, slowest_s):
    """The longest time between two readings is what staleness is measured by."""
    assert reach_of(reach).slowest_s == slowest_s
