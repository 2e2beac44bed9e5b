"""`duskward check`: what is over, what is odd and what is only to know, from real files."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bridge.commands.checking import check
from bridge.errors import ConfigurationError

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
SITE = """\
site: {{id: lane, name: Lane, timezone: {zone}, latitude: {latitude}, longitude: {longitude}}}
broker: {{host: 127.0.0.1{broker}}}
supplies:
  shed: {{volts: 12 V, rating: 20 A, at_once: 1, gap: 3 s}}
controllers:
  gable:
    reach:
      kind: http
      url: http://127.0.0.1:9/status
      ports: outputs[*]
      port: id
      current: ma | mA
      power: live
      tripped: fuse_open
      switch: {{method: POST, url: "http://127.0.0.1:9/output/{{port}}", json: {{live: "{{power}}"}}}}
    every_port: {{supply: shed, rating: 4 A}}
    ports:
      1: {{name: Left, expected: 2 A}}
      2: {{name: Right, expected: {right}}}
      3: {{name: Spare}}
shows:
  - name: Evening
    when: {when}
    needs: [gable/1, gable/2]
    warm_up: 10 s
"""
DUBLIN = {"broker": "", "zone": "Europe/Dublin", "latitude": 53.35, "longitude": -6.26}
TROMSO = {"broker": "", "zone": "Europe/Oslo", "latitude": 69.65, "longitude": 18.96}


def checked(
    folder: Path, capsys: pytest.CaptureFixture[str], **more: object
) -> tuple[bool, dict[str, object]]:
    """Check a site made from `SITE`; the result and the JSON."""
    values = {**DUBLIN, "right": "2 A", "when": '{from: "18:00", to: "22:00"}', **more}
    file = folder / "site.yaml"
    file.write_text(SITE.format(**values), encoding="utf-8")
    good = check(file, as_json=True, now_utc=NOW)
    return good, json.loads(capsys.readouterr().out)


def texts(data: dict[str, object], severity: str) -> list[str]:
    """The sentences of one severity."""
    findings = data["findings"]
    assert isinstance(findings, list)
    return [one["text"] for one in findings if one["severity"] == severity]


def test_a_sound_site_is_good_and_says_when_ports_come_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing over a limit is a yes; the lead is staging and warm-up: the second port waits one gap."""
    good, data = checked(tmp_path, capsys)
    assert good
    assert data["summary"]["over"] == 0  # type: ignore[index]
    (show,) = data["shows"]  # type: ignore[misc]
    assert (show["staging_s"], show["warm_up_s"], show["lead_s"]) == (3.0, 10.0, 13.0)
    assert show["runs"] == 366
    assert any("No show needs gable/3" in text for text in texts(data, "note"))
    assert any("What Spare draws is not known" in text for text in texts(data, "note"))


def test_an_overloaded_fuse_is_a_no_with_its_arithmetic(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A port that can draw more than its rating is over, and the numbers and the rule are shown."""
    good, data = checked(tmp_path, capsys, right="6 A")
    assert not good
    over = [one for one in data["findings"] if one["severity"] == "over"]  # type: ignore[attr-defined]
    assert "6 A as configured > 4 A" in over[0]["arithmetic"]
    assert over[0]["rule"]
    assert over[0]["source"]


def test_a_show_that_never_runs_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A show without any evening in the coming year is most likely a mistake."""
    _, data = checked(
        tmp_path, capsys, when='{from: "18:00", to: "22:00", rule: FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30}'
    )
    assert any("Evening does not run" in text for text in texts(data, "near"))


def test_nights_without_sunset_are_counted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """North of the polar circle midsummer and midwinter have no sunset; a fallback makes that harmless.

    Source: latitude 69.65 N lies north of the Arctic Circle (66.56 N).
    """
    when = "{from: sunset, to: sunset + 2 h}"
    _, data = checked(tmp_path, capsys, **TROMSO, when=when)
    assert any("no show" in text for text in texts(data, "near"))
    when = '{from: sunset, to: sunset + 2 h, fallback: {from: "17:00", to: "19:00"}}'
    _, data = checked(tmp_path, capsys, **TROMSO, when=when)
    assert not any("no show" in text for text in texts(data, "near"))
    assert any("17:00 is used instead" in text for text in texts(data, "note"))


def test_a_calendar_file_that_is_missing_is_over_and_a_doubtful_one_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without its file a show can't run; an event left out is told with its line."""
    good, data = checked(tmp_path, capsys, when="{calendar: open.ics}")
    assert not good
    assert any("open.ics" in text for text in texts(data, "over"))
    start = "DTSTART;TZID=Nowhere:20261201T190000"
    event = f"BEGIN:VEVENT\r\nUID:1\r\nDTSTAMP:20260101T000000Z\r\n{start}\r\nEND:VEVENT"
    (tmp_path / "open.ics").write_bytes(
        f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:x\r\n{event}\r\nEND:VCALENDAR\r\n".encode()
    )
    good, data = checked(tmp_path, capsys, when="{calendar: open.ics}")
    assert good
    assert any("Nowhere" in text for text in texts(data, "near"))


def test_a_secret_that_cannot_be_read_is_told_and_not_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A password file that is not there is something to look at: a start would refuse it."""
    where = f", username: duskward, password_file: {tmp_path}/mqtt-password"
    good, data = checked(tmp_path, capsys, broker=where)
    assert good
    assert any("mqtt-password can't be read" in text for text in texts(data, "near"))
    (tmp_path / "mqtt-password").write_text("secret words\n")
    _, data = checked(tmp_path, capsys, broker=where)
    assert "mqtt-password" not in json.dumps(data)
    assert "secret words" not in json.dumps(data)


def test_mistakes_in_the_file_are_raised_together(tmp_path: Path) -> None:
    """What can't be meant is a configuration error, not a finding."""
    file = tmp_path / "site.yaml"
    file.write_text("site: {id: lane}\n", encoding="utf-8")
    with pytest.raises(ConfigurationError):
        check(file, as_json=False)


def test_the_words_state_rule_and_caution_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """For people: a heading per severity, the arithmetic, the caution once, and a last line that sums up."""
    file = tmp_path / "site.yaml"
    values = {**DUBLIN, "right": "6 A", "when": '{from: "18:00", to: "22:00"}'}
    file.write_text(SITE.format(**values), encoding="utf-8")
    assert not check(file, as_json=False, now_utc=NOW)
    said = capsys.readouterr().out
    assert "Over a limit (1)" in said
    assert said.count("licensed electrician") == 1
    assert said.rstrip().splitlines()[-1].startswith("1 over a limit")


def test_a_show_that_runs_now_is_not_said_to_be_next(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """During a show the table says until when it runs, instead of a start that has passed as its next one."""
    checked(tmp_path, capsys, when='{from: "10:00", to: "22:00"}')
    check(tmp_path / "site.yaml", as_json=False, now_utc=NOW.replace(hour=13, minute=0))
    said = capsys.readouterr().out
    assert f"now, until {NOW:%a %d %b} 22:00" in said
