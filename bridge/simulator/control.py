"""The control endpoint: faults, misbehaviour and truth for another process. No controller has it."""

from typing import TYPE_CHECKING, Any

from aiohttp import web

from bridge.errors import DuskwardError
from bridge.simulator.clock import ManualClock, SpeedClock
from bridge.simulator.misbehave import Misbehaviour
from bridge.simulator.site import as_json
from bridge.simulator.spec import FaultSpec, checked
from bridge.simulator.web import end

if TYPE_CHECKING:
    from bridge.simulator.site import SimulatedSite

LOOPBACK = "127.0.0.1"


class ControlFace:
    """HTTP on its own port.

    | request | does |
    |---|---|
    | POST /fault | ``{"port": "gable/1", "kind": "short", ...}`` starts a fault (numbers: `FaultSpec`) |
    | POST /mend | ``{"port": "gable/1", "kind": "short"}`` ends it; without kind all |
    | POST /misbehave | ``{"controller": "gable", "kind": "hang", ...}`` (numbers: `Misbehaviour`) |
    | POST /behave | ``{"controller": "gable", "kind": "hang"}`` ends it; without kind all |
    | POST /restart | ``{"controller": "gable", "down_s": 2}`` |
    | POST /forget | ``{"controller": "gable"}``: its energy counters start again, nothing else happens |
    | POST /levels | ``{"port": "gable/1", "hex": "ff00"}``; hex null: back to the built-in show |
    | POST /clock | ``{"speed": 60}`` or ``{"advance_s": 5}``, as the site's clock can |
    | GET /truth | every port's `Truth` |
    | GET /history?since=0&orders_since=0 | power changes and orders from these indices on, and the next |
    """

    def __init__(self, site: "SimulatedSite", port: int, listen: str = LOOPBACK) -> None:
        self._site = site
        self._listen = listen
        self._runner: web.AppRunner | None = None
        self.port = port

    async def start(self) -> None:
        """Listen; on loopback unless another address was given."""
        app = web.Application(middlewares=[_explain])
        for name, handler in (
            ("fault", self._fault),
            ("mend", self._mend),
            ("misbehave", self._misbehave),
            ("behave", self._behave),
            ("restart", self._restart),
            ("forget", self._forget),
            ("levels", self._levels),
            ("clock", self._clock),
        ):
            app.router.add_post(f"/{name}", handler)
        app.router.add_get("/truth", self._truth)
        app.router.add_get("/history", self._history)
        self._runner = web.AppRunner(app, access_log=None, shutdown_timeout=0.0)
        await self._runner.setup()
        await web.TCPSite(self._runner, self._listen, self.port, reuse_address=True).start()
        self.port = self._runner.addresses[0][1]

    async def stop(self) -> None:
        """Stop listening."""
        if self._runner is not None:
            await end(self._runner)

    async def _fault(self, request: web.Request) -> web.Response:
        asked = await _asked(request, "port", "kind")
        handle = self._site.port(asked.pop("port"))
        handle.begin(checked(FaultSpec, asked))
        return _done()

    async def _mend(self, request: web.Request) -> web.Response:
        asked = await _asked(request, "port")
        self._site.port(asked["port"]).clear_fault(asked.get("kind"))
        return _done()

    async def _misbehave(self, request: web.Request) -> web.Response:
        asked = await _asked(request, "controller", "kind")
        controller = self._site.controller(asked.pop("controller"))
        controller.begin(checked(Misbehaviour, asked))
        return _done()

    async def _behave(self, request: web.Request) -> web.Response:
        asked = await _asked(request, "controller")
        self._site.controller(asked["controller"]).behave(asked.get("kind"))
        return _done()

    async def _restart(self, request: web.Request) -> web.Response:
        asked = await _asked(request, "controller")
        self._site.controller(asked["controller"]).restart(float(asked.get("down_s", 2.0)))
        return _done()

    async def _forget(self, request: web.Request) -> web.Response:
        asked = await _asked(request, "controller")
        self._site.controller(asked["controller"]).forget_counters()
        return _done()

    async def _levels(self, request: web.Request) -> web.Response:
        asked = await _asked(request, "port", "hex")
        text = asked["hex"]
        self._site.set_levels(asked["port"], None if text is None else bytes.fromhex(text))
        return _done()

    async def _clock(self, request: web.Request) -> web.Response:
        asked = await _asked(request)
        clock = self._site.clock
        if "speed" in asked and isinstance(clock, SpeedClock):
            clock.speed = float(asked["speed"])
        elif "advance_s" in asked and isinstance(clock, ManualClock):
            clock.advance(float(asked["advance_s"]))
            self._site.step()
        else:
            raise ValueError(f"a {type(clock).__name__} can't do that: say speed to a SpeedClock, "
                             "advance_s to a ManualClock")  # fmt: skip
        return web.json_response({"now_s": clock()})

    async def _truth(self, _: web.Request) -> web.Response:
        return web.json_response({port: as_json(self._site.truth(port)) for port in self._site.ports})

    async def _history(self, request: web.Request) -> web.Response:
        self._site.step()
        since = int(request.query.get("since", "0"))
        orders_since = int(request.query.get("orders_since", "0"))
        return web.json_response(
            {
                "now_s": self._site.clock(),
                "power": [as_json(change) for change in self._site.history[since:]],
                "next": len(self._site.history),
                "orders": [as_json(order) for order in self._site.orders[orders_since:]],
                "orders_next": len(self._site.orders),
            }
        )


def _done() -> web.Response:
    return web.json_response({"done": True})


async def _asked(request: web.Request, *needed: str) -> dict[str, Any]:
    asked = await request.json()
    if not isinstance(asked, dict):
        raise TypeError("send a JSON object")
    missing = [key for key in needed if key not in asked]
    if missing:
        raise ValueError(f"missing: {', '.join(missing)}")
    return asked


@web.middleware
async def _explain(request: web.Request, handler: Any) -> web.StreamResponse:  # noqa: ANN401 - aiohttp's own handler type
    """What can't be meant is answered with a sentence, not a stack."""
    try:
        found: web.StreamResponse = await handler(request)
    except (DuskwardError, ValueError, TypeError) as error:
        return web.json_response({"refused": str(error)}, status=400)
    return found
