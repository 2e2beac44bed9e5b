"""The tests' own footing: the broker they talk to and the helpers they rest on."""

import asyncio

import pytest
from support import retained_now, run_async, wait_for


@pytest.mark.broker
def test_observer_sees_what_is_published(broker, observe, site_id):
    """A retained message reaches the observer live, and a newcomer with the flag of a stored one."""
    observer = observe(f"{site_id}/#")
    observer.publish(f"{site_id}/a", b"1", retain=True)
    wait_for(lambda: observer.latest.get(f"{site_id}/a") == b"1")
    assert [seen.retained for seen in observer.messages] == [False]
    assert retained_now(broker.host, broker.port, f"{site_id}/#") == {f"{site_id}/a": b"1"}


@pytest.mark.broker
def test_a_killed_broker_forgets(start_mosquitto, site_id):
    """A private broker that is killed and started again listens on the same port and kept nothing."""
    private = start_mosquitto()
    from support import Observer

    observer = Observer(private.host, private.port)
    observer.publish(f"{site_id}/a", b"1", retain=True)
    observer.close()
    private.restart()
    assert retained_now(private.host, private.port, "#") == {}


def test_a_task_left_behind_fails_the_test():
    """`run_async` fails when a coroutine leaves a task running."""

    async def careless() -> None:
        careless.task = asyncio.create_task(asyncio.sleep(60))

    with pytest.raises(AssertionError, match="tasks left running"):
        run_async(careless())
