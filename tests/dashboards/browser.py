"""A headless browser over its DevTools protocol: load a page, wait for what it shows, take a picture."""

import asyncio
import base64
import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import aiohttp
from support import LOOPBACK, free_port


def browser_program() -> str | None:
    """A Chromium of this machine, or None."""
    return shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


async def picture(
    folder: Path, url: str, *, shown: str, text: str, before: str = "", width: int = 1280, height: int = 900
) -> tuple[bytes, str]:
    """A PNG of the page at `url` once the JavaScript expression `shown` is true, and the value of `text`.

    before: JavaScript run once on a blank page of the same origin, for example to log in.
    """
    program, port = browser_program(), free_port()
    assert program is not None
    process = await asyncio.create_subprocess_exec(
        program, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run",
        "--disable-dev-shm-usage", "--disable-background-networking", f"--window-size={width},{height}",
        f"--remote-debugging-port={port}", f"--user-data-dir={folder / 'profile'}", "about:blank",
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        async with asyncio.timeout(90), aiohttp.ClientSession() as session:
            page = await _page(session, port)
            async with session.ws_connect(page, max_msg_size=0) as socket:
                tab = _Tab(socket)
                await tab.ask("Page.enable")
                metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
                await tab.ask("Emulation.setDeviceMetricsOverride", **metrics)
                if before:
                    origin = "/".join(url.split("/")[:3])
                    await tab.ask("Page.navigate", url=f"{origin}/manifest.json")
                    await tab.wait("document.readyState == 'complete'")
                    await tab.ask("Runtime.evaluate", expression=before)
                await tab.ask("Page.navigate", url=url)
                await tab.wait(shown)
                await asyncio.sleep(1.0)  # fonts and transitions; the picture is judged by its content
                shot = await tab.ask("Page.captureScreenshot", format="png")
                said = await tab.ask("Runtime.evaluate", expression=text, returnByValue=True)
                return base64.b64decode(shot["data"]), str(said["result"]["value"])
    finally:
        process.kill()
        await process.wait()


async def _page(session: aiohttp.ClientSession, port: int) -> str:
    while True:
        try:
            async with session.get(f"http://{LOOPBACK}:{port}/json/list") as answer:
                for one in await answer.json():
                    if one["type"] == "page":
                        return str(one["webSocketDebuggerUrl"])
        except aiohttp.ClientError:
            pass
        await asyncio.sleep(0.1)


class _Tab:
    """One tab: questions and their answers by number."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self._socket, self._number = socket, 0

    async def ask(self, method: str, **parameters: object) -> dict[str, Any]:
        self._number += 1
        await self._socket.send_str(json.dumps({"id": self._number, "method": method, "params": parameters}))
        while True:
            said = json.loads((await self._socket.receive()).data)
            if said.get("id") == self._number:
                assert "error" not in said, said
                return said["result"]

    async def wait(self, expression: str) -> None:
        while True:
            said = await self.ask("Runtime.evaluate", expression=expression, returnByValue=True)
            if said["result"].get("value"):
                return
            await asyncio.sleep(0.2)
