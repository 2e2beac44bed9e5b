"""What systemd is told, heard on a real datagram socket; the protocol is sd_notify(3)."""

import asyncio
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs
from support import until

from bridge.watchdog import Notifier, attend


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    """The service manager's end."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.settimeout(5.0)
        yield listening


def environ(manager: socket.socket, **more: str) -> dict[str, str]:
    """What a service manager puts into the environment."""
    return {"NOTIFY_SOCKET": manager.getsockname(), **more}


def test_assignments_are_told_as_lines(manager: socket.socket) -> None:
    """Each assignment stands on its own line, and a text never breaks into a second one."""
    Notifier(environ(manager)).tell(READY=1, STATUS="3 of 4 ports on,\nno show.")
    assert manager.recv(4096) == b"READY=1\nSTATUS=3 of 4 ports on, no show."


def test_abstract_addresses_are_understood() -> None:
    """An address that begins with @ lies in the abstract namespace (unix(7))."""
    name = f"duskward-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind("\0" + name)
        listening.settimeout(5.0)
        Notifier({"NOTIFY_SOCKET": "@" + name}).tell(STOPPING=1)
        assert listening.recv(4096) == b"STOPPING=1"


def test_without_a_manager_nothing_is_said_and_nothing_fails() -> None:
    """Started by hand, telling is silent."""
    with capture_logs() as logs:
        Notifier({}).tell(READY=1)
    assert logs == []


def test_a_manager_that_is_gone_is_logged_once(tmp_path: Path) -> None:
    """A socket nobody listens to is one log line, not one per word."""
    notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")})
    with capture_logs() as logs:
        notifier.tell(READY=1)
        notifier.tell(WATCHDOG=1)
    assert [line["event"] for line in logs] == ["watchdog.unheard"]


def test_a_manager_that_does_not_read_is_never_waited_for(manager: socket.socket) -> None:
    """A full socket holds up nothing: words are dropped."""
    notifier = Notifier(environ(manager))
    with capture_logs() as logs:
        for _ in range(5000):
            notifier.tell(STATUS="x" * 200)
    assert [line["event"] for line in logs] == ["watchdog.unheard"]


@pytest.mark.parametrize(
    ("more", "granted_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "30000000"}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getpid())}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_the_watchdogs_time_is_taken_from_the_environment(
    more: dict[str, str], granted_s: float | None
) -> None:
    """The time counts if it is meant for this process (sd_watchdog_enabled(3))."""
    assert Notifier(more).watchdog_s == granted_s


def test_the_watchdog_is_fed_only_while_the_engine_steps(manager: socket.socket) -> None:
    """An engine that steps no more lets the watchdog bite, although the event loop still runs."""
    manager.setblocking(False)
    idle_s = 0.0
    heard: list[bytes] = []

    def listen() -> list[bytes]:
        while True:
            try:
                heard.append(manager.recv(4096))
            except BlockingIOError:
                return heard

    async def scenario() -> None:
        nonlocal idle_s
        notifier = Notifier(environ(manager, WATCHDOG_USEC="50000"))
        task = asyncio.create_task(attend(notifier, lambda: idle_s, lambda: f"idle {idle_s:g}"))
        await until(lambda: listen().count(b"WATCHDOG=1") >= 3, what="three feeds")
        assert heard[0] == b"READY=1\nSTATUS=idle 0"
        with capture_logs() as logs:
            idle_s = 60.0
            listen()
            heard.clear()
            await until(lambda: len(logs) >= 3, what="feeds withheld")
            assert listen() == []
            assert logs[0] == {"event": "watchdog.withheld", "log_level": "error", "idle_s": 60.0}
        idle_s = 0.5
        await until(lambda: b"WATCHDOG=1\nSTATUS=idle 0.5" in listen(), what="a feed with the new status")
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(scenario())
