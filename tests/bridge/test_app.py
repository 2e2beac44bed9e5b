"""The whole running site in one process: simulated controllers over HTTP, a real broker, real files."""

import asyncio
import contextlib
import threading
from datetime import UTC, datetime
from functools import partial

import pytest
import yaml
from structlog.testing import capture_logs
from support import (
    Observer,
    PrivateBroker,
    mosquitto_program,
    retained_now,
    run_async,
    until,
    wait_for,
)

from bridge import control
from bridge.app import App
from bridge.clock import PacedClock
from bridge.config import load
from bridge.simulator.scenarios import reach_of
from bridge.simulator.site import SimulatedSite
from bridge.simulator.spec import ControllerSpec, PortSpec, SiteSpec, StringSpec
from bridge.site import broker as broker_side
from rules.door import Verb
from rules.ports import Condition, Target, TargetKind

pytestmark = pytest.mark.broker


def spec():
    """Two boxes of two ports that answer in two ways."""
    ports = (PortSpec(1, StringSpec(50)), PortSpec(2, StringSpec(50)))
    return SiteSpec(
        "slate-lane", (ControllerSpec("eave", ports, "rows"), ControllerSpec("mast", ports, "banks"))
    )


def document(site_id, urls, broker, folder, shows=None):
    """The configuration as data; two ports a box, no show unless given."""
    return {
        "site": {
            "id": site_id, "name": "Slate Lane", "timezone": "Europe/Dublin", "latitude": 53.35,
            "longitude": -6.26, "require_synchronised_clock": False, "state_dir": str(folder / "state"),
            "release_delay": "1 s",
        },
        "broker": {"host": broker.host, "port": broker.port},
        "supplies": {"shed": {"volts": "12 V", "rating": "20 A"}},
        "controllers": {
            box: {
                "reach": reach_of(shape, urls[box]) | {"every": "100 ms", "slow_every": "200 ms"},
                "ports": {n: {"name": f"{box} {n}", "supply": "shed", "rating": "4 A"} for n in (1, 2)},
            }
            for box, shape in (("eave", "rows"), ("mast", "banks"))
        },
        "shows": shows or [],
    }  # fmt: skip


@contextlib.asynccontextmanager
async def site(broker, site_id, folder, shows=None, clock=None):
    """A running App with its simulated site and an observer of its topics."""
    simulated = SimulatedSite(spec(), seed=3)
    file = folder / "site.yaml"
    async with simulated.serve() as addresses:
        data = document(site_id, addresses.controllers, broker, folder, shows)
        file.write_text(yaml.safe_dump(data))
        observer = await asyncio.to_thread(Observer, broker.host, broker.port, f"homie/5/{site_id}/#")
        await asyncio.to_thread(observer.subscribe, "homie/5/+/#")
        app = App(load(file), file=file, clock=clock)
        running = asyncio.create_task(app.run(), name="app")
        try:
            await until(
                lambda: observer.latest.get(f"homie/5/{site_id}/$state") == b"ready" or running.done()
            )
            if running.done():
                running.result()
            yield app, simulated, observer, file, data
        finally:
            app.stop()
            await running
            await asyncio.to_thread(observer.close)


async def turn_on(app, simulated, port="eave/1"):
    """Switch a port on by hand, once its controller has answered."""
    target = Target(TargetKind.PORT, port)
    await until(lambda: app.told.get(target, {}).get("power") is False)
    answer = await app.ask(Verb.MODE, target, "on")
    assert answer.accepted, answer.text
    await until(lambda: simulated.truth(port).power)


def topic(site_id, port, name):
    """A port's topic."""
    box, _, number = port.partition("/")
    return f"homie/5/{site_id}-{box}-port-{number}/port/{name}"


def test_power_by_mqtt_reaches_the_controller_and_comes_back(broker, site_id, tmp_path):
    """`true` on power/set powers the port; `$target` shows the payload, `power` what is reported."""

    async def go():
        async with site(broker, site_id, tmp_path) as (_, simulated, observer, *_):
            await until(lambda: observer.latest.get(topic(site_id, "eave/1", "power")) == b"false")
            await asyncio.to_thread(observer.publish, topic(site_id, "eave/1", "power/set"), "true", qos=0)
            await until(lambda: observer.latest.get(topic(site_id, "eave/1", "power")) == b"true")
            assert simulated.truth("eave/1").power
            assert b"true" in observer.of(topic(site_id, "eave/1", "power/$target"))
            assert not simulated.truth("eave/2").power

    run_async(go())


def test_a_refused_command_moves_no_target(broker, site_id, tmp_path):
    """`true` to a held port is answered with a refusal; `$target` stays `false` (Homie 5)."""

    async def go():
        async with site(broker, site_id, tmp_path) as (app, _, observer, *_):
            port = Target(TargetKind.PORT, "eave/1")
            await until(lambda: app.told.get(port, {}).get("power") is False)
            assert (await app.ask(Verb.HOLD, port, "Ann")).accepted
            await asyncio.to_thread(observer.publish, topic(site_id, "eave/1", "power/set"), "true", qos=0)
            answer = topic(site_id, "eave/1", "last-answer")
            await until(lambda: b"Refused" in observer.latest.get(answer, b""))
            assert observer.of(topic(site_id, "eave/1", "power/$target")) == [b"false"]

    run_async(go())


def test_a_retained_command_changes_nothing(broker, site_id, tmp_path):
    """A retained message on a /set topic is refused, answered and leaves the port off (PIT-04)."""

    async def go():
        observer = await asyncio.to_thread(Observer, broker.host, broker.port)
        command = topic(site_id, "eave/1", "power/set")
        await asyncio.to_thread(observer.publish, command, "true", retain=True)
        try:
            async with site(broker, site_id, tmp_path) as (_, simulated, seen, *_):
                answer = topic(site_id, "eave/1", "last-answer")
                await until(lambda: b"retained" in seen.latest.get(answer, b""))
                assert not simulated.truth("eave/1").power
        finally:
            await asyncio.to_thread(observer.publish, command, "", retain=True)
            await asyncio.to_thread(observer.close)

    run_async(go())


def test_a_person_at_the_site_is_heard_without_a_broker(start_mosquitto, site_id, tmp_path):
    """With the broker gone, a hold through the local socket darkens the port and is proven."""

    async def go():
        broker = start_mosquitto()
        async with site(broker, site_id, tmp_path) as (app, simulated, observer, *_):
            await turn_on(app, simulated)
            await asyncio.to_thread(observer.close)
            await asyncio.to_thread(broker.kill)
            folder = tmp_path / "state"
            unknown = await control.ask(folder, {"verb": "hold", "target": "eaves/1", "argument": "Ann"})
            assert (
                unknown["text"]
                == "Refused: there is no eaves/1; names here are like eave/1 or eave/2 or eave."
            )
            answer = await control.ask(folder, {"verb": "hold", "target": "eave/1", "argument": "Ann"})
            assert answer["accepted"], answer
            assert "not isolation" in answer["text"]
            await until(lambda: not simulated.truth("eave/1").power)
            port = Target(TargetKind.PORT, "eave/1")
            await until(lambda: app.told[port].get("hold-state") == "confirmed-off")
            status = (await control.ask(folder, {"verb": "status"}))["status"]
            assert status["broker"] is False
            assert status["ports"]["eave/1"]["hold"][0]["holder"] == "Ann"
            refused = await control.ask(folder, {"verb": "release", "target": "eave/1", "argument": "Bob"})
            assert not refused["accepted"]
            assert "Ann" in refused["text"]
            await asyncio.to_thread(broker.restart)
            await until(lambda: app.broker.link.connected, 30)

            async def all_confirmed() -> bool:
                status = (await control.ask(folder, {"verb": "status"}))["status"]
                return bool(status["broker"]) and status["unacknowledged"] == 0

            confirmed = False
            async with asyncio.timeout(20):
                while not confirmed:
                    confirmed = await all_confirmed()

    run_async(go())


def test_a_hold_survives_a_restart(broker, site_id, tmp_path):
    """A held port is still held by the same holder after the process ended and began again."""

    async def go():
        async with site(broker, site_id, tmp_path) as (app, *_):
            assert (await app.ask(Verb.HOLD, Target(TargetKind.PORT, "mast/2"), "Ann")).accepted
        async with site(broker, site_id, tmp_path) as (app, _, observer, *_):
            held = topic(site_id, "mast/2", "hold")
            await until(lambda: b"Ann" in observer.latest.get(held, b""))
            answer = await app.ask(Verb.MODE, Target(TargetKind.PORT, "mast/2"), "on")
            assert not answer.accepted

    run_async(go())


def test_a_changed_file_is_taken_and_a_bad_one_refused(broker, site_id, tmp_path):
    """A reload takes what changed without a blink elsewhere; a broken file leaves the old plan running."""

    async def go():
        async with site(broker, site_id, tmp_path) as (app, simulated, observer, file, data):
            await turn_on(app, simulated)
            changes = len(simulated.history)
            file.write_text("site: [broken\n")
            app.reload()
            data["controllers"]["mast"]["ports"].pop(2)
            data["controllers"]["mast"]["ports"][1]["name"] = "Mast top"
            await asyncio.sleep(0.3)
            assert len(app.plan.ports) == 4
            file.write_text(yaml.safe_dump(data))
            app.reload()
            await until(lambda: len(app.plan.ports) == 3)
            gone = f"homie/5/{site_id}-mast-port-2/$state"
            await until(lambda: observer.latest.get(gone) == b"")
            described = f"homie/5/{site_id}-mast-port-1/$description"
            await until(lambda: b"Mast top" in observer.latest.get(described, b""))
            await until(lambda: observer.latest.get(f"homie/5/{site_id}/$state") == b"ready")
            assert [one for one in list(simulated.history)[changes:] if one.port == "eave/1"] == []
            assert simulated.truth("eave/1").power

    run_async(go())


def test_a_wording_file_is_read_again_when_it_changes(broker, site_id, tmp_path):
    """Reworded messages are said without a restart; while the file is broken, the words stay as they were."""
    words = tmp_path / "words.yaml"
    words.write_text('fuse-trip: {message: "{where}: as it was"}\n')

    async def go():
        async with site(broker, site_id, tmp_path) as (app, simulated, observer, file, data):

            def said_of_a_trip() -> str:
                return app.plan.wording.conditions[Condition.FUSE_TRIP].message

            data["site"]["wording_file"] = "words.yaml"
            file.write_text(yaml.safe_dump(data))
            app.reload()
            await until(lambda: "as it was" in said_of_a_trip())
            words.write_text("fuse-trip: [broken\n")
            with capture_logs() as logs:
                app.reload()
                await until(lambda: [line for line in logs if line["event"] == "configuration.refused"])
            await turn_on(app, simulated)
            words.write_text('fuse-trip: {message: "{where}: Sicherung offen"}\n')
            await until(lambda: "Sicherung" in said_of_a_trip())
            simulated.port("eave/1").short()
            alert = f"homie/5/{site_id}-eave-port-1/$alert/fuse-trip"
            await until(lambda: b"Sicherung offen" in observer.latest.get(alert, b""))

    run_async(go())


def test_a_calendar_file_is_read_again_when_it_changes(broker, site_id, tmp_path):
    """An event added to the calendar file starts its show without a restart."""
    start = datetime(2025, 12, 5, 18, 0, tzinfo=UTC)
    calendar = tmp_path / "evenings.ics"
    head = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//example//EN\r\n"
    event = (
        "BEGIN:VEVENT\r\nUID:1@example.org\r\nDTSTAMP:20251201T000000Z\r\nSUMMARY:Open evening\r\n"
        "DTSTART:20251205T170000Z\r\nDTEND:20251205T210000Z\r\nEND:VEVENT\r\n"
    )
    calendar.write_text(f"{head}END:VCALENDAR\r\n", newline="")
    shows = [{"name": "Open evening", "when": {"calendar": "evenings.ics"}, "needs": ["eave/*"]}]

    async def go():
        clock = PacedClock(start, 1.0)
        async with site(broker, site_id, tmp_path, shows, clock) as (app, simulated, *_):
            await until(app.ready.is_set)
            assert not simulated.truth("eave/1").power
            calendar.write_text(f"{head}{event}END:VCALENDAR\r\n", newline="")
            app.reload()
            await until(lambda: simulated.truth("eave/1").power, limit_s=10)
            port = Target(TargetKind.PORT, "eave/1")
            assert "Open evening" in app.told[port]["reason"]
            assert app.told[Target(TargetKind.SITE, site_id)]["show"] == "Open evening"

    run_async(go())


def test_a_foreign_tree_under_our_ids_is_refused(broker, site_id, tmp_path, monkeypatch):
    """Another root's description under an id of ours is told and nothing of ours is said, until it goes."""
    monkeypatch.setattr(broker_side, "FOREIGN_AGAIN_S", 0.1)

    async def go():
        observer = await asyncio.to_thread(Observer, broker.host, broker.port, f"{site_id}/#")
        foreign = f"{site_id}/5/{site_id}-eave/$description"
        text = '{"homie":"5.0","version":1,"root":"somebody-else","parent":"somebody-else","nodes":{}}'
        await asyncio.to_thread(observer.publish, foreign, text, retain=True)
        # Not every broker keeps before it confirms.
        kept = partial(retained_now, broker.host, broker.port, foreign)
        await asyncio.to_thread(wait_for, kept, what="the foreign tree on the broker")
        simulated = SimulatedSite(spec(), seed=3)
        file = tmp_path / "site.yaml"
        async with simulated.serve() as addresses:
            data = document(site_id, addresses.controllers, broker, tmp_path)
            # Its own, for the embedded broker hands out a hundred topics at most, of whatever test.
            data["broker"]["prefix"] = site_id
            file.write_text(yaml.safe_dump(data))
            app = App(load(file))
            running = asyncio.create_task(app.run())
            try:
                target = Target(TargetKind.SITE, site_id)
                await until(lambda: app.told.get(target, {}).get("fault") == "duplicate-site")
                assert "somebody-else" in app.told[target]["alert duplicate-site"]
                assert observer.latest[foreign] == text.encode()
                await asyncio.to_thread(observer.publish, foreign, "", retain=True)
                await until(lambda: observer.latest.get(f"{site_id}/5/{site_id}-eave/$state") == b"ready")
                await until(lambda: "returned" in app.told[target]["alarm"])
            finally:
                app.stop()
                await running
                await asyncio.to_thread(observer.publish, foreign, "", retain=True)
                await asyncio.to_thread(observer.close)

    run_async(go())


def test_an_old_alert_is_found_behind_more_topics_than_the_broker_hands_out(site_id, tmp_path):
    """A broker that lets go what is above its queue still tells which alerts stand, and a stale one goes."""
    if mosquitto_program() is None:
        pytest.skip("there is no mosquitto program, whose queue this is about")
    private = PrivateBroker(tmp_path, queue=100)

    async def go():
        ours = f"homie/5/{site_id}-eave-port-1/#"
        observer = await asyncio.to_thread(Observer, private.host, private.port, ours)
        stale = f"homie/5/{site_id}-eave-port-1/$alert/fuse-trip"
        await asyncio.to_thread(observer.publish, stale, "An evening ago.", retain=True)
        for number in range(200):
            other = f"homie/5/neighbour-{number}/$description"
            await asyncio.to_thread(observer.publish, other, "{}", retain=True)
        simulated = SimulatedSite(spec(), seed=3)
        file = tmp_path / "site.yaml"
        async with simulated.serve() as addresses:
            file.write_text(yaml.safe_dump(document(site_id, addresses.controllers, private, tmp_path)))
            app = App(load(file))
            running = asyncio.create_task(app.run())
            try:
                await until(lambda: observer.latest.get(stale) == b"")
            finally:
                app.stop()
                await running
                await asyncio.to_thread(observer.close)

    try:
        run_async(go())
    finally:
        private.stop()


def test_an_unreachable_controller_makes_its_devices_lost(broker, site_id, tmp_path):
    """A controller that stops answering is `lost` with its ports; it comes back by itself."""

    async def go():
        async with site(broker, site_id, tmp_path) as (_, simulated, observer, *_):
            state = f"homie/5/{site_id}-mast/$state"
            await until(lambda: observer.latest.get(state) == b"ready")
            simulated.controller("mast").misbehave("status", code=503)
            await until(lambda: observer.latest.get(state) == b"lost")
            await until(lambda: observer.latest[f"homie/5/{site_id}-mast-port-1/$state"] == b"lost")
            assert observer.latest[f"homie/5/{site_id}-eave/$state"] == b"ready"
            simulated.controller("mast").behave()
            await until(lambda: observer.latest.get(state) == b"ready")

    run_async(go())


def test_energy_goes_on_over_restarts(broker, site_id, tmp_path):
    """The energy counter continues where it was, and never falls, over a clean restart."""

    async def go():
        async with site(broker, site_id, tmp_path) as (app, simulated, *_):
            await turn_on(app, simulated)
            await asyncio.sleep(2.0)
            await app.ask(Verb.MODE, Target(TargetKind.PORT, "eave/1"), "off")
            port = Target(TargetKind.PORT, "eave/1")
            await until(lambda: app.told[port].get("energy", 0.0) > 0.0)
            before = app.told[port]["energy"]
        async with site(broker, site_id, tmp_path) as (app, *_):
            port = Target(TargetKind.PORT, "eave/1")
            await until(lambda: app.told.get(port, {}).get("energy") is not None)
            assert app.told[port]["energy"] >= before
        assert before > 0

    run_async(go())


def test_names_nobody_answers_for_keep_no_request_waiting(broker, site_id, tmp_path):
    """A hold is kept and answered while every thread of the loop waits, as for names of boxes that are off.

    asyncio looks names up (getaddrinfo(3), seconds each) in the default executor, of a few threads.
    """

    async def go():
        async with site(broker, site_id, tmp_path) as (app, *_):
            answered = threading.Event()
            loop = asyncio.get_running_loop()
            lookups = [loop.run_in_executor(None, answered.wait) for _ in range(100)]
            try:
                async with asyncio.timeout(5):
                    assert (await app.ask(Verb.HOLD, Target(TargetKind.PORT, "mast/2"), "Ann")).accepted
            finally:
                answered.set()
                await asyncio.gather(*lookups)

    run_async(go())
