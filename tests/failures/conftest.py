"""Scenarios here mostly wait, each with processes of its own: some of them run at a time, in threads.

The first test that is reached starts them all; each test then waits for its own and reports it. What a test
asks for is only `tmp_path` and its parameters. ``DUSKWARD_FAILURE_WORKERS=1`` runs one after the other.
"""

import inspect
import os
import threading
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import pytest
from support import wait_for

_HERE = Path(__file__).parent
_FUTURES = pytest.StashKey[dict[str, "Future[None]"]]()
_POOL = pytest.StashKey[ThreadPoolExecutor]()


def _is_wanted(item: pytest.Function) -> bool:
    """Whether a test is such a scenario, and is not skipped."""
    if item.get_closest_marker("season") is not None:
        return False
    if set(inspect.signature(item.obj).parameters) - {"tmp_path", *_params(item)}:
        return False
    return not any(mark.args and mark.args[0] for mark in item.iter_markers("skipif"))


def _start_all(session: pytest.Session, folders: pytest.TempPathFactory) -> dict[str, "Future[None]"]:
    workers = int(os.environ.get("DUSKWARD_FAILURE_WORKERS", "3"))
    pool = session.stash[_POOL] = ThreadPoolExecutor(workers, thread_name_prefix="scenario")
    futures = {}
    for item in session.items:
        if isinstance(item, pytest.Function) and item.path.parent == _HERE and _is_wanted(item):
            folder = folders.mktemp(item.originalname, numbered=True)
            futures[item.nodeid] = pool.submit(item.obj, folder, **_params(item))
    return futures


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """Wait for the scenario of this test; one that has no thread of its own runs here."""
    if pyfuncitem.path.parent != _HERE or not _is_wanted(pyfuncitem):
        return None
    stash = pyfuncitem.session.stash
    if _FUTURES not in stash:
        stash[_FUTURES] = _start_all(
            pyfuncitem.session, pyfuncitem._request.getfixturevalue("tmp_path_factory")
        )
    stash[_FUTURES][pyfuncitem.nodeid].result()
    return True


def _params(item: pytest.Function) -> dict[str, object]:
    return dict(item.callspec.params) if hasattr(item, "callspec") else {}


def pytest_sessionfinish(session: pytest.Session) -> None:
    """No scenario is begun any more; those under way come to their end."""
    pool = session.stash.get(_POOL, None)
    if pool is not None:
        pool.shutdown(cancel_futures=True)


@pytest.fixture(autouse=True)
def _no_thread_left() -> None:
    """Threads of other scenarios run beside a test here; `_nothing_left` looks at the end."""


@pytest.fixture(autouse=True, scope="session")
def _nothing_left() -> Iterator[None]:
    """Fail the last test if relays or clients of any scenario still run."""
    yield
    wait_for(
        lambda: not [one for one in threading.enumerate() if one.name in ("relay", "recorder")],
        10,
        what="quiet",
    )
