"""The control socket by itself: who is connected when it ends, and answers that fail half-way."""

import asyncio
import json
import stat
from contextlib import suppress

import pytest
from support import run_async

from bridge import control


async def echo(request):
    """Answer with what was asked."""
    return {"accepted": True, "text": str(request.get("verb"))}


async def breaking(_request):
    """One answer, and then something nobody foresaw."""
    yield {"text": "begun"}
    raise RuntimeError("something nobody foresaw")


def test_a_half_line_at_the_end_is_no_error(tmp_path, caplog):
    """A client that wrote half a request when the process ends is hung up on, and nothing is logged."""

    async def story():
        async with control.listen(tmp_path, echo) as path:
            assert stat.S_IMODE(path.stat().st_mode) == 0o600
            reader, writer = await asyncio.open_unix_connection(path)
            writer.write(b'{"verb": "status"}\n{"verb"')
            assert json.loads(await reader.readline()) == {"accepted": True, "text": "status"}
        assert await reader.read() == b""
        writer.close()
        await writer.wait_closed()
        assert not path.exists()

    run_async(story())
    assert caplog.text == ""


def test_an_answer_that_breaks_off_says_so(tmp_path, caplog):
    """A long job that fails unexpectedly ends with a refusal the person can read, and is in the log."""

    async def story():
        async with control.listen(tmp_path, echo, {"count": breaking}):
            answers = [answer async for answer in control.follow(tmp_path, {"verb": "count"})]
        assert answers[0] == {"text": "begun"}
        assert answers[-1]["accepted"] is False
        assert "RuntimeError" in answers[-1]["text"]

    run_async(story())
    assert caplog.text == ""


@pytest.mark.parametrize(
    "line",
    [
        rb'{"verb": "hold", "target": "gable/1", "argument": "J\udcfcrgen"}',
        rb'{"verb": "hold", "target": "\ud800"}',
        rb'{"verb": "\udcff"}',
        rb'{"verb": "count", "target": "\ud800"}',
        b'{"verb": "hold", "argument": "J\xfcrgen"}',
    ],
)
def test_text_that_is_no_unicode_is_refused_at_the_door(tmp_path, caplog, line):
    """A name typed on a terminal of another encoding is refused in words, and goes no further."""

    async def story():
        async with control.listen(tmp_path, echo, {"count": breaking}) as path:
            reader, writer = await asyncio.open_unix_connection(path)
            writer.write(line + b"\n")
            answer = json.loads(await reader.readline())
            assert answer["accepted"] is False
            assert "UTF-8" in answer["text"]
            writer.write(b'{"verb": "status"}\n')
            assert json.loads(await reader.readline())["accepted"] is True
            writer.close()
            await writer.wait_closed()

    run_async(story())
    assert caplog.text == ""


def test_a_client_that_reads_nothing_holds_up_no_stop(tmp_path, caplog):
    """Who asks for much and does not read it (a terminal halted by Ctrl-Z) is hung up on at the end."""

    async def much(_request):
        return {"accepted": True, "text": "x" * 2**22}  # more than a socket takes in unread

    async def story():
        async with asyncio.timeout(10):
            async with control.listen(tmp_path, much) as path:
                reader, writer = await asyncio.open_unix_connection(path, limit=1024)
                writer.write(b'{"verb": "status"}\n')
                assert await reader.readexactly(1) == b"{"
            writer.close()
            with suppress(ConnectionError):
                await writer.wait_closed()

    run_async(story())
    assert caplog.text == ""
