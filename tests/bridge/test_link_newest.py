"""What is said while the broker is away is the last word, whatever was under way when it went."""

import asyncio
import os
import signal

from support import PrivateBroker, retained_now, run_async, until

from bridge.mqtt.link import Link, LinkSettings


def test_a_value_under_way_at_the_end_does_not_come_after_a_newer_one(start_mosquitto) -> None:
    """A value that was sent and not acknowledged when the broker died is not said in place of a newer one."""
    private: PrivateBroker = start_mosquitto()

    async def go() -> None:
        link = Link(
            LinkSettings(
                host=private.host, port=private.port, client_id="newest", state_topic="t/state",
                pause_first_s=0.1, pause_max_s=0.1,
            )
        )  # fmt: skip
        running = asyncio.create_task(link.run())
        assert await link.wait_connected(10)
        # Stopped, not ended: what is sent now is under way and stays so.
        os.kill(private._process.pid, signal.SIGSTOP)
        link.publish("t/power", b"true")
        await until(lambda: link.unacknowledged == 1, what="a message under way")
        private.kill()
        await until(lambda: not link.connected, what="the end of the connection")
        link.publish("t/power", b"false")
        private.start()
        assert await link.wait_connected(10)
        await until(lambda: link.unacknowledged == 0, what="all acknowledged")
        assert retained_now(private.host, private.port, "t/power") == {"t/power": b"false"}
        await link.stop()
        await running

    run_async(go())
