"""What is said again on a connect lets news go first, and knows what has changed meanwhile."""

import asyncio

from structlog.testing import capture_logs
from support import Observer, retained_now, run_async, until, wait_for
from test_link import running, settings

from bridge.mqtt.link import Link

TOPICS = 800
"""A newcomer at a broker gets no more than a thousand at once (its default)."""


def a_link(broker, site_id, **more) -> Link:
    """A link that is not connected yet, and has hundreds of values to say on a connect."""
    link = Link(settings(broker, site_id), **more)
    for number in range(TOPICS):
        link.publish(f"homie/5/{site_id}/port/{number}", b"1")
    return link


def test_a_fault_does_not_wait_behind_what_is_said_again(start_mosquitto, observe, site_id) -> None:
    """An alert raised while hundreds of values are said again overtakes nearly all; the log tells the end."""
    broker = start_mosquitto()
    watch = observe(f"homie/5/{site_id}/#", at=broker)
    link = a_link(broker, site_id)

    async def story() -> None:
        async with running(link):
            link.publish(f"homie/5/{site_id}/$alert/fuse-trip", b"Tripped.")
            assert link.unacknowledged > TOPICS / 2
            await until(lambda: not link.unacknowledged)
            await until(lambda: [line["retained"] for line in logs if line["event"] == "link.caught_up"])

    with capture_logs() as logs:
        run_async(story())
    assert [line["retained"] for line in logs if line["event"] == "link.caught_up"] == [TOPICS]
    wait_for(lambda: len(watch.latest) > TOPICS, what="all of it")
    said = [seen.topic.rpartition("/")[2] for seen in watch.messages]
    assert said.index("fuse-trip") < TOPICS / 2


def test_what_changed_or_went_meanwhile_is_not_said_as_it_was(start_mosquitto, observe, site_id) -> None:
    """A value that changes while it waits to be said again ends new; one taken away ends away."""
    base = f"homie/5/{site_id}/port"
    late, gone, state = (f"{base}/{TOPICS - n}" for n in (1, 2, 3))
    broker = start_mosquitto()
    watch = observe(f"{base}/+", at=broker)
    link = a_link(
        broker,
        site_id,
        arrange=lambda retained: [
            again
            for topic in retained
            for again in ((topic, b"init" if topic == state else None), (topic, None))
        ],
    )

    async def story() -> dict[str, bytes]:
        async with running(link):
            link.publish(late, b"2")
            link.publish(gone, b"")
            link.publish(state, b"")
            await until(lambda: not link.unacknowledged)
            return await asyncio.to_thread(retained_now, broker.host, broker.port, f"{base}/+")

    found = run_async(story())
    assert len(found) == TOPICS - 2
    assert found[late] == b"2"
    assert b"1" not in [seen.payload for seen in watch.messages if seen.topic == late]
    assert {seen.payload for seen in watch.messages if seen.topic in (gone, state)} == {b""}


def test_what_somebody_missed_is_said_as_it_stands(start_mosquitto, observe, site_id) -> None:
    """Topics that are repeated arrive with the values they have then; unknown ones are not invented."""
    broker = start_mosquitto()
    link = a_link(broker, site_id)
    base = f"homie/5/{site_id}/port"

    async def story() -> None:
        async with running(link):
            await until(lambda: not link.unacknowledged)
            watch: Observer = await asyncio.to_thread(observe, f"{base}/+", at=broker)
            await until(lambda: len(watch.latest) == TOPICS)
            before = len(watch.messages)
            link.repeat([f"{base}/{number}" for number in range(TOPICS)] + [f"{base}/none"])
            link.publish(f"{base}/{TOPICS - 1}", b"2")
            await until(lambda: not link.unacknowledged)
            await until(lambda: len(watch.messages) >= before + TOPICS)
            again = {seen.topic: seen.payload for seen in watch.messages[before:]}
            assert len(again) == TOPICS
            assert again[f"{base}/{TOPICS - 1}"] == b"2"

    run_async(story())
