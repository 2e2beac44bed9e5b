"""Reloads of a running site that meet something in their way; broker, files and boxes are real."""

import asyncio
import threading
import time

import pytest
import yaml
from structlog.testing import capture_logs
from support import retained_now, run_async, until
from test_app import site, topic, turn_on

from bridge import control
from rules.door import Alert, Verb
from rules.ports import Condition, Target, TargetKind

pytestmark = pytest.mark.broker


def written(file, data, app):
    """Write the file and have it read."""
    file.write_text(yaml.safe_dump(data))
    app.reload()


def events(logs, name):
    """The log lines of one event."""
    return [line for line in logs if line["event"] == name]


def test_a_file_whose_secret_is_missing_is_refused_and_taken_once_it_is_there(broker, site_id, tmp_path):
    """A controller that can't be made leaves all as it was, told once; when its password comes, it counts."""

    async def go():
        async with site(broker, site_id, tmp_path) as (app, _, __, file, data):
            data["controllers"]["mast"]["reach"]["auth"] = {"username": "ann", "password_file": "pw"}
            data["controllers"]["mast"]["ports"][1]["name"] = "Mast top"
            with capture_logs() as logs:
                written(file, data, app)
                await until(lambda: events(logs, "configuration.refused"))
                for _ in range(2):
                    app.reload()
                    await asyncio.sleep(0.2)
                assert app.plan.ports["mast/1"].name == "mast 1"
                assert len(events(logs, "configuration.refused")) == 1
                assert not events(logs, "configuration.adopted")
                (tmp_path / "pw").write_text("rope\n")
                await until(lambda: app.plan.ports["mast/1"].name == "Mast top")
            await until(lambda: app.controllers.present["mast"].reach.auth is not None)

    run_async(go())


def test_controllers_that_could_not_be_exchanged_are_exchanged_later(broker, site_id, tmp_path, monkeypatch):
    """Where a secret vanishes between the look and the exchange, the exchange is made up for."""

    async def go():
        async with site(broker, site_id, tmp_path) as (app, _, __, file, data):
            secret = tmp_path / "pw"
            secret.write_text("rope\n")
            first = app.controllers.present["mast"]
            adopt = app.configuration.adopt

            def adopt_and_lose(*given):
                adopt(*given)
                secret.unlink()

            monkeypatch.setattr(app.configuration, "adopt", adopt_and_lose)
            data["controllers"]["mast"]["reach"]["auth"] = {"username": "ann", "password_file": "pw"}
            with capture_logs() as logs:
                written(file, data, app)
                await until(lambda: events(logs, "configuration.incomplete"))
            monkeypatch.setattr(app.configuration, "adopt", adopt)
            assert app.controllers.present["mast"] is first
            secret.write_text("rope\n")
            await until(lambda: app.controllers.present["mast"] is not first)

    run_async(go())


def test_what_changes_with_a_restart_only_is_told_and_changes_nothing_before(broker, site_id, tmp_path):
    """A new prefix or partner is told to need a restart; commands and values go on where they were."""

    async def go():
        async with site(broker, site_id, tmp_path) as (app, simulated, observer, file, data):
            data["broker"]["prefix"] = "other"
            (tmp_path / "s").write_text("a secret of some length, as asked for")
            data["standby"] = {
                "name": "attic", "listen": "127.0.0.1:7420", "partner": "127.0.0.1:9", "secret_file": "s"
            }  # fmt: skip
            data["controllers"]["mast"]["ports"][1]["name"] = "Mast top"
            with capture_logs() as logs:
                written(file, data, app)
                described = f"homie/5/{site_id}-mast-port-1/$description"
                await until(lambda: b"Mast top" in observer.latest.get(described, b""))
            (told,) = events(logs, "configuration.needs_restart")
            assert "broker and standby" in told["what"]
            await asyncio.to_thread(observer.publish, topic(site_id, "eave/1", "power/set"), "true", qos=0)
            await until(lambda: simulated.truth("eave/1").power)
            assert observer.latest[f"homie/5/{site_id}/$state"] == b"ready"

    run_async(go())


def test_a_part_that_left_is_told_no_more(broker, site_id, tmp_path):
    """`status` names the parts there are: a controller that left the file leaves it with its ports."""

    async def go():
        async with site(broker, site_id, tmp_path) as (app, _, __, file, data):
            await until(lambda: app.told.get(Target(TargetKind.PORT, "mast/2"), {}).get("power") is False)
            del data["controllers"]["mast"]
            written(file, data, app)
            await until(lambda: len(app.plan.ports) == 2)
            status = (await control.ask(tmp_path / "state", {"verb": "status"}))["status"]
            assert sorted(status["ports"]) == ["eave/1", "eave/2"]
            assert list(status["controllers"]) == ["eave"]

    run_async(go())


def test_a_file_put_back_while_a_port_leaves_keeps_the_port(broker, site_id, tmp_path):
    """A port taken out by mistake and put back before it was seen dark stays, and nothing is told as gone."""

    async def go():
        async with site(broker, site_id, tmp_path) as (app, simulated, observer, file, data):
            await turn_on(app, simulated, "mast/2")
            await until(lambda: app.told[Target(TargetKind.PORT, "mast/2")].get("power") is True)
            simulated.controller("mast").misbehave("hang")
            whole = yaml.safe_dump(data)
            port = data["controllers"]["mast"]["ports"].pop(2)
            with capture_logs() as logs:
                written(file, data, app)
                await until(lambda: app.runner.engine.state.ports["mast/2"].leaving)
                data["controllers"]["mast"]["ports"][2] = port
                file.write_text(whole)
                app.reload()
                await until(lambda: not app.runner.engine.state.ports["mast/2"].leaving)
                await until(lambda: events(logs, "configuration.adopted"))
            assert "mast/2" in app.plan.ports
            assert "mast/2" in app.runner.engine.state.ports
            assert observer.latest.get(f"homie/5/{site_id}-mast-port-2/$state") != b""

    run_async(go())


def test_a_broker_that_comes_back_with_an_older_memory_is_set_right(start_mosquitto, site_id, tmp_path):
    """What was taken away since the broker last wrote to disk, alerts and devices, goes again (PIT-33)."""
    base, documents = "homie/5", "homeassistant/device"

    async def go():
        broker = start_mosquitto("persistence true", f"persistence_location {tmp_path}/")
        async with site(broker, site_id, tmp_path) as (app, _, __, file, data):
            link, alert = app.broker.link, f"{base}/{site_id}-eave-port-1/$alert/fuse-trip"

            async def settled():
                await until(lambda: link.connected and not link.unacknowledged)

            async def held():
                found = await asyncio.to_thread(retained_now, broker.host, broker.port, "#")
                return {topic for topic in found if topic == alert or f"/{site_id}-mast" in topic}

            target = Target(TargetKind.PORT, "eave/1")
            app.broker.outlet.say(Alert(target, Condition.FUSE_TRIP, "The fuse opened."))
            await settled()
            await asyncio.to_thread(broker.stop)  # it writes what it holds
            await asyncio.to_thread(broker.start)
            await settled()
            assert {alert, f"{documents}/{site_id}-mast/config"} <= await held()
            app.broker.outlet.say(Alert(target, Condition.FUSE_TRIP, None))
            del data["controllers"]["mast"]
            written(file, data, app)
            await until(lambda: len(app.plan.ports) == 2)
            await settled()
            assert await held() == set()
            await asyncio.to_thread(broker.kill)  # and now it does not
            await until(lambda: not link.connected)
            await asyncio.to_thread(broker.start)
            await settled()
            end_s = time.monotonic() + 10
            while left := await held():
                assert time.monotonic() < end_s, left

    run_async(go())


def test_a_controller_that_left_and_returns_is_not_ready_before_it_answers(broker, site_id, tmp_path):
    """What was known of a controller goes with it: put back while it hangs, it is `init`, then `lost`."""

    async def go():
        async with site(broker, site_id, tmp_path) as (app, simulated, observer, file, data):
            state = f"homie/5/{site_id}-mast/$state"
            await until(lambda: observer.latest.get(state) == b"ready")
            mast = data["controllers"].pop("mast")
            written(file, data, app)
            await until(lambda: observer.latest.get(state) == b"")
            simulated.controller("mast").misbehave("hang")
            before = len(observer.of(state))
            data["controllers"]["mast"] = mast
            written(file, data, app)
            await until(lambda: observer.latest.get(state) == b"lost", limit_s=20)
            assert b"ready" not in observer.of(state)[before:]

    run_async(go())


def test_an_answer_for_a_port_that_left_meanwhile_is_no_fault(broker, site_id, tmp_path, monkeypatch):
    """On a slow disk a port may have left before an answer for it: who asked gets it, and all goes on."""

    async def go():
        async with site(broker, site_id, tmp_path) as (app, _, __, file, data):
            target = Target(TargetKind.PORT, "mast/2")
            await until(lambda: app.told.get(target, {}).get("power") is False)
            written_once, keeper = threading.Event(), app.runner._keeper
            write = keeper.write

            def slowly(safety):
                written_once.wait(10)
                write(safety)

            monkeypatch.setattr(keeper, "write", slowly, raising=True)
            asking = asyncio.create_task(app.ask(Verb.MODE, target, "auto"))
            await until(lambda: app.runner._waiting)
            data["controllers"]["mast"]["ports"].pop(2)
            written(file, data, app)
            await until(lambda: len(app.plan.ports) == 3)
            written_once.set()
            assert (await asking).accepted
            await until(lambda: not app.runner._waiting)
            assert target not in app.told
            assert app.told[Target(TargetKind.SITE, site_id)]["fault"] == "none"

    run_async(go())


def test_a_port_that_comes_by_a_reload_is_ready_when_its_values_are_said(broker, site_id, tmp_path):
    """`init`, description, values, `ready`: a new port has its reason before it is ready (PIT-12)."""

    async def go():
        async with site(broker, site_id, tmp_path) as (app, _, observer, file, data):
            state, reason = f"homie/5/{site_id}-mast-port-2/$state", topic(site_id, "mast/2", "reason")
            await until(lambda: observer.latest.get(state) == b"ready")
            port = data["controllers"]["mast"]["ports"].pop(2)
            written(file, data, app)
            await until(lambda: observer.latest.get(state) == b"")
            before = len(observer.messages)
            data["controllers"]["mast"]["ports"][2] = port
            written(file, data, app)
            await until(lambda: observer.latest.get(state) == b"ready")
            said = [(seen.topic, seen.payload) for seen in list(observer.messages)[before:]]
            assert reason in [one for one, _ in said[: said.index((state, b"ready"))]]
            assert said.index((state, b"init")) < said.index((state, b"ready"))

    run_async(go())


def test_a_stop_right_after_a_reload_was_asked_for_ends_the_watch(broker, site_id, tmp_path):
    """Asked to read again and to end in one moment, what watches the files ends.

    On Python 3.11 asyncio.wait_for swallows a cancellation that comes as its wait ends (seen here): then the
    process never ends.
    """

    async def go():
        async with site(broker, site_id, tmp_path) as (app, *_):
            asked = asyncio.Event()
            watching = asyncio.create_task(app.reloading.watch(asked))
            await asyncio.sleep(0.1)
            asked.set()
            await asyncio.sleep(0)
            watching.cancel()
            done, _ = await asyncio.wait({watching}, timeout=3)
            watching.cancel()
            assert done

    run_async(go())


def test_a_stop_breaks_off_every_exchange_under_way(broker, site_id, tmp_path):
    """Of two reloads in a row, the first one's exchange ends with the site as well: it would watch anew."""

    async def go():
        async with site(broker, site_id, tmp_path) as (app, *_):
            reloading, forever = app.reloading, asyncio.Event()
            earlier = asyncio.create_task(forever.wait())
            reloading._exchanging = asyncio.create_task(
                reloading._exchange(earlier, app.configuration.settings, app.plan)
            )
            await asyncio.sleep(0.05)
            await reloading.stop()
            ended = earlier.done()
            forever.set()
            assert ended

    run_async(go())
