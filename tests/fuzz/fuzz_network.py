"""What comes over a socket: requests, a broker's bytes and what it remembers, show data, local and pair lines."""

import asyncio
import hashlib
import hmac
import json
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, cast

from demo_requests import answered_once, demo_plan, demo_settings, demo_tree, fresh_engine, settable
from fuzz_target import SEPARATOR, Target, explained, joined, nothing_unexpected, parts, run

from bridge.control import _talk
from bridge.journal import Journal, safety_to_json
from bridge.mqtt.documents import written
from bridge.mqtt.homie import Tree
from bridge.mqtt.homie_values import HomieError
from bridge.mqtt.link import LinkSettings
from bridge.mqtt.publication import Publication
from bridge.mqtt.wire import INCOMING_LIMIT_BYTES, Wire
from bridge.pair import Pair, PairSettings
from bridge.site.broker import BrokerSide
from bridge.site.configuration import Configuration
from bridge.site.requests import Requests
from rules.door import Answer, Event, Publish
from rules.pairing import decide
from rules.ports import Condition
from rules.ports import Target as PlanTarget
from rules.safety import SafetyState
from rules.show_data.e131 import DataPacket, SyncPacket, build
from rules.show_data.e131_sources import SourceTracker, Taken

# ---------------------------------------------------------------- requests over MQTT


def requests(data: bytes) -> None:
    """Messages: the first byte of each names a settable topic, above 250 the topic is written, to a line's end."""
    messages = []
    for part in parts(data)[:20]:
        number, rest = sum(part[:1]), part[1:]
        if number > 250:
            name, _, rest = rest.partition(b"\n")
            topic = name.decode("utf-8", "replace")
        else:
            topic = settable()[number % len(settable())]
        messages.append((topic, rest, number == 252))
    answered_once(messages)


def _requests() -> list[bytes]:
    said = {
        "power": b"true", "mode": b"auto", "add-hold": b"Ann", "release": b"Ann", "shelve": b"undercurrent PT2H",
        "weather-hold": b"true", "start-show": b"end Lantern walk", "acknowledge": b"fuse-trip",
        "confirm": b"lost-journal",
    }  # fmt: skip
    seeds = []
    for number, topic in enumerate(settable()[:250]):
        prop = topic.split("/")[4]
        seeds.append(bytes((number,)) + said.get(prop, b"reset"))
    return [joined(*seeds[:20]), joined(*seeds[-20:]), b"\xfb" + settable()[0].encode() + b"\ntrue"]


# ---------------------------------------------------------------- a broker's bytes


class _Line(asyncio.Transport):
    """The other end of a connection, as far as bytes from it matter: it takes what is written, and ends."""

    def __init__(self, protocol: asyncio.BaseProtocol) -> None:
        super().__init__()
        self._protocol = protocol
        self._closed = False

    def write(self, data: bytes | bytearray | memoryview) -> None:
        """Bytes go nowhere."""

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
        """Nothing is buffered."""

    def close(self) -> None:
        """The connection is over in the next turn of the loop."""
        if not self._closed:
            self._closed = True
            asyncio.get_running_loop().call_soon(self._protocol.connection_lost, None)

    abort = close


def _heard(pieces: list[bytes]) -> tuple[list[tuple[str, bytes, bool]], str, int]:
    """What a connection hears of `pieces`: messages, how it ended, what is not acknowledged."""
    messages: list[tuple[str, bytes, bool]] = []
    outcome: list[Any] = []

    async def go() -> None:
        wire = Wire(
            client_id="fuzz", keepalive_s=30, username=None, password=None,
            on_message=lambda *message: messages.append(message), on_room=lambda: None,
        )  # fmt: skip
        wire.connection_made(_Line(wire))
        wire._client.connect("127.0.0.1", 1883, 30)
        for number in range(3):
            wire.publish(Publication(f"a/{number}", b"x", True, 1))
        subscribed = asyncio.ensure_future(wire.subscribe(["a/#", "b"], 5.0))
        await asyncio.sleep(0)
        for piece in pieces:
            if not wire.ended.done():
                wire.data_received(piece)
            assert len(wire._rest) <= INCOMING_LIMIT_BYTES + len(piece)
        outcome.append(wire.ended.result() if wire.ended.done() else "")
        # After the end an acknowledgement counts or not, as it came before what ended it, or with it.
        outcome.append(0 if wire.ended.done() else len(wire.inflight))
        assert not wire.ended.done() or outcome[0]
        wire.abort("over")
        with suppress(asyncio.CancelledError):
            await asyncio.gather(subscribed, return_exceptions=True)
        await asyncio.sleep(0)

    with nothing_unexpected():
        run(go())
    return messages, outcome[0], outcome[1]


def broker(data: bytes) -> None:
    """A broker's bytes end the connection at worst, and say the same however they are cut."""
    size, content = max(1, sum(data[:1])), data[1:]
    at_once = _heard([content])
    assert at_once == _heard([content[at : at + size] for at in range(0, len(content), size)] or [b""])


_CONNACK, _SUBACK = b"\x20\x02\0\0", b"\x90\x04\0\1\1\1"
_BROKERS = [
    b"\1" + _CONNACK + _SUBACK + b"\x30\x05\0\1ahi" + b"\x32\x07\0\1a\0\1hi" + b"\x40\x02\x80\0" + b"\xd0\0",
    b"\3" + _CONNACK + b"\x34\x08\0\1a\0\2yes" + b"\x62\2\0\2" + b"\x50\2\0\1" + b"\x30\x80\x80\x20\0\1b",
    b"\2\x20\x02\0\5",
    b"\5HTTP/1.1 400 Bad Request\r\n\r\n",
]

# ---------------------------------------------------------------- what a broker remembers


@contextmanager
def _broker_side(told: list[Event]) -> Iterator[BrokerSide]:
    """The site at its broker, not connected; `told`: what it says to the rules."""
    side = BrokerSide(
        Configuration(demo_settings()), tasks=cast("Any", None), ready=asyncio.Event(), floor_s=lambda: 1,
        number=lambda: 1, step=told.extend, feed=told.extend, on_trouble=lambda *_: None,
    )  # fmt: skip
    link, publish = side.link, side.link.publish

    def checked(topic: str, payload: bytes, retain: bool = True, qos: int = 1) -> bool:
        assert len(topic.encode()) <= 0xFFFF
        return publish(topic, payload, retain, qos)

    link.publish = checked  # type: ignore[method-assign]
    yield side
    side.announcer.stop()


def _remembered_topics() -> tuple[str, ...]:
    tree = demo_tree()
    port = next(iter(demo_plan().ports))
    device = tree.device(PlanTarget(cast("Any", "port"), port)).id
    return (
        f"{tree.base}/{tree.root}/$description", f"{tree.base}/{device}/$description",
        f"{tree.base}/quarry-lane-gone/$description", f"{tree.base}/quarry-lane-gone-port-1/$description",
        f"{tree.base}/{device}/$alert/fuse-trip", f"{tree.base}/{device}/port/energy", tree.state_topic,
        f"{tree.base}/quarry-lane-gone/port/energy", f"{tree.base}/elsewhere/$description",
        f"homeassistant/device/{tree.root}/config", f"homeassistant/device/{device}/config",
        "homeassistant/device/quarry-lane-gone/config", f"{tree.base}/{tree.root}/site/cost",
    )  # fmt: skip


def remembered(data: bytes) -> None:
    """Whatever a broker holds of the site: everything is said, or a foreign tree is named; counters are sound."""
    topics = _remembered_topics()
    found = {topics[part[0] % len(topics)]: part[1:] for part in parts(data)[:20] if part}
    told: list[Event] = []
    engine, now = fresh_engine()
    with nothing_unexpected(), _broker_side(told) as side:
        side.outlet.ghost_filters(found)
        told += side._counters(found)
        for effect in engine.step(now, told):
            if isinstance(effect, Publish):
                side.outlet.say(effect)
        assert Condition.INTERNAL_FAULT not in engine.state.alarms
        try:
            side.outlet.open(found)
        except HomieError as error:
            explained(error)
        else:
            side.outlet.replan(demo_plan(), Tree(demo_plan()))


def _remembered() -> list[bytes]:
    tree = demo_tree()
    told = [written(one) for one in tree.descriptions().values()]
    gone = told[2].replace(b"quarry-lane-gable-port-1", b"quarry-lane-gone")
    document = (
        b'{"origin":{"name":"duskward"},"availability":[{"topic":"%s"}],"components":{"a":{"p":"sensor"}}}'
    )
    document %= tree.state_topic.encode()
    return [
        joined(b"\0" + told[0], b"\1" + told[2], b"\5" + b"12.5", b"\6ready", b"\x0c1.5"),
        joined(b"\2" + gone, b"\7" + b"3", b"\4It tripped.", b"\x09" + document, b"\x0b" + document),
        joined(b"\x0a" + b'{"origin":{"name":"other"}}', b"\3" + b'{"root":"quarry-lane","nodes":{}}'),
    ]


# ---------------------------------------------------------------- show data

_CID = bytes(range(16))


def show_data(data: bytes) -> None:
    """Datagrams, each after a byte of tenths of seconds: taken or left, within bounds, levels of known slots."""
    tracker = SourceTracker(max_universes=4, max_sources=2)
    now_s = 0.0
    for part in parts(data)[:50]:
        now_s += sum(part[:1]) / 10
        taken, packet = tracker.take(part[1:], now_s)
        assert taken in Taken
        if packet is not None:
            assert part[127:].startswith(packet.levels)
            assert len(packet.levels) <= 512
        universes = tracker.universes()
        assert len(universes) <= 4
        for universe in universes:
            assert len(tracker.sources(universe)) <= 2
            levels = tracker.levels(universe)
            assert levels is None or len(levels) <= 512
    tracker.expire(now_s + 10)
    assert tracker.universes() == ()


def _show_data() -> list[bytes]:
    packet = DataPacket(_CID, "Source", 1, bytes(range(40)), sequence=5)
    more = [
        packet, DataPacket(bytes(16), "Other", 1, b"\xff" * 20, priority=120), SyncPacket(_CID, 7),
        DataPacket(_CID, "Source", 2, b"", sequence=6, terminated=True),
        DataPacket(_CID, "Source", 3, b"\1", preview=True), DataPacket(_CID, "S", 4, b"\1", start_code=0xDD),
    ]  # fmt: skip
    return [joined(*(b"\1" + build(one) for one in more)), joined(*[b"\x1e" + build(packet)] * 3)]


# ---------------------------------------------------------------- lines


class _Written:
    """A stream writer's two ways that matter: what is written is kept."""

    def __init__(self) -> None:
        self.lines = b""

    def write(self, data: bytes) -> None:
        """Keep."""
        self.lines += data

    async def drain(self) -> None:
        """All is taken."""

    def get_extra_info(self, _name: str) -> str:
        """Nobody in particular."""
        return "fuzz"


def control(data: bytes) -> None:
    """Each line on the control socket is answered by one JSON object."""
    engine, now = fresh_engine()
    answers: list[Any] = []

    async def go() -> None:
        def feed(events: list[Event]) -> None:
            for effect in engine.step(now, events):
                if isinstance(effect, Answer):
                    asyncio.get_running_loop().call_soon(requests_.answered, effect)

        requests_ = Requests(Configuration(demo_settings()), feed, lambda: {"site": {}})
        reader, written = asyncio.StreamReader(limit=2**16), _Written()
        reader.feed_data(data)
        reader.feed_eof()
        await _talk(reader, cast("asyncio.StreamWriter", written), requests_.control, {})
        answers.extend(json.loads(line) for line in written.lines.splitlines())

    with nothing_unexpected():
        run(go())
    lines = data.removesuffix(b"\n").split(b"\n") if data else []
    assert len(answers) == len(lines)
    for one in answers:
        assert isinstance(one["accepted"], bool)
        assert one["text"] or "status" in one
        assert "Unexpected" not in one["text"]
    assert Condition.INTERNAL_FAULT not in engine.state.alarms


_CONTROLS = [
    b'{"verb": "status"}\n{"verb": "hold", "target": "gable/1", "argument": "Ann"}\n{"verb": "reset"}\n',
    (
        b'{"verb": "shelve", "target": "gable/1", "argument": "undercurrent PT2H"}\n'
        b'{"verb": "start-show", "target": "", "argument": "end Lantern walk"}\n[]\nnonsense'
    ),
    b'{"verb": "mode", "target": "gable/1", "argument": "auto"}\n{"verb": "confirm", "argument": "\\ud800"}',
]
_SECRET = "what both know"


def pair(data: bytes) -> None:
    """A partner's lines are taken, or the line ends; with ``s`` first each has its right code, else none has."""
    signed, lines = data[:1] == b"s", data[1:].split(b"\n")[:20]

    async def go() -> None:
        with tempfile.TemporaryDirectory(dir=_memory()) as folder, Journal(folder) as journal:
            pair_ = Pair(
                PairSettings(name="a", listen=("127.0.0.1", 0), partner=("127.0.0.1", 1), secret=_SECRET),
                LinkSettings(host="127.0.0.1", client_id="pair", state_topic="duskward/site/a"),
                Path(folder),
                journal,
                on_yield=lambda _why: None,
                on_inherit=_inherit,
                on_fault=lambda _fault: None,
            )
            reader, written = asyncio.StreamReader(limit=2**20), _Written()
            listening = asyncio.ensure_future(pair_._listen(reader, cast("asyncio.StreamWriter", written)))
            await asyncio.sleep(0)
            challenge = written.lines.decode().strip()
            for count, line in enumerate(lines, 1):
                text = line.decode(errors="replace")
                code = hmac.new(_SECRET.encode(), f"{challenge} {count} {text}".encode(), hashlib.sha256)
                reader.feed_data((f"{code.hexdigest()} {text}\n" if signed else f"{text}\n").encode())
            reader.feed_eof()
            await listening
            now_s = time.monotonic()
            partner = pair_._presence.partner(now_s)
            pair_._follow(decide(pair_._own(now_s), pair_._last_heard(now_s), partner), now_s)

    with nothing_unexpected():
        run(go())


async def _inherit(_safety: SafetyState) -> None:
    """Nobody takes over what this side is told."""


def _memory() -> str | None:
    """A folder in memory, where there is one: a journal syncs at each write."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def _pairs() -> list[bytes]:
    beat = {"type": "beat", "role": "standby", "active_for_s": 1.5, "copy": 3, "name": "b"}
    keep = {"type": "keep", "copy": 4, "safety": safety_to_json(SafetyState())}
    lines = "\n".join(json.dumps(one) for one in (beat, keep, {**beat, "role": "active"})).encode()
    return [b"s" + lines, b"x" + lines, b"s" + json.dumps(beat).encode()]


_JSON = ("null", "true", "1e400", "NaN", "[]", "{}", "99999999999999999999", "\\ud800", '""', "\\u0000", "-1")

TARGETS = (
    Target(
        "requests",
        "any topic and payload is ignored, refused, or taken and answered once, and powers nothing",
        requests,
        _requests,
        words=(
            SEPARATOR, "true", "false", "on", "off", "auto", "end", "Lantern walk", "fuse-trip", "PT2H", "PT0S",
            "undercurrent ", "lost-journal", "\0", "/set", "homie/5/quarry-lane", "$state", "\ufeff", "P1D",
        ),
        longest_bytes=600,
    ),
    Target(
        "broker",
        "a broker's bytes end the connection at worst, and say the same however they are cut",
        broker,
        lambda: _BROKERS,
        words=(_CONNACK, _SUBACK, b"\x40\x02\x80\0", b"\x30\x05\0\1a", b"\xff\xff\xff\x7f", b"\x80\x80\x80\x80", b"\xd0\0"),
        libraries=("paho",),
        longest_bytes=400,
    ),
    Target(
        "remembered",
        "whatever a broker holds of the site, its tree is said, or a foreign one is named; counters are sound",
        remembered,
        _remembered,
        words=(
            SEPARATOR, *_JSON, '"root":', '"parent":', '"quarry-lane"', '"nodes":', '"properties":', '"version":',
            '"retained":', '"settable":', '"origin":', '"name":', '"duskward"', '"availability":', '"topic":',
            '"components":', "inf", "nan", "-5",
        ),
        longest_bytes=1500,
    ),
    Target(
        "show-data",
        "datagrams are taken or left, within bounds",
        show_data,
        _show_data,
        words=(SEPARATOR, b"ASC-E1.17\0\0\0", b"\x72\x7d", b"\0\0\0\4", b"\0\0\0\2", b"\xa1\0\0\0\1", b"\2\1"),
        longest_bytes=2500,
    ),
    Target(
        "control",
        "each line on the control socket is answered by one JSON object",
        control,
        lambda: _CONTROLS,
        words=(
            *_JSON, '"verb": ', '"target": ', '"argument": ', '"hold"', '"release"', '"reset"', '"acknowledge"',
            '"mode"', '"start-show"', '"confirm"', '"shelve"', '"relearn"', '"status"', '"gable/1"', '"on"', "\n",
        ),
        longest_bytes=800,
    ),
    Target(
        "pair",
        "a partner's lines are taken, or the line ends",
        pair,
        _pairs,
        words=(
            *_JSON, '"type": "beat"', '"type": "keep"', '"copy": ', '"safety": ', '"role": ', '"active"', '"name": ',
            '"active_for_s": ', "\n", '"holds": ', '"trips": ', '"modes": ',
        ),
        longest_bytes=1200,
    ),
)  # fmt: skip
