"""The examples for a broker and a flow engine do what they say, and a plain MQTT client reads the site."""

import getpass
import json
import shutil
import subprocess
from pathlib import Path

import pytest
import yaml
from house import SITE, House
from support import LOOPBACK, Observer, PrivateBroker, free_port, listening, mosquitto_program, wait_for

EXAMPLES = Path(__file__).parents[2] / "examples"
PORT = f"homie/5/{SITE}-gable-port-1/port"


class _Include(yaml.SafeLoader):
    """YAML with the platform's ``!include``, left as its file name."""


_Include.add_constructor("!include", lambda loader, node: loader.construct_scalar(node))


# ---------------------------------------------------------------- every file


def test_every_example_begins_with_what_it_is() -> None:
    """Each example says what it is, how to run it and what one should see."""
    for file in sorted(EXAMPLES.rglob("*")):
        if file.parent.name not in ("home", "broker", "flow"):
            continue
        head = file.read_text()[:2_500].lower()
        assert "what:" in head, file
        assert "see:" in head, file
        if file.suffix == ".yaml":
            assert yaml.load(file.read_text(), _Include), file


# ---------------------------------------------------------------- the flow


def flow():
    """The example flow's nodes, by id."""
    nodes = json.loads((EXAMPLES / "flow/alerts.json").read_text())
    assert len({node["id"] for node in nodes}) == len(nodes)
    return {node["id"]: node for node in nodes}


def test_the_flow_hangs_together() -> None:
    """Every wire, tab and broker of the flow is one of its nodes, and all types are core ones."""
    nodes = flow()
    core = {"tab", "comment", "mqtt-broker", "mqtt in", "mqtt out", "inject", "function", "debug"}
    assert {node["type"] for node in nodes.values()} <= core
    for node in nodes.values():
        for outlet in node.get("wires", []):
            assert set(outlet) <= set(nodes)
        assert node.get("z", node["id"]) in nodes
        assert "broker" not in node or node["type"] == "mqtt-broker" or node["broker"] in nodes


def run_function(message: dict) -> dict:
    """What the flow's function node makes of a message, by the JavaScript engine flows run on."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("needs node: install nodejs")
    code = next(one["func"] for one in flow().values() if one["type"] == "function")
    call = f"new Function('msg', {json.dumps(code)})({json.dumps(message)})"
    script = f"console.log(JSON.stringify({call}))"
    ran = subprocess.run([node, "-e", script], capture_output=True, text=True, check=True, timeout=30)
    return json.loads(ran.stdout)


@pytest.mark.parametrize(
    ("device", "node"), [("gable-port-1", "port"), ("gable", "controller"), ("", "site")]
)
def test_the_flow_words_an_alert_and_can_acknowledge_it(device, node) -> None:
    """An alert becomes one sentence and the command that acknowledges it; its end says so."""
    full = f"{SITE}-{device}".rstrip("-")
    topic = f"homie/5/{full}/$alert/fuse-trip"
    made = run_function({"topic": topic, "payload": "Left arch: the fuse opened."})
    assert made["payload"] == "Left arch: the fuse opened."
    assert made["topic"] == "Display: fuse trip"
    assert made["acknowledge"]["topic"] == f"homie/5/{full}/{node}/acknowledge/set"
    assert made["acknowledge"]["retain"] is False
    assert "over" in run_function({"topic": topic, "payload": ""})["payload"]


# ---------------------------------------------------------------- the broker


class GuardedBroker:
    """A mosquitto with the example's configuration; only its paths and its port are the test's."""

    USERS = ("duskward", "house", "wall")

    def __init__(self, folder: Path) -> None:
        self.folder, self.port, self.host = folder, free_port(), LOOPBACK
        self.ca = folder / "ca.crt"
        self._certify()
        text = (EXAMPLES / "broker/mosquitto.conf").read_text()
        for old, new in {
            "/etc/mosquitto/passwords": folder / "passwords",
            "/etc/mosquitto/acl": folder / "acl",
            "/etc/mosquitto/certs/": f"{folder}/",
            "/var/lib/mosquitto/": f"{folder}/",
            "\nlistener 8883": f"\nuser {getpass.getuser()}\nlistener {self.port} {LOOPBACK}",
        }.items():
            assert old in text
            text = text.replace(old, str(new))
        (folder / "acl").write_text((EXAMPLES / "broker/acl").read_text())
        (folder / "acl").chmod(0o600)
        (folder / "passwords").touch(mode=0o600)
        for user in self.USERS:
            subprocess.run(
                ["mosquitto_passwd", "-b", folder / "passwords", user, f"{user}-secret"],
                check=True,
                capture_output=True,
            )
        (folder / "mosquitto.conf").write_text(text)
        with (folder / "mosquitto.log").open("wb") as log:
            self._process = subprocess.Popen(
                [mosquitto_program(), "-c", folder / "mosquitto.conf"], stdout=subprocess.DEVNULL, stderr=log
            )
        wait_for(lambda: listening(LOOPBACK, self.port), what="the guarded broker")

    def _certify(self) -> None:
        """Throw-away certificates: an authority, and the broker's by it."""

        def openssl(*words: object) -> None:
            subprocess.run(["openssl", *map(str, words)], check=True, capture_output=True, cwd=self.folder)

        openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", 2, "-keyout", "ca.key",
                "-out", "ca.crt", "-subj", "/CN=Throwaway authority")  # fmt: skip
        openssl("req", "-newkey", "rsa:2048", "-nodes", "-keyout", "broker.key", "-out", "broker.csr",
                "-subj", "/CN=localhost")  # fmt: skip
        (self.folder / "names").write_text(f"subjectAltName=DNS:localhost,IP:{LOOPBACK}\n")
        openssl("x509", "-req", "-in", "broker.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial",
                "-days", 2, "-out", "broker.crt", "-extfile", "names")  # fmt: skip

    def client(self, program: str, user: str | None, *words: str) -> subprocess.CompletedProcess:
        """Run one of mosquitto's own clients as `user`, or as a stranger."""
        login = [] if user is None else ["-u", user, "-P", f"{user}-secret"]
        return subprocess.run(
            [program, "-h", LOOPBACK, "-p", str(self.port), "--cafile", self.ca, *login, *words],
            capture_output=True,
            text=True,
            check=False,
            timeout=20,
        )

    def stop(self) -> None:
        """End it."""
        self._process.terminate()
        self._process.wait(10)


@pytest.fixture
def guarded(tmp_path):
    """The example's broker with duskward and the simulated site on it."""
    if mosquitto_program() is None or not all(
        map(shutil.which, ("mosquitto_passwd", "mosquitto_sub", "openssl"))
    ):
        pytest.skip("needs mosquitto, its clients and openssl")
    broker = GuardedBroker(tmp_path)
    (tmp_path / "mqtt-password").write_text("duskward-secret\n")
    (tmp_path / "mqtt-password").chmod(0o600)
    house = House(
        tmp_path,
        broker,
        f', username: duskward, password_file: "{tmp_path}/mqtt-password", tls: {{ca_file: "{broker.ca}"}}',
    )
    try:
        house.start()
        yield broker, house
    finally:
        house.close()
        broker.stop()


@pytest.mark.broker
def test_a_reader_looks_a_named_user_switches_a_stranger_stays_outside(guarded) -> None:
    """With the example's rules a wall display sees everything and switches nothing; `house` switches."""
    broker, house = guarded

    def look(user: str | None, topic: str = f"{PORT}/power") -> subprocess.CompletedProcess:
        return broker.client("mosquitto_sub", user, "-t", topic, "-C", "1", "-W", "5")

    wait_for(lambda: look("wall").stdout == "false\n", 40, "the port's power, read by the wall")
    told = json.loads(look("wall", f"homeassistant/device/{SITE}-gable-port-1/config").stdout)
    assert told["device"]["name"] == "Left arch"

    command = ("-t", f"{PORT}/power/set", "-m", "true", "-q", "1")
    broker.client("mosquitto_pub", "wall", *command)
    # The wall's next message would come after the first: the reader's own topics show that nothing happened.
    for user in (None, "nobody"):
        stranger = broker.client("mosquitto_pub", user, *command)
        assert stranger.returncode != 0
        assert "not authorised" in stranger.stderr.lower() + stranger.stdout.lower()
        assert look(user).stdout == ""
    assert house.truth("gable/1")["power"] is False
    assert look("wall", f"{PORT}/last-answer").stdout == ""
    assert "request.taken" not in house.log

    broker.client("mosquitto_pub", "house", *command)
    house.wait_power("gable/1", True)
    wait_for(lambda: look("wall").stdout == "true\n", 20, "the wall sees it")
    # Nobody but duskward may say what is true.
    broker.client("mosquitto_pub", "house", "-t", f"{PORT}/power", "-m", "false", "-q", "1", "-r")
    assert look("wall").stdout == "true\n"
    # Nor which of two processes for one site is active.
    for user, seen in (("house", ""), ("duskward", "active\n")):
        instance = f"duskward/{SITE}/attic"
        broker.client("mosquitto_pub", user, "-t", instance, "-m", "active", "-q", "1", "-r")
        assert look("duskward", instance).stdout == seen


@pytest.mark.broker
def test_without_tls_nobody_gets_in(guarded) -> None:
    """A client that does not speak TLS, or does not trust the authority, gets no connection."""
    broker, _ = guarded
    plain = ["mosquitto_sub", "-h", LOOPBACK, "-p", str(broker.port), "-u", "wall", "-P", "wall-secret",
             "-t", "homie/5/#", "-C", "1", "-W", "3"]  # fmt: skip
    assert subprocess.run(plain, capture_output=True, check=False, timeout=20).stdout == b""
    # One that trusts another authority: it hangs up before it says its name.
    other = broker.folder / "other"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-keyout", f"{other}.key",
         "-out", f"{other}.crt", "-subj", "/CN=Another authority"],
        check=True, capture_output=True,
    )  # fmt: skip
    distrusts = subprocess.run(
        [*plain, "--cafile", f"{other}.crt"], capture_output=True, text=True, check=False, timeout=20
    )
    assert distrusts.returncode != 0
    assert "tls" in distrusts.stderr.lower() or "certificate" in distrusts.stderr  # versions differ


# ---------------------------------------------------------------- a plain client


@pytest.mark.broker
def test_a_plain_client_reads_and_switches_the_site(tmp_path) -> None:
    """mosquitto_sub and mosquitto_pub are enough: the site reads as text, and one line switches a port."""
    if mosquitto_program() is None or shutil.which("mosquitto_sub") is None:
        pytest.skip("needs mosquitto and its clients: install mosquitto-clients")
    broker = PrivateBroker(tmp_path)
    house = House(tmp_path, broker)
    where = ["-h", broker.host, "-p", str(broker.port)]

    def sub(topic: str) -> str:
        ran = subprocess.run(
            ["mosquitto_sub", *where, "-t", topic, "-C", "1", "-W", "5"],
            capture_output=True, text=True, check=False, timeout=20,
        )  # fmt: skip
        return ran.stdout.strip()

    try:
        house.start()
        wait_for(lambda: sub(f"homie/5/{SITE}/$state") == "ready", 40, "the site")
        wait_for(lambda: sub(f"{PORT}/power") == "false", 20, "the port")
        assert sub(f"{PORT}/fault") == "none"
        assert sub(f"{PORT}/reason").startswith("Off")
        subprocess.run(
            ["mosquitto_pub", *where, "-t", f"{PORT}/power/set", "-m", "true"], check=True, timeout=20
        )
        house.wait_power("gable/1", True)
        watch = Observer(broker.host, broker.port, f"homie/5/{SITE}-gable-port-1/$alert/+")
        house.tell("fault", port="gable/1", kind="short")
        wait_for(lambda: any(b"Left arch" in one for one in watch.latest.values()), 20, "the alert")
        watch.close()
        assert "Left arch" in sub(f"homie/5/{SITE}-gable-port-1/$alert/fuse-trip")
    finally:
        house.close()
        broker.kill()
