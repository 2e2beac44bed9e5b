"""A platform nobody here wrote finds the site by itself, shows it, switches it and hears its faults."""

import json
import os
import shutil
from datetime import timedelta
from functools import partial
from pathlib import Path
from urllib import request

import pytest
from browser import browser_program, picture
from home_platform import HomePlatform, home_platform
from house import SITE, House
from support import PrivateBroker, mosquitto_program, run_async, wait_for

from bridge.clock import SystemClock

EXAMPLES = Path(__file__).parents[2] / "examples"
WIND = """\
input_number: {gust: {name: Gust, min: 0, max: 200}}
template:
  - sensor:
      - {name: Wind gust, unit_of_measurement: km/h, state: "{{ states('input_number.gust') }}"}
"""
LOVELACE = """\
lovelace:
  dashboards:
    display-page: {mode: yaml, title: Display, icon: "mdi:string-lights", filename: dashboard.yaml}
"""
LAST = "switch.mast_ray_west_power"
"""An entity of the last device that is told."""
ACKNOWLEDGED = ("acknowledged", "latched-acknowledged")

pytestmark = [pytest.mark.platform, pytest.mark.broker, pytest.mark.timeout(900)]


class Living:
    """A house and the platform its people use."""

    def __init__(self, house: House, platform: HomePlatform) -> None:
        self.house, self.platform = house, platform

    def reset(self, port: str, entity: str) -> None:
        """Mend a port and bring it back to its rules."""
        self.house.tell("mend", port=port)
        self.platform.call("button", "press", entity_id=f"button.{entity}_reset")
        self.platform.wait_state(f"binary_sensor.{entity}_problem", "off")
        self.platform.call("select", "select_option", entity_id=f"select.{entity}_mode", option="auto")
        self.house.wait_power(port, False)

    def notices(self) -> list[str]:
        """The messages under the bell."""
        return [one["message"] for one in self.platform.socket("persistent_notification/get")]


@pytest.fixture(scope="module")
def living(tmp_path_factory):
    """Broker, simulated controllers, duskward and the platform with the examples loaded, once for all."""
    if mosquitto_program() is None:
        pytest.skip("needs a mosquitto program: install mosquitto")
    folder = tmp_path_factory.mktemp("living")
    home = folder / "home"
    home.mkdir()
    for name in ("dashboard", "phone", "energy"):
        shutil.copy(EXAMPLES / "home" / f"{name}.yaml", home)
    packages = {name: (EXAMPLES / f"home/{name}.yaml").read_text() for name in ("alerts", "wind-hold")}
    packages = {name.replace("-", "_"): text for name, text in packages.items()} | {"wind": WIND}
    broker = PrivateBroker(folder)
    try:
        with home_platform(home, broker, LOVELACE, packages) as platform:
            # The platform is there first: its birth is over, and it finds the site when the site comes.
            house = House(folder, broker)
            try:
                house.start()
                platform.wait_state(LAST, "off", 60)
                yield Living(house, platform)
            finally:
                house.close()
    finally:
        broker.kill()


def test_every_port_is_there_with_class_and_unit(living) -> None:
    """Entities of a port have the platform's own classes and units, and none of the 16 ports is missing."""
    states = living.platform.states()
    powers = [one for one in states if one.startswith("switch.") and one.endswith("_power")]
    assert len(powers) == 16
    wanted = {
        "sensor.left_arch_current": ("current", "A", "measurement"),
        "sensor.left_arch_energy": ("energy", "kWh", "total_increasing"),
        "sensor.left_arch_voltage": ("voltage", "V", "measurement"),
        "sensor.hedge_east_temperature": ("temperature", "°C", "measurement"),
        "sensor.left_arch_load": (None, "%", "measurement"),
        "sensor.quarry_lane_energy": ("energy", "kWh", "total_increasing"),
        "sensor.quarry_lane_load": ("power", "W", "measurement"),
        "sensor.quarry_lane_next_show": ("timestamp", None, None),
        "binary_sensor.left_arch_problem": ("problem", None, None),
        "binary_sensor.gable_box_reachable": ("connectivity", None, None),
        "sensor.left_arch_fault": ("enum", None, None),
        "select.left_arch_mode": (None, None, None),
        "button.left_arch_acknowledge": (None, None, None),
        "button.left_arch_reset": (None, None, None),
        "sensor.left_arch_reason": (None, None, None),
        "sensor.left_arch_pixels": (None, None, None),
        "sensor.left_arch_hold_state": ("enum", None, None),
        "text.left_arch_add_hold": (None, None, None),
        "switch.quarry_lane_weather_hold": (None, None, None),
    }
    for entity, (device_class, unit, state_class) in wanted.items():
        assert entity in states, entity
        has = states[entity]["attributes"]
        assert has.get("device_class") == device_class, entity
        assert has.get("unit_of_measurement") == unit, entity
        assert has.get("state_class") == state_class, entity
    assert states["sensor.left_arch_pixels"]["state"] == "100"
    assert "optimistic" not in states["switch.left_arch_power"]["attributes"]
    assert "assumed_state" not in states["switch.left_arch_power"]["attributes"]


def test_nothing_in_the_documents_displeases_the_platform(living) -> None:
    """The platform logs no warning or error about what duskward says."""
    lines = [
        line
        for line in living.platform.log.splitlines()
        if (" WARNING " in line or " ERROR " in line)
        and ("mqtt" in line or "automation" in line or "template" in line)
    ]
    assert not lines


def test_devices_hang_together(living) -> None:
    """A port's device belongs to its controller's, and that to the site's; ids are stable and unique."""
    devices = {one["name"]: one for one in living.platform.socket("config/device_registry/list")}
    assert devices["Left arch"]["via_device_id"] == devices["Gable box"]["id"]
    assert devices["Gable box"]["via_device_id"] == devices["Quarry Lane"]["id"]
    assert ["mqtt", f"{SITE}-gable-port-1"] in devices["Left arch"]["identifiers"]
    entities = living.platform.socket("config/entity_registry/list")
    ids = [one["unique_id"] for one in entities if one["platform"] == "mqtt"]
    assert len(ids) == len(set(ids))
    assert f"{SITE}-gable-port-1-current" in ids
    categories = {one["entity_id"]: one["entity_category"] for one in entities}
    assert categories["sensor.left_arch_alarm"] == "diagnostic"
    assert categories["text.left_arch_shelve"] == "config"
    assert categories["switch.left_arch_power"] is None


def test_its_switch_switches_the_port(living) -> None:
    """The platform's own service call gives a port power and takes it, as the simulator's truth shows."""
    port, switch = "hedge/7", "switch.gate_post_left_power"
    living.platform.call("switch", "turn_on", entity_id=switch)
    living.house.wait_power(port, True)
    living.platform.wait_state(switch, "on")
    living.platform.wait_state("select.gate_post_left_mode", "on")
    living.platform.call("switch", "turn_off", entity_id=switch)
    living.house.wait_power(port, False)
    living.platform.wait_state(switch, "off")
    living.platform.call("select", "select_option", entity_id="select.gate_post_left_mode", option="auto")
    living.platform.wait_state("select.gate_post_left_mode", "auto")


def test_a_trip_is_told_acknowledged_and_reset(living) -> None:
    """A trip turns the problem on and puts its sentence under the bell; buttons acknowledge and reset it."""
    platform, house = living.platform, living.house
    platform.call("switch", "turn_on", entity_id="switch.right_arch_power")
    house.wait_power("gable/2", True)
    house.tell("fault", port="gable/2", kind="short")
    platform.wait_state("binary_sensor.right_arch_problem", "on")
    platform.wait_state("sensor.right_arch_fault", "fuse-trip")
    platform.wait_state("binary_sensor.arches_problem", "on")
    platform.wait_state("switch.right_arch_power", "off")
    house.wait_power("gable/2", False)
    sentence = platform.state("sensor.right_arch_fault_message")
    assert "Right arch" in sentence
    wait_for(lambda: sentence in living.notices(), 10, "the sentence under the bell")
    # One press; the phone's button does the same by the alert's code.
    platform.call("button", "press", entity_id="button.right_arch_acknowledge")
    wait_for(lambda: platform.state("sensor.right_arch_alarm") in ACKNOWLEDGED, 10, "acknowledged")
    living.reset("gable/2", "right_arch")
    wait_for(lambda: sentence not in living.notices(), 10, "the notice to go")


def test_seen_on_the_phone_acknowledges(living) -> None:
    """The notification's button acknowledges the very condition it tells."""
    platform, house = living.platform, living.house
    platform.call("switch", "turn_on", entity_id="switch.mast_ray_north_power")
    house.wait_power("mast/1", True)
    house.tell("fault", port="mast/1", kind="short")
    platform.wait_state("sensor.mast_ray_north_fault", "fuse-trip")
    platform.api(
        "POST",
        "events/mobile_app_notification_action",
        {"action": f"DISPLAY_SEEN {SITE}-mast-port-1 fuse-trip"},
    )
    wait_for(lambda: platform.state("sensor.mast_ray_north_alarm") in ACKNOWLEDGED, 10, "acknowledged")
    living.reset("mast/1", "mast_ray_north")


def test_a_person_holds_and_releases_from_the_dashboard(living) -> None:
    """A name in the hold line keeps the port dead until the same name is in the release line."""
    platform = living.platform
    platform.call("text", "set_value", entity_id="text.ridge_line_add_hold", value="Ann")
    platform.wait_state("sensor.ridge_line_held_by", "Ann")
    platform.wait_state("sensor.ridge_line_hold_state", "confirmed-off")
    platform.call("switch", "turn_on", entity_id="switch.ridge_line_power")
    wait_for(lambda: platform.state("sensor.ridge_line_last_answer").startswith("Refused"), 10, "the refusal")
    assert living.house.truth("gable/4")["power"] is False
    platform.call("text", "set_value", entity_id="text.ridge_line_release_hold", value="Ann")
    platform.wait_state("sensor.ridge_line_held_by", "nobody")


def test_wind_holds_the_display(living) -> None:
    """Gusts above the limit put the weather hold on by the example routine; it can be lifted by hand."""
    platform = living.platform
    platform.call("input_number", "set_value", entity_id="input_number.gust", value=85)
    platform.wait_state("switch.quarry_lane_weather_hold", "on")
    platform.wait_state("sensor.left_arch_held_by", "weather")
    platform.call("input_number", "set_value", entity_id="input_number.gust", value=10)
    platform.call("automation", "trigger", entity_id="automation.display_calm_again_lift_the_hold")
    platform.wait_state("switch.quarry_lane_weather_hold", "off")
    platform.wait_state("sensor.left_arch_held_by", "nobody")


def test_a_show_started_from_the_dashboard_lights_its_ports(living) -> None:
    """The show selector starts a show now, says which one runs, and ends it."""
    platform, house = living.platform, living.house
    options = platform.states()["select.quarry_lane_show"]["attributes"]["options"]
    assert options == ["No show", "Lantern walk", "Quarry lights"]
    _lift_weather(living)
    platform.call("select", "select_option", entity_id="select.quarry_lane_show", option="Quarry lights")
    platform.wait_state("select.quarry_lane_show", "Quarry lights", 60)
    house.wait_power("hedge/2", True, 60)
    platform.call("select", "select_option", entity_id="select.quarry_lane_show", option="No show")
    platform.wait_state("select.quarry_lane_show", "No show", 30)
    house.wait_power("hedge/2", False, 30)


def _lift_weather(living) -> None:
    living.platform.call("switch", "turn_off", entity_id="switch.quarry_lane_weather_hold")
    living.platform.wait_state("switch.quarry_lane_weather_hold", "off")


def test_everything_is_unavailable_when_duskward_is_killed(living) -> None:
    """After kill -9 no entity pretends to know anything, and the phone is told; all comes back."""
    platform, house = living.platform, living.house
    ours = {
        one["entity_id"]
        for one in platform.socket("config/entity_registry/list")
        if one["unique_id"].startswith(f"{SITE}-") or one["unique_id"].startswith(SITE)
    }
    assert len(ours) > 400
    house.kill()
    wait_for(
        lambda: {one["state"] for name, one in platform.states().items() if name in ours} == {"unavailable"},
        30,
        "everything unavailable",
    )
    wait_for(lambda: any("stopped without a word" in one for one in living.notices()), 10, "the notice")
    house.start()
    platform.wait_state(LAST, "off", 60)
    wait_for(
        lambda: (
            "unavailable" not in {one["state"] for name, one in platform.states().items() if name in ours}
        ),
        30,
        "everything back",
    )
    wait_for(lambda: not any("stopped without a word" in one for one in living.notices()), 10, "no notice")


def test_energy_reaches_the_statistics_without_reset_or_dip(living) -> None:
    """Over two kill -9 the platform's statistics add up to the counter: no dip, no reset."""
    platform, house = living.platform, living.house
    entity = "sensor.mast_ray_west_energy"
    platform.call("switch", "turn_on", entity_id=LAST)
    house.wait_power("mast/4", True)
    first_kwh = float(platform.state(entity))
    for _ in range(2):
        before_kwh = float(platform.state(entity))
        wait_for(partial(_above, platform, entity, before_kwh), 90, "the counter to rise")
        house.kill()
        platform.wait_state(entity, "unavailable", 30)
        house.start()
        wait_for(
            lambda: platform.state(entity) not in ("unavailable", "unknown", ""), 60, "the counter again"
        )
        assert float(platform.state(entity)) >= before_kwh
    last_kwh = float(platform.state(entity))
    assert last_kwh > first_kwh
    platform.call("test_clock", "work_out_statistics")
    hour_ago = SystemClock().now().utc - timedelta(hours=1)
    rows = platform.socket(
        "recorder/statistics_during_period",
        start_time=hour_ago.isoformat(),
        statistic_ids=[entity],
        period="5minute",
        types=["sum", "state"],
    )[entity]
    sums = [row["sum"] for row in rows]
    assert sums == sorted(sums)
    assert rows[-1]["state"] == pytest.approx(last_kwh, abs=1e-6)
    # The counter began at 0, so the sum is the counter; a reset would have counted it once more.
    assert sums[-1] == pytest.approx(last_kwh, abs=1e-6)
    about = platform.socket("recorder/list_statistic_ids", statistic_type="sum")
    assert {one["statistics_unit_of_measurement"] for one in about if one["statistic_id"] == entity} == {
        "kWh"
    }
    assert "not strictly increasing" not in platform.log
    platform.call("select", "select_option", entity_id="select.mast_ray_west_mode", option="auto")
    house.wait_power("mast/4", False)
    platform.wait_state(LAST, "off")


def _above(platform: HomePlatform, entity: str, value: float) -> bool:
    return float(platform.state(entity)) > value


def test_its_energy_page_takes_the_sensors(living) -> None:
    """The platform's own check of energy sources finds nothing wrong with the site's counter."""
    platform = living.platform
    platform.socket(
        "energy/save_prefs", device_consumption=[{"stat_consumption": "sensor.quarry_lane_energy"}]
    )
    found = platform.socket("energy/validate")
    problems = [one["type"] for part in found["device_consumption"] for one in part]
    # Statistics of a fresh sensor come with the next five minutes; anything else would be ours to mend.
    assert set(problems) <= {"statistics_not_defined"}


def test_the_dashboard_page_is_valid_and_names_what_exists(living) -> None:
    """The example page loads in the platform, and each entity it names is one of the demo's."""
    page = living.platform.socket("lovelace/config", url_path="display-page", force=True)
    assert [view["title"] for view in page["views"]] == ["Ports", "Phone", "Energy"]
    states = living.platform.states()
    named = set(_entities(page))
    assert len(named) > 20
    assert named <= set(states)


def _entities(part):
    if isinstance(part, dict):
        for key, value in part.items():
            if key == "entity":
                yield value
            else:
                yield from _entities(value)
    elif isinstance(part, list):
        for one in part:
            yield from _entities(one)


def test_the_pages_tables_are_filled(living) -> None:
    """The page's own templates, rendered by the platform, list every port and say what is wrong."""
    page = living.platform.socket("lovelace/config", url_path="display-page", force=True)
    cards = [card for section in page["views"][0]["sections"] for card in section["cards"]]
    wrong, ports = (card["content"] for card in cards if card["type"] == "markdown")

    def rows() -> list[str]:
        return [line for line in _render(living.platform, ports).splitlines() if line.startswith("| ")]

    assert len(rows()) == 17
    # What another test switched a moment ago goes dark first.
    dark = "| Left&nbsp;arch | off | 0.00&nbsp;A | 0&nbsp;% | none |"
    wait_for(lambda: any(row.startswith(dark) for row in rows()), 10, "a dark port's row")
    assert "No port tells a fault." in _render(living.platform, wrong)


TEXT = """(() => {
  const words = [];
  const walk = node => {
    if (node.shadowRoot) walk(node.shadowRoot);
    for (const child of node.childNodes || [])
      if (child.nodeType == 3) words.push(child.textContent);
      else if (child.nodeType == 1 && child.tagName != "STYLE") walk(child);
  };
  walk(document.body);
  return words.join(" ");
})()"""
"""All text of a page built from web components."""


@pytest.mark.browser
@pytest.mark.parametrize(
    ("view", "width", "shows"),
    [
        ("ports", 1500, ["Mast\u00a0ray\u00a0west", "What is wrong", "Weather hold"]),
        ("phone", 400, ["Held by", "Hold state", "Acknowledge"]),
        ("energy", 1100, ["Energy by day", "Saved by being off"]),
    ],
)
def test_the_pages_are_seen_in_a_browser(living, tmp_path, view, width, shows) -> None:
    """A browser shows each example page with what it promises, and no card says that it can't be shown."""
    if browser_program() is None:
        pytest.skip("needs a Chromium: install chromium")
    platform = living.platform
    tokens = {
        "access_token": platform.token, "token_type": "Bearer", "expires_in": 86_400, "expires": 9e15,
        "hassUrl": platform.url, "clientId": f"{platform.url}/", "refresh_token": "",
    }  # fmt: skip
    login = f"localStorage.setItem('hassTokens', {json.dumps(json.dumps(tokens))})"
    url = f"{platform.url}/display-page/{view}"
    seen = " && ".join(f"{TEXT}.includes({json.dumps(one)})" for one in shows)
    png, text = run_async(
        picture(tmp_path, url, shown=seen, before=login, width=width, height=960, text=TEXT), limit_s=100
    )
    assert png.startswith(b"\x89PNG")
    assert "onfiguration error" not in text
    assert "not available" not in text
    if folder := os.environ.get("DUSKWARD_KEEP_PICTURES"):
        (Path(folder) / f"{view}.png").write_bytes(png)


def _render(platform: HomePlatform, template: str) -> str:
    asked = request.Request(
        f"{platform.url}/api/template",
        json.dumps({"template": template}).encode(),
        {"Authorization": f"Bearer {platform.token}", "Content-Type": "application/json"},
    )
    with request.urlopen(asked, timeout=30) as answer:
        return answer.read().decode()
