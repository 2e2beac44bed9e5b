"""The systemd unit: what it must say, and what systemd itself makes of it."""

import configparser
import shutil
import subprocess
from pathlib import Path

import pytest

from bridge.watchdog import IDLE_LIMIT_S, SHARE

UNIT = Path(__file__).parents[2] / "examples" / "duskward.service"


class _Unit(configparser.RawConfigParser):
    """A unit file keeps the case of its keys (systemd.syntax(7))."""

    def optionxform(self, optionstr: str) -> str:
        """The key as it stands."""
        return optionstr


def unit() -> configparser.RawConfigParser:
    """The unit; a key that stands twice keeps the last value here."""
    parser = _Unit(strict=False, allow_no_value=True, comment_prefixes=("#",))
    parser.read(UNIT)
    return parser


def test_it_is_restarted_for_ever_and_watched() -> None:
    """Whatever ends the process, it is started again; a stuck one is ended by the watchdog."""
    service = unit()["Service"]
    assert service["Type"] == "notify"
    assert service["Restart"] == "always"
    assert unit()["Unit"]["StartLimitIntervalSec"] == "0"
    assert float(service["WatchdogSec"]) * SHARE > IDLE_LIMIT_S
    assert float(service["TimeoutStopSec"]) > 2.0


def test_it_gives_no_power_over_the_machine() -> None:
    """No capability, no new privilege, nothing writable but its state, memory bounded."""
    service = unit()["Service"]
    assert service["CapabilityBoundingSet"] == ""
    assert service["NoNewPrivileges"] == "yes"
    assert service["ProtectSystem"] == "strict"
    assert service["DynamicUser"] == "yes"
    assert service["StateDirectory"] == "duskward"
    assert service["MemoryMax"]


def test_the_clock_can_be_read() -> None:
    """adjtimex(2) stays allowed: without it no show would ever trust the clock."""
    text = UNIT.read_text()
    assert "\nSystemCallFilter=adjtimex\n" in text
    assert "\nProtectClock=" not in text


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze")
def test_systemd_finds_nothing_wrong(tmp_path: Path) -> None:
    """`systemd-analyze verify` has nothing to say, and the exposure it computes is low."""
    verified = subprocess.run(
        ["systemd-analyze", "verify", str(UNIT)], capture_output=True, text=True, timeout=60, check=False
    )
    assert verified.returncode == 0, verified.stderr
    assert verified.stderr == ""
    rated = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=20", str(UNIT)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert rated.returncode == 0, rated.stdout
