"""Two processes for one site: one active, one standing by, with real processes, a real broker, real kills."""

import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

import pytest
import yaml
from failure_rig import SITE, Recorder, Yard, device, seed_of_run
from support import LOOPBACK, PrivateBroker, free_port, wait_for

from bridge.simulator.scenarios import reach_of

pytestmark = [pytest.mark.broker, pytest.mark.timeout(180)]

TAKE_OVER_S = 5.0


class Side:
    """One process of the pair."""

    def __init__(self, folder: Path, name: str, document: dict, own: int, other: int) -> None:
        self.folder = folder / name
        self.folder.mkdir()
        secret = folder / "secret"
        secret.write_text("not-a-real-secret-of-anybody\n")
        self.log = self.folder / "log"
        self.file = self.folder / "site.yaml"
        site = {**document["site"], "state_dir": str(self.folder / "state")}
        standby = {
            "name": name, "listen": f"{LOOPBACK}:{own}", "partner": f"{LOOPBACK}:{other}",
            "secret_file": str(secret),
        }  # fmt: skip
        self.file.write_text(yaml.safe_dump({**document, "site": site, "standby": standby}))
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Begin."""
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "bridge.cli", "run", str(self.file), "--json-logs"],
                stdout=log, stderr=log, stdin=subprocess.DEVNULL,
            )  # fmt: skip

    def kill(self) -> None:
        """End at once."""
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)
        self.process = None

    def end(self) -> None:
        """End, if it runs."""
        if self.process is not None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(10)
            self.process = None

    def fill(self) -> None:
        """From now on its journal can't be written, as on a full disk."""
        for copy in ("a", "b"):
            (self.folder / "state" / f"journal.{copy}.new").mkdir()

    def count(self, text: str) -> int:
        """How often its log holds a text."""
        return self.log.read_text().count(text)

    def said(self, text: str) -> bool:
        """Whether its log holds a text."""
        return self.log.exists() and text in self.log.read_text()


class Two:
    """The pair with its broker, its simulated site and an observer."""

    def __init__(self, folder: Path) -> None:
        self.broker = PrivateBroker(folder)
        self.yard = Yard(folder, 5)
        now, urls = datetime.now(UTC), self.yard.addresses["controllers"]
        first, second = free_port(), free_port()
        document = {
            "site": {
                "id": SITE, "name": "Slate Yard", "timezone": "UTC", "latitude": 53.35, "longitude": -6.26,
                "require_synchronised_clock": False, "release_delay": "1 s", "at_stop": "off",
            },
            "broker": {"host": LOOPBACK, "port": self.broker.port},
            "controllers": {
                box: {
                    "reach": reach_of(shape, urls[box]) | {"every": "200 ms", "slow_every": "200 ms"},
                    "ports": {n: {"name": f"{box} {n}", "rating": "4 A"} for n in (1, 2)},
                }
                for box, shape in (("eave", "rows"), ("mast", "banks"))
            },
            "shows": [
                {
                    "name": "All night",
                    "when": {
                        "from": (now - timedelta(hours=2)).strftime("%H:%M"),
                        "to": (now + timedelta(hours=4)).strftime("%H:%M"),
                    },
                    "needs": ["eave/*", "mast/*"],
                }
            ],
        }  # fmt: skip
        self.attic = Side(folder, "attic", document, first, second)
        self.shed = Side(folder, "shed", document, second, first)
        self.seen = Recorder(self.broker.port)
        self.instances = Recorder(self.broker.port)

    def close(self) -> None:
        """End all of it."""
        for side in (self.attic, self.shed):
            side.end()
        self.seen.close()
        self.instances.close()
        self.yard.stop()
        self.broker.stop()


@pytest.fixture
def two(tmp_path):
    """The pair, both running, attic active."""
    pair = Two(tmp_path)
    try:
        pair.attic.start()
        wait_for(lambda: pair.attic.said('"role": "active"'), 20, "attic becoming active")
        pair.shed.start()
        wait_for(lambda: pair.shed.said('"role": "standby"'), 20, "shed standing by")
        wait_for(lambda: len(pair.yard.powered()) == 4, 20, "the show")
        yield pair
    except BaseException:
        for side in (pair.attic, pair.shed):
            if side.log.exists():
                print(side.log.read_text()[-6000:])
        raise
    finally:
        pair.close()


def test_the_standby_takes_over_within_five_seconds_and_holds_still_hold(two) -> None:
    """After kill -9 of the active one the standby is ready within 5 s, with the hold and the show."""
    two.seen.publish(f"homie/5/{device('eave/1')}/port/add-hold/set", "Ann")
    wait_for(lambda: "eave/1" not in two.yard.powered(), 10, "the held port going dark")
    wait_for(lambda: two.seen.value("eave/1", "hold-state") == "confirmed-off", 10, "the hold being proven")
    killed_s = time.monotonic()
    two.attic.kill()
    wait_for(lambda: two.shed.said('"role": "active"'), TAKE_OVER_S, "shed taking over")
    wait_for(lambda: two.seen.state == "ready", TAKE_OVER_S, "the site being ready again")
    taken_s = time.monotonic() - killed_s
    assert taken_s <= TAKE_OVER_S
    time_limit_s = time.monotonic() + 3.0
    while time.monotonic() < time_limit_s:
        assert "eave/1" not in two.yard.powered()
        time.sleep(0.05)
    assert "Ann" in two.seen.value("eave/1", "hold")
    wait_for(lambda: two.yard.powered() == {"eave/2", "mast/1", "mast/2"}, 10, "the show going on")
    print(f"taken over in {taken_s:.1f} s")


def test_without_the_broker_the_standby_stays_passive(two) -> None:
    """Broker and active one both gone: the standby, which can't know, gives no command."""
    two.broker.kill()
    wait_for(lambda: two.shed.said("link.disconnected"), 10, "shed losing the broker")
    orders = len(two.yard.get("history")["orders"])
    two.attic.kill()
    time_limit_s = time.monotonic() + 8.0
    while time.monotonic() < time_limit_s:
        assert len(two.yard.get("history")["orders"]) == orders
        time.sleep(0.2)
    assert not two.shed.said('"role": "active"')


def test_the_active_one_goes_on_without_broker_and_partner(two) -> None:
    """With neither broker nor partner the active one keeps its ports powered."""
    two.shed.kill()
    two.broker.kill()
    time_limit_s = time.monotonic() + 6.0
    while time.monotonic() < time_limit_s:
        assert len(two.yard.powered()) == 4
        time.sleep(0.2)


def test_the_one_that_comes_back_stands_by(two) -> None:
    """A killed active process that returns finds the other active, stands by, and nothing blinks."""
    two.attic.kill()
    wait_for(lambda: two.shed.said('"role": "active"'), TAKE_OVER_S + 2, "shed taking over")
    wait_for(lambda: two.seen.state == "ready", TAKE_OVER_S, "the site being ready again")
    wait_for(lambda: len(two.yard.powered()) == 4, 10, "the show going on")
    changes = two.yard.get("history")["next"]
    two.attic.log.write_text("")
    two.attic.start()
    wait_for(lambda: two.attic.said('"role": "standby"'), 20, "attic standing by")
    assert len(two.yard.powered()) == 4
    assert two.yard.get("history")["next"] == changes


def test_a_stranger_with_another_secret_is_not_heard(two) -> None:
    """A line whose codes do not fit is closed and told; roles stay."""
    import socket

    config = yaml.safe_load(two.shed.file.read_text())["standby"]
    host, _, port = config["listen"].partition(":")
    with socket.create_connection((host, int(port)), 5) as line:
        line.recv(100)
        line.sendall(b"0" * 64 + b' {"type": "beat", "role": "active", "name": "attic"}\n')
        line.settimeout(5)
        assert line.recv(100) == b""
    wait_for(lambda: two.shed.said("pair.stranger"), 5, "the stranger being told")
    assert not two.shed.said('"role": "active"')


def test_a_paused_one_that_returns_learns_what_it_missed(two) -> None:
    """Paused, replaced, woken: of the two that are active one ends without a blink, and no hold is lost."""
    assert two.attic.process is not None
    stopped_s = time.monotonic()
    two.attic.process.send_signal(signal.SIGSTOP)
    try:
        wait_for(lambda: two.shed.said('"role": "active"'), TAKE_OVER_S, "shed taking over")
        print(f"taken over in {time.monotonic() - stopped_s:.1f} s")
        # Its first connection is that of the pair; the paused one's last word still stands as "ready".
        wait_for(lambda: two.shed.count("link.connected") == 2, 20, "shed serving the site")
        two.seen.publish(f"homie/5/{device('eave/1')}/port/add-hold/set", "Ann")
        wait_for(lambda: two.seen.value("eave/1", "hold-state") == "confirmed-off", 10, "the hold")
        wait_for(lambda: two.yard.powered() == {"eave/2", "mast/1", "mast/2"}, 10, "the show going on")
    finally:
        two.attic.process.send_signal(signal.SIGCONT)
    since_s = time.monotonic()
    assert two.shed.process is not None
    assert two.shed.process.wait(20) == 0
    wait_for(lambda: two.seen.state == "ready", 20, "attic being ready")
    wait_for(lambda: "Ann" in two.seen.value("eave/1", "hold"), 10, "the hold at attic")
    wait_for(lambda: "eave/1" not in two.yard.powered(), 10, "the held port being dark")
    time.sleep(3.0)
    assert two.yard.powered() == {"eave/2", "mast/1", "mast/2"}
    dark = [
        change
        for change in two.yard.get("history")["power"]
        if change["port"] != "eave/1" and not change["power"] and change["at_s"] > since_s
    ]
    assert dark == []
    assert two.seen.state == "ready"


def test_a_standby_takes_over_with_the_file_as_it_is_then(two) -> None:
    """The file changes on both machines while one stands by: it takes over with what the file says now."""
    for side in (two.attic, two.shed):
        document = yaml.safe_load(side.file.read_text())
        document["shows"][0]["needs"] = ["eave/*"]
        side.file.write_text(yaml.safe_dump(document))
    wait_for(lambda: two.yard.powered() == {"eave/1", "eave/2"}, 20, "attic following the file")
    two.attic.kill()
    wait_for(lambda: two.shed.said('"role": "active"'), TAKE_OVER_S + 2, "shed taking over")
    wait_for(lambda: two.seen.state == "ready", 20, "the site being ready again")
    time_limit_s = time.monotonic() + 3.0
    while time.monotonic() < time_limit_s:
        assert two.yard.powered() == {"eave/1", "eave/2"}
        time.sleep(0.1)


def test_a_standby_with_a_full_disk_takes_over(two) -> None:
    """A standby whose journal can't be written takes over all the same."""
    two.shed.fill()
    two.attic.kill()
    wait_for(lambda: two.shed.said('"role": "active"'), TAKE_OVER_S + 2, "shed taking over")
    wait_for(lambda: two.seen.state == "ready", 20, "the site being ready again")
    wait_for(lambda: len(two.yard.powered()) == 4, 10, "the show going on")
    assert two.shed.said("journal.unwritable")


def test_random_kills_never_leave_the_site_without_its_hold(two) -> None:
    """Whichever process is killed, whenever, a held port never has power again."""
    random = Random(seed_of_run())
    two.seen.publish(f"homie/5/{device('mast/1')}/port/add-hold/set", "Ann")
    wait_for(lambda: "mast/1" not in two.yard.powered(), 10, "the held port going dark")
    wait_for(lambda: two.seen.value("mast/1", "hold-state") == "confirmed-off", 10, "the hold being proven")
    since_s = time.monotonic()
    for _ in range(3):
        side = random.choice([two.attic, two.shed])
        side.kill()
        time.sleep(random.uniform(0.0, 4.0))
        side.start()
        time.sleep(random.uniform(3.0, 5.0))
    assert "mast/1" not in two.yard.powered()
    lit = [
        change
        for change in two.yard.get("history")["power"]
        if change["port"] == "mast/1" and change["power"] and change["at_s"] > since_s
    ]
    assert lit == []
