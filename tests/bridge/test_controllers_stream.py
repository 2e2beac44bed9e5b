"""Pushed answers: documents are cut right however the bytes come, and dated with care."""

import asyncio
import json

import pytest
from aiohttp import web
from controller_faces import SHAPE_MAPPINGS, controller_of, serve, shape_mapping
from hypothesis import given
from hypothesis import strategies as st
from support import run_async, until

from bridge.config.reach_http import CAP_BYTES
from bridge.controllers.stream import Lines, StreamController
from bridge.simulator.shapes import SHAPES
from bridge.simulator.site import SimulatedSite
from bridge.simulator.spec import ControllerSpec, PortSpec, SensorSpec, SiteSpec, StringSpec
from rules.door import ControllerStatus, Outcome
from rules.ports import Reading

# After the HTML standard, section 9.2.6 "Interpreting an event stream": comments, several data lines joined
# by a newline, one space after the colon dropped, other fields, an event without data is not dispatched.
EVENTS = (
    b': a comment\n\ndata: {\ndata: "a": 1}\nid: 7\n\nevent: x\ndata:[2]\n\nevent: nothing\n\r\n'
    b"data: 3\r\n\r\ndata: never ended"
)
DOCUMENTS = [b'{\n"a": 1}', b"[2]", b"3"]


@given(cuts=st.lists(st.integers(0, len(EVENTS)), max_size=8))
def test_events_however_they_are_cut(cuts):
    """Server-sent events give the same documents whatever pieces they arrive in."""
    lines, found, start = Lines(events=True), [], 0
    for cut in [*sorted(cuts), len(EVENTS)]:
        found += lines.feed(EVENTS[start:cut])
        start = cut
    assert found == DOCUMENTS


@given(cuts=st.lists(st.integers(0, 20), max_size=5))
def test_lines_however_they_are_cut(cuts):
    """Newline-delimited documents are whole lines; blank ones and an unfinished last one are none."""
    text = b'{"a":1}\n\r\n[2]\r\n3'
    lines, found, start = Lines(events=False), [], 0
    for cut in [*sorted(cuts), len(text)]:
        found += lines.feed(text[start:cut])
        start = cut
    assert found == [b'{"a":1}', b"[2]"]


@pytest.mark.parametrize(
    ("events", "piece"),
    [(False, b" " * 65536), (True, b" " * 65536), (True, b"data: " + b"x" * 65530 + b"\n")],
)
def test_a_document_without_end_is_given_up(events, piece):
    """A pushed document beyond the cap is an error, not memory that grows."""
    lines = Lines(events=events)

    def endless() -> None:
        for _ in range(CAP_BYTES // 65536 + 1):
            lines.feed(piece)

    with pytest.raises(ValueError, match="longer than"):
        endless()


def test_pushed_documents_are_dated_before_they_came():
    """A document may have been under way when a command was given: it is dated a little earlier."""

    async def check() -> None:
        go = asyncio.Event()

        async def handler(request: web.Request) -> web.StreamResponse:
            response = web.StreamResponse()
            await response.prepare(request)
            await go.wait()
            await response.write(json.dumps({"o": [{"ma": 5}]}).encode() + b"\n")
            await asyncio.Event().wait()
            return response

        async with serve(handler) as base:
            spec = {"kind": "http", "url": f"{base}/", "ports": "o", "current": "ma | mA", "stream": "lines"}
            controller = controller_of(spec, 1)
            events: list = []
            task = asyncio.create_task(controller.watch(events.extend))
            await asyncio.sleep(0.15)
            given_s = controller.clock()
            go.set()
            await until(lambda: any(isinstance(event, Reading) for event in events))
            (reading,) = (event for event in events if isinstance(event, Reading))
            assert given_s - 0.1 <= reading.measured_s < controller.clock() - 0.1
            task.cancel()
            await asyncio.wait({task})
            await controller.close()

    run_async(check())


@pytest.mark.parametrize("ending", ["bad", "end", "status"])
def test_a_stream_that_breaks_is_told_and_begun_anew(ending):
    """Unreadable documents, the end of a stream and a refusal are each told; then it is asked for again."""
    asked: list[int] = []

    async def check() -> None:
        async def handler(request: web.Request) -> web.StreamResponse:
            asked.append(1)
            if ending == "status":
                return web.Response(status=503)
            response = web.StreamResponse()
            await response.prepare(request)
            await response.write(b'{"o": [{"ma": 5}]}\n' + (b"{nonsense\n" if ending == "bad" else b""))
            if ending == "bad":
                await asyncio.Event().wait()
            return response

        async with serve(handler) as base:
            spec = {
                "kind": "http", "url": f"{base}/", "ports": "o", "current": "ma | mA", "stream": "lines",
                "every": "30 ms",
            }  # fmt: skip
            controller = controller_of(spec, 1)
            events: list = []
            task = asyncio.create_task(controller.watch(events.extend))
            await until(lambda: len(asked) >= 3)
            lost = [e for e in events if isinstance(e, ControllerStatus) and not e.reachable]
            words = {"bad": "unreadable", "end": "ended its stream", "status": "answered 503"}
            assert words[ending] in lost[0].detail
            task.cancel()
            await asyncio.wait({task})
            await controller.close()

    run_async(check())


@pytest.mark.parametrize(("path", "stream"), [("/feed", "lines"), ("/events", "events")])
@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_pushed_both_ways(shape, path, stream):
    """Newline-delimited JSON and server-sent events of every simulated shape: read, switched, lost, back.

    What is pushed reads as what is asked for; a switching shows in a document after it; a box that goes down
    is told, and its stream is begun anew when it is back.
    """

    async def check() -> None:
        exact = SensorSpec(noise_a=0.0, step_a=0.0, refresh_s=0.01)
        ports = tuple(PortSpec(n, StringSpec(40), sensor=exact, power_at_start=n == 1) for n in range(1, 7))
        site = SimulatedSite(SiteSpec("yard", (ControllerSpec("gable", ports, shape=shape),)), seed=3)
        async with site.serve() as addresses:
            base = addresses.controllers["gable"]
            spec = shape_mapping(shape, base)
            # A stream stands alone and is asked for by GET, whatever the answers to questions look like.
            alone = {key: value for key, value in spec.items() if key not in ("also", "method", "json")}
            pushed = controller_of(alone | {"url": base + path, "stream": stream}, 6)
            assert isinstance(pushed, StreamController)
            asked = controller_of(spec, 6)
            events: list = []
            task = asyncio.create_task(pushed.watch(events.extend))
            try:
                await until(lambda: sum(isinstance(event, Reading) for event in events) >= 6)
                polled = {reading.port: reading for reading in await asked.read()}
                for reading in [event for event in events if isinstance(event, Reading)][:6]:
                    same = polled[reading.port]
                    assert reading.current_a == pytest.approx(same.current_a, abs=0.02)
                    if "also" not in SHAPE_MAPPINGS[shape]:
                        assert (reading.power, reading.tripped) == (same.power, same.tripped)
                assert (await pushed.command(2, True))[0] is Outcome.ACCEPTED
                given_s = pushed.clock()
                await until(
                    lambda: any(
                        isinstance(event, Reading)
                        and event.port == "gable/2"
                        and event.measured_s >= given_s
                        and (event.current_a or 0.0) > 0.05
                        for event in events
                    )
                )
                events.clear()
                box = site.controller("gable")
                box.restart(down_s=3600.0)
                await until(lambda: any(isinstance(e, ControllerStatus) and not e.reachable for e in events))
                events.clear()
                box.down_until_s = site.now()
                await until(lambda: sum(isinstance(event, Reading) for event in events) >= 6)
            finally:
                task.cancel()
                await asyncio.wait({task})
                await pushed.close()
                await asked.close()

    run_async(check())
