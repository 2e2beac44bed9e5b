"""The simulated site over real HTTP: every shape, every misbehaviour, every bad body, control, E1.31."""

import asyncio
import json
import signal
import socket
import subprocess
import sys
from contextlib import asynccontextmanager, suppress
from typing import get_args

import aiohttp
import pytest
import sacn
from aiohttp import web

from bridge.simulator.clock import ManualClock, SpeedClock
from bridge.simulator.misbehave import BODIES, Misbehaviour, MisbehaviourKind
from bridge.simulator.shapes import SHAPES, Voice
from bridge.simulator.site import SimulatedSite
from bridge.simulator.spec import ControllerSpec, PortSpec, SensorSpec, ShapeName, SiteSpec, StringSpec
from bridge.simulator.web import end

EXACT = SensorSpec(noise_a=0.0, step_a=0.0, refresh_s=0.0, signed=True)
LIMIT = aiohttp.ClientTimeout(total=5.0)
SHORT = aiohttp.ClientTimeout(total=0.4)


class Bench:
    """A served site of one controller, a client session, and short words for both."""

    def __init__(self, site, addresses, http):
        self.site, self.addresses, self.http = site, addresses, http
        self.box = site.controller("gable")
        self.url = addresses.controllers["gable"]

    async def get(self, path="/status", **options):
        """GET: status, headers, body."""
        async with self.http.get(self.url + path, **options) as answer:
            return answer.status, answer.headers, await answer.read()

    async def json(self, path="/status", **options):
        """GET, read as JSON."""
        return json.loads((await self.get(path, **options))[2])

    async def switch(self, live, number=1, **options):
        """Order power the way of the shape `rows`."""
        async with self.http.post(f"{self.url}/output/{number}", json={"live": live}, **options) as answer:
            return answer.status, await answer.json()

    async def control(self, path, **asked):
        """POST to the control endpoint."""
        async with self.http.post(f"{self.addresses.control}/{path}", json=asked) as answer:
            return answer.status, await answer.json()

    def power(self, number=1):
        """Whether the port is really powered."""
        return self.site.truth(f"gable/{number}").power


@asynccontextmanager
async def bench(shape="rows", clock=None, **options):
    """Serve a site of one controller with two ports."""
    ports = tuple(PortSpec(n, StringSpec(100), sensor=EXACT) for n in (1, 2))
    site = SimulatedSite(
        SiteSpec("yard", (ControllerSpec("gable", ports, shape, **options),)), clock=clock or SpeedClock()
    )
    async with site.serve() as addresses, aiohttp.ClientSession(timeout=LIMIT) as http:
        yield Bench(site, addresses, http)


async def until(condition, limit_s=5.0):
    """Wait until `condition()` is true."""
    async with asyncio.timeout(limit_s):
        while not condition():  # noqa: ASYNC110 - the simulator lives in this loop, and nothing else tells
            await asyncio.sleep(0.01)


@pytest.mark.parametrize("turns", range(7))
def test_a_connection_of_the_last_moment_ends_with_its_server(turns):
    """However far the server is with a connection when it stops, the other side learns that it is over."""

    async def _run():
        runner = web.AppRunner(web.Application(), shutdown_timeout=0.01)
        await runner.setup()
        await web.TCPSite(runner, "127.0.0.1", 0).start()
        with socket.create_connection(runner.addresses[0], timeout=5) as client:
            client.setblocking(False)
            for _ in range(turns):
                await asyncio.sleep(0)
            await end(runner)
            with suppress(ConnectionResetError):
                assert await asyncio.wait_for(asyncio.get_running_loop().sock_recv(client, 1), 5) == b""

    asyncio.run(_run())


# ---------------------------------------------------------------- shapes

ORDERS = {
    "rows": lambda on: ("POST", "/output/1", {"live": on}),
    "keyed": lambda on: ("PUT", f"/v2/loads/out-1/{'up' if on else 'down'}", None),
    "columns": lambda on: ("GET", f"/relay?ch=1&to={int(on)}", None),
    "banks": lambda on: ("POST", "/banks/slot/1", {"contact": "closed" if on else "open"}),
    "worded": lambda on: ("POST", "/tell", {"line": "1", "be": "powered" if on else "unpowered"}),
}
CLEARS = {
    "rows": ("POST", "/output/1", {"mend": True}),
    "keyed": ("PUT", "/v2/loads/out-1/rearm", None),
    "columns": ("GET", "/rearm?ch=1", None),
    "banks": ("POST", "/banks/guard/1", None),
    "worded": ("POST", "/tell", {"line": "1", "be": "rearmed"}),
}


def tells_of(shape, documents):
    """(current [A], power, tripped) of port 1, read out by hand."""
    first = documents[0]
    if shape == "rows":
        port = first["outputs"][0]
        return port["draw_ma"] / 1e3, port["live"], port["fuse_open"]
    if shape == "keyed":
        port = first["loads"]["out-1"]
        return port["amps-now"], port["power-up"], port["protector-open"]
    if shape == "columns":
        current_a = (first["adc"][0] + first["offset"]) * first["factor"]
        return current_a, first["closed"][0] == 1, first["blown"][0] == 1
    if shape == "banks":
        state = documents[1]["banks"][0]["slots"][0]
        raw = first["banks"][0]["slots"][0]["raw"]
        return raw / 1e3, state["contact"] == "closed", state["guard"] == "open"
    line = first["lines"][0]
    return float(line["load"].removesuffix(" mA")) / 1e3, line["is"] == "powered", line["is"] == "tripped"


@pytest.mark.parametrize("shape", get_args(ShapeName))
def test_every_shape_tells_and_switches(shape):
    """Each shape, read and switched its own way: off, on with current, tripped, cleared."""

    async def _run():
        async with bench(shape) as b:

            async def _send(method, path, body):
                async with b.http.request(method, b.url + path, json=body) as answer:
                    assert answer.status == 200, await answer.text()
                    return await answer.json()

            async def _tell():
                return tells_of(shape, [await _send(*read, None) for read in SHAPES[shape].reads])

            assert await _tell() == (pytest.approx(0.0, abs=1e-9), False, False)
            await _send(*ORDERS[shape](True))
            assert await _tell() == (pytest.approx(0.226, abs=0.01), True, False)
            b.site.port("gable/1").short()
            await until(lambda: not b.power())
            current_a, power, tripped = await _tell()
            assert (current_a, power, tripped) == (pytest.approx(0.0, abs=1e-9), False, True)
            b.site.port("gable/1").clear_fault()
            await _send(*CLEARS[shape])
            assert b.power()
            await _send(*ORDERS[shape](False))
            assert not b.power()

    asyncio.run(_run())


def test_banks_tell_small_negative_currents_as_unsigned():
    """-1 mA in 16 bits reads as 65535, the way of a signed register read as unsigned."""
    site = SimulatedSite(
        SiteSpec(
            "yard",
            (
                ControllerSpec(
                    "gable",
                    (PortSpec(1, sensor=SensorSpec(offset_a=-0.001, noise_a=0, step_a=0, signed=True)),),
                ),
            ),
        ),
        clock=ManualClock(),
    )
    voice = Voice("gable", 1.0, [site.port("gable/1").told()])
    assert SHAPES["banks"].document("/banks/currents", voice)["banks"][0]["slots"][0]["raw"] == 65535


def test_requests_that_can_not_be_meant_are_refused_in_words():
    """Unknown ports and places are 404, broken orders 400, each with a sentence."""

    async def _run():
        async with bench() as b:
            assert await b.switch(True, 9) == (404, {"refused": "no port 9; there are: 1, 2"})
            status, said = await b.switch("yes")
            assert (status, said["refused"]) == (400, 'say {"live": true} or {"live": false}')
            assert (await b.get("/nowhere"))[0] == 404
            async with b.http.post(b.url + "/output/1", data=b"{") as answer:
                assert answer.status == 400

    asyncio.run(_run())


@pytest.mark.parametrize(("path", "start"), [("/feed", b"{"), ("/events", b"event: reading\ndata: {")])
def test_push_streams_tell_again_and_again(path, start):
    """One JSON document a line, or server-sent events; a change shows in a later one."""

    async def _run():
        async with bench() as b, b.http.get(b.url + path, timeout=LIMIT) as answer:
            first = await answer.content.readuntil(b"}]}")
            assert first.startswith(start)
            assert b'"live": false' in first
            await b.switch(True)
            async with asyncio.timeout(5.0):
                while b'"live": true' not in await answer.content.readuntil(b"}]}"):
                    pass

    asyncio.run(_run())


# ---------------------------------------------------------------- misbehaviour


async def check_hang(b):
    """No answer comes, and an order is not carried out."""
    b.box.misbehave("hang")
    with pytest.raises(TimeoutError):
        await b.get(timeout=SHORT)
    with pytest.raises(TimeoutError):
        await b.switch(True, timeout=SHORT)
    assert not b.power()


async def check_slow(b):
    """Bytes trickle: each comes soon, the whole does not."""
    b.box.misbehave("slow", gap_s=0.05)
    with pytest.raises(TimeoutError):
        await b.get(timeout=SHORT)
    async with b.http.get(b.url + "/status", timeout=aiohttp.ClientTimeout(sock_read=2.0)) as answer:
        assert len(await answer.content.read(1)) == 1
        assert len(await answer.content.read(1)) == 1


async def check_deaf(b):
    """The order is answered well and nothing happens."""
    b.box.misbehave("deaf")
    assert await b.switch(True) == (200, {"done": True})
    assert not b.power()
    assert b.site.orders == []


async def check_claims_on(b):
    """Power is told though there is none."""
    b.box.misbehave("claims-on")
    assert (await b.json())["outputs"][0]["live"] is True
    assert not b.power()


async def check_acts_late(b):
    """The order is carried out later."""
    b.box.misbehave("acts-late", delay_s=0.3)
    assert (await b.switch(True))[0] == 200
    assert not b.power()
    await until(b.power)


async def check_loses_reply(b):
    """The order is carried out, and the answer never comes."""
    b.box.misbehave("loses-reply", on="order")
    with pytest.raises(aiohttp.ClientError):
        await b.switch(True)
    assert b.power()


async def check_closes(b):
    """Keep-alive is promised and broken: on one connection only the first POST can succeed."""
    b.box.misbehave("closes")
    host, port = b.url.removeprefix("http://").split(":")
    reader, writer = await asyncio.open_connection(host, int(port))
    writer.write(b"GET /status HTTP/1.1\r\nHost: x\r\n\r\n")
    answer = await reader.read()
    writer.close()
    await writer.wait_closed()
    assert answer.startswith(b"HTTP/1.1 200")
    assert b"connection: close" not in answer.lower()  # RFC 9112, 9.3: HTTP/1.1 without close is persistent


async def check_status(b):
    """The status asked for, for reads and orders."""
    for code in (500, 503):
        b.box.misbehave("status", code=code)
        assert (await b.get())[0] == code
    async with b.http.post(b.url + "/output/1", json={"live": True}) as answer:
        assert answer.status == 503
    assert not b.power()


async def check_body(b):
    """A body cut short is no JSON (each kind has its own test)."""
    b.box.misbehave("body", body="cut")
    with pytest.raises(ValueError, match=r"delimiter|Expecting|Unterminated"):
        await b.json()


async def check_fewer_ports(b):
    """The last port is gone from the answer."""
    b.box.misbehave("fewer-ports", ports=1)
    assert [each["id"] for each in (await b.json())["outputs"]] == [1]


async def check_redirect(b):
    """The caller is sent elsewhere."""
    b.box.misbehave("redirect", url="http://127.0.0.1:9/elsewhere")
    status, headers, _ = await b.get(allow_redirects=False)
    assert (status, headers["Location"]) == (302, "http://127.0.0.1:9/elsewhere")


@pytest.mark.parametrize("kind", get_args(MisbehaviourKind))
def test_each_misbehaviour_shows_and_ends(kind):
    """Each kind has its effect over real HTTP, and the box answers well when it ended."""

    async def _run():
        async with bench() as b:
            await globals()[f"check_{kind.replace('-', '_')}"](b)
            b.box.behave()
            assert len((await b.json())["outputs"]) == 2
            assert (await b.switch(False))[0] == 200

    asyncio.run(_run())


def test_misbehaviour_can_be_counted_and_limited_to_reads_or_orders():
    """Two bad reads, then good ones; orders are untouched all along."""

    async def _run():
        async with bench() as b:
            b.box.misbehave("status", on="read", times=2, code=500)
            assert (await b.switch(True))[0] == 200
            assert [(await b.get())[0] for _ in range(3)] == [500, 500, 200]

    asyncio.run(_run())


def test_a_restart_refuses_connections_and_comes_back_on_the_same_port():
    """While it is down nothing listens; then it answers at the same place, ports off, counters at 0."""

    async def _run():
        async with bench() as b:
            await b.switch(True)
            b.box.restart(down_s=0.5)
            assert not b.power()
            refused = False
            async with asyncio.timeout(5.0):
                while not refused:
                    try:
                        await b.get(timeout=SHORT)
                    except aiohttp.ClientConnectionError:
                        refused = True
            said = None
            async with asyncio.timeout(5.0):
                while said is None:
                    try:
                        said = await b.json()
                    except aiohttp.ClientConnectionError:
                        await asyncio.sleep(0.02)
            assert said["outputs"][0]["live"] is False
            assert said["uptime_s"] < 3.0

    asyncio.run(_run())


BODY_CHECKS = {
    "bom": lambda b, t: b.startswith(b"\xef\xbb\xbf{"),
    "latin-1": lambda b, t: b"\xfc" in b and b"\xdf" in b,
    "html-type": lambda b, t: t.startswith("text/html") and json.loads(b)["outputs"],
    "no-type": lambda b, t: t == "" and json.loads(b)["outputs"],
    "empty": lambda b, t: b == b"",
    "cut": lambda b, t: b.startswith(b"{") and not b.endswith(b"}"),
    "nan": lambda b, t: b'"draw_ma": NaN' in b,
    "infinity": lambda b, t: b'"draw_ma": 1e400' in b,
    "text-number": lambda b, t: b'"draw_ma": "120 mA"' in b,
    "huge-integer": lambda b, t: b"0" * 4999 in b,
    "missing-key": lambda b, t: b"draw_ma" not in b and b'"live"' in b,
    "not-json": lambda b, t: b.startswith(b"<html>"),
    "wrong-shape": lambda b, t: isinstance(json.loads(b), list),
}


@pytest.mark.parametrize("kind", sorted(BODY_CHECKS))
def test_each_bad_body_is_what_its_name_says(kind):
    """The body over real HTTP has exactly the fault of its kind."""

    async def _run():
        async with bench() as b:
            b.box.misbehave("body", body=kind)
            _, headers, body = await b.get()
            assert BODY_CHECKS[kind](body, headers.get("Content-Type", "")), (headers, body[:200])

    asyncio.run(_run())


def test_an_endless_body_goes_on_beyond_any_cap():
    """After 8 MB there is still more, and the server survives the reader who leaves."""

    async def _run():
        async with bench() as b:
            b.box.misbehave("body", body="endless")
            got = 0
            async with b.http.get(b.url + "/status") as answer:
                async for piece in answer.content.iter_chunked(65536):
                    got += len(piece)
                    if got > 8_000_000:
                        break
                answer.close()
            assert got > 8_000_000
            b.box.behave()
            assert (await b.get())[0] == 200

    asyncio.run(_run())


def test_every_body_kind_is_checked():
    """No bad body goes without a check."""
    assert set(BODIES) == set(BODY_CHECKS) | {"endless"}


def test_misbehaviour_that_can_not_be_meant_is_refused():
    """Unknown kinds and bodies are refused with what there is."""
    with pytest.raises(ValueError, match="it must be one of: hang"):
        Misbehaviour("sulk")
    with pytest.raises(ValueError, match="it must be one of: bom"):
        Misbehaviour("body", body="poem")
    with pytest.raises(ValueError, match="at least 1"):
        Misbehaviour("hang", times=0)


# ---------------------------------------------------------------- control, E1.31, own process


def test_the_control_endpoint_does_from_outside_what_handles_do():
    """Fault, mend, misbehave, behave, levels, restart, clock, truth and history by HTTP."""

    async def _run():
        async with bench(clock=ManualClock()) as b:
            await b.switch(True)
            assert await b.control("fault", port="gable/1", kind="short") == (200, {"done": True})
            assert (await b.control("clock", advance_s=1.0))[1] == {"now_s": 1.0}
            async with b.http.get(b.addresses.control + "/truth") as answer:
                truth = await answer.json()
            assert truth["gable/1"]["fuse_open"] is True
            async with b.http.get(b.addresses.control + "/history?since=1") as answer:
                history = await answer.json()
            assert [(each["port"], each["power"], each["cause"]) for each in history["power"]] == [
                ("gable/1", False, "trip")
            ]
            assert [each["power"] for each in history["orders"]] == [True]
            await b.control("mend", port="gable/1")
            await b.control("misbehave", controller="gable", kind="status", code=500)
            assert (await b.get())[0] == 500
            await b.control("behave", controller="gable")
            assert (await b.get())[0] == 200
            await b.switch(True, 2)
            await b.control("levels", port="gable/2", hex="ff" * 300)
            assert b.site.truth("gable/2").current_a > 4.0
            await b.control("restart", controller="gable", down_s=1.0)
            assert not b.power(2)

    asyncio.run(_run())


@pytest.mark.parametrize(
    ("path", "asked", "told"),
    [
        ("fault", {"port": "gable/9", "kind": "short"}, "there are: gable/1, gable/2"),
        ("fault", {"port": "gable/1", "kind": "gremlin"}, "Input should be 'short'"),
        (
            "fault",
            {"port": "gable/1", "kind": "power-tail", "at": 5.5},
            "at: Input should be a valid integer",
        ),
        ("fault", {"port": "gable/1", "kind": "power-tail", "at": 100}, "gable/1 has 100 pixels"),
        ("fault", {"port": "gable/1", "kind": "short", "size": 3}, "size: Unexpected key"),
        ("fault", {"kind": "short"}, "missing: port"),
        ("misbehave", {"controller": "shed", "kind": "hang"}, "there are: gable"),
        ("clock", {"advance_s": 1}, "say speed to a SpeedClock"),
    ],
)
def test_the_control_endpoint_refuses_in_words(path, asked, told):
    """What can't be meant is a 400 with what would be right."""

    async def _run():
        async with bench() as b:
            status, said = await b.control(path, **asked)
            assert status == 400
            assert told in said["refused"]

    asyncio.run(_run())


@pytest.mark.parametrize("terminated", [True, False])
def test_levels_arrive_by_e131_from_an_independent_sender(terminated):
    """A packet of another library lights the string; the show comes back at once when the stream is
    terminated, and 2.5 s after a source fell silent (E1.31 network data loss timeout).
    """  # noqa: D205 - one promise in two cases

    async def _run():
        ports = (PortSpec(1, StringSpec(100), power_at_start=True),)
        site = SimulatedSite(SiteSpec("yard", (ControllerSpec("gable", ports),)))
        async with site.serve(e131=True) as addresses:
            packet = sacn.DataPacket(
                cid=tuple(range(16)), sourceName="bench", universe=1, dmxData=(255,) * 300 + (0,) * 212
            )
            idle_a = site.truth("gable/1").current_a
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
                out.sendto(bytes(packet.getBytes()), addresses.e131)
                await until(lambda: site.truth("gable/1").current_a > idle_a + 4.0)
                heard_s = asyncio.get_running_loop().time()
                if terminated:
                    packet.option_StreamTerminated = True
                    out.sendto(bytes(packet.getBytes()), addresses.e131)
                limit_s = 1.5 if terminated else 10.0
                await until(lambda: site.truth("gable/1").current_a == pytest.approx(idle_a), limit_s)
                assert terminated or asyncio.get_running_loop().time() - heard_s > 2.3

    asyncio.run(_run())


def test_the_simulator_runs_as_a_process_of_its_own(tmp_path):
    """It prints one line with its addresses, answers, and ends on SIGTERM with 0."""
    path = tmp_path / "yard.yaml"
    path.write_text(
        "id: yard\ncontrollers: [{id: gable, ports: [{number: 1, string: {pixels: 5}}]}]", "utf-8"
    )
    with subprocess.Popen(
        [sys.executable, "-m", "bridge.simulator", str(path), "--speed", "10"],
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            addresses = json.loads(process.stdout.readline())

            async def _run():
                async with (
                    aiohttp.ClientSession(timeout=LIMIT) as http,
                    http.get(addresses["controllers"]["gable"] + "/status") as answer,
                ):
                    return await answer.json()

            assert asyncio.run(_run())["outputs"][0]["id"] == 1
        finally:
            process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0


def test_the_simulator_listens_where_it_is_told():
    """Everything it serves is on the address of --listen, and nothing of it on the usual one."""
    with subprocess.Popen(
        [sys.executable, "-m", "bridge.simulator", "--listen", "127.0.0.2", "--e131"],
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            addresses = json.loads(process.stdout.readline())
            urls = [*addresses["controllers"].values(), addresses["control"]]
            assert addresses["e131"][0] == "127.0.0.2"
            for url in urls:
                host, _, port = url.removeprefix("http://").partition(":")
                assert host == "127.0.0.2"
                socket.create_connection((host, int(port)), timeout=2).close()
                with pytest.raises(ConnectionRefusedError):
                    socket.create_connection(("127.0.0.1", int(port)), timeout=2)
        finally:
            process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0


def test_an_address_that_is_not_this_machines_is_said():
    """A wrong --listen is exit code 2 and a sentence (198.51.100.0/24: RFC 5737, in nobody's use)."""
    done = subprocess.run(
        [sys.executable, "-m", "bridge.simulator", "--listen", "198.51.100.7"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "198.51.100.7" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("none.yaml",), "none.yaml: No such file or directory"),
        (("--ports-from", "{busy}"), "it can't listen on 127.0.0.1: Address already in use"),
        (("--ports-from", "99999"), "'99999' is no TCP port; say 1 to 65535"),
    ],
)
def test_what_the_simulator_can_not_do_is_said(tmp_path, arguments, words):
    """A file that is not there, a port that is taken or none: exit code 2 and a sentence."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        said = [word.format(busy=taken.getsockname()[1]) for word in arguments]
        done = subprocess.run(
            [sys.executable, "-m", "bridge.simulator", *said],
            capture_output=True,
            text=True,
            check=False,
            cwd=tmp_path,
        )
    assert done.returncode == 2
    assert words in done.stderr
    assert "Errno" not in done.stderr
    assert "Traceback" not in done.stderr
