"""The link on a real broker: what goes out arrives, what ends comes back, what can't be is told."""

import asyncio
from contextlib import asynccontextmanager

import pytest
from support import retained_now, run_async, until

from bridge.mqtt.link import Link, LinkSettings

pytestmark = pytest.mark.broker


def settings(broker, site, **more):
    """Settings for a site of the test's own, with pauses short enough for a test."""
    given = {
        "host": broker.host, "port": broker.port, "client_id": f"duskward-{site}", "pause_first_s": 0.05,
        "state_topic": f"homie/5/{site}/$state", "filters": (f"homie/5/{site}/+/+/set",),
    }  # fmt: skip
    return LinkSettings(**{**given, **more})


@asynccontextmanager
async def running(link, *, connected=True):
    """The link at work; stopped cleanly afterwards."""
    task = asyncio.create_task(link.run())
    try:
        if connected:
            assert await link.wait_connected(10)
        yield link
    finally:
        await link.stop()
        await asyncio.wait_for(task, 15)


def test_what_is_published_is_retained_and_acknowledged(broker, site_id):
    """A published value is retained at the broker, and nothing is left unacknowledged."""
    link = Link(settings(broker, site_id))

    async def go():
        async with running(link):
            link.publish(f"homie/5/{site_id}/site/load", b"12.5")
            await until(lambda: not link.unacknowledged)
            found = retained_now(broker.host, broker.port, f"homie/5/{site_id}/#")
            assert found == {f"homie/5/{site_id}/site/load": b"12.5"}

    run_async(go())


def test_clean_stop_says_disconnected_and_no_will(broker, site_id, observe):
    """A clean stop leaves `disconnected`, acknowledged, and the will is not sent."""
    observer = observe(f"homie/5/{site_id}/$state")
    link = Link(settings(broker, site_id))

    async def go():
        async with running(link):
            link.publish(f"homie/5/{site_id}/$state", b"ready")
        assert link.unacknowledged == 0
        await until(lambda: len(observer.messages) >= 2)

    run_async(go())
    assert observer.of(f"homie/5/{site_id}/$state") == [b"ready", b"disconnected"]


def test_a_cancelled_link_leaves_the_will(broker, site_id, observe):
    """A link that ends badly is `lost`, retained (Homie 5: the root's last will)."""
    observer = observe(f"homie/5/{site_id}/$state")
    link = Link(settings(broker, site_id))

    async def go():
        task = asyncio.create_task(link.run())
        await link.wait_connected(10)
        task.cancel()
        await asyncio.wait([task])
        await until(lambda: observer.latest.get(f"homie/5/{site_id}/$state") == b"lost")

    run_async(go())
    assert retained_now(broker.host, broker.port, f"homie/5/{site_id}/#") == {
        f"homie/5/{site_id}/$state": b"lost"
    }


def test_a_callback_that_raises_does_not_end_the_link(broker, site_id, observe):
    """A callback that divides by zero is logged with its topic; the next message is handled."""
    import structlog

    got = []

    def fails(topic, payload, retained):
        got.append(payload)
        return 1 // (len(got) - 1)

    observer = observe()
    link = Link(settings(broker, site_id), on_message=fails)

    async def go():
        async with running(link):
            with structlog.testing.capture_logs() as logs:
                for payload in (b"1", b"2"):
                    await asyncio.to_thread(observer.publish, f"homie/5/{site_id}/port/power/set", payload)
                await until(lambda: len(got) == 2)
            assert link.connected
            failed = [log for log in logs if log["event"] == "link.callback_failed"]
            assert [log["topic"] for log in failed] == [f"homie/5/{site_id}/port/power/set"]

    run_async(go())
    assert got == [b"1", b"2"]
