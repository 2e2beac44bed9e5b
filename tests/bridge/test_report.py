"""The report of a simulated season: its numbers are the truth's, the store's and the page's."""

import csv
import io
import json
import re
import shutil
import subprocess
from datetime import date, datetime, timedelta
from html.parser import HTMLParser
from zoneinfo import ZoneInfo

import pytest
from history_sums import energy_parts, summed
from season_site import FIRST, IDLE_A, VOLTS, SeasonSite, site_file

from bridge.cli import app as command_line
from bridge.config import load, plan
from bridge.errors import AskedWronglyError
from bridge.history.store_read import StoreReader
from bridge.report.command import ReportError, report
from bridge.site.folder import HISTORY
from rules.cost.tariff import Used

DAYS = 45
SPAN = (FIRST - timedelta(days=400), FIRST + timedelta(days=400))


class Page(HTMLParser):
    """Reads a page back: values of <data>, text, tags and what would be fetched."""

    def __init__(self, text):
        super().__init__()
        self.values, self.words, self.tags, self.fetched = {}, [], [], []
        self._open = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attributes):
        """A tag begins."""
        found = dict(attributes)
        self.tags.append(tag)
        self.fetched += [found[name] for name in ("src", "href", "srcset", "action") if found.get(name)]
        if tag == "data" and "id" in found:
            self.values[found["id"]] = float(found["value"])

    def handle_data(self, data):
        """Words."""
        self.words.append(data)


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """A season of 45 evenings, lived once: the site, its file, and the true energies."""
    folder = tmp_path_factory.mktemp("season")
    text = site_file(folder, 4, 2)
    (folder / "site.yaml").write_text(text, encoding="utf-8")
    site = SeasonSite(folder, text, on_poll_s=30.0, off_poll_s=300.0)
    site.season(DAYS)
    return site


def told(season, capsys, **how):
    """The report as data."""
    values = {"history": None, "since": None, "until": None, "out": None, "form": "json", "faults": False}
    report(season.folder / "site.yaml", **{**values, **how})
    return capsys.readouterr().out


def page(season, tmp_path, *, faults=False, **how):
    """The report as a page: its text, and what a reader finds in it."""
    out = tmp_path / "page.html"
    values = {"history": None, "since": None, "until": None, "form": "html"}
    report(season.folder / "site.yaml", **{**values, **how}, out=out, faults=faults)
    text = out.read_text(encoding="utf-8")
    return text, Page(text)


# ------------------------------------------------------------------ the truth


def test_report_season_is_true_within_one_percent(season, capsys):
    """45 evenings with restarts, lost controllers and trips: energy, savings and hours are the true ones.

    The truth is the integral of each port's current, by formula [C].
    """
    data = json.loads(told(season, capsys))
    energy_wh, saved_wh = season.truth_wh()
    powered_s = sum(true.powered_s for true in season.ports.values())
    assert data["total"]["energy_wh"] == pytest.approx(energy_wh, rel=0.01)
    assert data["total"]["saved_wh"] == pytest.approx(saved_wh, rel=0.01)
    assert data["total"]["powered_s"] == pytest.approx(powered_s, rel=0.01)
    assert len(data["not_running"]) >= 3
    assert any(one["times"] for one in data["controllers"].values())
    for port, true in season.ports.items():
        assert data["ports"][port]["energy_wh"] == pytest.approx(true.energy_j / 3600, rel=0.02), port


def test_report_cost_is_the_tariff_reckoned_by_hand(season, capsys):
    """Cost is each quarter hour's energy at the wall at the price of its local time, summed part by part."""
    data = json.loads(told(season, capsys))
    site = plan(load(season.folder / "site.yaml"))
    dublin = ZoneInfo("Europe/Dublin")
    cost = saved = 0.0
    with StoreReader(season.path) as reader:
        for part in energy_parts(reader, *SPAN):
            local = part.start_utc.astimezone(dublin)
            price = 0.34
            if local.hour >= 23 or local.hour < 8:
                price = 0.17
            elif 17 <= local.hour < 19 and local.weekday() < 5:
                price = 0.42
            efficiency = {"shed": 0.88, "hut": 0.80}[site.ports[part.port].supply]
            cost += part.energy_wh / 1000 / efficiency * price
            saved += part.saved_wh / 1000 / efficiency * price
    assert data["total"]["cost"] == pytest.approx(cost, rel=1e-6)
    assert data["total"]["saved_cost"] == pytest.approx(saved, rel=1e-6)
    assert sum(one["cost"] for one in data["prices"]) == pytest.approx(cost, rel=1e-6)
    assert sum(one["wall_wh"] for one in data["prices"]) == pytest.approx(data["total"]["wall_wh"], rel=1e-6)
    # What was published all season long is the same money, over all restarts.
    assert season.told["quarry-lane", "cost"] == pytest.approx(cost, rel=0.005)
    assert season.told["quarry-lane", "saved-cost"] == pytest.approx(saved, rel=0.005)


def test_report_every_cut_adds_up_to_the_same(season, capsys):
    """By day, by show and by port the sums are the same, and those of the store."""
    data = json.loads(told(season, capsys))
    for name, whole in data["total"].items():
        for cut in ("days", "shows", "ports"):
            assert sum(one[name] for one in data[cut].values()) == pytest.approx(whole, rel=1e-5), (cut, name)
    with StoreReader(season.path) as reader:
        parts = list(energy_parts(reader, *SPAN))
        counted = reader.energy().values()
    for port, one in summed(parts, lambda part: part.port).items():
        assert data["ports"][port]["energy_wh"] == pytest.approx(one.energy_wh, abs=1e-5)
    dublin = ZoneInfo("Europe/Dublin")
    for day, one in summed(parts, lambda part: part.start_utc.astimezone(dublin).date()).items():
        assert data["days"][day.isoformat()]["saved_wh"] == pytest.approx(one.saved_wh, abs=1e-5)
    assert data["counters"]["energy_wh"] == pytest.approx(sum(one.energy_wh for one in counted))
    assert data["shows"]["Lantern walk"]["energy_wh"] > 0.9 * data["total"]["energy_wh"] * 0.8
    assert data["shows"][""]["energy_wh"] < 0.01 * data["total"]["energy_wh"]


def test_report_days_are_local_and_included(season, capsys):
    """--from and --to are local days, both included; a show over midnight is split there."""
    whole = json.loads(told(season, capsys))
    first, last = date(2025, 12, 10), date(2025, 12, 12)
    some = json.loads(told(season, capsys, since=first, until=last))
    assert list(some["days"]) == ["2025-12-10", "2025-12-11", "2025-12-12"]
    for day, one in some["days"].items():
        assert one == pytest.approx(whole["days"][day])
    one_day = json.loads(told(season, capsys, since=first, until=first))
    assert one_day["total"]["energy_wh"] == pytest.approx(whole["days"]["2025-12-10"]["energy_wh"])


# ------------------------------------------------------------------ the page


def test_report_page_says_what_the_store_says(season, tmp_path, capsys):
    """The numbers on the page are those of the data, and nothing has to be fetched or run to read it."""
    data = json.loads(told(season, capsys))
    text, read = page(season, tmp_path)
    total = data["total"]
    wanted = {"energy": "energy_wh", "wall": "wall_wh", "cost": "cost", "saved": "saved_wh",
              "saved-wall": "saved_wall_wh", "saved-cost": "saved_cost", "powered": "powered_s"}  # fmt: skip
    for name, quantity in wanted.items():
        assert read.values[name] == pytest.approx(total[quantity], abs=1e-5), name
    assert read.values["faults"] == len(data["faults"])
    assert read.fetched == []
    assert not {"script", "link", "iframe", "img", "object"} & set(read.tags)
    assert "url(" not in text
    assert "@import" not in text
    words = " ".join(read.words)
    for name in ("Quarry Lane", "Lantern walk", "Late glow", "Gable box", "tripped", "did not run"):
        assert name in words
    assert "prefers-color-scheme" in text
    assert "@media print" in text


def test_report_page_names_are_text(season, tmp_path):
    """Names that look like markup are shown, never obeyed."""
    file = season.folder / "odd.yaml"
    text = (season.folder / "site.yaml").read_text(encoding="utf-8")
    file.write_text(
        text.replace("name: Gable star", "name: '<script>alert(1)</script>&\"'"), encoding="utf-8"
    )
    out = tmp_path / "odd.html"
    report(file, history=None, since=None, until=None, out=out, form="html", faults=False)
    assert "script" not in Page(out.read_text(encoding="utf-8")).tags
    assert "&lt;script&gt;alert(1)" in out.read_text(encoding="utf-8")


def test_report_faults_page_shows_pattern_and_readings(season, tmp_path, capsys):
    """The page of faults names the wet night, has readings around trips, and counts like the data."""
    data = json.loads(told(season, capsys, faults=True))
    _, read = page(season, tmp_path, faults=True)
    assert read.values["faults"] == len(data)
    trips = [one for one in data if one["condition"] == "fuse-trip"]
    assert all(one["readings"] for one in trips)
    assert all(one["after_on_s"] > 0 for one in trips)
    nights = [datetime.fromisoformat(one["since"]).date() for one in trips]
    assert max(nights.count(night) for night in nights) >= 3
    assert "Nights on which 3 ports or more" in " ".join(read.words)


def test_report_csv_holds_what_json_holds(season, capsys):
    """Each number of the JSON is one line of the CSV."""
    data = json.loads(told(season, capsys))
    rows = list(csv.DictReader(io.StringIO(told(season, capsys, form="csv"))))
    values = {(row["part"], row["key"], row["quantity"]): row["value"] for row in rows}
    assert float(values["total", "", "energy_wh"]) == pytest.approx(data["total"]["energy_wh"])
    for port, one in data["ports"].items():
        assert float(values["ports", port, "cost"]) == pytest.approx(one["cost"])
    assert sum(row["part"] == "faults" and row["quantity"] == "condition" for row in rows) == len(
        data["faults"]
    )
    units = {row["quantity"]: row["unit"] for row in rows}
    assert (units["energy_wh"], units["powered_s"], units["mean_a"]) == ("Wh", "s", "A")


def test_report_reads_a_backup_and_a_running_site(season, tmp_path, capsys):
    """A copy of the history gives the same report; so does a file that is open for writing."""
    import typer.testing

    runner = typer.testing.CliRunner()
    done = runner.invoke(command_line, ["backup", str(season.folder / "site.yaml"), str(tmp_path / "kept")])
    assert done.exit_code == 0, done.output
    copy = tmp_path / "kept" / HISTORY
    assert json.loads(told(season, capsys, history=copy)) == json.loads(told(season, capsys))


def test_report_says_what_is_wrong(season, tmp_path, capsys):
    """An unknown port, swapped days, a missing history and a folder in the way are told in a sentence."""
    with pytest.raises(AskedWronglyError, match="no port attic/9; a port is named like gable/1"):
        told(season, capsys, ports=["attic/9"])
    with pytest.raises(AskedWronglyError, match="give days that follow each other"):
        told(season, capsys, since=date(2026, 1, 9), until=date(2026, 1, 1))
    with pytest.raises(ReportError, match="can't be written"):
        told(season, capsys, form="html", out=tmp_path)
    with pytest.raises(Exception, match="there is no history"):
        told(season, capsys, history=tmp_path / "none.db")


def test_report_of_days_without_anything(season, tmp_path):
    """Days of which nothing is known make an empty page, not an error."""
    _, read = page(season, tmp_path, since=date(2027, 7, 1), until=date(2027, 7, 3))
    assert read.values["energy"] == 0.0
    assert "No fault was recorded." in read.words


def test_report_without_a_tariff_has_no_money(season, tmp_path):
    """A site that does not say what energy costs gets energy only."""
    text = (season.folder / "site.yaml").read_text(encoding="utf-8")
    file = season.folder / "free.yaml"
    file.write_text(re.sub(r"tariff:.*?supplies:", "supplies:", text, flags=re.DOTALL), encoding="utf-8")
    out = tmp_path / "free.html"
    report(file, history=None, since=None, until=None, out=out, form="html", faults=False)
    read = Page(out.read_text(encoding="utf-8"))
    assert "cost" not in read.values
    assert "EUR" not in " ".join(read.words)


def test_report_season_takes_little_room(season):
    """A port's season stays far below the 120 kB that 500 ports may take of 60 MB."""
    assert season.path.stat().st_size / len(season.ports) < 120_000


def test_report_truth_can_fail():
    """The truth is not taken from what is tested: its integral of the current agrees with small steps."""
    from season_site import TruePort

    true = TruePort(3, power=True, since_s=17.0)
    steps = 400_000
    span_s = 1000.0 / steps
    by_steps = sum(true.current_a(17.0 + (at + 0.5) * span_s) for at in range(steps)) * span_s * VOLTS
    true.change(1017.0)
    assert true.energy_j == pytest.approx(by_steps, rel=1e-6)
    assert by_steps > IDLE_A * VOLTS * 1000.0
    assert Used(FIRST, FIRST, 0.0).energy_wh == 0.0


# ------------------------------------------------------------------ in a browser


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390], ids=["desktop", "phone"])
def test_report_page_in_a_browser(season, tmp_path, width):
    """A browser shows the store's numbers, at a desk and on a phone, with nothing wider than its window."""
    program = shutil.which("chromium") or shutil.which("google-chrome")
    if program is None:
        pytest.skip("needs a Chromium")
    out = tmp_path / "report.html"
    report(
        season.folder / "site.yaml", history=None, since=None, until=None, out=out, form="html", faults=False
    )
    probe = tmp_path / "probe.html"
    probe.write_text(
        f"<iframe id=f width={width} height=900 src=report.html></iframe><script>f.onload=()=>{{"
        "let d=f.contentDocument,r=d.documentElement;"
        "document.title=JSON.stringify({wide:r.scrollWidth,inner:r.clientWidth,"
        "text:Object.fromEntries([...d.querySelectorAll('data[id]')].map(e=>[e.id,[e.value,e.innerText]]))})}"
        "</script>",
        encoding="utf-8",
    )
    done = subprocess.run(
        [program, "--headless", "--no-sandbox", "--disable-gpu", "--allow-file-access-from-files",
         f"--user-data-dir={tmp_path / 'profile'}", "--virtual-time-budget=5000", "--dump-dom", str(probe)],
        capture_output=True, text=True, timeout=90, check=True,
    )  # fmt: skip
    seen = json.loads(re.search(r"<title>(.*?)</title>", done.stdout)[1])
    assert seen["wide"] <= seen["inner"]
    with StoreReader(season.path) as reader:
        parts = list(energy_parts(reader, *SPAN))
    energy_wh, saved_wh = sum(part.energy_wh for part in parts), sum(part.saved_wh for part in parts)
    assert float(seen["text"]["energy"][0]) == pytest.approx(energy_wh, abs=1e-5)
    assert float(seen["text"]["saved"][0]) == pytest.approx(saved_wh, abs=1e-5)
    shown = float(seen["text"]["energy"][1].split("\u202f")[0])
    assert shown == pytest.approx(energy_wh / 1000, rel=0.01)
