"""Start-up: what `duskward --help` may cost, and what it must not load."""

import resource
import subprocess
import sys

from support import LOOPBACK, free_port, wait_for

HEAVY = ("aiohttp", "asyncio", "icalendar", "paho", "pydantic", "rich", "sqlite3", "structlog", "yaml")
MOST_TIMES = 10.0
"""Seen: 3.3 times the CPU time of an empty Python."""


def cpu_s(*words: str) -> float:
    """CPU time of a program, the least of five runs [s]."""
    took = []
    for _ in range(5):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(took)


def test_help_costs_little_more_than_python_itself():
    """`duskward --help` takes at most ten times the CPU time of a Python that does nothing."""
    assert cpu_s("-m", "bridge.cli", "--help") <= MOST_TIMES * cpu_s("-c", "pass")


def test_help_loads_nothing_that_only_a_running_site_needs():
    """The command line itself loads no heavy library: each command loads what it needs."""
    code = (
        "import sys, bridge.cli\n"
        "sys.argv = ['duskward', '--help']\n"
        "try:\n    bridge.cli.main()\nexcept SystemExit:\n    pass\n"
        "print('LOADED', *sorted({name.partition('.')[0] for name in sys.modules}))"
    )
    said = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout
    loaded = set(said.rpartition("LOADED")[2].split())
    assert "typer" in loaded
    assert not loaded.intersection(HEAVY)


def test_a_running_site_loads_nothing_that_only_a_terminal_needs(tmp_path):
    """The process that runs for weeks does not keep a library for drawing in terminals in its memory."""
    file = tmp_path / "site.yaml"
    file.write_text(
        "site: {id: yard, name: Yard, timezone: Etc/UTC, latitude: 0, longitude: 0, "
        f"state_dir: {tmp_path / 'state'}}}\n"
        f"broker: {{host: {LOOPBACK}, port: {free_port()}}}\n"
        f"controllers: {{gable: {{reach: {{kind: http, url: 'http://{LOOPBACK}:{free_port()}/', "
        "ports: outs, port: id, current: ma | mA}, ports: {1: {}}}}\n"
    )
    imports, log = tmp_path / "imports", tmp_path / "log"
    with imports.open("w") as errors, log.open("w") as out:
        site = subprocess.Popen(
            [sys.executable, "-X", "importtime", "-m", "bridge.cli", "run", str(file)],
            stdout=out,
            stderr=errors,
        )
        try:
            wait_for(lambda: "link.disconnected" in imports.read_text(), what="the site running")
        finally:
            site.terminate()
            assert site.wait(20) == 0
    loaded = {line.rpartition("|")[2].strip() for line in imports.read_text().splitlines()}
    assert {"aiohttp.client", "structlog.dev"} <= loaded
    assert "rich.console" not in loaded
