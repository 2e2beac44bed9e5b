"""The HTTP face of a simulated site: one aiohttp server per controller, on loopback unless told otherwise."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import structlog
from aiohttp import web

from bridge.simulator.misbehave import Misbehaviour, bad_body
from bridge.simulator.port import Told
from bridge.simulator.shapes import BadOrder, Voice
from rules.ports import port_id

if TYPE_CHECKING:
    from bridge.simulator.site import Addresses, SimulatedController, SimulatedSite

log = structlog.get_logger()

LOOPBACK = "127.0.0.1"
TICK_S = 0.05
"""The site lives on this often [s] while it is served, so that faults act though nobody asks."""
ENDLESS_BYTES = 300_000_000
PUSH_EVERY_S = 0.25
_ACCEPT_TURNS = 5
"""Of the loop: it sees a connection, accepts it, makes its transport, and hands that over."""


async def accepted() -> None:
    """Wait until whatever connected until now has been handed over to its server.

    asyncio forgets, and leaves open, a connection that is on its way there when the server closes.
    """
    for _ in range(_ACCEPT_TURNS):
        await asyncio.sleep(0)


async def end(runner: web.AppRunner) -> None:
    """Close a server with every connection, also one that came a moment before."""
    await accepted()
    await runner.cleanup()


class ControllerFace:
    """One controller's HTTP server: answers, orders, push streams, and what it does wrong."""

    def __init__(
        self, site: "SimulatedSite", controller: "SimulatedController", port: int, listen: str = LOOPBACK
    ) -> None:
        self._site = site
        self._listen = listen
        self._controller = controller
        self._runner: web.AppRunner | None = None
        self.port = port

    async def start(self) -> None:
        """Listen; the port is the same again after a restart."""
        app = web.Application(client_max_size=65536)
        app.router.add_route("*", "/{path:.*}", self._answer)
        app.on_response_prepare.append(_drop_type)
        # A hanging answer must not hold up the end: it gets no grace.
        self._runner = web.AppRunner(app, access_log=None, shutdown_timeout=0.01, handler_cancellation=True)
        await self._runner.setup()
        listener = web.TCPSite(self._runner, self._listen, self.port, reuse_address=True)
        await listener.start()
        self.port = self._runner.addresses[0][1]

    async def stop(self) -> None:
        """Close every connection and refuse new ones."""
        if self._runner is not None:
            runner, self._runner = self._runner, None
            await end(runner)

    async def follow(self) -> None:
        """Go down and come back as the controller does."""
        until_s = self._controller.down_until_s
        if until_s is None:
            return
        if self._site.now() < until_s:
            await self.stop()
        elif self._runner is None:
            await self.start()
            self._controller.down_until_s = None
        else:
            self._controller.down_until_s = None

    # --- one request ----------------------------------------------------------------------------

    async def _answer(self, request: web.Request) -> web.StreamResponse:
        controller = self._controller
        controller.requests += 1
        shape = controller.shape
        path = request.path
        if request.method == "GET" and path in ("/feed", "/events"):
            return await self._push(request, sse=path == "/events")
        read = (request.method, path) in shape.reads
        faults = self._take("read" if read else "order")
        try:
            order = (
                None
                if read
                else shape.order(request.method, path, request.query_string, await request.read())
            )
        except BadOrder as error:
            return web.json_response({"refused": str(error)}, status=400)
        if not read and order is None:
            return web.json_response({"refused": f"nothing at {request.method} {path}"}, status=404)
        if "hang" in faults:
            await asyncio.Event().wait()
        if "redirect" in faults:
            raise web.HTTPFound(faults["redirect"].url)
        if "status" in faults:
            return web.Response(status=faults["status"].code, text="not now")
        content_type: str | None = "application/json"
        if order is not None:
            refusal = self._carry_out(order.number, order.power, faults)
            if refusal:
                return web.json_response({"refused": refusal}, status=404)
            body = json.dumps({"done": True}).encode()
        elif "body" in faults:
            body, content_type = bad_body(
                faults["body"].body, lambda current: shape.document(path, self._voice(faults, current))
            )
        else:
            body = json.dumps(shape.document(path, self._voice(faults))).encode()
        if "loses-reply" in faults:
            _break(request)
            return web.Response()
        return await self._send(request, body, content_type, faults)

    def _take(self, on: str) -> dict[str, Misbehaviour]:
        """What is wrong with this request; counts it off."""
        found: dict[str, Misbehaviour] = {}
        for fault in tuple(self._controller.faults):
            if fault.on not in ("all", on):
                continue
            found[fault.kind] = fault
            if fault.times is not None:
                fault.times -= 1
                if fault.times <= 0:
                    self._controller.faults.remove(fault)
        return found

    def _voice(self, faults: dict[str, Misbehaviour], current: Any = None) -> Voice:  # noqa: ANN401 - a function of any JSON value
        controller, now_s = self._controller, self._site.now()
        ports: list[Told] = controller.told(now_s)
        if "claims-on" in faults:
            ports = [replace(port, power=True, tripped=False) for port in ports]
        if "fewer-ports" in faults:
            ports = ports[: max(0, len(ports) - faults["fewer-ports"].ports)]
        uptime_s = max(0.0, now_s - controller.started_s)
        if current is None:
            return Voice(controller.spec.id, uptime_s, ports)
        return Voice(controller.spec.id, uptime_s, ports, current)

    def _carry_out(self, number: int, power: bool | None, faults: dict[str, Misbehaviour]) -> str:
        """Do what the order asks; why not, or nothing."""
        controller = self._controller
        if number not in controller.ports:
            return f"no port {number}; there are: {', '.join(map(str, controller.ports))}"
        if "deaf" in faults:
            return ""
        after_s = faults["acts-late"].delay_s if "acts-late" in faults else controller.spec.acts_after_s
        self._site.order(port_id(controller.spec.id, number), power, after_s=after_s)
        return ""

    async def _send(
        self, request: web.Request, body: bytes, content_type: str | None, faults: dict[str, Misbehaviour]
    ) -> web.StreamResponse:
        endless = "body" in faults and faults["body"].body == "endless"
        response = _Untyped() if content_type is None else web.StreamResponse()
        if content_type is not None:
            response.content_type = content_type
        if not endless:
            response.content_length = len(body)
        await response.prepare(request)
        if "slow" in faults:
            for at in range(len(body)):
                await response.write(body[at : at + 1])
                await asyncio.sleep(faults["slow"].gap_s)
        else:
            await response.write(body)
        if endless:
            for _ in range(ENDLESS_BYTES // 65536):
                await response.write(b" " * 65536)
        await response.write_eof()
        if "closes" in faults:
            _break(request)
        return response

    async def _push(self, request: web.Request, *, sse: bool) -> web.StreamResponse:
        """The first read's document again and again: one line each, or server-sent events."""
        response = web.StreamResponse()
        response.content_type = "text/event-stream" if sse else "application/x-ndjson"
        await response.prepare(request)
        path = self._controller.shape.reads[0][1]
        while True:
            faults = self._take("read")
            if "hang" in faults:
                await asyncio.Event().wait()
            text = json.dumps(self._controller.shape.document(path, self._voice(faults)))
            await response.write((f"event: reading\ndata: {text}\n\n" if sse else f"{text}\n").encode())
            await asyncio.sleep(PUSH_EVERY_S)


class _Untyped(web.StreamResponse):
    """An answer without a content type."""


async def _drop_type(_: web.Request, response: web.StreamResponse) -> None:
    """Leave the content type out where a bad body asks for that; aiohttp always writes one."""
    if isinstance(response, _Untyped):
        response.headers.popall("Content-Type", None)


def _break(request: web.Request) -> None:
    """Break the connection under an answer, whatever its headers promised."""
    if request.transport is not None:
        request.transport.close()


@asynccontextmanager
async def serve(
    site: "SimulatedSite", *, ports_from: int, e131: bool, listen: str = LOOPBACK
) -> "AsyncIterator[Addresses]":
    """Serve `site` on `listen` until the context ends. Raises OSError where it can't listen."""
    from bridge.simulator.control import ControlFace  # noqa: PLC0415 - control knows web's site, not the reverse
    from bridge.simulator.e131 import listen as listen_e131  # noqa: PLC0415 - only where it is asked for
    from bridge.simulator.site import Addresses  # noqa: PLC0415 - site imports this module lazily, too

    def _tcp_port(place: int) -> int:
        return ports_from + place if ports_from else 0

    async with AsyncExitStack() as stack:
        faces: dict[str, ControllerFace] = {}
        for place, (name, controller) in enumerate(site.controllers.items()):
            face = ControllerFace(site, controller, _tcp_port(place), listen)
            await face.start()
            stack.push_async_callback(face.stop)
            faces[name] = face
        control = ControlFace(site, _tcp_port(len(faces)), listen)
        await control.start()
        stack.push_async_callback(control.stop)
        address = await stack.enter_async_context(listen_e131(site, listen)) if e131 else None
        ticking = asyncio.create_task(_tick(site, list(faces.values())), name="simulator-tick")
        try:
            yield Addresses(
                {name: f"http://{listen}:{face.port}" for name, face in faces.items()},
                f"http://{listen}:{control.port}",
                address,
            )
        finally:
            ticking.cancel()
            with suppress(asyncio.CancelledError):  # anything else it met is told here
                await ticking


async def _tick(site: "SimulatedSite", faces: list[ControllerFace]) -> None:
    """Let the site live while nobody asks, and let boxes go down and come back."""
    while True:
        site.step()
        for face in faces:
            try:
                await face.follow()
            except OSError as error:
                log.warning("simulator.restart_delayed", port=face.port, error=str(error))
        await asyncio.sleep(TICK_S)
