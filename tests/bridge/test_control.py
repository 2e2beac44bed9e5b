"""The control socket by itself: who is connected when it ends, and answers that fail half-way."""

import asyncio
import json
import stat

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
