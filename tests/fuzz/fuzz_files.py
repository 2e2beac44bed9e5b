"""Files a person or an earlier run wrote: configuration, calendars, rules, journal, history, kernel files."""

import hashlib
import json
import math
import zlib
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path

from fuzz_target import ROOT, SEPARATOR, Target, explained, joined, nothing_unexpected, parts
from pydantic import ValidationError

from bridge.config import parse, plan
from bridge.config.reach_hwmon import HwmonReach
from bridge.config.reader import decode
from bridge.controllers.hwmon import HwmonController, _Bound
from bridge.errors import ConfigurationError
from bridge.history import store_pack
from bridge.journal import _DamagedError, _decode, _Document, _encode, _plain, safety_from_json
from bridge.mqtt.homie import Tree
from bridge.mqtt.homie_values import HomieError
from bridge.simulator.scenarios import demo_config
from rules.errors import RulesError
from rules.ports import Abilities, Condition, Mode, TargetKind, port_id
from rules.ports import Target as PlanTarget
from rules.safety import HandMode, Hold, SafetyState, Shelved, Tripped
from rules.shows.calendar_types import Place
from rules.shows.evenings import check_rule, rule_picks
from rules.shows.ics import read_ics

PLACE = Place("Europe/Dublin", 53.35, -6.26)
BEGIN = datetime(2025, 12, 1, tzinfo=UTC)
NOWHERE = Path("/nonexistent/duskward")
"""Relative paths of a fuzzed configuration lead nowhere."""

# ---------------------------------------------------------------- configuration

SMALLEST = """site: {id: my-site, name: My site, timezone: Europe/Dublin, latitude: 53.35, longitude: -6.26}
broker: {host: 127.0.0.1}
controllers:
  gable:
    reach: {kind: http, url: "http://127.0.0.1:1/s", ports: outputs, port: id, current: ma | mA, power: on}
    every_port: {rating: 4 A}
    ports: {1: {name: Arch, pixels: 50}, 2: {name: Star}}
shows: [{name: Walk, when: {from: sunset - 15 min, to: "22:30"}, needs: [gable/*]}]
"""


def configuration(content: bytes) -> None:
    """A configuration whose plan and topics can be made, or a list of problems with places."""
    try:
        known = parse(decode(content), folder=NOWHERE)
    except ConfigurationError as error:
        assert error.problems
        for problem in error.problems:
            assert problem.what
            assert problem.line >= 1
            assert problem.column >= 1
        return
    try:
        Tree(plan(known))
    except HomieError as error:
        explained(error)


def _configurations() -> list[bytes]:
    urls = {"gable": "http://127.0.0.1:1", "hedge": "http://127.0.0.1:1", "mast": "http://127.0.0.1:1"}
    examples = sorted((ROOT / "examples/controllers").glob("*.yaml"))
    without_comments = [
        "\n".join(line for line in one.read_text().splitlines() if not line.startswith("#"))
        for one in examples
    ]
    return [one.encode() for one in (SMALLEST, demo_config(urls, 1), *without_comments)]


# ---------------------------------------------------------------- calendars and rules


def calendar(content: bytes) -> None:
    """A calendar with well-formed spans, or a sentence."""
    try:
        loaded = read_ics(content, PLACE)
    except RulesError as error:
        explained(error)
        return
    assert all(loaded.warnings)
    for days in (14, 370):
        found = loaded.spans(BEGIN, BEGIN + timedelta(days=days))
        assert all(span.start_utc < span.end_utc for span in found)
        assert all(one <= other for one, other in pairwise(found))
    for title in loaded.titles:
        loaded.spans(BEGIN, BEGIN + timedelta(days=1), title)


def _calendars() -> list[bytes]:
    return [one.read_bytes() for one in sorted((ROOT / "tests/rules/calendars").glob("*.ics"))]


def rule(content: bytes) -> None:
    """The text of a recurrence rule, in the configuration and in a calendar: followed, or a sentence."""
    text = content.decode("utf-8", "replace")
    for start in (None, date(2024, 2, 29)):
        try:
            check_rule(text, start)
        except RulesError as error:
            explained(error)
        else:
            assert rule_picks(text, start, date(2025, 12, 24)) in (True, False)
    line = text.replace("\r", " ").replace("\n", " ")
    for begin in ("20240229T173000", "20240229"):
        lines = [
            "BEGIN:VCALENDAR", "VERSION:2.0", "BEGIN:VEVENT", "UID:1", f"DTSTART:{begin}",
            "DURATION:P1D" if len(begin) == 8 else "DURATION:PT4H", f"RRULE:{line}", "END:VEVENT", "END:VCALENDAR",
        ]  # fmt: skip
        calendar("\r\n".join(lines).encode())


def _rules() -> list[bytes]:
    of_calendars = {
        line.partition(b":")[2].strip()
        for content in _calendars()
        for line in content.splitlines()
        if line.startswith(b"RRULE")
    }
    return [*sorted(of_calendars), b"FREQ=WEEKLY;BYDAY=FR,SA", b"FREQ=YEARLY;BYMONTH=12;BYDAY=-1SU;COUNT=5"]


# ---------------------------------------------------------------- journal and history

_SIGNED = b"s"


def journal(data: bytes) -> None:
    """A copy is read whole or known as damaged; with the first byte ``s``, also one whose checksum fits."""
    content = data
    if data.startswith(_SIGNED):
        head, _, payload = data[1:].partition(b"\n")
        digest = hashlib.sha256(head + b"\n" + payload).hexdigest().encode()
        content = head + b" " + digest + b"\n" + payload
        try:
            safety_from_json(json.loads(payload))
        except (ValueError, RecursionError) as error:
            explained(error)
    try:
        copy = _decode(content)
    except _DamagedError as error:
        explained(error)
        return
    document = _Document(boot=copy.document.boot, safety=_plain(copy.document.safety))
    assert _decode(_encode(copy.sequence, document)) == copy


def _journals() -> list[bytes]:
    gable = port_id("gable", 1)
    target = PlanTarget(TargetKind.PORT, gable)
    full = SafetyState(
        holds=(Hold(target, "Ann", BEGIN),),
        modes={gable: HandMode(Mode.ON, BEGIN, BEGIN)},
        trips={gable: Tripped(BEGIN, Condition.FUSE_TRIP, 1, measured_a=4.5, self_resets_utc=(BEGIN,))},
        shots={gable: 1},
        shelved=(Shelved(target, Condition.UNDERCURRENT, BEGIN),),
        energy_floor_wh={gable: 12.5},
    )
    copies = []
    for safety in (SafetyState(), full):
        content = _encode(7, _Document(boot="b", safety=_plain(safety)))
        line, _, payload = content.partition(b"\n")
        copies += [content, _SIGNED + line.rpartition(b" ")[0] + b"\n" + payload]
    return copies


def history(data: bytes) -> None:
    """An entry of the history reads as what was packed, or as nothing said; with ``s`` it is inflated first."""
    blob = zlib.compress(data[1:]) if data.startswith(_SIGNED) else data
    with nothing_unexpected():
        samples = store_pack.Samples.unpack(29_000_000, blob)
        for one in (*samples.between(0, 2**62), *store_pack.unpack_around(blob)):
            assert one.current_a is None or 0 <= one.current_a <= 65.534
            assert one.voltage_v is None or 0 <= one.voltage_v <= 655.34
        samples.level()
        for count in (store_pack.MINUTES, store_pack.QUARTERS):
            slots = store_pack.unpack_levels(blob, count)
            assert len(slots) == count
            store_pack.joined(slots)
        assert [len(one) for one in store_pack.unpack_energy(blob)] == [store_pack.QUARTERS] * 3
        store_pack.unpack_switchings(blob)


def _histories() -> list[bytes]:
    sample = store_pack.Sample(1_764_972_000_500, 0.5, 12.1, True, False)
    around = store_pack.pack_around([sample, sample._replace(current_a=None, power=None)])
    blobs = [
        around,
        store_pack.pack_levels([(1, 2, 3), None] * 30),
        store_pack.pack_energy(store_pack.empty_energy()),
        store_pack.pack_switchings([(5, True), (900, False)]),
    ]
    return [*blobs, *(_SIGNED + zlib.decompress(blob) for blob in blobs)]


# ---------------------------------------------------------------- the kernel's files

_CHIP = {"name": "ina219"}
_PORT = {
    "chip": _CHIP, "current": "curr1", "voltage": "in1", "temperature": "temp1", "power": "a/state",
    "tripped": {"file": "a/alarm", "yes": ["1", "open"], "no": ["0"]},
}  # fmt: skip
_BEHIND = {"chip": _CHIP, "current": "curr1", "power": {"file": "in1_input", "above": "5 V"}}


def kernel_files(data: bytes) -> None:
    """Whatever the kernel's files hold, each value is a finite number, a yes or no, or "not said"."""
    try:
        reach = HwmonReach.model_validate({"kind": "hwmon", "ports": {1: _PORT, 2: _BEHIND}})
    except ValidationError as error:  # the mapping above is right
        raise AssertionError from error
    controller = HwmonController("roof", reach, {1: Abilities(), 2: Abilities()})
    contents: dict[str, bytes | OSError] = dict.fromkeys("cvtpf", b"")
    contents.update(zip("cvtpf", parts(data), strict=False))
    bound = (
        _Bound(reach.ports[1], "c", "v", "t", "p", "f"),
        _Bound(reach.ports[2], current="c", power="v"),
    )
    for number, files in enumerate(bound, 1):
        faults: dict[str, str] = {}
        reading = controller._reading(number, files, contents, 1000.0, faults)
        assert all(faults.values())
        if reading is not None:
            for value in (reading.current_a, reading.voltage_v, reading.temperature_c):
                assert value is None or math.isfinite(value)
            assert reading.power in (True, False, None)
            assert reading.tripped in (True, False, None)


TARGETS = (
    Target(
        "configuration",
        "a configuration whose plan and topics can be made, or a list of problems with places",
        configuration,
        _configurations,
        words=(
            "site:",
            "broker:",
            "controllers:",
            "shows:",
            "supplies:",
            "ports:",
            "every_port:",
            "reach:",
            "kind: http",
            "kind: mqtt",
            "kind: hwmon",
            "when:",
            "from: ",
            "to: ",
            "sunset",
            "dusk",
            "30 min",
            "4 A",
            "12 V",
            "30 %",
            "current: ",
            "tripped: ",
            "power: ",
            "switch: ",
            "topics:",
            "{port}",
            "{power}",
            "stream: events",
            "!!",
            "&a ",
            "*a",
            "<<: ",
            "---\n",
            "? ",
            ": ",
            "- ",
            "| mA",
            "%",
            "e131:",
            "show_data:",
            "tariff:",
            "standby:",
            "calendar: ",
            "map: ",
            "arrays: ",
            "\\u0000",
        ),
        longest_bytes=6000,
    ),
    Target(
        "calendar",
        "a calendar with well-formed spans in order, or a sentence",
        calendar,
        _calendars,
        words=(
            "BEGIN:",
            "END:",
            "VCALENDAR",
            "VEVENT",
            "VTIMEZONE",
            "STANDARD",
            "DAYLIGHT",
            "VERSION:2.0",
            "DTSTART",
            "DTEND:",
            "DURATION:",
            "RRULE:",
            "EXDATE:",
            "RDATE:",
            "RECURRENCE-ID",
            "UID:",
            "\r\n",
            ";VALUE=DATE:",
            ";VALUE=PERIOD:",
            ";TZID=",
            ";RANGE=THISANDFUTURE",
            "TZOFFSETFROM:",
            "TZOFFSETTO:",
            "FREQ=YEARLY",
            "FREQ=DAILY",
            "FREQ=SECONDLY",
            "COUNT=",
            "UNTIL=",
            "20251205T170000Z",
            "PT4H",
            "19000101",
            "90000101T000000",
            "SEQUENCE:",
            "STATUS:CANCELLED",
            "Europe/Dublin",
            "TZID:X",
        ),
        libraries=("icalendar", "dateutil"),
        longest_bytes=4000,
    ),
    Target(
        "rule",
        "a recurrence rule is followed, or refused with a sentence",
        rule,
        _rules,
        words=(
            "FREQ=",
            "SECONDLY",
            "MINUTELY",
            "HOURLY",
            "DAILY",
            "WEEKLY",
            "MONTHLY",
            "YEARLY",
            ";INTERVAL=",
            ";COUNT=",
            ";UNTIL=",
            ";BYDAY=",
            ";BYMONTHDAY=",
            ";BYYEARDAY=",
            ";BYWEEKNO=",
            ";BYSETPOS=",
            ";BYMONTH=",
            ";BYHOUR=",
            ";BYMINUTE=",
            ";BYSECOND=",
            ";WKST=",
            "MO",
            "-1SU",
            "366",
            "999999999",
            "20261231T235959Z",
            "RRULE:",
            ";BYEASTER=0",
        ),
        libraries=("dateutil",),
        longest_bytes=300,
    ),
    Target(
        "journal",
        "a copy is read whole, and written again the same, or is known as damaged",
        journal,
        _journals,
        words=("duskward-journal", " 1 ", '"boot"', '"safety"', "null", "[]", "{}", "true", "1e999", "NaN"),
    ),
    Target(
        "history",
        "an entry reads as what was packed, or as nothing said",
        history,
        _histories,
        words=(b"s\x02\0\0\0", b"\xff\xff", b"\x78\x9c"),
    ),
    Target(
        "kernel-files",
        "each file is a finite number, a yes or no, or nothing said",
        kernel_files,
        lambda: [
            joined(b"1500\n", b"12000\n", b"-4000\n", b"1\n", b"open\n"),
            joined(b"0", b"999", b"", b"x"),
        ],
        words=(SEPARATOR, "-", "999999999999999999", "1\n", "open", "٣", "²"),
        longest_bytes=200,
    ),
)
