"""What a site knows of itself from its history: costs go on, starts and stops are kept."""

import asyncio
from datetime import UTC, datetime, timedelta

from support import free_port, until

from bridge.app import App
from bridge.config import parse
from bridge.history.store import Store
from bridge.history.store_read import StoreReader
from bridge.mqtt.discovery import Discovery
from bridge.mqtt.homie import Tree
from bridge.report.episodes import pauses
from bridge.site.folder import HISTORY
from rules.door import Publish, Record
from rules.ports import Target, TargetKind

SITE = """
site: {{id: lane, name: Lane, timezone: Europe/Dublin, latitude: 53.35, longitude: -6.26,
        state_dir: {folder}}}
broker: {{host: 127.0.0.1, port: {port}}}
{tariff}
controllers:
  gable:
    reach: {{kind: http, url: "http://127.0.0.1:{port}/", every: 1 s, ports: outputs, port: id,
             current: ma | mA}}
    ports: {{1: {{name: Arch}}}}
"""
TARIFF = "tariff: {price: 0.34 EUR/kWh}"
LANE = Target(TargetKind.SITE, "lane")


def settings_of(folder, tariff=TARIFF):
    """A site whose controller and broker are not there."""
    return parse(SITE.format(folder=folder, port=free_port(), tariff=tariff))


def lived(folder):
    """Start the site, wait until it is ready, stop it; what it told of itself."""

    async def go():
        site = App(settings_of(folder))
        running = asyncio.create_task(site.run())
        await asyncio.wait_for(site.ready.wait(), 20.0)
        await until(lambda: "cost" in site.told.get(LANE, {}), what="the cost")
        site.stop()
        await asyncio.wait_for(running, 20.0)
        return dict(site.told[LANE])

    return asyncio.run(go())


def test_app_cost_goes_on_and_starts_are_kept(tmp_path):
    """A site goes on from the cost its history knows; a history that knows none begins at zero."""
    folder = tmp_path / "state"
    assert lived(folder)["cost"] == 0.0
    store = Store(folder / HISTORY, utc_now=lambda: datetime.now(UTC))
    store.start()
    for name, value in (("cost EUR", 12.5), ("cost SEK", 99.0), ("saved-cost EUR", 3.25)):
        store.record(Record("counter", datetime.now(UTC), LANE, {"name": name, "value": value}))
    store.close()
    told = lived(folder)
    assert (told["cost"], told["saved-cost"]) == (12.5, 3.25)
    now = datetime.now(UTC)
    with StoreReader(folder / HISTORY) as reader:
        events = reader.history(
            now - timedelta(hours=1), now + timedelta(hours=1), kinds=("started", "stopped")
        )
    assert [one.kind for one in events] == ["started", "stopped"] * 2
    assert [one.clean for one in pauses(events)] == [True]


def test_app_cost_is_a_property_in_the_tariffs_currency(tmp_path):
    """The site's description names money with its unit, and only where there is a tariff."""
    tree = Tree(App(settings_of(tmp_path)).plan)
    description = tree.descriptions()["lane"]["nodes"]["site"]["properties"]
    assert (description["cost"]["unit"], description["cost"]["datatype"]) == ("EUR", "float")
    assert description["saved-cost"]["unit"] == "EUR"
    [said] = tree.publications(Publish(LANE, "cost", 1.25))
    assert (said.topic, said.payload, said.retain) == ("homie/5/lane/site/cost", b"1.25", True)
    without = Tree(App(settings_of(tmp_path, tariff="")).plan).descriptions()["lane"]
    assert "cost" not in without["nodes"]["site"]["properties"]


def test_app_cost_is_shown_on_dashboards(tmp_path):
    """Dashboards are told of money as money: a total in the tariff's currency, on the topic of the tree."""
    tree = Tree(App(settings_of(tmp_path)).plan)
    shown = dict(Discovery(tree).documents())["lane"]["components"]
    assert shown["cost"]["state_topic"] == "homie/5/lane/site/cost"
    assert (shown["cost"]["device_class"], shown["cost"]["unit_of_measurement"]) == ("monetary", "EUR")
    assert shown["saved-cost"]["state_class"] == "total"
    without = Tree(App(settings_of(tmp_path, tariff="")).plan)
    assert "monetary" not in str(dict(Discovery(without).documents()))
