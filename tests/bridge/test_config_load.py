"""The configuration file becomes a plan, or every problem in it with its place and what would be right."""

import copy
import json
import re
import traceback
from datetime import date, time
from pathlib import Path

import pytest
import structlog
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.config import (
    ConfigurationError,
    load,
    parse,
    plan,
    schema,
    tariff,
)
from bridge.config.messages import _models
from bridge.config.reader import plain, read
from bridge.config.secret import SecretSource, SecretUnavailableError
from bridge.config.settings import Settings
from bridge.site.folder import folder_of
from rules.electrics.fuses import BladeFuse, ResettableFuse
from rules.plan import DEFAULT_LIMITS, Reclosing
from rules.ports import Condition, Fuse
from rules.shows.calendar_types import Anchor, Ics, Moment, Season, Window

GOOD = """\
site:
  id: quarry-lane
  name: Quarry Lane
  timezone: Europe/Dublin
  latitude: 53.35
  longitude: -6.26
  release_delay: 1 min
  limits: {overcurrent: {on_delay: 3 s, off_delay: 6 s}, near-rating: {level: 75 %}}
  reclosing: {reclaim: 2 min}
broker: {host: mqtt.lan, username: duskward, password_file: secrets/mqtt, tls: true}
supplies:
  shed: {volts: 12 V, rating: 29 A, at_once: 2, gap: 250 ms, efficiency: 90 %, class2: true}
controllers:
  gable:
    name: Gable box
    reach:
      kind: http
      url: http://10.0.5.20/status
      every: 2 s
      ports: outputs[*]
      port: id
      current: ma | mA
      power: live
      tripped: fuse_open
      switch: {method: POST, url: "http://10.0.5.20/output/{port}", json: {live: "{power}"}}
    limits: {overcurrent: {off_delay: 7 s}}
    every_port: {supply: shed, rating: 4 A, chip: ws2811-12v, limits: {overcurrent: {deadband: 8 %, action: off}}}
    ports:
      2: {name: Right arch, pixels: 100, reclosing: {dead_times: [10 s, 1 min]}, brightness: 30 %}
      1: {rating: 2500 mA, fuse: self-resetting, resting: on, limits: {overcurrent: {action: tell}}}
      3:
        abilities: {trip: false}
        wiring: {cable: {length: 30 ft, wire: 18 AWG}, injections: [{pixel: 50, length: 4 m, wire: 0.75 mm2}]}
        fuse_part: {kind: polymer, part: MF-RHS400, ambient: 35 °C}
props:
  arches: {name: Arches, fed_by: [gable/1, gable/2]}
shows:
  - name: Lantern walk
    when:
      from: sunset - 15 min
      to: 22:30
      season: {from: 11-28, to: 01-06}
      weekdays: [fri-sun, wed]
      except: [12-24, 2026-12-30]
      also: [2026-11-01]
      fallback: {from: 17:00}
    needs: [arches, gable/3]
    warm_up: 30 s
    run_on: 10 s
  - name: Open evening
    when:
      - {calendar: open-evenings.ics, summary: Open}
      - {from: 22:00, to: dawn, rule: FREQ=DAILY;INTERVAL=2, rule_start: 2026-11-28}
    needs: [gable/*]
tariff: {price: 0.32 EUR/kWh, bands: [{from: "23:00", to: "08:00", price: 0.18 EUR/kWh, weekdays: mon-fri}]}
"""


def problems(text: str) -> list[str]:
    """The problems of a text as lines."""
    with pytest.raises(ConfigurationError) as refused:
        parse(text, file="site.yaml")
    return str(refused.value).split("\n")


def changed(old: str, new: str) -> str:
    """The good file with one change."""
    assert GOOD.count(old) == 1, old
    return GOOD.replace(old, new)


# ---------------------------------------------------------------- what is right


@pytest.fixture(scope="module")
def site():
    """The good file's plan."""
    return plan(parse(GOOD, folder=Path("/etc/site")))


def test_the_plan_is_in_base_units(site):
    """Quantities arrive in seconds, amperes, volts and shares; names and ids as written."""
    assert (site.id, site.name, site.release_delay_s) == ("quarry-lane", "Quarry Lane", 60.0)
    assert (site.place.timezone, site.place.latitude_deg) == ("Europe/Dublin", 53.35)
    supply = site.supplies["shed"]
    assert (supply.volts_v, supply.rating_a, supply.at_once, supply.gap_s) == (12.0, 29.0, 2, 0.25)
    assert (supply.efficiency, supply.class2) == (0.9, True)
    assert site.controllers["gable"].every_s == 2.0
    assert site.controllers["gable"].ports == ("gable/1", "gable/2", "gable/3")  # by number, not as written
    assert site.ports["gable/2"].brightness == 0.3
    assert site.trust_clock is False
    assert site.hold_when_journal_lost is True


def test_ports_inherit_from_every_port(site):
    """What a port does not say is taken from every_port; its name from controller and number."""
    one, two = site.ports["gable/1"], site.ports["gable/2"]
    assert (one.supply, one.rating_a, one.chip, one.fuse, one.resting) == (
        "shed", 2.5, "ws2811-12v", Fuse.SELF_RESETTING, True,
    )  # fmt: skip
    assert (two.supply, two.rating_a, two.fuse, two.resting) == ("shed", 4.0, Fuse.LATCHING, False)
    assert (one.name, two.name) == ("Gable box 1", "Right arch")


def test_limits_inherit_setting_by_setting(site):
    """Port, every_port, controller, site, default: the nearest word on each setting counts."""
    limit = site.ports["gable/1"].limits[Condition.OVERCURRENT]
    assert (limit.on_delay_s, limit.off_delay_s, limit.deadband, limit.off) == (3.0, 7.0, 0.08, False)
    assert site.ports["gable/2"].limits[Condition.OVERCURRENT].off is True
    assert site.ports["gable/2"].limits[Condition.NEAR_RATING].level == 0.75
    assert site.ports["gable/2"].limits[Condition.NO_LOAD] == DEFAULT_LIMITS[Condition.NO_LOAD]
    assert set(site.ports["gable/2"].limits) == set(DEFAULT_LIMITS)


def test_ports_that_are_alike_share_what_they_are(site):
    """Limits, reclosing and abilities of a thousand equal ports are kept once; another limit stays another."""
    ports = list(site.ports.values())
    for attribute in ("limits", "reclosing", "abilities"):
        values = [getattr(port, attribute) for port in ports]
        different = [value for n, value in enumerate(values) if value not in values[:n]]
        assert len({id(value) for value in values}) == len(different) < len(values)


def test_reclosing_is_off_unless_asked_for(site):
    """No dead times, no shots; what the site says of reclaiming holds for its ports."""
    assert site.ports["gable/1"].reclosing == Reclosing(reclaim_s=120.0)
    assert site.ports["gable/2"].reclosing == Reclosing(dead_times_s=(10.0, 60.0), reclaim_s=120.0)


def test_abilities_follow_the_mapping_unless_stated(site):
    """A mapping without a clear command can't clear; a stated ability wins."""
    assert site.ports["gable/1"].abilities.trip is True
    assert site.ports["gable/1"].abilities.clear is False
    assert site.ports["gable/3"].abilities.trip is False


def test_wiring_and_fuse_reach_the_arithmetic(site):
    """Cable, injection and fuse part arrive as the rules take them."""
    port = site.ports["gable/3"]
    assert port.wiring.cable.length_m == 9.144
    assert port.wiring.cable.conductor.awg == 18
    assert port.wiring.injections[0].pixel == 50
    assert port.wiring.injections[0].cable.conductor.area_mm2 == 0.75
    assert port.fuse_part == ResettableFuse.part("MF-RHS400", 35.0)


def test_shows_know_their_evenings_and_ports(site):
    """Windows, calendars and needs are resolved; props and wildcards become ports, each once."""
    walk, evening = site.shows
    assert (walk.id, walk.needs, walk.warm_up_s) == ("lantern-walk", ("gable/1", "gable/2", "gable/3"), 30.0)
    assert walk.when == (
        Window(
            start=Moment(Anchor.SUNSET, None, -900.0, time(17)),
            end=Moment(Anchor.CLOCK, time(22, 30)),
            weekdays=frozenset({2, 4, 5, 6}),
            season=Season((11, 28), (1, 6)),
            exceptions=frozenset({(12, 24), date(2026, 12, 30)}),
            extra=frozenset({date(2026, 11, 1)}),
        ),
    )
    assert evening.when[0] == Ics("/etc/site/open-evenings.ics", "Open")
    assert evening.when[1].rule == "FREQ=DAILY;INTERVAL=2"
    assert evening.needs == ("gable/1", "gable/2", "gable/3")


def test_the_tariff_has_its_bands():
    """Prices keep their currency; bands their hours and days."""
    found = tariff(parse(GOOD))
    assert (found.price, found.currency, found.zone) == (0.32, "EUR", "Europe/Dublin")
    band = found.bands[0]
    assert (band.start, band.end, band.price, band.days) == (time(23), time(8), 0.18, frozenset(range(5)))


def test_the_broker_has_its_defaults():
    """The port follows TLS; the password's place is relative to the file."""
    broker = parse(GOOD, folder=Path("/etc/site")).broker
    assert (broker.port_or_default, broker.prefix, broker.measurements_qos) == (8883, "homie", 1)
    assert broker.password == SecretSource(Path("/etc/site/secrets/mqtt"), None)
    simple = parse(
        changed(", username: duskward, password_file: secrets/mqtt, tls: true", ", tls: false")
    ).broker
    assert (simple.port_or_default, simple.tls, simple.password) == (1883, None, None)


def test_state_has_a_folder_without_being_told(tmp_path):
    """Written: relative to the file. Else the service manager's folder, else the user's state folder."""
    written = parse(changed("  release_delay: 1 min\n", "  state_dir: state\n"), folder=tmp_path)
    assert folder_of(written, {"STATE_DIRECTORY": "/var/lib/duskward"}) == tmp_path / "state"
    site = parse(GOOD)
    assert folder_of(site, {"STATE_DIRECTORY": "/var/lib/a:/var/lib/b"}) == Path("/var/lib/a/quarry-lane")
    assert folder_of(site, {"XDG_STATE_HOME": "/s"}) == Path("/s/duskward/quarry-lane")
    assert folder_of(site, {}) == Path.home() / ".local/state/duskward/quarry-lane"


def test_a_blade_fuse_is_told_by_its_rating():
    """Each kind of fuse part is read."""
    text = changed("{kind: polymer, part: MF-RHS400, ambient: 35 °C}", "{kind: blade, rating: 5 A}")
    assert plan(parse(text)).ports["gable/3"].fuse_part == BladeFuse(5.0)
    text = changed("{kind: polymer, part: MF-RHS400, ambient: 35 °C}", "{kind: polymer, part: nope}")
    assert "site.yaml:34:" in problems(text)[0]
    assert "known are" in problems(text)[0]


# ---------------------------------------------------------------- what is wrong
# ruff: noqa: E501 - one mistake a line reads best


def test_a_whole_file_of_mistakes_is_told_at_once():
    """Twelve mistakes in twelve places: twelve problems, in the order of the file, each with its line."""
    text = GOOD
    for old, new in [
        ("id: quarry-lane", "id: Quarry Lane"),
        ("release_delay: 1 min", "release_delay: 60"),
        ("host: mqtt.lan", "hots: mqtt.lan"),
        ("rating: 29 A", "rating: 29"),
        ("    name: Gable box", "    naem: Gable box"),
        ("pixels: 100", "pixels: 100, pixels: 50"),
        ("fuse: self-resetting", "fuse: perhaps"),
        ("fed_by: [gable/1, gable/2]", "fed_by: [gable/1, gable/8]"),
        ("to: 22:30", "to: 22:75"),
        ("[arches, gable/3]", "[archs, gable/3]"),
        ("0.18 EUR/kWh", "0.18"),
        ("warm_up: 30 s", "warm_up:"),
    ]:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    found = problems(text)
    places = [re.match(r"site\.yaml:(\d+):(\d+): ([\w.-]+)?", line).groups() for line in found]
    expected = {
        "site.id", "site.release_delay", "broker.hots", "broker.host", "supplies.shed.rating",
        "controllers.gable.naem", None, "controllers.gable.ports.1.fuse", "props.arches.fed_by.1",
        "shows.0.when.to", "shows.0.needs.0", "shows.0.warm_up", "tariff.bands.0.price",
    }  # fmt: skip
    assert {key if key != "duplicate" else None for _, _, key in places} == expected
    lines = [int(line) for line, _, _ in places]
    assert lines == sorted(lines)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("rating: 29 A", "rating: 29", r"12:.*shed\.rating: 29 has no unit; write a current with its unit, for example 4 A or 350 mA"),
        ("rating: 29 A", "limt: 3", r"12:23: supplies\.shed\.limt: unknown key limt; "),
        ("pixels: 100", "pixel: 100", r"did you mean pixels\?"),
        ("{overcurrent: {on_delay", "{overcurent: {on_delay", r"8:12: .*unknown key overcurent; did you mean overcurrent\?"),
        ("tripped: fuse_open", "triped: fuse_open", r"unknown key triped; did you mean tripped\?"),
        ("supply: shed", "supply: barn", r"there is no supply barn; known here: shed"),
        ("gable/3]", "gable/4]", r"the controller gable has no port 4 in this file; its ports are 2, 1, 3"),
        ("gable/3]", "gabel/3]", r"there is no controller gabel; did you mean gable\?"),
        ("[arches, gable/3]", "[gable]", r"there is no prop gable; write gable/\* for all ports"),
        ("[arches, gable/3]", "[]", r"needs: nothing is named here"),
        ("fed_by: [gable/1, gable/2]", "fed_by: [gable/1, gable/1]", r"the port gable/1 stands twice here"),
        ("fed_by: [gable/1, gable/2]}", "fed_by: [gable/1]}\n  other: {fed_by: ['gable/*']}", r"in the prop arches too"),
        ("fed_by: [gable/1, gable/2]", "fed_by: [shed]", r"names no port; write controller/number, for example gable/1"),
        ("[10 s, 1 min]", "[1 s, 2 s, 3 s, 4 s]", r"too much is named here; name at most 3"),
        ("name: Open evening", "name: lantern-walk", r"clash; both would be lantern-walk"),
        ("name: Open evening", "name: 夜祭り", r"no id for topics can be made of this name; add an id"),
        ("      season: {from: 11-28, to: 01-06}\n      weekdays: [fri-sun, wed]\n      except: [12-24, 2026-12-30]\n", "", r"every evening of the year; for one evening write season: \{from: 11-01, to: 11-01\}"),
        ("timezone: Europe/Dublin", "timezone: europe/dubln", r"did you mean Europe/Dublin\?"),
        ("timezone: Europe/Dublin", "timezone: ../../etc/passwd", r"this time zone is not known"),
        ("latitude: 53.35", "latitude: 153.35", r"out of range; write at most 90"),
        ("latitude: 53.35", "latitude: .nan", r"a finite number is needed|out of range"),
        ("latitude: 53.35", "latitude: true", r"a number is needed"),
        ("latitude: 53.35", "latitude: 53,35", r"a number is needed; write digits, with a point for decimals"),
        ("  latitude: 53.35", "\tlatitude: 53.35", r"site\.yaml:5:1: .*; indent with spaces, not with tabs"),
        ("output/{port}", "output", r"nothing in switch depends on \{port\}; write \{port\} where"),
        ("name: Quarry Lane", "name: 12", r"text is needed; put it in quotes"),
        ("resting: on", "resting: true", r"this word is not known here; write 'on' or 'off'"),
        ("kind: http", "kind: telepathy", r"this kind is not known; write one of 'http'"),
        ("      kind: http\n", "", r"kind is missing"),
        ("  latitude: 53.35\n", "", r"1:1: site\.latitude: latitude is missing; add latitude: 53\.35 \(Degrees"),
        ("tls: true", "tls: {cert_file: a.pem}", r"a client certificate needs its key; write both"),
        ("username: duskward, ", "", r"a password needs a user name"),
        ("tls: true", "password_env: X, tls: true", r"two sources for one secret; keep"),
        ("host: mqtt.lan", "host: mqtt.lan:1883", r"broker\.host: a host name or address alone is needed; .*the port under port"),
        ("host: mqtt.lan", "host: 'mqtt://mqtt.lan'", r"a host name or address alone is needed; write it without mqtt://"),
        ("host: mqtt.lan", "host: '::1'", None),
        ("timezone: Europe/Dublin", "timezone: GMT+1", r"an offset knows no summer time; write an IANA name"),
        ("tls: true", "prefix: a/b", r"one topic segment is needed"),
        ("rule: FREQ=DAILY;INTERVAL=2", "rule: FREQ=SOMETIMES", r"FREQ"),
        ("rule: FREQ=DAILY;INTERVAL=2, ", "", r"rule_start without a rule"),
        ("fallback: {from: 17:00}", "fallback: {to: 17:00}", r"to is a clock time and needs no fallback"),
        ("0.18 EUR/kWh", "0.18 USD/kWh", r"one currency"),
        ("0.32 EUR/kWh", "0.32", r"not a price; write it with its currency, for example 0\.32 EUR/kWh"),
        ("wire: 18 AWG", "wire: 18", r"write its gauge or its area, for example 18 AWG or 0\.75 mm2"),
        ("      2: {name", "      0: {name", r"ports\.0: this number is out of range; write at least 1"),
        ("      2: {name", "      two: {name", r"ports\.two: a whole number is needed"),
        ("  gable:\n    name", "  Gable Box:\n    name", r"ids are lower case.*for example gable-box"),
        ("supplies:\n  shed:", "supplies:\n  - shed:", r"a mapping is needed"),
        ("action: tell", "enabled: false, action: tell", None),
        ("near-rating: {level: 75 %}", "fuse-trip: {enabled: false}", r"unknown key enabled"),
    ],
)  # fmt: skip
def test_a_mistake_is_told_with_what_would_be_right(old, new, sentence):
    """One mistake: its line, what is wrong, what would be right."""
    text = changed(old, new)
    if sentence is None:
        parse(text)
        return
    assert any(re.search(sentence, line) for line in problems(text)), problems(text)


_BLOCK = {
    key: re.search(rf"^{key}:\n(?:[ -].*\n)+", GOOD, re.MULTILINE)[0]
    for key in ("controllers", "supplies", "props")
}


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (_BLOCK["controllers"], "", ["1:1: controllers: controllers is missing"]),
        (_BLOCK["controllers"], "controllers:\n", ["13:1: controllers: controllers has no value; write one$"]),
        (_BLOCK["controllers"], "controllers: []\n", ["13:1: controllers: a mapping is needed"]),
        ("controllers:", "controler:", ["1:1: controllers: controllers is missing", "13:1: controler: unknown key controler; did you mean controllers"]),
        ("supplies:", "suplies:", ["11:1: suplies: unknown key suplies; did you mean supplies"]),
        ("props:", "prop:", ["prop: unknown key prop; did you mean props"]),
        ("    ports:\n", "    port:\n", ["14:3: controllers.gable.ports: ports is missing", "gable.port: unknown key port; did you mean ports"]),
        ("  gable:\n", "  Gable:\n", ["14:3: controllers.Gable: ids are lower case"]),
        ("  arches:", "  Arches:", ["props.Arches: ids are lower case"]),
        ("      3:\n", '      "3":\n', ["gable.ports.3: a whole number is needed"]),
        ("id: quarry-lane", "id:", ["2:3: site.id: id has no value; write one$"]),
        ("pixels: 100,", "pixels: 100, show_data: {universe: 0},", ["show_data.universe: this number is out of range"]),
    ],
)  # fmt: skip
def test_one_mistake_is_told_once(old, new, told):
    """What follows from a section that is missing, misspelt or broken is not told again elsewhere."""
    found = problems(changed(old, new))
    assert len(found) == len(told), found
    for line, sentence in zip(found, told, strict=True):
        assert re.search(sentence, line), line


def test_names_that_meet_in_topics_are_refused():
    """A controller whose id is that of another's port would share its topics."""
    other = "  gable-port-1: {reach: {kind: http, url: 'http://10.0.5.21/', ports: o, current: c | A}, ports: {1: {}}}"
    text = changed("props:\n", f"{other}\nprops:\n")
    assert any("the port gable/1 and the controller gable-port-1 clash" in line for line in problems(text))


def test_every_port_of_a_prop_is_checked_although_the_broker_is_wrong():
    """References are checked also where another part of the file is broken."""
    text = changed("gable/2]", "gable/9]").replace("host: mqtt.lan", "host: 1")
    found = "\n".join(problems(text))
    assert "no port 9" in found
    assert "broker.host" in found


def test_a_missing_file_is_told(tmp_path):
    """No file, a folder, no UTF-8: told with the path."""
    with pytest.raises(
        ConfigurationError, match=r"none\.yaml: the configuration file can't be read: No such file"
    ):
        load(tmp_path / "none.yaml")
    with pytest.raises(ConfigurationError, match="Is a directory"):
        load(tmp_path)
    (tmp_path / "a.yaml").write_bytes(b"a: \xff")
    with pytest.raises(ConfigurationError, match=r"a\.yaml:1:4: this is not UTF-8"):
        load(tmp_path / "a.yaml")
    (tmp_path / "b.yaml").write_text(GOOD, encoding="utf-8")
    assert load(tmp_path / "b.yaml").broker.password.file == tmp_path / "secrets/mqtt"


# ---------------------------------------------------------------- secrets

SECRET = "hunter2"  # the case of pydantic issues 9139, 8303 and 7461


def everything_said(error: BaseException) -> str:
    """All an error can leak: its texts, its attributes, its chain, and a structured log of it."""
    lines = [str(error), repr(error), repr(vars(error)), *traceback.format_exception(error)]
    chain, link = [], error
    while link is not None:
        chain += [repr(link), str(link), repr(getattr(link, "errors", list)())]
        link = link.__cause__ or link.__context__
    entry = structlog.processors.ExceptionRenderer()(None, "error", {"event": "x", "exc_info": error})
    return "\n".join([*lines, *chain, repr(entry)])


@pytest.mark.parametrize(
    "broker",
    [
        f"{{password: {SECRET}}}",
        f"{{host: a, password: {SECRET}}}",
        f"{{host: a, username: b, pass: {SECRET}, port: x}}",
        f"{{host: a, passwort: {SECRET}, keepalive: 3}}",
        f"{{host: a, port: {SECRET}}}",
        f"{{host: a, keepalive: {SECRET}}}",
        f"{{host: a, tls: {SECRET}}}",
        f"{{host: a, tls: {{ca_file: 3, key: {SECRET}}}}}",
        f"{{host: a, measurements_qos: {SECRET}}}",
        f"{{host: [{SECRET}], username: {{a: {SECRET}}}}}",
        f"{{host: a, prefix: {SECRET}/{SECRET}}}",
        f"{{host: a, username: {SECRET}, username: {SECRET}}}",
        f"{{host: a, password: !secret {SECRET}}}",
        f"{{host: a, password: *{SECRET}}}",
        f"{{host: a, password: &{SECRET} b}}",
        f"{{host: a, password: !{SECRET} b}}",
        f"{{host: a, password: !a!{SECRET} b}}",
        f"{{host: a, password:{SECRET}}}",
        f"{{host: a, password:{SECRET}, password:{SECRET}}}",
        f"{{host: a, password={SECRET}}}",
        f"{{host: a, tls: {{password {SECRET}: 1}}}}",
        f"[{SECRET}]",
        f"{SECRET}",
        f"{{host: a, password: '{SECRET}",
        f"{{host: a, password: {SECRET}: b}}",
        f'{{host: a, password: "{SECRET}\\q"}}',
    ],
)
def test_a_secret_in_the_wrong_place_is_never_repeated(broker):
    """A password written into the file is nowhere in what is told, logged or attached."""
    text = re.sub(r"broker: .*", lambda _: f"broker: {broker}", GOOD)
    with pytest.raises(ConfigurationError) as refused:
        parse(text, file="site.yaml")
    assert SECRET not in everything_said(refused.value)


def test_a_literal_password_is_told_what_to_do():
    """``password:`` is refused with the two ways that are right."""
    (line,) = problems(changed("password_file: secrets/mqtt", f"password: {SECRET}"))
    assert "broker.password" in line
    assert line.endswith(
        "a password never stands in this file; write password_file: PATH or password_env: NAME"
    )


def test_a_secret_is_read_from_its_place_and_never_shown(tmp_path):
    """The file's one line, or the variable's value; representations hide it."""
    file = tmp_path / "mqtt"
    for content in [f"{SECRET}\n", f"{SECRET}\r\n", SECRET]:
        file.write_bytes(content.encode())
        secret = SecretSource(file, None).read()
        assert secret.get_secret_value() == SECRET
        assert SECRET not in f"{secret} {secret!r} {SecretSource(file, None)!r}"
    assert SecretSource(None, "MQTT").read({"MQTT": SECRET}).get_secret_value() == SECRET


def test_an_unreadable_secret_names_its_place_only(tmp_path):
    """Missing, empty or no text: told with the path or the variable's name, never with content."""
    file = tmp_path / "mqtt"
    with pytest.raises(SecretUnavailableError, match=r"mqtt can't be read \(No such file"):
        SecretSource(file, None).read()
    file.write_bytes(b"\n")
    with pytest.raises(SecretUnavailableError, match="is empty"):
        SecretSource(file, None).read()
    file.write_bytes(SECRET.encode() + b"\xff")
    with pytest.raises(SecretUnavailableError, match="not UTF-8") as refused:
        SecretSource(file, None).read()
    assert SECRET not in everything_said(refused.value)
    with pytest.raises(SecretUnavailableError, match="NO_SUCH is not set"):
        SecretSource(None, "NO_SUCH").read({})


# ---------------------------------------------------------------- all of it

leaves = st.sampled_from(
    [None, True, False, 0, 1, -3, 2.5, "on", "x", "22:30", "4 A", "10 s", "gable/1", [], {}, [1], {"a": 1}]
)


def paths(node, path=()):
    """The path of every value in a document."""
    yield path
    inner = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in inner:
        yield from paths(value, (*path, key))


TREE = plain(read(GOOD)[0], {})


@settings(max_examples=150, deadline=None)
@given(path=st.sampled_from([path for path in paths(TREE) if path]), value=leaves)
def test_any_wrong_value_is_a_problem_and_never_a_crash(path, value):
    """Whatever is put in place of any value: settings that can be planned, or problems with places."""
    tree = copy.deepcopy(TREE)
    node = tree
    for key in path[:-1]:
        node = node[key]
    node[path[-1]] = value
    text = yaml.safe_dump(tree, allow_unicode=True)
    try:
        found = parse(text, file="f")
    except ConfigurationError as error:
        refused = error
    else:
        plan(found)
        return
    assert refused.problems
    assert all(problem.line and problem.column and problem.what for problem in refused.problems)


def test_the_schema_describes_every_key():
    """Every key of the file has a description for the person, and quantities have their pattern."""
    found = schema()
    json.dumps(found)
    sections = [found, *found["$defs"].values()]
    missing = [
        f"{section.get('title')}.{key}"
        for section in sections
        for key, value in section.get("properties", {}).items()
        if not value.get("description")
    ]
    assert missing == []
    supply = found["$defs"]["SupplySettings"]["properties"]
    assert re.search(supply["rating"]["pattern"], "29 A")
    assert supply["gap"]["default"] == "0.5 s"
    assert "null" not in json.dumps(found["$defs"]["SupplySettings"])
    assert all(
        section.get("additionalProperties") is False for section in sections if "properties" in section
    )


def test_no_attribute_is_lost_between_file_and_attribute():
    """Keys of one section differ from each other although units are cut from the attributes' names."""
    for model in {
        Settings,
        *(inner for field in Settings.model_fields.values() for inner in _models(field.annotation)),
    }:
        aliases = [field.alias for field in model.model_fields.values()]
        assert len(set(aliases)) == len(aliases)


def test_a_controller_without_a_broker_publishes_to_the_sites(tmp_path):
    """``reach.broker`` may be left out: host, login and TLS of the site's broker are used, and change with it."""
    text = """
site: {id: yard, name: Yard, timezone: Europe/Dublin, latitude: 53.35, longitude: -6.26}
broker: {host: mqtt.lan, port: 8884, username: ann, password_file: pw, tls: {ca_file: ca.pem}}
controllers:
  lights:
    reach: {kind: mqtt, topics: [{topic: "l/{port}/amps", current: "@ | A"}]}
    ports: {1: {name: One}}
  own:
    reach: {kind: mqtt, broker: {host: other.lan}, topics: [{topic: "l/{port}/amps", current: "@ | A"}]}
    ports: {1: {name: One}}
"""
    settings = parse(text, folder=tmp_path)
    broker = settings.controllers["lights"].reach.broker
    assert (broker.host, broker.port_or_default, broker.username) == ("mqtt.lan", 8884, "ann")
    assert broker.password.file == tmp_path / "pw"
    assert (broker.tls.ca_file, broker.tls.verify) == (tmp_path / "ca.pem", True)
    assert settings.controllers["own"].reach.broker.host == "other.lan"
    changed = parse(text.replace("mqtt.lan", "new.lan"), folder=tmp_path)
    assert changed.controllers["lights"] != settings.controllers["lights"]
