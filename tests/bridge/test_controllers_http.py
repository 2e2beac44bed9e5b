"""HTTP controllers against servers that misbehave: nothing hangs, is sent twice or is invented.

Known mishaps of small HTTP servers (where they were met: issues of aio-libs/aiohttp), each with its test:

- 7297, a server promises keep-alive and closes, every second POST is lost:
  test_closing_server_twelve_of_twelve
- 3609, a command whose answer is lost is verified and not sent twice:
  test_a_lost_reply_is_unknown_and_never_repeated
- 3005, 3250, 1766, bodies with a BOM, in Latin-1, of a wrong or no type, empty, cut, NaN, 1e400, a text for a
  number, 5000 digits, a key less, 300 MB: test_no_bad_body_ends_the_polling
- a text such as 120 mA counts only where that is configured: test_text_with_unit_only_when_declared (table)
- hyphens without quotes are told at start: test_the_quoting_that_is_proposed_works (table)
- any damage to an answer takes values away: test_damage_takes_away_and_never_adds (table)
- 9547, 3808, one byte every 0.3 s: test_trickling_server_fails_in_time_and_delays_nobody
"""

import asyncio
import contextlib
import json
import ssl
import subprocess

import pytest
import structlog
from aiohttp import web
from controller_faces import (
    LOOPBACK,
    controller_of,
    reach_of,
    serve,
    serve_raw,
    shape_mapping,
    simulated,
)
from pydantic import ValidationError
from support import free_port, run_async, until

from bridge.controllers.base import BadAnswerError, MappingMismatchError, TimedOutError, UnreachableError
from bridge.errors import PermanentError
from bridge.simulator.misbehave import BODIES
from bridge.simulator.web import end
from rules.door import ControllerStatus, Outcome

GOOD = json.dumps({"outputs": [{"id": 1, "ma": 500, "live": True}, {"id": 2, "ma": 0, "live": False}]})


def mapping(base, **more):
    """Two ports at `base`."""
    return {
        "kind": "http", "url": f"{base}/status", "ports": "outputs[*]", "port": "id", "current": "ma | mA",
        "power": "live", "timeout": "300 ms", "every": "50 ms", "slow_every": "50 ms",
        "switch": {"url": f"{base}/output/{{port}}", "json": {"live": "{power}"}}, **more,
    }  # fmt: skip


@pytest.mark.parametrize("body", BODIES)
def test_no_bad_body_ends_the_polling(body):
    """Of each bad body the true values are understood or no value is told; polling goes on after it."""

    async def check() -> None:
        async with simulated("rows") as face:
            events: list = []
            task = asyncio.create_task(face.controller.watch(events.extend))
            await until(lambda: events)
            face.box.misbehave("body", body=body, on="read")
            await asyncio.sleep(0.15)
            events.clear()
            await until(lambda: events)
            for event in events:
                if not isinstance(event, ControllerStatus):
                    # BOM, a wrong or missing type: the answer is good. A bad number: that alone is missing.
                    assert event.power is False
                    assert (event.current_a is not None) is (body in ("bom", "html-type", "no-type"))
            kinds = {isinstance(event, ControllerStatus) for event in events}
            understood = {"bom", "html-type", "no-type", "nan", "infinity", "text-number", "missing-key"}
            assert (False in kinds) is (body in understood)
            face.box.behave()
            events.clear()
            await until(
                lambda: any(not isinstance(e, ControllerStatus) and e.current_a is not None for e in events)
            )
            task.cancel()
            await asyncio.wait({task})

    run_async(check())


def test_closing_server_twelve_of_twelve():
    """A server promises keep-alive and then closes: 6 polls and 6 commands succeed, each sent once."""
    seen: list[str] = []

    async def talk(reader, writer) -> None:
        head = (await reader.readuntil(b"\r\n\r\n")).decode()
        length = next(
            (int(x.split(":")[1]) for x in head.splitlines() if x.lower().startswith("content-length")), 0
        )
        await reader.readexactly(length)
        seen.append(head.split()[0])
        body = GOOD.encode()
        writer.write(
            b"HTTP/1.1 200 OK\r\nConnection: keep-alive\r\nContent-Length: %d\r\n\r\n" % len(body) + body
        )
        await writer.drain()
        await reader.read(1)  # the next request comes on the promised connection, and meets its end
        writer.close()

    async def check() -> None:
        async with serve_raw(talk) as base:
            controller = controller_of(mapping(base), 2)
            for _ in range(6):
                assert len(await controller.read()) == 2
            for number in range(6):
                outcome, detail = await controller.command(1, number % 2 == 0)
                assert outcome is Outcome.ACCEPTED, detail
            await controller.close()
        assert seen == ["GET"] * 6 + ["POST"] * 6

    run_async(check())


def test_a_lost_reply_is_unknown_and_never_repeated():
    """A command whose answer is lost ends as UNKNOWN and was sent exactly once."""
    orders: list[str] = []

    async def handler(request: web.Request) -> web.Response:
        if request.method == "POST":
            orders.append(await request.text())
            request.transport.close()
        return web.Response(text=GOOD)

    async def check() -> None:
        async with serve(handler) as base:
            controller = controller_of(mapping(base), 2)
            outcome, detail = await controller.command(2, True)
            assert outcome is Outcome.UNKNOWN
            assert "a reading must tell" in detail
            await controller.read()
            await controller.close()
        assert orders == ['{"live": true}']

    run_async(check())


def test_trickling_server_fails_in_time_and_delays_nobody():
    """One byte every 50 ms meets the total limit of 300 ms; a healthy controller is polled meanwhile."""

    async def talk(reader, writer) -> None:
        await reader.readuntil(b"\r\n\r\n")
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\n")
        for _ in range(1000):
            writer.write(b" ")
            await asyncio.sleep(0.05)
            if reader.at_eof():
                break
        writer.close()

    async def check() -> None:
        async def good(_request: web.Request) -> web.Response:
            return web.Response(text=GOOD)

        async with serve_raw(talk) as slow, serve(good) as fine:
            trickler, healthy = controller_of(mapping(slow), 2), controller_of(mapping(fine), 2, "shed")
            slow_read = asyncio.create_task(trickler.read())
            for _ in range(5):
                await healthy.read()
            assert not slow_read.done()
            with pytest.raises(TimedOutError, match=r"within 0\.3 s"):
                await asyncio.wait_for(slow_read, 2.0)
            await trickler.close()
            await healthy.close()

    run_async(check())


@pytest.mark.parametrize(
    ("status", "outcome"),
    [(200, Outcome.ACCEPTED), (204, Outcome.ACCEPTED), (302, Outcome.UNKNOWN), (400, Outcome.REFUSED),
     (401, Outcome.REFUSED), (404, Outcome.REFUSED), (500, Outcome.UNKNOWN), (503, Outcome.UNKNOWN)],
)  # fmt: skip
def test_what_a_status_means_for_a_command(status, outcome):
    """2xx is a yes, 4xx a no (RFC 9110, 15.5: "the client seems to have erred"); else nobody knows."""

    async def check() -> None:
        async def handler(_request: web.Request) -> web.Response:
            return web.Response(status=status, headers={"Location": "/elsewhere"} if status == 302 else {})

        async with serve(handler) as base:
            controller = controller_of(mapping(base), 2)
            assert (await controller.command(1, True))[0] is outcome
            await controller.close()

    run_async(check())


def test_not_sent_when_nobody_listens():
    """A refused connection: the command was not sent, and a read says so in words."""

    async def check() -> None:
        controller = controller_of(mapping(f"http://{LOOPBACK}:{free_port()}"), 2)
        assert (await controller.command(1, True))[0] is Outcome.NOT_SENT
        with pytest.raises(UnreachableError, match="can't be reached"):
            await controller.read()
        await controller.close()

    run_async(check())


def test_why_nobody_is_reached_is_said_in_plain_words():
    """A plain server asked by https, and a name nobody knows: told without the library's own words."""

    async def plain(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n")
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()
        gone.set()

    gone = asyncio.Event()

    async def check() -> None:
        async with await asyncio.start_server(plain, LOOPBACK, 0) as server:
            secure = f"https://{LOOPBACK}:{server.sockets[0].getsockname()[1]}"
            for url, words in [
                (secure, "it speaks no TLS there; write http instead of https"),
                ("http://nobody.invalid", r"nobody\.invalid/status: [A-Z][a-z ]+$"),
            ]:
                controller = controller_of(mapping(url), 2)
                with pytest.raises(UnreachableError, match=words):
                    await controller.read()
                await controller.close()
            await gone.wait()

    run_async(check())


def test_answers_may_tell_whether_they_acted():
    """With `accepted` the answer's own word counts: yes, no, or nothing."""
    answers = {1: '{"ok": true}', 2: '{"ok": false}', 3: "{}", 4: "<html>"}

    async def check() -> None:
        async def handler(request: web.Request) -> web.Response:
            return web.Response(text=answers[int(request.path.rpartition("/")[2])])

        async with serve(handler) as base:
            switch = {"url": f"{base}/o/{{port}}", "json": {"p": "{power}"}, "accepted": "ok"}
            controller = controller_of(mapping(base, switch=switch), 4)
            got = [(await controller.command(n, True))[0] for n in answers]
            assert got == [Outcome.ACCEPTED, Outcome.REFUSED, Outcome.UNKNOWN, Outcome.UNKNOWN]
            await controller.close()

    run_async(check())


def test_templates_replace_plainly():
    """Placeholders are replaced as text, quoted for the url, typed in JSON; nothing is evaluated."""
    seen: list[tuple[str, str]] = []

    async def handler(request: web.Request) -> web.Response:
        seen.append((request.raw_path, await request.text()))
        return web.Response()

    async def check() -> None:
        async with serve(handler) as base:
            for switch in (
                {
                    "url": f"{base}/s?p={{port}}&v={{power}}",
                    "method": "GET",
                    "on": "full on/100 %",
                    "off": "0",
                },
                {"url": f"{base}/j", "json": {"n": "{port}", "live": "{power}", "say": "p{port}={power}"}},
                {"url": f"{base}/n", "json": [{"{port}": "{power}"}], "on": 255, "off": 0},
                {"url": f"{base}/b", "body": '{"x": {power}}', "on": 1, "off": 0},
            ):
                controller = controller_of(mapping(base, switch=switch, counts_from=0), 2)
                assert (await controller.command(2, True))[0] is Outcome.ACCEPTED
                await controller.close()

    run_async(check())
    assert seen == [
        ("/s?p=1&v=full%20on/100%20%25", ""),  # RFC 3986, 3.4: a query may hold "/"
        ("/j", '{"n": 1, "live": true, "say": "p1=true"}'),
        ("/n", '[{"1": 255}]'),
        ("/b", '{"x": 1}'),
    ]


def test_clear_comes_first_and_its_failure_stops_the_on():
    """A fuse is cleared before power returns; when that is refused, no power is given."""
    seen: list[str] = []

    async def check() -> None:
        async def handler(request: web.Request) -> web.Response:
            seen.append(request.path)
            return web.Response(status=403 if request.path == "/clear/2" else 200)

        async with serve(handler) as base:
            controller = controller_of(mapping(base, clear={"url": f"{base}/clear/{{port}}"}), 2)
            assert (await controller.command(1, True, clear=True))[0] is Outcome.ACCEPTED
            outcome, detail = await controller.command(2, True, clear=True)
            assert outcome is Outcome.REFUSED
            assert "not cleared" in detail
            assert (await controller.command(1, False, clear=True))[0] is Outcome.ACCEPTED
            await controller.close()
        assert seen == ["/clear/1", "/output/1", "/clear/2", "/output/1"]

    run_async(check())


def test_not_modified_repeats_what_was_said():
    """With an ETag the answer "not modified" stands for the last one, dated anew (RFC 9110, 15.4.5)."""
    asked: list[str | None] = []

    async def check() -> None:
        async def handler(request: web.Request) -> web.Response:
            asked.append(request.headers.get("If-None-Match"))
            if asked[-1] == '"v1"':
                return web.Response(status=304)
            return web.Response(text=GOOD, headers={"ETag": '"v1"'})

        async with serve(handler) as base:
            controller = controller_of(mapping(base), 2)
            first, second = await controller.read(), await controller.read()
            assert [r[2:] for r in first] == [r[2:] for r in second]
            assert second[0].measured_s > first[0].measured_s
            await controller.close()
        assert asked == [None, '"v1"']

    run_async(check())


def test_redirects_stay_on_the_host():
    """A redirect on the same host is followed; one to another host is refused with its name."""

    async def check() -> None:
        async def handler(request: web.Request) -> web.Response:
            if request.path == "/status":
                raise web.HTTPFound("/new")
            if request.path == "/away":
                raise web.HTTPFound("http://elsewhere.example/status")
            if request.path == "/loop":
                raise web.HTTPFound("/loop")
            return web.Response(text=GOOD)

        async with serve(handler) as base:
            controller = controller_of(mapping(base), 2)
            assert len(await controller.read()) == 2
            await controller.close()
            for path, words in (
                ("/away", r"another host, http://elsewhere\.example"),
                ("/loop", "without end"),
            ):
                controller = controller_of(mapping(base, url=base + path), 2)
                with pytest.raises(BadAnswerError, match=words):
                    await controller.read()
                await controller.close()

    run_async(check())


def test_secrets_from_files_and_environment(tmp_path, monkeypatch):
    """Basic, bearer and header secrets are sent; none of them shows in the controller or its errors."""
    (tmp_path / "pw").write_text("kestrel-9\n")
    monkeypatch.setenv("GABLE_TOKEN", "curlew-4")
    seen: list[dict[str, str]] = []

    async def check() -> None:
        async def handler(request: web.Request) -> web.Response:
            seen.append(dict(request.headers))
            return web.Response(status=403)

        async with serve(handler) as base:
            for more in (
                {"auth": {"username": "yard", "password_file": str(tmp_path / "pw")}},
                {
                    "auth": {"token_env": "GABLE_TOKEN"},
                    "headers": {"X-Key": {"env": "GABLE_TOKEN"}, "X-Plain": "1"},
                },
            ):
                controller = controller_of(mapping(base, **more), 2)
                with pytest.raises(BadAnswerError) as failed:
                    await controller.read()
                assert "kestrel" not in str(failed.value) + repr(controller.__dict__["reach"])
                assert "curlew" not in str(failed.value) + repr(controller.__dict__["reach"])
                await controller.close()
        # RFC 7617: base64 of user-id ":" password.
        assert seen[0]["Authorization"] == "Basic eWFyZDprZXN0cmVsLTk="
        assert seen[1]["Authorization"] == "Bearer curlew-4"
        assert (seen[1]["X-Key"], seen[1]["X-Plain"]) == ("curlew-4", "1")

    run_async(check())


def test_a_missing_secret_names_its_place(tmp_path):
    """A secret that can't be read is a permanent error that names the file."""

    async def check() -> None:
        with pytest.raises(PermanentError, match="nowhere"):
            controller_of(mapping("http://127.0.0.1:1", auth={"token_file": str(tmp_path / "nowhere")}), 2)

    run_async(check())


def test_tls_with_an_authority_of_ones_own(tmp_path):
    """A certificate of one's own authority is accepted with `ca_file` and refused without."""
    cert, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", key, "-out", cert,
         "-days", "2", "-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"],
        check=True, capture_output=True,
    )  # fmt: skip

    async def check() -> None:
        app = web.Application()

        async def handler(_request: web.Request) -> web.Response:
            return web.Response(text=GOOD)

        app.router.add_get("/status", handler)
        runner = web.AppRunner(app, access_log=None)
        await runner.setup()
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(cert, key)
        await web.TCPSite(runner, LOOPBACK, 0, ssl_context=context).start()
        base = f"https://{LOOPBACK}:{runner.addresses[0][1]}"
        for tls, fine in (({"ca_file": str(cert)}, True), ({"verify": False}, True), (None, False)):
            controller = controller_of(mapping(base, **({"tls": tls} if tls else {})), 2)
            if fine:
                assert len(await controller.read()) == 2
            else:
                with pytest.raises(UnreachableError, match="certificate"):
                    await controller.read()
            await controller.close()
        await end(runner)

    run_async(check())


def test_one_address_of_several_that_fails():
    """When one of two addresses fails, what the other says still counts and the trouble is told as detail."""

    async def check() -> None:
        async def handler(request: web.Request) -> web.Response:
            return web.Response(text=GOOD) if request.path == "/status" else web.Response(status=500)

        async with serve(handler) as base:
            also = [{"url": f"{base}/more", "ports": "o", "port": "id", "tripped": "open"}]
            controller = controller_of(mapping(base, also=also), 2)
            events: list = []
            task = asyncio.create_task(controller.watch(events.extend))
            await until(lambda: len(events) > 3)
            task.cancel()
            await asyncio.wait({task})
            assert events[0].reachable
            assert "answered 500" in events[0].detail
            assert (events[1].current_a, events[1].tripped) == (0.5, None)
            await controller.close()

    run_async(check())


def test_one_request_per_port():
    """With {port} in the url every port is asked for itself; one that fails is silent alone."""

    async def check() -> None:
        async def handler(request: web.Request) -> web.Response:
            number = int(request.path.rpartition("/")[2])
            return (
                web.Response(status=500)
                if number == 2
                else web.Response(text=json.dumps({"ma": number * 100}))
            )

        async with serve(handler) as base:
            spec = {"kind": "http", "url": f"{base}/o/{{port}}", "current": "ma | mA", "counts_from": 0}
            controller = controller_of(spec, 4)
            readings = await controller.read()
            assert [(r.port, r.current_a) for r in readings] == [
                ("gable/1", 0.0), ("gable/2", 0.1), ("gable/4", pytest.approx(0.3)),
            ]  # fmt: skip
            await controller.close()

    run_async(check())


def test_an_answer_that_never_fits_is_told_as_a_misfit():
    """JSON without the ports is the mapping's trouble, not the network's."""

    async def check() -> None:
        async def handler(_request: web.Request) -> web.Response:
            return web.Response(text='{"channels": []}')

        async with serve(handler) as base:
            controller = controller_of(mapping(base), 2)
            with pytest.raises(MappingMismatchError, match="no list at 'outputs"):
                await controller.read()
            await controller.close()

    run_async(check())


def test_pace_is_slow_at_rest_and_fast_when_hurried():
    """At rest a controller is asked seldom; `hurry`, a command and a powered port make it fast."""
    polls: list[float] = []
    dark = GOOD.replace("true", "false")
    answer = [dark]

    async def check() -> None:
        async def handler(request: web.Request) -> web.Response:
            if request.method == "GET":
                polls.append(asyncio.get_running_loop().time())
            return web.Response(text=answer[0])

        async with serve(handler) as base:
            controller = controller_of(mapping(base, every="30 ms", slow_every="1 h"), 2)
            task = asyncio.create_task(controller.watch(lambda _events: None))
            await until(lambda: len(polls) == 1)
            await asyncio.sleep(0.1)
            assert len(polls) == 1
            controller.hurry(0.2)
            await until(lambda: len(polls) >= 4)
            await asyncio.sleep(0.3)
            at_rest = len(polls)
            await asyncio.sleep(0.1)
            assert len(polls) == at_rest
            await controller.command(1, True)
            await until(lambda: len(polls) >= at_rest + 2)
            answer[0] = GOOD  # a port is powered: the fast pace goes on by itself
            lit = len(polls)
            await until(lambda: len(polls) >= lit + 90, limit_s=20)
            answer[0] = dark
            await asyncio.sleep(0.3)
            at_rest = len(polls)
            await asyncio.sleep(0.1)
            assert len(polls) == at_rest
            task.cancel()
            await asyncio.wait({task})
            await controller.close()

    run_async(check())


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"url": "10.0.5.20/status"}, "no whole address"),
        ({"url": "http://yard:pw@10.0.5.20/"}, "never stands in an address"),
        ({"url": "http://{port}.example/"}, "the host is fixed"),
        ({"url": "http://h/{prot}"}, "{prot} is never replaced"),
        ({"ports": None, "port": None}, "not told where the ports are"),
        ({"switch": {"url": "http://h/{port}"}}, "depends on {power}"),
        ({"switch": {"url": "http://h/{power}", "on": "x"}}, "spell both"),
        ({"switch": {"url": "http://h/", "json": {"a": "{powr}"}}}, "{powr} is never replaced"),
        ({"current": None, "power": None}, "the answer tells nothing"),
        ({"slow_every": "10 ms"}, "pace at rest"),
        ({"auth": {"username": "x"}}, "write username with password_file"),
        ({"headers": {"X Key": "1"}}, "no header name"),
        ({"headers": {"X-Key": "1\r\nX-Evil: 2"}}, "one line"),
        ({"stream": "lines", "also": [{"url": "http://h/", "ports": "o", "power": "x"}]}, "stands alone"),
        ({"every": 1}, "no unit"),
        ({"pots": "o"}, "pots"),
    ],
)  # fmt: skip
def test_mistakes_in_reach_say_what_would_be_right(change, words):
    """What can't be meant is refused when the file is read, with what would be right."""
    spec = {key: value for key, value in (mapping("http://10.0.5.20") | change).items() if value is not None}
    with pytest.raises(ValidationError) as refused:
        reach_of(spec)
    assert words in str(refused.value)


def test_the_design_sketch_is_a_mapping():
    """The mapping of the reference sketch reads as written."""
    reach = reach_of({
        "kind": "http", "url": "http://10.0.5.20/status", "every": "1 s", "ports": "outputs[*]", "port": "id",
        "current": "ma | mA", "power": "live", "tripped": "fuse_open",
        "switch": {"method": "POST", "url": "http://10.0.5.20/output/{port}", "json": {"live": "{power}"}},
    })  # fmt: skip
    assert (reach.every_s, reach.current.unit, reach.told) == (1.0, "mA", {"current", "power", "tripped"})
    assert shape_mapping("rows", "http://10.0.5.20")["kind"] == "http"


def test_what_waits_when_a_controller_is_closed_is_never_sent():
    """A reload closes a controller while commands wait behind one that hangs: the new one gives the next."""
    orders: list[str] = []
    hung = asyncio.Event()

    async def handler(request: web.Request) -> web.Response:
        orders.append(request.path)
        hung.set()
        await asyncio.sleep(30)
        return web.Response()

    async def check() -> None:
        async with serve(handler) as base:
            controller = controller_of(mapping(base, at_once=1), 2)
            first = asyncio.create_task(controller.command(1, True))
            await asyncio.wait_for(hung.wait(), 5)
            waiting = [asyncio.create_task(controller.command(number, True)) for number in (1, 2)]
            await asyncio.sleep(0)
            await controller.close()
            assert (await first)[0] is Outcome.UNKNOWN
            assert [(await one)[0] for one in waiting] == [Outcome.NOT_SENT] * 2
            assert (await controller.command(2, False))[0] is Outcome.NOT_SENT
        assert len(orders) == 1

    with structlog.testing.capture_logs() as logs:
        run_async(check())
    assert not [line for line in logs if line["event"] == "controller.unexpected"]
