"""Start-up: what `duskward --help` may cost, and what it must not load."""

import resource
import subprocess
import sys

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
