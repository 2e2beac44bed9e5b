"""What strangers can't do and can't see: floods over MQTT, secrets in any output, wrong certificates."""

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
import yaml
from failure_rig import PORTS, SITE, Recorder, Rig, device, site
from support import LOOPBACK, free_port, wait_for

BROKER_SECRET = "hollow-lantern-4711"
BOX_SECRET = "gravel-harbour-0815"


def test_a_flood_of_commands(tmp_path: Path) -> None:
    """ON by command is given once a second per port and refused in words between; no OFF is ever refused."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 80_000))
        rig.start()
        rig.wait_lit()
        wait_for(lambda: rig.recorder.state == "ready", what="a word on the broker")
        before = len(rig.yard.get("history")["orders"])
        began_s = rig.now_s()
        topic = f"homie/5/{device('eave/1')}/port"
        while rig.now_s() < began_s + 2.5:
            rig.recorder.publish(f"{topic}/power/set", "false")
            rig.recorder.publish(f"{topic}/power/set", "true")
            rig.recorder.publish(f"{topic}/mode/set", "on")
            time.sleep(0.03)
        took_s = rig.now_s() - began_s
        rig.recorder.publish(f"{topic}/power/set", "false")
        wait_for(lambda: "eave/1" not in rig.yard.powered(), what="the last word, OFF")
        orders = [o for o in rig.yard.get("history")["orders"][before:] if o["port"] == "eave/1"]
        # One more for the one at the very start of the first second.
        assert sum(bool(o["power"]) for o in orders) <= took_s + 2
        answers = {payload.decode() for _, t, payload, _ in rig.recorder.heard if t == f"{topic}/last-answer"}
        assert any("too many requests for this port; ask again in" in answer for answer in answers)
        refused_off = [a for a in answers if a.startswith("Refused") and "too many" not in a]
        assert not refused_off
        assert rig.yard.powered() == set(PORTS) - {"eave/1"}
        rig.wait_agreed()
        rig.judge()


def test_a_flood_of_nonsense(tmp_path: Path) -> None:
    """Thousands of senseless messages change nothing, fill neither memory nor log, and hold up no OFF."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 5))
        rig.start()
        rig.wait_lit()
        client = rig.recorder._client
        topics = [
            f"homie/5/{device(port)}/port/{name}/set"
            for port in PORTS
            for name in ("power", "reset", "shelve")
        ]
        while rig.now_s() < rig.night.spans[0][1]:
            for topic in topics:
                client.publish(topic, rig.rng.randbytes(rig.rng.randrange(2000)), 0, rig.rng.random() < 0.1)
                client.publish(f"{topic}/{rig.rng.randrange(10**6)}", b"x", 0)
            time.sleep(0.01)
        rig.wait_dark()
        rig.wait_agreed()
        assert rig.log.stat().st_size < 300_000
        rig.judge()


def _certificates(folder: Path) -> None:
    def run(*words: str) -> None:
        subprocess.run(["openssl", *words], check=True, capture_output=True, cwd=folder)

    new = ("req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-sha256")
    for name in ("ca", "stranger"):
        run(*new, "-x509", "-days", "2", "-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out",
            f"{name}.crt", "-addext", "keyUsage=critical,keyCertSign")  # fmt: skip
    (folder / "ext").write_text("subjectAltName=IP:127.0.0.1\n")
    for name in ("server", "client"):
        run(*new, "-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.csr")
        run("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial",
            "-days", "2", "-sha256", "-extfile", "ext", "-out", f"{name}.crt")  # fmt: skip
    for file in folder.glob("*.key"):
        file.chmod(0o644)  # the broker reads them as another user


def _tls_rig(folder: Path) -> tuple[Rig, int]:
    """A broker that wants TLS, a client certificate and a password; beside it one for the recorder."""
    _certificates(folder)
    users = folder / "users"
    for new, name, word in (("-c", "watcher", "w"), ("-b", "yard", BROKER_SECRET)):
        words = ["mosquitto_passwd", "-b", *([new] if new == "-c" else []), str(users), name, word]
        subprocess.run(words, check=True, capture_output=True)
    users.chmod(0o644)
    port = free_port()
    lines = [
        f"password_file {users}", f"listener {port} {LOOPBACK}", f"cafile {folder}/ca.crt",
        f"certfile {folder}/server.crt", f"keyfile {folder}/server.key", "require_certificate true",
    ]  # fmt: skip
    rig = Rig(folder, seed=1, broker_lines=lines, anonymous=False)
    rig.recorder = Recorder(rig.broker.port, username="watcher", password="w")
    return rig, port


needs_tools = pytest.mark.skipif(
    shutil.which("openssl") is None or shutil.which("mosquitto_passwd") is None,
    reason="needs openssl and mosquitto_passwd",
)


@needs_tools
def test_secrets_stay_secret_over_tls(tmp_path: Path) -> None:
    """With TLS, a client certificate and passwords the site runs, and no output anywhere holds a password."""
    (tmp_path / "word").write_text(BROKER_SECRET + "\n")
    rig, port = _tls_rig(tmp_path)
    with rig:
        tls = {"ca_file": "ca.crt", "cert_file": "client.crt", "key_file": "client.key"}
        rig.plan_night((1, 5), broker={"port": port, "username": "yard", "password_file": "word", "tls": tls})
        document = yaml.safe_load(rig.config.read_text())
        document["controllers"]["eave"]["reach"]["auth"] = {"token_env": "EAVE_TOKEN"}
        rig.config.write_text(yaml.safe_dump(document))
        rig.start(EAVE_TOKEN=BOX_SECRET)
        rig.wait_lit()
        rig.yard.tell("misbehave", controller="eave", kind="status", code=401)
        rig.yard.tell("fault", port="mast/1", kind="short")
        wait_for(lambda: rig.recorder.alert("mast/1"), what="the alert")
        wait_for(lambda: rig.events("controller.unreachable"), what="the word on the refusing box")
        rig.yard.tell("behave", controller="eave")
        rig.wait_dark()
        assert rig.process is not None
        outputs = {
            "log": rig.log.read_bytes(),
            "command line": Path(f"/proc/{rig.process.pid}/cmdline").read_bytes(),
            "status": repr(rig.status()).encode(),
            "topics": b"".join(topic.encode() + payload for _, topic, payload, _ in rig.recorder.heard),
        }
        for words in (("status", "--json"), ("check",), ("check", "--json")):
            asked = subprocess.run(
                [sys.executable, "-m", "bridge.cli", words[0], str(rig.config), *words[1:]],
                capture_output=True, timeout=60, check=False, env={**os.environ, "EAVE_TOKEN": BOX_SECRET},
            )  # fmt: skip
            outputs[" ".join(words)] = asked.stdout + asked.stderr
        code, _ = rig.terminate()
        assert code == 0
        for file in rig.state_dir.iterdir():
            if file.is_file():
                outputs[file.name] = file.read_bytes()
        for name, content in outputs.items():
            assert BROKER_SECRET.encode() not in content, name
            assert BOX_SECRET.encode() not in content, name
        assert rig.recorder.state == "disconnected"


@needs_tools
def test_wrong_certificates_let_nobody_in(tmp_path: Path) -> None:
    """A broker of another authority is not trusted; one that wants a certificate lets none in without it."""
    (tmp_path / "word").write_text(BROKER_SECRET)
    rig, port = _tls_rig(tmp_path)
    stranger = {"cert_file": "stranger.crt", "key_file": "stranger.key"}
    with rig:
        for tls, words in (
            ({"ca_file": "stranger.crt"}, "certificate is not trusted"),
            ({"ca_file": "ca.crt"}, ""),
            ({"ca_file": "ca.crt", **stranger}, ""),
        ):
            rig.log.unlink(missing_ok=True)
            login = {"username": "yard", "password_file": "word"}
            rig.plan_night((60, 61), broker={"port": port, "tls": tls, **login})
            rig.start()
            wait_for(lambda: rig.events("link.disconnected"), what="a refusal")
            assert words in rig.events("link.disconnected")[0]["reason"]
            assert not rig.events("link.connected")
            assert BROKER_SECRET not in rig.log_text()
            rig.kill()
        assert f"homie/5/{SITE}/$state" not in rig.recorder.latest


def test_the_state_folder_is_for_its_user_alone(tmp_path: Path) -> None:
    """Folder, journal, history and socket are closed to every other user of the machine."""
    with site(tmp_path) as rig:
        rig.plan_night((60, 61))
        rig.start()
        assert rig.state_dir.stat().st_mode & 0o077 == 0
        assert (rig.state_dir / "control.sock").stat().st_mode & 0o077 == 0
        assert (rig.state_dir / "journal.a").stat().st_mode & 0o077 == 0
