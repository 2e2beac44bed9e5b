"""The link when things go wrong: brokers that refuse, hang up, forget, stall or are none at all."""

import asyncio
import shutil
import subprocess
from contextlib import asynccontextmanager

import pytest
from support import LOOPBACK, Observer, free_port, retained_now, run_async, until
from test_link import running, settings

from bridge.errors import PermanentError
from bridge.mqtt.link import Link, LinkSettings, Tls
from bridge.mqtt.wire import INCOMING_LIMIT_BYTES, ConnectionEndedError

pytestmark = pytest.mark.broker


class Proxy:
    """A wire between link and broker that can be slow, stall, or be cut."""

    def __init__(self, host: str, port: int, piece: int = 65536) -> None:
        self.host, self.port = LOOPBACK, 0
        self._to, self._piece = (host, port), piece
        self.flowing = asyncio.Event()
        self.flowing.set()
        self._writers: list[asyncio.StreamWriter] = []
        self.connections = 0

    async def _pump(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while data := await reader.read(self._piece):
                await self.flowing.wait()
                writer.write(data)
                await writer.drain()
            await self.flowing.wait()
        except ConnectionError:
            return
        finally:
            writer.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        there, back = await asyncio.open_connection(*self._to)
        self._writers += [writer, back]
        await asyncio.gather(self._pump(reader, back), self._pump(there, writer))

    def cut(self) -> None:
        """Cut every connection."""
        for writer in self._writers:
            writer.transport.abort()
        self._writers.clear()

    @asynccontextmanager
    async def open(self):
        """The proxy at work."""
        server = await asyncio.start_server(self._serve, LOOPBACK, 0)
        self.port = server.sockets[0].getsockname()[1]
        try:
            yield self
        finally:
            server.close()
            self.flowing.set()
            self.cut()
            await until(lambda: len(asyncio.all_tasks()) <= 3, what="the end of the proxy")


class OneWay(Proxy):
    """A wire of which only the way back stalls: what is said arrives, its acknowledgements do not."""

    async def _pump(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if writer is self._writers[0]:
            await super()._pump(reader, writer)
            return
        try:
            while data := await reader.read(self._piece):
                writer.write(data)
                await writer.drain()
        except ConnectionError:
            return
        finally:
            writer.close()


class LateRetained(Proxy):
    """A wire on which each retained message, and all behind it, comes `late_s` later."""

    late_s = 0.3

    async def _pump(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                packet = await reader.readexactly(2)
                while packet[-1] & 0x80:  # the remaining length (MQTT 3.1.1, section 2.2.3)
                    packet += await reader.readexactly(1)
                length = sum((byte & 0x7F) << 7 * place for place, byte in enumerate(packet[1:]))
                packet += await reader.readexactly(length)
                if packet[0] & 0xF1 == 0x31:  # PUBLISH with RETAIN (section 3.3.1)
                    await asyncio.sleep(self.late_s)
                writer.write(packet)
                await writer.drain()
        except (ConnectionError, asyncio.IncompleteReadError):
            return
        finally:
            writer.close()


async def reason_of(link) -> str:
    """The first reason for which the link has no connection."""
    reasons = []
    link._on_disconnected = reasons.append
    async with running(link, connected=False):
        await until(lambda: reasons)
    return reasons[0]


# ---------------------------------------------------------------- what is no broker, or refuses


def test_nothing_listens(site_id):
    """Where nothing listens, the reason names host and port, in the system's words and not a library's."""
    port = free_port()
    link = Link(
        LinkSettings(host=LOOPBACK, port=port, client_id="x", state_topic=f"homie/5/{site_id}/$state")
    )
    reason = run_async(reason_of(link))
    assert reason == f"{LOOPBACK}:{port} cannot be reached: Connection refused"


def test_silent_server():
    """A server that accepts and says nothing is given up after the limit, in words."""

    async def listen(reader, writer):
        await reader.read()
        writer.close()

    async def go():
        server = await asyncio.start_server(listen, LOOPBACK, 0)
        port = server.sockets[0].getsockname()[1]
        link = Link(
            LinkSettings(host=LOOPBACK, port=port, client_id="x", state_topic="t", connect_limit_s=0.2)
        )
        reason = await reason_of(link)
        server.close()
        return reason

    assert "said nothing within 0.2 s: is it a broker" in run_async(go())


def test_a_web_server_is_no_broker():
    """A server that answers with something else is told apart from a broker."""

    async def answer(reader, writer):
        await reader.read(10)
        writer.write(b"HTTP/1.1 400 Bad Request\r\nConnection: close\r\n\r\n")
        writer.close()

    async def go():
        server = await asyncio.start_server(answer, LOOPBACK, 0)
        port = server.sockets[0].getsockname()[1]
        reason = await reason_of(Link(LinkSettings(host=LOOPBACK, port=port, client_id="x", state_topic="t")))
        server.close()
        return reason

    assert "not with MQTT" in run_async(go())


def test_refused_credentials(start_mosquitto, tmp_path, site_id):
    """A wrong password is told with the user's name and never with the password; the right one is let in."""
    if shutil.which("mosquitto_passwd") is None:
        pytest.skip("needs mosquitto_passwd")
    words = tmp_path / "passwords"
    words.touch(mode=0o600)
    subprocess.run(["mosquitto_passwd", "-b", str(words), "lantern", "right-one"], check=True)
    words.chmod(0o644)
    private = start_mosquitto(f"password_file {words}", anonymous=False)
    wrong = Link(settings(private, site_id, username="lantern", password="wrong-one"))
    reason = run_async(reason_of(wrong))
    assert "'lantern'" in reason
    assert "wrong-one" not in reason + repr(wrong.settings)

    async def go():
        async with running(Link(settings(private, site_id, username="lantern", password="right-one"))):
            pass

    run_async(go())


# ---------------------------------------------------------------- TLS


@pytest.fixture
def certificates(tmp_path):
    """An authority, and a certificate for the loopback address signed by it (openssl)."""
    if shutil.which("openssl") is None:
        pytest.skip("needs openssl")

    def run(*words):
        subprocess.run(["openssl", *words], check=True, capture_output=True, cwd=tmp_path)

    new = ("req", "-newkey", "rsa:2048", "-nodes", "-sha256")
    run(*new, "-x509", "-days", "2", "-subj", "/CN=Test authority", "-keyout", "ca.key", "-out", "ca.crt",
        "-addext", "keyUsage=critical,keyCertSign")  # fmt: skip
    (tmp_path / "ext").write_text("subjectAltName=IP:127.0.0.1\n")
    for name in ("server", "client"):
        run(*new, "-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.csr")
        run("x509", "-req", "-days", "2", "-in", f"{name}.csr", "-CA", "ca.crt", "-CAkey", "ca.key",
            "-CAcreateserial", "-out", f"{name}.crt", "-extfile", "ext")  # fmt: skip
    return tmp_path


def test_tls_with_client_certificate(start_mosquitto, certificates, site_id):
    """Over TLS, with a client certificate, a retained value arrives."""
    c = certificates
    private = start_mosquitto(
        f"cafile {c}/ca.crt", f"certfile {c}/server.crt", f"keyfile {c}/server.key",
        "require_certificate true",
        f"listener {(plain := free_port())} {LOOPBACK}", "allow_anonymous true",
    )  # fmt: skip
    tls = Tls(c / "ca.crt", c / "client.crt", c / "client.key")
    link = Link(settings(private, site_id, tls=tls))

    async def go():
        async with running(link):
            link.publish(f"homie/5/{site_id}/site/load", b"12.5")
            await until(lambda: not link.unacknowledged)

    run_async(go())
    found = retained_now(LOOPBACK, plain, f"homie/5/{site_id}/#")
    assert found[f"homie/5/{site_id}/site/load"] == b"12.5"


def test_untrusted_certificate(start_mosquitto, certificates, site_id):
    """A broker whose authority is unknown is refused, and the reason says that it is the certificate."""
    c = certificates
    private = start_mosquitto(f"certfile {c}/server.crt", f"keyfile {c}/server.key")
    reason = run_async(reason_of(Link(settings(private, site_id, tls=Tls()))))
    assert "certificate is not trusted" in reason


def test_tls_to_a_plain_port(broker, site_id):
    """TLS spoken to a plain port is told as such."""
    reason = run_async(reason_of(Link(settings(broker, site_id, tls=Tls(), connect_limit_s=3))))
    assert "TLS" in reason


def test_missing_authority_file(tmp_path, broker, site_id):
    """A certificate file that is not there is an error at once, naming the file."""
    with pytest.raises(PermanentError, match=r"nowhere\.crt"):
        Link(settings(broker, site_id, tls=Tls(tmp_path / "nowhere.crt")))


# ---------------------------------------------------------------- brokers that go and come


def test_a_broker_that_forgot_is_told_everything(start_mosquitto, site_id):
    """After a broker was killed (PIT-33) it holds the full set again, with the newest values, once each."""
    private = start_mosquitto()
    link = Link(settings(private, site_id))
    base = f"homie/5/{site_id}"

    async def go():
        async with running(link):
            for number in range(300):
                link.publish(f"{base}-{number}/port/current", b"1")
            await until(lambda: not link.unacknowledged)
            await asyncio.to_thread(private.kill)
            await until(lambda: not link.connected)
            for value in (b"2", b"3"):
                link.publish(f"{base}-7/port/current", value)
            link.publish(f"{base}-8/port/current", b"")
            await asyncio.to_thread(private.start)
            assert await link.wait_connected(10)
            await until(lambda: not link.unacknowledged)
            return await asyncio.to_thread(retained_now, private.host, private.port, "homie/5/+/port/#")

    found = run_async(go())
    assert len(found) == 299
    assert found[f"{base}-7/port/current"] == b"3"
    assert f"{base}-8/port/current" not in found


def test_offline_qos0_is_lost_and_qos1_arrives_once(start_mosquitto, site_id):
    """Offline, a message of QoS 0 is let go and counted; one of QoS 1 arrives exactly once (PIT-02)."""
    private = start_mosquitto()
    link = Link(settings(private, site_id))
    topic = f"homie/5/{site_id}/$log/info"

    async def go():
        observer = await asyncio.to_thread(Observer, private.host, private.port, "homie/#")
        assert link.publish(topic, b"lost", retain=False, qos=0) is False
        assert link.publish(topic, b"kept", retain=False, qos=1) is True
        assert link.dropped == 1
        async with running(link):
            await until(lambda: not link.unacknowledged)
            link.publish(topic, b"end", retain=False, qos=1)
            await until(lambda: b"end" in observer.of(topic))
        await asyncio.to_thread(observer.close)
        return observer.of(topic)

    assert run_async(go()) == [b"kept", b"end"]


def test_a_cleared_topic_stays_cleared(start_mosquitto, site_id):
    """A retained value taken away while offline is taken away from a broker that remembers it."""
    private = start_mosquitto("persistence true", "autosave_on_changes true", "autosave_interval 1")
    topic = f"homie/5/{site_id}/site/show"
    observer = Observer(private.host, private.port)
    observer.publish(topic, b"Lantern walk", retain=True)
    observer.close()
    link = Link(settings(private, site_id))

    async def go():
        link.publish(topic, b"")
        async with running(link):
            await until(lambda: not link.unacknowledged)

    run_async(go())
    assert topic not in retained_now(private.host, private.port, "homie/#")


def test_a_cut_wire_is_mended(broker, site_id, observe):
    """A connection cut in the middle of traffic comes back, and the newest value of each topic is there."""
    base = f"homie/5/{site_id}/site"

    async def go():
        async with Proxy(broker.host, broker.port).open() as proxy:
            link = Link(settings(proxy, site_id))
            async with running(link):
                for turn in range(5):
                    for number in range(50):
                        link.publish(f"{base}/p{number}", b"%d" % turn)
                    await asyncio.sleep(0)
                    proxy.cut()
                    await until(lambda: not link.connected)
                    assert await link.wait_connected(10)
                await until(lambda: not link.unacknowledged)
            return await asyncio.to_thread(retained_now, broker.host, broker.port, f"{base}/#")

    assert run_async(go()) == {f"{base}/p{number}": b"4" for number in range(50)}


def test_bytes_one_by_one(broker, site_id, observe):
    """Packets that arrive one byte at a time are put together, whatever their payload looks like."""
    observer, got = observe(), []
    like_acknowledgements = b"@\x02\x80\x01" * 60

    async def go():
        async with Proxy(broker.host, broker.port, piece=1).open() as proxy:
            link = Link(settings(proxy, site_id), on_message=lambda *what: got.append(what))
            async with running(link):
                for number in range(20):
                    link.publish(f"homie/5/{site_id}/site/p{number}", b"x" * 200)
                await asyncio.to_thread(
                    observer.publish, f"homie/5/{site_id}/site/start-show/set", like_acknowledgements
                )
                await until(lambda: got and not link.unacknowledged)

    run_async(go())
    assert got == [(f"homie/5/{site_id}/site/start-show/set", like_acknowledgements, False)]


def test_an_endless_command_is_cut_short(start_mosquitto, site_id, observe):
    """A command of hundreds of kilobytes arrives without its payload, and the next one is heard."""
    private, got = start_mosquitto(), []
    observer = observe(at=private)
    topic = f"homie/5/{site_id}/site/start-show/set"

    async def go():
        link = Link(settings(private, site_id), on_message=lambda *what: got.append(what))
        async with running(link):
            await asyncio.to_thread(observer.publish, topic, b"x" * (INCOMING_LIMIT_BYTES * 2))
            await asyncio.to_thread(observer.publish, topic, b"Lantern walk")
            await until(lambda: len(got) == 2)

    run_async(go())
    assert got == [(topic, b"", False), (topic, b"Lantern walk", False)]


def test_a_stalled_broker_is_noticed(broker, site_id):
    """A broker that acknowledges nothing is left after the limit; the next connect says what it missed."""

    async def go():
        async with Proxy(broker.host, broker.port).open() as proxy:
            reasons = []
            link = Link(settings(proxy, site_id, ack_limit_s=0.5), on_disconnected=reasons.append)
            async with running(link):
                proxy.flowing.clear()
                link.publish(f"homie/5/{site_id}/site/load", b"1")
                await until(lambda: reasons)
                proxy.flowing.set()
                assert await link.wait_connected(10)
                await until(lambda: not link.unacknowledged)
            return reasons[0]

    assert "acknowledged nothing" in run_async(go())


def test_a_silent_connection_is_noticed_by_keep_alive(broker, site_id):
    """With nothing to acknowledge, the missing answer to a ping ends a dead connection (MQTT 3.1.2.10)."""

    async def go():
        async with Proxy(broker.host, broker.port).open() as proxy:
            reasons = []
            link = Link(settings(proxy, site_id, keepalive_s=1), on_disconnected=reasons.append)
            async with running(link):
                proxy.flowing.clear()
                await until(lambda: reasons, limit_s=15)
                proxy.flowing.set()
            return reasons[0]

    assert "does not answer any more" in run_async(go())


def test_a_congested_broker_gets_the_newest_only(broker, site_id, observe):
    """While a broker takes nothing, values of a topic do not pile up: the newest of each topic arrives."""
    base = f"homie/5/{site_id}"
    observer = observe(f"{base}/#")

    async def go():
        async with Proxy(broker.host, broker.port).open() as proxy:
            link = Link(settings(proxy, site_id))
            async with running(link):
                proxy.flowing.clear()
                for turn in range(100):
                    for number in range(200):
                        link.publish(f"{base}/site/p{number}", b"%d" % turn)
                    await asyncio.sleep(0)
                assert link.unacknowledged <= 300
                proxy.flowing.set()
                await until(lambda: not link.unacknowledged)
                await until(lambda: len([t for t, v in observer.latest.items() if v == b"99"]) == 200)

    run_async(go())


def test_the_last_word_does_not_wait_behind_thousands(broker, site_id):
    """Who stops while the way back is slow leaves `disconnected` at the broker, and not `ready`."""
    state = f"homie/5/{site_id}/$state"

    def said():
        return retained_now(broker.host, broker.port, state).get(state)

    async def go():
        async with OneWay(broker.host, broker.port).open() as proxy:
            link = Link(settings(proxy, site_id, stop_limit_s=0.3))
            async with running(link):
                link.publish(state, b"ready")
                await until(lambda: said() == b"ready")
                await until(lambda: not link.unacknowledged)
                proxy.flowing.clear()
                for number in range(1000):
                    link.publish(f"homie/5/{site_id}/site/p{number}", b"1")
            await until(lambda: said() == b"disconnected")

    run_async(go())


# ---------------------------------------------------------------- other clients, other topics


def test_two_with_one_client_id_are_told(broker, site_id):
    """Two links with one client id evict each other: both slow down, and an alarm names the id (PIT-03)."""
    told, pauses = [], []

    async def go():
        links = [
            Link(settings(broker, site_id, pause_max_s=0.4), on_evicted=told.append, jitter=lambda: 1.0)
            for _ in range(2)
        ]
        first = links[0]
        plain = first.next_pause_s

        def noted():
            pauses.append(plain())
            return pauses[-1]

        first.next_pause_s = noted
        async with running(links[0]), running(links[1], connected=False):
            await until(lambda: told, limit_s=20)
            await until(lambda: len(pauses) >= 4, limit_s=20)

    run_async(go())
    assert f"'duskward-{site_id}'" in told[0]
    assert pauses[:4] == [0.05, 0.1, 0.2, 0.4], "a connection of seconds must not reset the pause"


def test_other_topics_do_not_reach_the_product(broker, site_id, observe):
    """What arrives outside our filters is not handed on, whatever the broker sends (PIT-35)."""
    observer, got = observe(), []
    outside = f"homie/5/{site_id}/site/show"
    observer.publish(outside, b"Lantern walk", retain=True)

    async def go():
        link = Link(settings(broker, site_id), on_message=lambda *what: got.append(what))
        async with running(link):
            assert await link.gather([f"homie/5/{site_id}/#"]) == {outside: b"Lantern walk"}

    run_async(go())
    assert got == []


def test_what_the_broker_holds_is_waited_for_on_a_slow_way(broker, site_id, observe):
    """All that is retained is gathered though it comes slower than the quiet that ends a gathering."""
    observer = observe()
    held = {f"homie/5/{site_id}/site/p{number}": b"%d" % number for number in range(4)}
    for topic, payload in held.items():
        observer.publish(topic, payload, retain=True)

    async def go():
        for topic in held:
            await until(lambda topic=topic: retained_now(broker.host, broker.port, topic))
        async with LateRetained(broker.host, broker.port).open() as proxy:
            link = Link(settings(proxy, site_id))
            async with running(link):
                assert await link.gather([f"homie/5/{site_id}/#"], quiet_s=0.1) == held

    run_async(go())


def test_a_broker_that_answers_no_subscription_is_left_and_asked_again(broker, site_id):
    """An unanswered question to the broker ends the connection, so that the next one can ask it again."""

    async def go():
        async with Proxy(broker.host, broker.port).open() as proxy:
            link = Link(settings(proxy, site_id, connect_limit_s=0.5))
            async with running(link):
                proxy.flowing.clear()
                with pytest.raises(ConnectionEndedError, match="did not answer a subscription"):
                    await link.gather([f"homie/5/{site_id}/#"])
                await until(lambda: not link.connected)
                proxy.flowing.set()
                await until(lambda: link.connected)
                assert await link.gather([f"homie/5/{site_id}/#"]) == {f"homie/5/{site_id}/$state": b"lost"}
                assert proxy.connections >= 2

    run_async(go())


def test_a_retained_command_is_handed_on_with_its_flag(broker, site_id, observe):
    """A command that was retained is delivered as such, so that it can be refused (PIT-04)."""
    observer, got = observe(), []
    topic = f"homie/5/{site_id}/port/power/set"
    observer.publish(topic, b"true", retain=True)

    async def go():
        link = Link(settings(broker, site_id), on_message=lambda *what: got.append(what))
        async with running(link):
            await until(lambda: got)
            await asyncio.to_thread(observer.publish, topic, b"true")
            await until(lambda: len(got) == 2)

    run_async(go())
    observer.publish(topic, b"", retain=True)
    assert got == [(topic, b"true", True), (topic, b"true", False)]


# ---------------------------------------------------------------- messages a broker does not take


def test_too_large_is_refused_before_it_is_sent(broker, site_id):
    """A message above the limit is refused in words; the connection stays and others arrive (PIT-34)."""
    refused = []
    base = f"homie/5/{site_id}/site"

    async def go():
        link = Link(settings(broker, site_id), on_refused=lambda *what: refused.append(what))
        async with running(link):
            assert link.publish(f"{base}/fault-detail", b"x" * 20_500) is False
            assert link.publish(f"{base}/load", b"1") is True
            await until(lambda: not link.unacknowledged)
            return await asyncio.to_thread(retained_now, broker.host, broker.port, f"{base}/#")

    assert run_async(go()) == {f"{base}/load": b"1"}
    assert refused[0][0] == f"{base}/fault-detail"
    assert "20000 bytes" in refused[0][1]


def test_a_topic_with_a_wildcard_is_refused(broker, site_id):
    """A topic with a wildcard, for which brokers hang up, is refused (MQTT 3.1.1, 3.3.2-2)."""
    refused = []

    async def go():
        link = Link(settings(broker, site_id), on_refused=lambda *what: refused.append(what))
        async with running(link):
            assert link.publish("homie/5/+/site/load", b"1") is False
            assert link.connected

    run_async(go())
    assert [topic for topic, _ in refused] == ["homie/5/+/site/load"]


def test_a_message_the_broker_hangs_up_on_is_set_aside(embedded_broker, site_id):
    """A message on which the broker hangs up again and again is set aside, and all others arrive."""
    refused = []
    base = f"homie/5/{site_id}/site"

    async def go():
        given = settings(embedded_broker, site_id, payload_limit_bytes=100_000)
        link = Link(given, on_refused=lambda *what: refused.append(what))
        async with running(link):
            for number in range(20):
                link.publish(f"{base}/a{number}", b"1")
            link.publish(f"{base}/huge", b"x" * 30_000)
            for number in range(20):
                link.publish(f"{base}/b{number}", b"1")
            await until(lambda: refused, limit_s=20)
            await link.wait_connected(10)
            await until(lambda: not link.unacknowledged)
            found = await asyncio.to_thread(
                retained_now, embedded_broker.host, embedded_broker.port, f"{base}/#"
            )
            ends = []
            link._on_disconnected = ends.append
            link.publish(f"{base}/huge", b"y" * 30_000)
            await until(lambda: len(refused) == 2, limit_s=20)
            await link.wait_connected(10)
            assert len(ends) == 1, "a topic under suspicion is sent alone at once"
            link.publish(f"{base}/huge", b"now small")
            await until(lambda: not link.unacknowledged)
            return found, await asyncio.to_thread(
                retained_now, embedded_broker.host, embedded_broker.port, f"{base}/huge"
            )

    found, later = run_async(go())
    assert set(found) == {f"{base}/{letter}{number}" for letter in "ab" for number in range(20)}
    assert [topic for topic, _ in refused] == [f"{base}/huge"] * 2
    assert later == {f"{base}/huge": b"now small"}


# ---------------------------------------------------------------- leaving


def test_stop_without_a_broker_is_quick(site_id):
    """A link that never found its broker stops at once."""
    link = Link(
        LinkSettings(host=LOOPBACK, port=free_port(), client_id="x", state_topic="t", pause_first_s=60)
    )

    async def go():
        task = asyncio.create_task(link.run())
        await asyncio.sleep(0.05)
        await link.stop()
        await asyncio.wait_for(task, 2)

    run_async(go())


def test_pauses_grow_and_differ():
    """Pauses double up to their limit, and chance keeps a fleet from coming back in one moment."""
    chances = iter([0.0, 1.0, 0.0, 1.0])
    link = Link(
        LinkSettings(host="h", client_id="x", state_topic="t", pause_first_s=1, pause_max_s=5),
        jitter=lambda: next(chances),
    )
    assert [link.next_pause_s() for _ in range(4)] == [0.5, 2.0, 2.0, 5.0]
