"""The link and a broker in a container, as people run one."""

import asyncio

import pytest
from support import Observer, retained_now, run_async, until

from bridge.mqtt.link import Link, LinkSettings

pytestmark = pytest.mark.container


def test_the_link_serves_a_broker_in_a_container_and_finds_it_again(broker_container, site_id):
    """What is published is retained; the container is stopped and started, and the link goes on."""
    container, address = broker_container
    base = f"homie/5/{site_id}"
    link = Link(
        LinkSettings(
            host=address.host, port=address.port, client_id=f"duskward-{site_id}", pause_first_s=0.05,
            state_topic=f"{base}/$state", filters=(f"{base}/+/+/set",),
        )
    )  # fmt: skip

    async def go():
        task = asyncio.create_task(link.run())
        assert await link.wait_connected(10)
        link.publish(f"{base}/site/load", b"12.5")
        await until(lambda: not link.unacknowledged)
        assert retained_now(address.host, address.port, f"{base}/#") == {f"{base}/site/load": b"12.5"}

        await asyncio.to_thread(container.get_wrapped_container().stop)
        await until(lambda: not link.connected)
        link.publish(f"{base}/site/load", b"13.5")
        await asyncio.to_thread(container.get_wrapped_container().start)
        await until(lambda: link.connected and not link.unacknowledged, 30)
        assert retained_now(address.host, address.port, f"{base}/#") == {f"{base}/site/load": b"13.5"}

        observer = await asyncio.to_thread(Observer, address.host, address.port, f"{base}/$state")
        await link.stop()
        await asyncio.wait_for(task, 15)
        await until(lambda: observer.latest.get(f"{base}/$state") == b"disconnected")
        await asyncio.to_thread(observer.close)

    run_async(go())
