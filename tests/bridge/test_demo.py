"""The demo as a newcomer runs it: a process, watched by clients that share no code with it."""

import contextlib
import json
import re
import subprocess
import sys

import pytest
from ebus_sdk import Controller
from support import LOOPBACK, Observer, free_port, wait_for

pytestmark = [
    # The reader's own MQTT client still asks for paho's older callbacks.
    pytest.mark.filterwarnings("ignore:Callback API version 1 is deprecated:DeprecationWarning"),
    pytest.mark.timeout(180),
]

PORTS = [f"gable-port-{n}" for n in range(1, 5)] + [f"hedge-port-{n}" for n in range(1, 9)]
PORTS += [f"mast-port-{n}" for n in range(1, 5)]


@pytest.fixture(scope="module")
def evening():
    """One run of the demo: what an observer saw, what a Homie reader found, output and exit code."""
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "bridge.cli", "demo", "--plain", "--port", str(port)],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    observer = reader = None
    try:
        observer = wait_for(lambda: _observer(port) or process.poll(), 20, "the demo's broker")
        assert isinstance(observer, Observer), f"the demo ended: {process.communicate()[0]}"
        wait_for(
            lambda: observer.latest.get("homie/5/quarry-lane/$state") == b"ready",
            20,
            "the site becoming ready",
        )
        reader = _reader(port)
        found = {device.device_id: device for device in reader.get_all_devices().values()}
        # The reader switches a port that no show needs at that time: port 4 of the gable, on by hand.
        wait_for(
            lambda: observer.latest.get(_topic("gable-port-4", "power")) == b"false", 20, "the port being off"
        )
        reader.set_property("quarry-lane-gable-port-4", "port", "power", "true")
        switched = wait_for(
            lambda: observer.latest.get(_topic("gable-port-4", "power")) == b"true", 10, "the port coming on"
        )
        reader.set_property("quarry-lane-gable-port-4", "port", "mode", "auto")
        output, _ = process.communicate(timeout=150)
        yield observer, found, output, process.returncode, switched
    finally:
        process.kill()
        if not process.stdout.closed:
            process.communicate()
        if reader is not None:
            reader.stop()
        if observer is not None:
            observer.close()


def _observer(port):
    try:
        return Observer(LOOPBACK, port, "homie/#")
    except (OSError, AssertionError):
        return None


def _reader(port):
    """The reader, once it knows the whole tree.

    The embedded broker hands a busy newcomer only part of what is retained (seen: 100 of 5000 topics at
    QoS 1), so a reader that missed something asks again, as a person would.
    """
    for _ in range(3):
        reader = Controller(
            mqtt_cfg={"host": LOOPBACK, "port": port}, homie_domain="homie", root_device_id="quarry-lane",
            stuck_device_timeout=2.0,
        )  # fmt: skip
        reader.start_discovery()
        with contextlib.suppress(AssertionError):
            wait_for(lambda reader=reader: reader.is_tree_complete("quarry-lane"), 4)
            return reader
        reader.stop()
    raise AssertionError("the reader did not find the whole tree in three tries")


def _topic(device, prop):
    return f"homie/5/quarry-lane-{device}/port/{prop}"


def test_the_demo_keeps_what_it_promises(evening):
    """The demo ends with exit code 0 and says of every promise that it happened."""
    _, _, output, code, _ = evening
    assert code == 0, output
    assert "MISSING" not in output
    assert len(re.findall(r"^  happened", output, re.MULTILINE)) == 6


def test_a_trip_is_a_retained_alert_until_the_reset(evening):
    """The short shows as a retained alert with a sentence, and is taken away after the reset."""
    observer, *_ = evening
    topic = "homie/5/quarry-lane-gable-port-2/$alert/fuse-trip"
    payloads = observer.of(topic)
    assert len(payloads) == 2
    assert b"Right arch" in payloads[0]
    assert payloads[1] == b""


def test_ports_are_powered_for_the_shows_and_dark_after(evening):
    """Every port had power during the evening, and every port's last word is off."""
    observer, *_ = evening
    for device in PORTS:
        seen = observer.of(_topic(device, "power"))
        assert b"true" in seen, device
        assert seen[-1] == b"false", device


def test_an_independent_reader_finds_everything_and_switches(evening):
    """A Homie reader that shares no code finds site, controllers, ports and props, and switches a port."""
    _, found, _, _, switched = evening
    wanted = {"quarry-lane", "quarry-lane-gable", "quarry-lane-hedge", "quarry-lane-mast"}
    wanted |= {f"quarry-lane-{port}" for port in PORTS}
    assert wanted <= set(found)
    properties = found["quarry-lane-gable-port-1"].description["nodes"]["port"]["properties"]
    assert {"power", "mode", "current", "load", "fault", "reason", "reset", "energy"} <= set(properties)
    assert switched


def test_the_goodbye_is_clean(evening):
    """The site says `disconnected` itself before the broker goes."""
    observer, *_ = evening
    assert observer.latest.get("homie/5/quarry-lane/$state") == b"disconnected"


def test_fault_details_are_json_people_can_use(evening):
    """While the port is tripped, `fault-detail` names code, severity, state, a message and what helps."""
    observer, *_ = evening
    details = [json.loads(payload) for payload in observer.of(_topic("gable-port-2", "fault-detail"))]
    trip = next(detail["fuse-trip"] for detail in details if "fuse-trip" in detail)
    assert trip["severity"] == "high"
    assert trip["state"] == "unacknowledged"
    assert trip["message"]
    assert trip["advice"]


def test_a_port_in_use_is_one_sentence():
    """A broker port that is taken ends in one clear sentence and exit code 1, without a traceback."""
    import socket

    with socket.socket() as taken:
        taken.bind((LOOPBACK, 0))
        taken.listen()
        port = taken.getsockname()[1]
        done = subprocess.run(
            [sys.executable, "-m", "bridge.cli", "demo", "--plain", "--port", str(port)],
            capture_output=True, text=True, timeout=30, check=False,
        )  # fmt: skip
    assert done.returncode == 1
    assert f"port {port} on 127.0.0.1 is in use" in done.stderr
    assert "Traceback" not in done.stderr
