"""A site of two processes, whole: what a person is told of the one that stands by."""

import asyncio
from contextlib import AsyncExitStack
from pathlib import Path

import pytest
import yaml
from support import LOOPBACK, BrokerAddress, Observer, free_port, run_async, until
from test_count_whole import NOON, site_file, site_spec

from bridge import readiness
from bridge.app import App
from bridge.clock import PacedClock
from bridge.config import load
from bridge.config.fingerprint import fingerprint
from bridge.simulator.site import SimulatedSite
from rules.door import Verb
from rules.ports import Target, TargetKind


def test_a_person_is_told_of_a_standby_that_could_not_take_over(
    tmp_path: Path, site_id: str, broker: BrokerAddress, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An edit of one file only becomes a retained alert of the site, and is over when the other is edited."""
    monkeypatch.setattr(readiness, "FAULT_S", 1.0)
    (secret := tmp_path / "secret").write_text("what both of them know")
    ports = {"attic": free_port(), "shed": free_port()}
    topic = f"homie/5/{site_id}/$alert/standby-fault"
    observer = Observer(broker.host, broker.port, f"homie/5/{site_id}/#")

    def file_of(name: str, partner: str, url: str, hears: tuple[str, int]) -> Path:
        (tmp_path / name).mkdir()
        standby = {
            "name": name,
            "listen": f"{LOOPBACK}:{ports[name]}",
            "partner": f"{LOOPBACK}:{ports[partner]}",
            "secret_file": str(secret),
        }
        return site_file(tmp_path / name, site_id, broker, url, hears, standby=standby)

    async def story() -> None:
        async with AsyncExitStack() as stack:
            site = SimulatedSite(site_spec(), seed=3)
            addresses = await stack.enter_async_context(site.serve(e131=True))
            assert addresses.e131 is not None
            files = [
                file_of(name, partner, addresses.controllers["eave"], addresses.e131)
                for name, partner in (("attic", "shed"), ("shed", "attic"))
            ]
            apps = [App(load(file), file=file, clock=PacedClock(NOON, 1.0)) for file in files]
            tasks = []
            try:
                tasks.append(asyncio.create_task(apps[0].run()))
                await asyncio.wait_for(apps[0].ready.wait(), 20.0)
                tasks.append(asyncio.create_task(apps[1].run()))
                told = Target(TargetKind.SITE, site_id)
                await asyncio.sleep(3.0)  # beside a partner with the same file, for long enough to be told
                assert "alert standby-fault" not in apps[0].told[told]
                document = yaml.safe_load(files[0].read_text())
                document["site"]["name"] = "Slate Yard and Lane"
                files[0].write_text(yaml.safe_dump(document))
                await until(lambda: apps[0].told[told].get("alert standby-fault"), 15.0, "the alert")
                await until(
                    lambda: b"configuration file" in observer.latest.get(topic, b""), what="its topic"
                )
                other = yaml.safe_load(files[1].read_text())
                files[1].write_text(yaml.safe_dump({**document, "standby": other["standby"]}))
                await until(lambda: apps[0].told[told]["fault"] == "none", 15.0, "its end")
                await apps[0].ask(Verb.ACKNOWLEDGE, told, "standby-fault")
                await until(lambda: observer.latest.get(topic) == b"", what="the alert gone")
            finally:
                for app in apps:
                    app.stop()
                await asyncio.gather(*tasks)

    try:
        run_async(story(), limit_s=80.0)
    finally:
        observer.close()


def test_a_fingerprint_is_of_what_both_machines_share(tmp_path: Path) -> None:
    """Comments, the state's folder and the pair's own section make no other file; a port's name does."""
    one, two, three = (tmp_path / name for name in ("one.yaml", "two.yaml", "three.yaml"))
    one.write_text("site: {id: lane, state_dir: a}\nports: {1: Arch}\nstandby: {name: attic}\n")
    two.write_text("# the shed's\nsite:\n  id: 'lane'\n  state_dir: b\nports:\n  1: Arch\n")
    three.write_text("site: {id: lane, state_dir: a}\nports: {1: Long arch}\nstandby: {name: attic}\n")
    assert fingerprint(one) == fingerprint(two) != fingerprint(three)
    assert fingerprint(tmp_path / "none.yaml") == ""
