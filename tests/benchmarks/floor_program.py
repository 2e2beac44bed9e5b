"""The floor for comparisons: the least program that anyone would write with aiohttp and paho-mqtt alone.

It polls the same controllers, parses the same JSON and publishes each current, retained, with QoS 1: no
rules, no bands, no alarms, no history, no reconnecting. No code of the product is in it.

    python tests/benchmarks/floor_program.py --http 8080 --mqtt 1883 --controllers 200
"""

import argparse
import asyncio
import time

import aiohttp
import paho.mqtt.client as mqtt


async def poll(
    session: aiohttp.ClientSession, client: mqtt.Client, url: str, base: str, delay_s: float
) -> None:
    """One controller, once a second, for ever."""
    await asyncio.sleep(delay_s)
    while True:
        started_s = time.monotonic()
        async with session.get(url) as response:
            told = await response.json()
        for output in told["outputs"]:
            client.publish(f"{base}-port-{output['id']}/port/current", f"{output['ma'] / 1000:.3f}", 1, True)
        await asyncio.sleep(max(0.0, started_s + 1.0 - time.monotonic()))


async def run(http: int, port: int, controllers: int) -> None:
    """All controllers."""
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    connector = aiohttp.TCPConnector(limit=0)
    async with aiohttp.ClientSession(connector=connector) as session, asyncio.TaskGroup() as tasks:
        for n in range(controllers):
            url, base = f"http://127.0.0.1:{http}/c/{n}", f"floor/5/site-c{n}"
            tasks.create_task(poll(session, client, url, base, n / controllers))


def main() -> None:
    """Read the arguments and run."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--http", type=int, required=True)
    parser.add_argument("--mqtt", type=int, required=True)
    parser.add_argument("--controllers", type=int, required=True)
    arguments = parser.parse_args()
    asyncio.run(run(arguments.http, arguments.mqtt, arguments.controllers))


if __name__ == "__main__":
    main()
