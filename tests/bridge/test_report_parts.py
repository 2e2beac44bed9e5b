"""Parts of the report by themselves: faults from alarm records, pictures, words, colours, backups."""

import json
import re
import subprocess
import sys
from datetime import UTC, date, datetime, time, timedelta
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.commands.backup import BackupError, backup
from bridge.config import load, plan
from bridge.errors import AskedWronglyError
from bridge.history.store import Store
from bridge.history.store_read import Event, Point, StoreReader
from bridge.journal import Journal
from bridge.report.command import report
from bridge.report.curves import Curve
from bridge.report.episodes import (
    after_on_s,
    by_hour,
    by_time_after_on,
    episodes,
    nights_like_weather,
    pauses,
    reached,
)
from bridge.report.gather import gather
from bridge.report.html import table
from bridge.report.style import DARK, LIGHT
from bridge.report.svg import LEFT, WIDTH, share_bar, strip, ticks, two_way_bars
from bridge.report.svg_time import carpet, night_curve, nights_of_faults
from bridge.report.words import band_words, data, duration, kwh, many, measured, money, percent
from bridge.site.folder import HISTORY
from rules.cost.tariff import Band
from rules.door import Record
from rules.ports import Condition, Target, TargetKind, port_id
from rules.safety import SafetyState

NIGHT = datetime(2025, 12, 20, 18, 0, tzinfo=UTC)
DUBLIN = ZoneInfo("Europe/Dublin")


def at(minutes):
    """An instant of the night."""
    return NIGHT + timedelta(minutes=minutes)


def log(*rows):
    """Events of one history: (minute, kind or state, target, condition)."""
    events = []
    for number, (minute, what, *more) in enumerate(rows, start=1):
        if what in {"started", "stopped"}:
            events.append(Event(number, at(minute), what, "site", "lane", dict(*more)))
        else:
            target, condition = more
            kind = "port" if "/" in target else "controller"
            told = {"condition": condition, "state": what, "measured": 4.4, "limit": 4.0}
            events.append(Event(number, at(minute), "alarm", kind, target, told))
    return events


def spans(found):
    """Episodes as (condition, from, until) in minutes."""

    def minute(at_utc):
        return None if at_utc is None else (at_utc - NIGHT) / timedelta(minutes=1)

    return [(one.condition.value, minute(one.since_utc), minute(one.until_utc)) for one in found]


# ------------------------------------------------------------------ faults


def test_episodes_a_trip_lasts_until_it_is_reset():
    """A latched trip is one episode from raising to reset, however often its state changes."""
    found = episodes(
        log(
            (0, "unacknowledged", "gable/1", "fuse-trip"),
            (1, "latched-unacknowledged", "gable/1", "fuse-trip"),
            (5, "latched-acknowledged", "gable/1", "fuse-trip"),
            (9, "normal", "gable/1", "fuse-trip"),
            (30, "unacknowledged", "gable/1", "fuse-trip"),
        )
    )
    assert spans(found) == [("fuse-trip", 0, 9), ("fuse-trip", 30, None)]
    assert found[0].acknowledged_utc == at(5)
    assert (found[0].measured, found[0].limit, found[0].event) == (4.4, 4.0, 1)
    assert found[1].lasted(at(40)) == timedelta(minutes=10)


def test_episodes_hiding_changes_nothing_and_hidden_ones_are_none():
    """Shelving does not end an episode; what was suppressed from the first was told to nobody."""
    found = episodes(
        log(
            (0, "unacknowledged", "gable/1", "leakage"),
            (1, "shelved", "gable/1", "leakage"),
            (2, "acknowledged", "gable/1", "leakage"),
            (8, "returned", "gable/1", "leakage"),
            (9, "suppressed", "gable/2", "undercurrent"),
            (9, "normal", "gable/2", "undercurrent"),
            (10, "unacknowledged", "gable/2", "no such condition"),
        )
    )
    assert spans(found) == [("leakage", 0, 8)]


def test_episodes_over_a_restart():
    """A fault that is raised again right after a start goes on; others ended with the old process."""
    found = episodes(
        log(
            (0, "unacknowledged", "gable/1", "fuse-trip"),
            (1, "unacknowledged", "gable/2", "leakage"),
            (2, "unacknowledged", "gable/3", "leakage"),
            (20, "started", {"last": at(10).isoformat()}),
            (20, "unacknowledged", "gable/1", "fuse-trip"),
            (40, "unacknowledged", "gable/3", "leakage"),
            (50, "normal", "gable/1", "fuse-trip"),
        )
    )
    assert spans(found) == [
        ("fuse-trip", 0, 50),
        ("leakage", 1, 10),
        ("leakage", 2, 10),
        ("leakage", 40, None),
    ]


def test_pauses_and_how_well_a_controller_was_reached():
    """Time without the bridge is found, clean or not, and counts neither for nor against a controller."""
    events = log(
        (0, "started"),
        (10, "unacknowledged", "box", "no-data"),
        (20, "returned", "box", "no-data"),
        (30, "stopped"),
        (40, "started", {"last": at(29).isoformat()}),
        (50, "unacknowledged", "box", "no-data"),
        (70, "started", {"last": at(55).isoformat()}),
        (71, "unacknowledged", "box", "no-data"),
        (81, "normal", "box", "no-data"),
        (90, "started", {"last": "nonsense"}),
    )
    off = pauses(events)
    assert [(one.since_utc, one.until_utc, one.clean) for one in off] == [
        (at(30), at(40), True),
        (at(55), at(70), False),
    ]
    found = reached("box", episodes(events), off, at(0), at(100))
    assert found.watched_s == (100 - 10 - 15) * 60
    assert found.lost_s == (10 + (81 - 50 - 15)) * 60
    assert found.times == 2
    assert found.share == pytest.approx(1 - 26 / 75)
    assert reached("shed", episodes(events), off, at(30), at(40)).share is None


def test_patterns_of_faults():
    """Hours are local, from noon on; time after power on comes from the last switching before."""
    found = episodes(
        log(
            (0, "unacknowledged", "gable/1", "fuse-trip"),
            (1, "unacknowledged", "gable/2", "leakage"),
            (8 * 60, "unacknowledged", "gable/3", "overcurrent"),
            (24 * 60, "unacknowledged", "gable/4", "no-load"),
        )
    )
    hours = by_hour(found, ZoneInfo("Europe/Vienna"))  # an hour east of UTC
    assert (hours[7], hours[15]) == (3, 1)
    given_ = [(at(-30), True), (at(-10), False), (at(-1), True), (at(0), False)]
    switchings = {port_id("gable", 1): given_, port_id("gable", 2): [(at(0), False)]}
    assert after_on_s(found[0], given_) == 60.0  # what was commanded at the same instant answered the fault
    assert by_time_after_on(found, switchings) == ([0, 0, 1, 0, 0, 0], 3)
    # From noon to noon: two in the morning belongs to the evening before.
    assert nights_like_weather(found, DUBLIN) == {date(2025, 12, 20): ("gable/1", "gable/2", "gable/3")}
    assert nights_like_weather(found[:2], DUBLIN) == {}


# ------------------------------------------------------------------ pictures and words


@given(st.floats(1e-6, 1e9), st.integers(2, 8))
@settings(max_examples=60, deadline=None)
def test_ticks_are_round_and_within(most, about):
    """Ticks begin at 0, do not exceed what is shown, are equally apart and few."""
    found = ticks(most, about)
    assert found[0] == 0.0
    assert found[-1] <= most * 1.01
    assert 2 <= len(found) <= 2 * about + 3
    step = found[1]
    assert float(f"{step:.3g}") == pytest.approx(step)
    assert [round(one / step) for one in found] == list(range(len(found)))


def test_an_axis_of_next_to_nothing():
    """The smallest number there is makes an axis without ticks above zero, no error."""
    assert ticks(5e-324) == [0.0]


ENERGIES_KWH = st.just(0.0) | st.floats(1e-9, 1e5)


@given(st.lists(st.tuples(ENERGIES_KWH, ENERGIES_KWH), min_size=1, max_size=60))
@settings(max_examples=30, deadline=None)
def test_bars_are_as_tall_as_their_values(rows):
    """Bars of one picture are in proportion to their values, above and below; the picture is well formed."""
    up, down = [one for one, _ in rows], [one for _, one in rows]
    text = two_way_bars(["x"] * len(rows), up, down, title="a & b <c>", unit="kWh", every=3)
    root = ET.fromstring(text)
    taken = [float(one.get("height")) for one in root.iter("rect") if one.get("class") == "taken"]
    assert len(taken) == len(rows)
    whole = (max(up) + max(down)) or 1.0
    for value, height in zip(up, taken, strict=True):
        assert height == pytest.approx(value / whole * 202.0, abs=0.1)


def a_curve(points, switchings=(), faults=()):
    """A night's curve."""
    noon = NIGHT.replace(hour=12)
    port = port_id("gable", 1)
    return Curve(port, NIGHT.date(), noon, noon + timedelta(days=1), tuple(points), switchings, faults)


def test_night_curve_breaks_where_nothing_is_known():
    """Points that do not follow each other are not joined; switchings and faults are marked."""
    points = [Point(at(minute), 60.0, 1.0, 0.5, 1.5) for minute in (*range(10), *range(60, 70), 200)]
    found = episodes(log((5, "unacknowledged", "gable/1", "fuse-trip")))
    curve = a_curve(points, ((at(0), True), (at(5), False)), tuple(found))
    root = ET.fromstring(night_curve(curve, ZoneInfo("Europe/Vienna"), rating_a=2.0, title="x"))
    classes = [one.get("class") for one in root.iter()]
    assert classes.count("mean") == 3
    assert classes.count("band") == 3
    assert (classes.count("switch-on"), classes.count("switch-off")) == (1, 1)
    assert classes.count("fault-line") == 1
    assert classes.count("limit") == 1
    assert "19:00" in [one.text for one in root.iter("text")]
    empty = ET.fromstring(night_curve(a_curve([], ((at(0), True),)), DUBLIN, rating_a=4.0, title="x"))
    assert "mean" not in [one.get("class") for one in empty.iter()]


def test_carpet_shows_nights_not_days():
    """Hours after midnight stand in the column of the evening before; equal shades become one box."""
    evening, morning = date(2025, 12, 20), date(2025, 12, 21)
    hours = {
        evening: tuple(100.0 if hour >= 20 else 0.0 for hour in range(24)),
        morning: tuple(100.0 if hour < 2 else 0.0 for hour in range(24)),
    }
    root = ET.fromstring(carpet(hours, [evening, morning], title="x"))
    boxes = [one for one in root.iter("rect") if (one.get("class") or "").startswith("shade")]
    assert [one.get("class") for one in boxes] == ["shade5"]
    assert carpet({}, [evening], title="x") == ""


def test_pictures_show_the_night_before_the_first_day_where_something_was_in_it():
    """What was in the small hours of the first day is in the picture, in the column of the night before."""
    day = NIGHT.date()
    found = episodes(log((-15 * 60, "unacknowledged", "gable/1", "fuse-trip")))
    root = ET.fromstring(nights_of_faults(found, [day], DUBLIN, title="x"))
    (mark,) = [one for one in root.iter("path") if one.get("class") == "fault"]
    assert LEFT < float(re.match(r"M([-\d.]+) ", mark.get("d"))[1]) < WIDTH
    assert "19 Dec" in [one.text for one in root.iter("text")]
    hours = {day: tuple(100.0 if hour in {3, 20} else 0.0 for hour in range(24))}
    root = ET.fromstring(carpet(hours, [day], title="x"))
    assert len([one for one in root.iter("rect") if (one.get("class") or "").startswith("shade")]) == 2


def test_small_pictures_are_well_formed():
    """A share and a strip of time are drawn within their bounds, whatever they are given."""
    assert 'width="100"' in share_bar(7.0)
    root = ET.fromstring(strip([(0.999, 1.0, "fault", "a<b")], title="x & y"))
    box = list(root.iter("rect"))[1]
    assert float(box.get("x")) + float(box.get("width")) <= 560.0


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (kwh(0.0), "0.00 kWh"),
        (kwh(54.2), "0.054 kWh"),
        (kwh(2345.0), "2.35 kWh"),
        (kwh(123_456.0), "123.5 kWh"),
        (kwh(12_345_678.0), "12 346 kWh"),
        (money(1234.5, "EUR"), "1 234.50 EUR"),
        (money(1.0, ""), "1.00"),
        (duration(timedelta(seconds=59.4)), "59 s"),
        (duration(timedelta(minutes=59, seconds=59)), "59 min"),
        (duration(timedelta(hours=26, minutes=3)), "26 h 03 min"),
        (duration(timedelta(days=9)), "9.0 days"),
        (many(1, "day"), "1 day"),
        (many(2, "day"), "2 days"),
        (many(0, "supply", "supplies"), "0 supplies"),
        (percent(None), "–"),
        (percent(0.4999), "50 %"),
        (percent(0.99971), "99.97 %"),
        (percent(0.999999), "over 99.99 %"),
        (percent(1.0), "100 %"),
        (measured(Condition.OVERCURRENT, 4.25), "4.25 A"),
        (measured(Condition.UNDERCURRENT, 0.08), "80 mA"),
        (measured(Condition.UNDERVOLTAGE, 9.5), "9.50 V"),
        (measured(Condition.OVERTEMPERATURE, 71.2), "71 °C"),
        (measured(Condition.NO_LOAD, None), "–"),
    ],
)
def test_words_for_numbers(made, words):
    """Numbers carry their unit and the places they deserve; what falls short is never all."""
    assert made.replace("\u202f", " ") == words


def test_words_for_prices():
    """A price says when it holds."""
    start, end = time(23), time(8)
    assert band_words(None, only=True) == "at all times"
    assert band_words(Band(start, end, 1.0), only=False) == "23:00 to 08:00"
    assert band_words(Band(start, start, 1.0, frozenset((5, 6))), only=False) == "all day on Sat, Sun"
    assert data(1.25, "1 < 2", "x") == '<data id="x" value="1.250000">1 &lt; 2</data>'


def test_table_keeps_its_sum_at_the_end():
    """A long table folds its rest away, and its sum stands under the last row."""
    rows = [[str(number), "1"] for number in range(40)]
    text = table(["n", ">v"], rows, foot=["all", "40"], more="things")
    assert "and 20 more things" in text
    assert text.index("<tfoot>") > text.index("<details>")
    assert text.count("<tr>") == 40 + 2 + 1
    assert table(["n", ">v"], []) == ""


def luminance(colour):
    """Relative luminance of an sRGB colour, WCAG 2.2 (https://www.w3.org/TR/WCAG22/#dfn-relative-luminance)."""
    parts = [int(colour[at_ : at_ + 2], 16) / 255 for at_ in (1, 3, 5)]
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_colours_can_be_read(colours):
    """Words keep a contrast of 4.5 to 1, success criterion 1.4.3 of WCAG 2.2, in light and dark."""
    for ground in ("paper", "card"):
        for name in ("ink", "quiet", "power", "saved", "fault"):
            light, dark = sorted((luminance(colours[name]), luminance(colours[ground])), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 4.5, (name, ground)


# ------------------------------------------------------------------ backup


SITE = """
site: {{id: lane, name: Lane, timezone: Europe/Dublin, latitude: 53.35, longitude: -6.26,
        state_dir: "{folder}"}}
broker: {{host: 127.0.0.1}}
controllers:
  gable:
    reach: {{kind: http, url: "http://127.0.0.1:1/", every: 1 s, ports: outputs, port: id, current: ma | mA}}
    ports: {{1: {{name: Arch}}}}
"""


@pytest.fixture
def kept(tmp_path):
    """A site that runs: its file, its journal and its store, both open."""
    folder = tmp_path / "state"
    file = tmp_path / "site.yaml"
    file.write_text(SITE.format(folder=folder), encoding="utf-8")
    with Journal(folder) as journal:
        journal.read()
        journal.write(SafetyState(weather_hold=True))
        store = Store(folder / HISTORY, utc_now=lambda: NIGHT)
        store.start()
        told = {"energy_wh": 12.5, "saved_wh": 1.0}
        store.record(Record("energy", NIGHT, Target(TargetKind.PORT, "gable/1"), told))
        assert store.flush()
        yield file
        store.close()


def page_of(file, words, *, faults=False, day=None):
    """The page of a site's report: the text between its tags, as far as it follows `words`."""
    out = file.with_name("page.html")
    report(file, history=None, since=day, until=day, out=out, form="html", faults=faults)
    text = re.sub(r"<[^>]*>", " ", out.read_text(encoding="utf-8").replace("\N{NARROW NO-BREAK SPACE}", " "))
    return " ".join(text.split()).partition(words)[2]


def site_with(folder, *records, more=""):
    """The file of a site whose history holds records of its one port: (instant, kind, data)."""
    file = folder / "site.yaml"
    file.write_text(SITE.format(folder=folder / "state").replace("latitude", f"{more}latitude"), "utf-8")
    store = Store(folder / "state" / HISTORY, utc_now=lambda: records[-1][0])
    store.start()
    for at_utc, kind, told in records:
        store.record(Record(kind, at_utc, Target(TargetKind.PORT, "gable/1"), told))
    assert store.flush()
    store.close()
    return file


WET = (NIGHT, "alarm", {"condition": "leakage", "state": "unacknowledged"})


def test_a_fault_that_goes_on_has_lasted_until_now(tmp_path):
    """Of a fault that stands the report says how long it has lasted, not what that will be by midnight."""
    file = site_with(tmp_path, WET, (at(10), "energy", {"energy_wh": 12.5, "saved_wh": 1.0}))
    assert "goes on, 10 min" in page_of(file, "Faults")
    assert "goes on, 10 min" in page_of(file, "Each fault", faults=True)


def test_the_page_of_faults_gives_advice_in_the_sites_own_words(tmp_path):
    """A site whose messages are translated reads the translated advice in its report as well."""
    (tmp_path / "words.yaml").write_text('leakage: {advice: "Stecker trocknen."}\n', encoding="utf-8")
    file = site_with(tmp_path, WET, more="wording_file: words.yaml, ")
    assert "Stecker trocknen." in page_of(file, "What helps", faults=True)


def test_an_hour_that_comes_twice_is_as_bright_as_any(tmp_path):
    """On the night on which clocks go back, power is a mean over both hours of one name, not their sum."""
    start = datetime(2025, 10, 25, 20, tzinfo=UTC)
    told = [
        (start + timedelta(minutes=minute), "energy", {"energy_wh": minute / 60 * 12.0, "saved_wh": 0.0})
        for minute in range(8 * 60 + 1)
    ]
    file = site_with(tmp_path, *told)
    with StoreReader(tmp_path / "state" / HISTORY) as reader:
        season = gather(reader, plan(load(file)), date(2025, 10, 25), date(2025, 10, 26))
    lit = [watts for row in season.hours.values() for watts in row if watts]
    assert lit == pytest.approx([12.0] * 7, rel=0.01)


def test_backup_is_whole_while_the_site_runs(kept, tmp_path, capsys):
    """Journal and history are copied from under a running process, and both can be used as they are."""
    target = tmp_path / "usb" / "lane"
    backup(kept, target)
    assert "journal.a, journal.b, history.db" in capsys.readouterr().out
    with StoreReader(target / HISTORY) as reader:
        assert reader.energy()["gable/1"].energy_wh == 12.5
    with Journal(target) as journal:
        safety, origin = journal.read()
    assert (safety.weather_hold, origin.value) == (True, "journal")
    assert (target / "journal.a").stat().st_mode & 0o077 == 0
    backup(kept, target)  # an older copy is replaced


def test_backup_of_a_folder_of_any_name(tmp_path):
    """A folder is copied whatever its name means in addresses, and nothing else is made."""
    folder = tmp_path / "lane #1 50%20?x=1"
    folder.mkdir()
    file = site_with(folder, (at(10), "energy", {"energy_wh": 12.5, "saved_wh": 1.0}))
    backup(file, tmp_path / "usb")
    with StoreReader(tmp_path / "usb" / HISTORY) as reader:
        assert reader.energy()["gable/1"].energy_wh == 12.5
    assert {one.name for one in tmp_path.iterdir()} == {folder.name, "usb"}


def test_backup_leaves_a_damaged_copy_out(kept, tmp_path, capsys):
    """A journal's copy that is damaged is not carried on; the other one is."""
    (tmp_path / "state" / "journal.a").write_bytes(b"torn")
    target = tmp_path / "usb"
    backup(kept, target)
    assert not (target / "journal.a").exists()
    with Journal(target) as journal:
        assert journal.read()[0].weather_hold


def test_backup_refuses(kept, tmp_path):
    """A file in the way, the site's own folder, and a site without anything are told in one sentence."""
    (tmp_path / "file").write_text("x")
    with pytest.raises(AskedWronglyError, match="is a file; name a folder"):
        backup(kept, tmp_path / "file")
    with pytest.raises(AskedWronglyError, match="a folder of their own"):
        backup(kept, tmp_path / "state")
    other = tmp_path / "other.yaml"
    other.write_text(SITE.format(folder=tmp_path / "empty"), encoding="utf-8")
    with pytest.raises(BackupError, match="run the site first"):
        backup(other, tmp_path / "usb")


def test_report_command_line(kept, tmp_path):
    """The command writes a page where it is told, and says in one line what it can't do."""

    def duskward(*words):
        return subprocess.run(
            [sys.executable, "-m", "bridge.cli", *words],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )

    out = tmp_path / "page.html"
    done = duskward("report", str(kept), "--out", str(out), "--from", "2025-12-20", "--to", "2025-12-20")
    assert done.returncode == 0, done.stderr
    assert out.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    done = duskward("report", str(kept), "--json", "--from", "2025-12-20", "--to", "2025-12-20")
    assert json.loads(done.stdout)["site"] == "lane"
    done = duskward("report", str(kept), "--json", "--csv")
    assert done.returncode == 2
    done = duskward("report", str(kept), "--history", str(tmp_path / "none.db"))
    assert done.returncode == 1
    assert "there is no history at" in done.stderr
    assert "Traceback" not in done.stderr
    assert duskward("backup", str(kept), str(tmp_path / "usb")).returncode == 0
