"""Controllers of a running site over reloads of its file."""

import asyncio
from pathlib import Path

import pytest
from support import LOOPBACK, free_port, run_async

from bridge.config import load
from bridge.config import plan as plan_of
from bridge.site.configuration import Configuration
from bridge.site.controllers import Controllers

FILE = """\
site: {{id: yard, name: Yard, timezone: Etc/UTC, latitude: 0, longitude: 0}}
broker: {{host: 127.0.0.1}}
controllers:
  gable:
    reach: {{kind: http, url: "http://{host}:{port}/{path}", ports: outs, port: id, current: ma | mA}}
    ports: {{1: {{name: {name}, rating: {rating}}}{more}}}
"""
PORT = free_port()
FIRST = {"host": LOOPBACK, "port": PORT, "path": "a", "name": "Arch", "rating": "4 A", "more": ""}


def made(folder: Path, **changes: str) -> Configuration:
    """The configuration with some words of the file exchanged."""
    file = folder / "site.yaml"
    file.write_text(FILE.format(**FIRST | changes))
    return Configuration(load(file), file)


@pytest.mark.parametrize(
    ("changes", "anew"),
    [
        ({}, False),
        ({"name": "Left arch"}, False),
        ({"rating": "3 A"}, False),
        ({"path": "b"}, True),
        ({"more": ", 2: {}"}, True),
    ],
)
def test_only_what_is_reached_otherwise_is_made_anew(tmp_path, changes, anew) -> None:
    """A port's new name or rating leaves its controller alone; a new address or port does not."""

    async def story() -> None:
        before, after = made(tmp_path), made(tmp_path, **changes)
        async with asyncio.TaskGroup() as tasks:
            controllers = Controllers({}, clock=lambda: 0.0, feed=lambda _events: None, tasks=tasks)
            controllers.make(before.settings, before.plan)
            first = controllers.present["gable"]
            await controllers.exchange(after.settings, after.plan)
            assert (controllers.present["gable"] is not first) is anew
            await controllers.exchange(after.settings, after.plan)
            controllers.stop()
            await controllers.close()

    run_async(story())


@pytest.mark.parametrize(
    "changes", [{"name": "Left arch"}, {"rating": "3 A"}, {"path": "b"}, {"more": ", 2: {}"}]
)
def test_every_change_of_the_file_is_seen(tmp_path, changes) -> None:
    """What a port is given counts as a change as much as what its controller is given."""
    running = made(tmp_path)
    same, other = (load(made(tmp_path, **one).file) for one in ({}, changes))
    assert not running.differs(same, plan_of(same))
    assert running.differs(other, plan_of(other))
