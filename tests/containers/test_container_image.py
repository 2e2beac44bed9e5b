"""duskward's image, confined as docker/compose.yaml does it, beside a broker and a simulated site."""

import json
import subprocess

import pytest
from support import Observer, retained_now, wait_for

pytestmark = [pytest.mark.container, pytest.mark.timeout(180)]

PORTS = [("gable", n) for n in range(1, 5)] + [("hedge", n) for n in range(1, 9)]
PORTS += [("mast", n) for n in range(1, 5)]


@pytest.fixture
def watch(yard, site_id):
    """An independent client that sees everything of this test's site."""
    _, broker = yard
    observer = Observer(broker.host, broker.port, "homie/5/#")
    yield observer
    observer.close()


def ready(watch, site_id):
    """Wait until the site says it is ready and a port that a show needs all day has power."""
    state = f"homie/5/{site_id}/$state"
    wait_for(lambda: watch.latest.get(state) == b"ready", 40, "$state ready")
    power = f"homie/5/{site_id}-hedge-port-1/port/power"
    wait_for(lambda: watch.latest.get(power) == b"true", 20, "power on hedge/1")


def test_a_confined_container_runs_the_site(start, yard, watch, site_id):
    """Every port is retained on MQTT, though the process has no root, no capability and no disk."""
    container = start()
    ready(watch, site_id)
    wait_for(
        lambda: all(f"homie/5/{site_id}-{box}-port-{n}/port/current" in watch.latest for box, n in PORTS)
    )
    _, broker = yard
    found = retained_now(broker.host, broker.port, "homie/5/#")
    for box, number in PORTS:
        device = f"homie/5/{site_id}-{box}-port-{number}"
        assert json.loads(found[f"{device}/$description"])["root"] == site_id
        assert found[f"{device}/$state"] == b"ready"
        assert found[f"{device}/port/power"] in (b"true", b"false")

    # proc(5), status: what the kernel says of process 1, not what was asked of the engine.
    code, text = container.run("cat", "/proc/1/status")
    assert code == 0
    said = dict(line.split(":\t", 1) for line in text.splitlines() if ":\t" in line)
    assert said["Uid"].split() == ["10001"] * 4
    assert said["Gid"].split() == ["10001"] * 4
    assert {said[f"Cap{kind}"] for kind in ("Inh", "Prm", "Eff", "Bnd", "Amb")} == {"0" * 16}
    assert said["NoNewPrivs"] == "1"
    for place in ("/", "/etc/duskward", "/opt/duskward", "/tmp"):
        code, text = container.run("python", "-c", f"open('{place}/probe', 'w')")
        assert code != 0, place
        assert "Read-only file system" in text or "Permission denied" in text
    code, text = container.run("stat", "-c", "%a:%u:%g", "/var/lib/duskward")
    assert (code, text.strip()) == (0, "700:10001:10001")


def test_the_kernel_can_be_asked_about_the_clock(start):
    """A confined container may ask adjtimex(2), so that schedules can wait for a synchronised clock."""
    code, text = start().run(
        "python", "-c", "from bridge.clock import is_synchronised as ask; print(ask())"
    )  # fmt: skip
    assert (code, text.strip()) in {(0, "True"), (0, "False")}


def test_health_follows_whether_the_process_answers(start):
    """The container becomes healthy; unhealthy while its process is frozen; and healthy again."""
    container = start()
    container.wait_health("healthy")
    container.docker.kill("SIGSTOP")
    container.wait_health("unhealthy")
    container.docker.kill("SIGCONT")
    container.wait_health("healthy")


def test_docker_stop_is_a_clean_end(start, watch, site_id):
    """`docker stop` is obeyed: exit code 0, not 137 (killed after the grace), and `disconnected`."""
    container = start()
    ready(watch, site_id)
    container.stop()
    assert container.inspect()["State"]["ExitCode"] == 0, container.log
    state = f"homie/5/{site_id}/$state"
    wait_for(lambda: watch.latest[state] == b"disconnected")
    assert b"lost" not in watch.of(state)


def test_a_killed_container_is_told_by_its_will(start, watch, site_id):
    """`docker kill` leaves the site `lost`, retained."""
    container = start()
    ready(watch, site_id)
    container.docker.kill("SIGKILL")
    wait_for(lambda: watch.latest[f"homie/5/{site_id}/$state"] == b"lost")


def test_a_hold_outlives_the_container(start, watch, site_id):
    """A hold given in one container holds in the next on the same volume, and no port comes to life."""
    file, volume = "/etc/duskward/duskward.yaml", f"{site_id}-state"
    power = f"homie/5/{site_id}-hedge-port-1/port/power"
    try:
        first = start(state=volume)
        ready(watch, site_id)
        code, text = first.run("duskward", "hold", file, "hedge/1", "Orla")
        assert code == 0, text
        wait_for(lambda: watch.latest[power] == b"false", what="hedge/1 dark")
        first.stop()
        first.remove()

        seen = len(watch.messages)
        second = start(state=volume)

        def held():
            code, text = second.run("duskward", "status", "--json", file)
            return code == 0 and json.loads(text)["ports"].get("hedge/1", {}).get("hold-state")

        wait_for(lambda: held() == "confirmed-off", 40, "the hold proven again")
        assert b"Orla" in watch.latest[f"homie/5/{site_id}-hedge-port-1/port/hold"]
        assert b"true" not in [message.payload for message in watch.messages[seen:] if message.topic == power]
        second.remove()
    finally:
        subprocess.run(["docker", "volume", "rm", "--force", volume], capture_output=True, check=False)


def test_a_missing_configuration_is_said(image):
    """Without a configuration the container ends at once with 1 and names the file it looked for."""
    words = ["docker", "run", "--rm", "--read-only", "--cap-drop=ALL", image]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 1
    assert "/etc/duskward/duskward.yaml" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_image_carries_no_build_tools(image):
    """No compiler is in the image, and no installer beside duskward; it knows its user, signal and health."""
    look = "for tool in cc gcc c++ make git curl; do command -v $tool; done; python -c 'import pip' 2>&1"
    words = ["docker", "run", "--rm", "--entrypoint", "sh", image, "-c", look]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)
    assert done.stdout.strip().splitlines()[-1] == "ModuleNotFoundError: No module named 'pip'"
    assert "/" not in done.stdout.splitlines()[0]
    (facts,) = json.loads(
        subprocess.run(["docker", "image", "inspect", image], capture_output=True, check=True).stdout
    )
    assert facts["Config"]["User"] == "10001:10001"
    assert facts["Config"]["StopSignal"] == "SIGTERM"
    assert facts["Config"]["Healthcheck"]["Test"][:3] == ["CMD", "duskward", "status"]
    assert facts["Config"]["Volumes"] == {"/var/lib/duskward": {}}
    assert facts["Config"]["Labels"]["org.opencontainers.image.licenses"] == "Apache-2.0"
