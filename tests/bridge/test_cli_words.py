"""The command line as a process: one clear sentence for what a person can mend, exit codes, a quick stop."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from support import LOOPBACK, free_port, wait_for

GOOD = """\
site: {{id: quarry-lane, name: Quarry Lane, timezone: Europe/Dublin, latitude: 53.35, longitude: -6.26,
       require_synchronised_clock: false, state_dir: {state}}}
broker: {{host: 127.0.0.1, port: {broker}{more}}}
controllers:
  gable:
    reach: {{kind: http, url: "http://127.0.0.1:{box}/status", every: 0.2 s, slow_every: 0.2 s, timeout: 1 s,
             ports: "outputs[*]", port: id, current: draw_ma | mA, power: live, tripped: fuse_open,
             switch: {{method: POST, url: "http://127.0.0.1:{box}/output/{{port}}",
                      json: {{live: "{{power}}"}}}}}}
    ports: {{1: {{name: Left arch, rating: 4 A}}}}
shows:
  - {{name: Lantern walk, when: {{from: "17:00", to: "22:00"}}, needs: [gable/1]}}
"""


def config(folder: Path, *, broker: int = 0, box: int = 0, more: str = "") -> Path:
    """A configuration file with one controller."""
    file = folder / "site.yaml"
    file.write_text(
        GOOD.format(state=folder / "state", broker=broker or free_port(), box=box or free_port(), more=more)
    )
    return file


def duskward(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run the command line to its end."""
    return subprocess.run(
        [sys.executable, "-m", "bridge.cli", *arguments], cwd=cwd, capture_output=True, text=True, timeout=60,
        check=False,
    )  # fmt: skip


@contextmanager
def running(file: Path, *arguments: str) -> Iterator[tuple["subprocess.Popen[bytes]", Path]]:
    """A running site and its log; ended at the end."""
    log = file.with_suffix(".log")
    with log.open("wb") as stream:
        process = subprocess.Popen(
            [sys.executable, "-m", "bridge.cli", "run", str(file), *arguments], stdout=stream, stderr=stream
        )
    try:
        yield process, log
    finally:
        process.kill()
        process.wait(10)


@pytest.mark.parametrize("command", ["run", "check", "status"])
@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "site.yaml"),
        ("site: [unclosed\n", "site.yaml:"),
        ("site: {id: x}\n", "site.yaml:1"),
        ("\x00\x01", "site.yaml"),
        ("", "site.yaml"),
        ("a: &a [*a]\n", "site.yaml"),
    ],
)
def test_a_file_that_can_not_be_meant_is_explained(
    tmp_path: Path, command: str, content: str | None, words: str
) -> None:
    """A missing, broken or wrong file ends with exit code 1 and its place, never with a traceback."""
    if content is not None:
        (tmp_path / "site.yaml").write_text(content)
    ended = duskward(command, "site.yaml", cwd=tmp_path)
    assert ended.returncode == 1
    assert words in ended.stderr
    assert "Traceback" not in ended.stderr + ended.stdout


@pytest.mark.parametrize(
    "arguments",
    [
        ("run",),
        ("fly",),
        ("run", "x.yaml", "--log-level", "loud"),
        ("hold", "x.yaml"),
        ("--nonsense",),
        ("demo", "--port", "99999"),
        ("report", "x.yaml", "--from", "24.12.2025"),
    ],
)
def test_wrong_calls_end_with_2(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    """A command line that can't be meant ends with exit code 2 and says what would be right."""
    ended = duskward(*arguments, cwd=tmp_path)
    assert ended.returncode == 2
    assert ended.stderr
    assert "Traceback" not in ended.stderr


@pytest.mark.parametrize(
    ("command", "right"),
    [
        (("preview", "--days", "0"), "1 to 400"),
        (("preview", "--from", "24.12.2025"), "2025-12-24"),
        (("preview", "--at", "six"), "2025-12-24 18:00"),
        (("preview", "--picture", "days.gif"), ".svg or .png"),
        (("report", "--from", "2026-01-06", "--to", "2025-11-28"), "follow each other"),
        (("report", "--to", "9999-12-31"), "2025-12-24"),
        (("report", "--port", "gable/77"), "gable/1"),
        (("backup", "state"), "a folder of their own"),
    ],
)
def test_what_can_not_be_meant_for_this_site_ends_with_2(
    tmp_path: Path, command: tuple[str, ...], right: str
) -> None:
    """What only the command itself can tell to be wrong ends with 2 as well, with what would be right."""
    name, *rest = command
    file = config(tmp_path)
    (tmp_path / "state").mkdir()
    ended = duskward(name, str(file), *rest, cwd=tmp_path)
    assert ended.returncode == 2, ended.stderr
    assert right in ended.stderr
    assert "Traceback" not in ended.stderr


@pytest.mark.parametrize(
    "command", [("hold", "", "Ann"), ("release", "", "Ann"), ("acknowledge", "", "no-load"), ("reset", "")]
)
def test_an_empty_name_is_not_the_whole_site(tmp_path: Path, command: tuple[str, ...]) -> None:
    """A script's empty variable where a port was meant is refused, and holds or releases nothing."""
    name, *rest = command
    ended = duskward(name, str(config(tmp_path)), *rest, cwd=tmp_path)
    assert ended.returncode == 2
    assert "name a port (gable/1)" in ended.stderr


def test_a_day_is_asked_for_in_words(tmp_path: Path) -> None:
    """A day in another spelling is answered with the right one, not with a format string."""
    ended = duskward("report", "x.yaml", "--evening", "24.12.2025", cwd=tmp_path)
    assert "'24.12.2025' is no day; write it as 2025-12-24" in ended.stderr


def test_help_fits_into_80_columns(tmp_path: Path) -> None:
    """The list of commands says each in a whole sentence, in a line that is not cut."""
    ended = subprocess.run(
        [sys.executable, "-m", "bridge.cli", "--help"], cwd=tmp_path, capture_output=True, text=True,
        timeout=60, check=True, env={**os.environ, "COLUMNS": "80"},
    )  # fmt: skip
    commands = ended.stdout.partition("Commands:\n")[2].splitlines()
    assert len(commands) > 10
    assert [line for line in commands if not line.endswith(".") or line.endswith("...")] == []


def test_brackets_in_a_name_are_part_of_it(tmp_path: Path) -> None:
    """A name is shown as it is written, also where it looks like a terminal library's mark-up."""
    file = config(tmp_path)
    file.write_text(file.read_text().replace("{name: Left arch,", '{name: "Arch [red] [/]",'))
    ended = duskward("preview", str(file), "--at", "2025-12-24 18:00", cwd=tmp_path)
    assert ended.returncode == 0, ended.stderr
    assert "Arch [red] [/]" in ended.stdout


def test_a_password_that_can_not_be_read(tmp_path: Path) -> None:
    """A missing password file is named in one sentence."""
    file = config(tmp_path, more=", username: yard, password_file: nowhere")
    ended = duskward("run", str(file), cwd=tmp_path)
    assert ended.returncode == 1
    assert len(ended.stderr.splitlines()) == 1
    assert "nowhere" in ended.stderr


def test_a_state_folder_that_can_not_be_made(tmp_path: Path) -> None:
    """A state folder in whose place a file stands is named in one sentence."""
    (tmp_path / "state").write_text("in the way")
    ended = duskward("run", str(config(tmp_path)), cwd=tmp_path)
    assert ended.returncode == 1
    assert len(ended.stderr.splitlines()) == 1
    assert "state" in ended.stderr


def test_a_certificate_authority_that_is_none(tmp_path: Path) -> None:
    """A CA file without a certificate in it is named in one sentence."""
    (tmp_path / "ca.pem").write_text("nothing of the kind\n")
    ended = duskward("run", str(config(tmp_path, more=", tls: {ca_file: ca.pem}")), cwd=tmp_path)
    assert ended.returncode == 1
    assert len(ended.stderr.splitlines()) == 1
    assert "ca.pem" in ended.stderr


@pytest.mark.parametrize(
    "command",
    [("status",), ("hold", "gable/1", "Ann"), ("acknowledge", "gable/1", "no-load"), ("count", "gable/1")],
)
def test_asking_a_site_that_does_not_run(tmp_path: Path, command: tuple[str, ...]) -> None:
    """Asking without a running process ends with 1 and says how to start it."""
    name, *rest = command
    ended = duskward(name, str(config(tmp_path)), *rest, cwd=tmp_path)
    assert ended.returncode == 1
    assert ended.stderr.count("\n") == 1
    assert "no duskward runs" in ended.stderr
    assert not (tmp_path / "state").exists(), "made by whoever asks first, the service could not use it"


def test_asking_where_no_state_folder_can_be(tmp_path: Path) -> None:
    """A file in the place of the state folder is named in one sentence by whoever asks."""
    (tmp_path / "state").write_text("in the way")
    ended = duskward("status", str(config(tmp_path)), cwd=tmp_path)
    assert ended.returncode == 1
    assert ended.stderr.count("\n") == 1
    assert str(tmp_path / "state") in ended.stderr


def test_neither_broker_nor_controller_answers(tmp_path: Path) -> None:
    """Without broker and controller the process goes on, says each once, and has a status."""
    file = config(tmp_path)
    with running(file, "--json-logs") as (process, log):
        wait_for(lambda: "controller.unreachable" in log.read_text(), 15, what="a word on the controller")
        since_s = time.monotonic()
        wait_for(lambda: time.monotonic() - since_s > 1.5, what="some more polls and attempts")
        wait_for(lambda: '"condition": "no-data"' in log.read_text(), 40, what="the fault")
        asked = duskward("status", str(file), cwd=tmp_path)
        assert asked.returncode == 0
        assert "no connection to the broker" in asked.stdout
        assert "1 with a fault" in asked.stdout
        assert "what its ports do is not known" in " ".join(asked.stdout.split())
        as_json = duskward("status", str(file), "--json", cwd=tmp_path)
        assert json.loads(as_json.stdout)["broker"] is False
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    for name in ("controller.unreachable", "link.disconnected"):
        assert [line["event"] for line in lines].count(name) == 1, name
    assert all("." in line["event"] and line["level"] and line["timestamp"] for line in lines)
    assert "Traceback" not in log.read_text()


def test_log_levels(tmp_path: Path) -> None:
    """At level error, what is only a warning is not logged."""
    with running(config(tmp_path), "--json-logs", "--log-level", "error") as (process, log):
        wait_for((tmp_path / "state" / "control.sock").exists, 15, what="its socket")
        since_s = time.monotonic()
        wait_for(lambda: time.monotonic() - since_s > 1.0, what="some polls and attempts")
        process.send_signal(signal.SIGINT)
        assert process.wait(10) == 0
    assert log.read_text() == ""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_stop_is_over_within_two_seconds(tmp_path: Path, number: signal.Signals) -> None:
    """A broker and a controller that take the connection and say nothing do not hold up a stop."""
    with socket.create_server((LOOPBACK, 0)) as broker, socket.create_server((LOOPBACK, 0)) as box:
        file = config(tmp_path, broker=broker.getsockname()[1], box=box.getsockname()[1])
        text = file.read_text().replace(
            "require_synchronised_clock", "at_stop: off, require_synchronised_clock"
        )
        file.write_text(text)
        with running(file) as (process, log):
            wait_for(lambda: "controller.unreachable" in log.read_text(), 15, what="a poll that hung")
            process.send_signal(number)
            process.wait(2.0)
            assert process.returncode == 0
            assert "Traceback" not in log.read_text()


def test_a_stop_while_starting(tmp_path: Path) -> None:
    """A stop is heard although the first start still waits for the broker's word."""
    with (
        socket.create_server((LOOPBACK, 0)) as broker,
        running(config(tmp_path, broker=broker.getsockname()[1])) as (process, _),
    ):
        wait_for((tmp_path / "state" / "control.sock").exists, 15, what="its socket")
        process.send_signal(signal.SIGTERM)
        process.wait(2.0)
        assert process.returncode == 0


def test_help_loads_nothing_heavy(tmp_path: Path) -> None:
    """`duskward --help` imports none of the libraries that take their time."""
    script = (
        "import sys\nfrom bridge import cli\nsys.argv = ['duskward', '--help']\n"
        "try:\n    cli.main()\nexcept SystemExit:\n    pass\n"
        "heavy = {'aiohttp', 'pydantic', 'yaml', 'rich', 'icalendar', 'astral', 'asyncio', 'paho',\n"
        "         'sqlite3'}\n"
        "print('loaded', sorted(heavy & set(sys.modules)))\n"
    )
    ended = subprocess.run(
        [sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True, timeout=60, check=True
    )
    assert ended.stdout.splitlines()[-1] == "loaded []"


def test_systemd_hears_of_the_whole_life(tmp_path: Path) -> None:
    """A real process says READY with a status, feeds the watchdog, and says STOPPING."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(20)
        environ = {**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "500000"}
        process = subprocess.Popen(
            [sys.executable, "-m", "bridge.cli", "run", str(config(tmp_path))],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environ,
        )  # fmt: skip
        try:
            ready = manager.recv(4096).decode()
            assert ready.startswith("READY=1\nSTATUS=")
            assert "of 1 ports on" in ready
            assert manager.recv(4096).startswith(b"WATCHDOG=1")
            process.send_signal(signal.SIGTERM)
            while (word := manager.recv(4096)).startswith(b"WATCHDOG=1"):
                pass
            assert word.startswith(b"STOPPING=1")
            assert process.wait(10) == 0
        finally:
            process.kill()
            process.wait(10)
