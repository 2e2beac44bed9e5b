"""`duskward preview`: tables, JSON, a moment, pictures, and clear words for what was asked wrongly."""

import json
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from test_checking import DUBLIN, SITE

from bridge.commands.preview import show
from bridge.errors import PermanentError

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A site with one show, 18:00 to 22:00, warm-up 10 s, two ports staged 3 s apart."""
    path = tmp_path / "site.yaml"
    values = {**DUBLIN, "right": "2 A", "when": '{from: "18:00", to: "22:00"}'}
    path.write_text(SITE.format(**values), encoding="utf-8")
    return path


def run(file: Path, **more: object) -> None:
    """The command with its defaults."""
    asked = {"day_count": 2, "first": None, "at": None, "as_json": False, "picture": None, "now_utc": NOW}
    show(file, **{**asked, **more})  # type: ignore[arg-type]


def test_the_tables_tell_days_ports_and_the_sum(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each day with its show, each port with its hours, and one line that sums up."""
    run(file)
    said = capsys.readouterr().out
    assert "Wed 25 Nov" in said
    assert "Thu 26 Nov" in said
    assert "18:00-22:00 Evening" in said
    assert "port-hours with power" in said


def test_json_has_every_change_with_its_reason(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The second port comes on 3 s after the first, both before the start by the warm-up at least."""
    run(file, as_json=True, first="2026-12-01", day_count=1)
    data = json.loads(capsys.readouterr().out)
    ons = {
        port: next(change for change in one["changes"] if change["power"])
        for port, one in data["ports"].items()
        if one["hours"]
    }
    assert ons["gable/1"]["at"] == "2026-12-01T17:59:47+00:00"
    assert ons["gable/2"]["at"] == "2026-12-01T17:59:50+00:00"
    assert ons["gable/1"]["reason"] == "On: warming up for Evening."
    assert data["days"][0]["runs"][0]["off"] == "2026-12-01T22:00:00+00:00"


def test_a_moment_tells_on_or_off_and_why(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--at answers for every port, in local time."""
    run(file, at="2026-12-24 18:00", as_json=True)
    ports = json.loads(capsys.readouterr().out)["ports"]
    assert ports["gable/1"]["power"] is True
    assert ports["gable/1"]["reason"] == "On for Evening until 22:00."
    assert ports["gable/3"]["power"] is False
    run(file, at="2026-07-24 18:00")  # summer time: 17:00 UTC
    assert "2 of 3 ports on" in capsys.readouterr().out


def test_pictures_are_drawn(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """SVG is well-formed and names what it shows; PNG is a PNG."""
    svg, png = file.parent / "days.svg", file.parent / "days.png"
    run(file, picture=svg)
    root = ET.fromstring(svg.read_text(encoding="utf-8"))
    words = [element.text for element in root.iter("{http://www.w3.org/2000/svg}text")]
    assert {"Evening", "Left", "Right", "Spare"} <= set(words)
    run(file, picture=png)
    assert png.read_bytes().startswith(b"\x89PNG")
    assert "days.png" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ({"first": "tomorrow"}, "2025-12-24"),
        ({"first": "9999-12-30"}, "2025-12-24"),
        ({"at": "0001-01-01 00:00"}, "2025-12-24 18:00"),
        ({"at": "2025-12-24 18:00", "picture": Path("moment.svg")}, "leave --at or --picture out"),
        ({"at": "six"}, "2025-12-24 18:00"),
        ({"day_count": 0}, "1 to 400"),
        ({"picture": Path("days.gif")}, ".svg or .png"),
        ({"picture": Path("/nowhere/at/all.svg")}, "can't be written"),
    ],
)
def test_what_is_asked_wrongly_is_told_with_what_is_right(
    file: Path, wrong: dict[str, object], right: str
) -> None:
    """A clear sentence instead of a traceback."""
    with pytest.raises(PermanentError, match=right.replace(".", r"\.")):
        run(file, **wrong)
