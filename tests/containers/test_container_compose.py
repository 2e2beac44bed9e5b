"""The trial of docker/compose.yaml, started as its reader starts it."""

import json
import os
import subprocess
import urllib.request

import pytest
from container_rig import CONFIG, missing
from support import LOOPBACK, Observer, free_port, wait_for

pytestmark = [pytest.mark.container, pytest.mark.timeout(240)]


def compose_command():
    """The compose program: the plugin of docker, or the older one of its own; None if there is neither."""
    for words in (["docker", "compose"], ["docker-compose"]):
        try:
            done = subprocess.run([*words, "version"], capture_output=True, check=False, timeout=20)
        except FileNotFoundError:
            continue
        if done.returncode == 0:
            return words
    return None


@pytest.fixture
def trial(image, broker_image):
    """The trial, up: how to ask compose, and the ports of broker and simulated site on loopback."""
    words = compose_command() or missing(
        "there is no compose: install Docker's compose plugin or docker-compose"
    )
    mqtt_port, site_port = free_port(), free_port()
    environment = os.environ | {
        "DUSKWARD_IMAGE": image, "DUSKWARD_MOSQUITTO_IMAGE": broker_image,
        "DUSKWARD_MQTT_PORT": str(mqtt_port), "DUSKWARD_SITE_PORT": str(site_port),
    }  # fmt: skip

    def compose(*more):
        command = [*words, "-p", f"duskward-trial-{os.getpid()}", "-f", str(CONFIG / "compose.yaml"), *more]
        done = subprocess.run(
            command, capture_output=True, text=True, check=False, env=environment, timeout=120
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    try:
        compose("up", "-d", "--no-build")
        yield compose, mqtt_port, site_port
    finally:
        compose("down", "--volumes", "--timeout", "10")


def facts_of(compose):
    """What the engine says of the three containers, by service."""
    ids = compose("ps", "-q").split()
    text = subprocess.run(["docker", "inspect", *ids], capture_output=True, check=True).stdout
    return {one["Config"]["Labels"]["com.docker.compose.service"]: one for one in json.loads(text)}


def test_the_trial_comes_up_healthy_and_tells_a_short_and_its_end(trial):
    """All three become healthy and are confined; a short becomes an alert, and a reset ends it."""
    compose, mqtt_port, site_port = trial
    wait_for(
        lambda: [one["State"]["Health"]["Status"] for one in facts_of(compose).values()] == ["healthy"] * 3,
        90,
        "three healthy services",
    )
    for service, facts in facts_of(compose).items():
        host = facts["HostConfig"]
        assert host["ReadonlyRootfs"], service
        assert host["CapDrop"] == ["ALL"], service
        assert not host["CapAdd"], service
        assert host["SecurityOpt"] == ["no-new-privileges:true"], service
        assert facts["Config"]["User"] not in ("", "0", "root"), service
        for bindings in host["PortBindings"].values():
            assert [binding["HostIp"] for binding in bindings] == [LOOPBACK], service
    observer = Observer(LOOPBACK, mqtt_port, "homie/5/#")
    try:
        power = "homie/5/quarry-lane-gable-port-3/port/power"
        wait_for(lambda: observer.latest.get(power) == b"true", 30, "power on gable/3")
        order = json.dumps({"port": "gable/3", "kind": "short"}).encode()
        urllib.request.urlopen(f"http://{LOOPBACK}:{site_port}/fault", order, timeout=5).close()
        alert = "homie/5/quarry-lane-gable-port-3/$alert/fuse-trip"
        wait_for(lambda: observer.latest.get(alert), 20, "the alert")
        # An alert goes out before whatever else changed with it, so it can be seen first.
        wait_for(lambda: observer.latest[power] == b"false", 5, "the opened fuse's power")

        urllib.request.urlopen(
            f"http://{LOOPBACK}:{site_port}/mend", b'{"port": "gable/3"}', timeout=5
        ).close()
        said = compose("exec", "-T", "duskward", "duskward", "reset", "duskward.yaml", "gable/3")
        wait_for(lambda: observer.latest[alert] == b"", 20, f"the end of the alert after {said!r}")
        wait_for(lambda: observer.latest[power] == b"true", 20, f"power after {said!r}")
    finally:
        observer.close()
