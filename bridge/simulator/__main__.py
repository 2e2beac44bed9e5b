"""``python -m bridge.simulator SPEC.yaml``: a simulated site as its own process.

Prints one JSON line with the addresses and ends on SIGTERM or Ctrl-C.
"""

import argparse
import asyncio
import json
import os
import signal
import sys
from pathlib import Path

from bridge.errors import DuskwardError
from bridge.simulator.clock import SpeedClock
from bridge.simulator.scenarios import demo_site
from bridge.simulator.site import SimulatedSite, as_json
from bridge.simulator.spec import SiteSpec, read_spec


async def _run(spec: SiteSpec, arguments: argparse.Namespace) -> None:
    site = SimulatedSite(spec, seed=arguments.seed, clock=SpeedClock(arguments.speed))
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for name in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(name, stop.set)
    serving = site.serve(ports_from=arguments.ports_from, e131=arguments.e131, listen=arguments.listen)
    async with serving as addresses:
        sys.stdout.write(json.dumps(as_json(addresses)) + "\n")
        sys.stdout.flush()
        await stop.wait()


def _tcp_port(text: str) -> int:
    if not text.isascii() or not text.isdigit() or int(text) > 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is no TCP port; say 1 to 65535, or 0 for any free ones")
    return int(text)


def main() -> int:
    """Run the simulator; 0: ended when asked, 2: called wrongly."""
    reader = argparse.ArgumentParser(prog="python -m bridge.simulator", description=__doc__)
    reader.add_argument("spec", nargs="?", type=Path, help="the site as YAML; without it the demo site")
    reader.add_argument(
        "--ports-from", type=_tcp_port, default=0, metavar="PORT", help="first TCP port; 0: any free ones"
    )
    reader.add_argument("--listen", default="127.0.0.1", help="address to listen on (%(default)s)")
    reader.add_argument("--seed", type=int, default=0, help="same seed, same site")
    reader.add_argument("--speed", type=float, default=1.0, help="simulated seconds per second")
    reader.add_argument("--e131", action="store_true", help="take levels from E1.31, universe 1 on")
    arguments = reader.parse_args()
    try:
        spec = demo_site() if arguments.spec is None else read_spec(arguments.spec)
        asyncio.run(_run(spec, arguments))
    except OSError as error:
        what = os.strerror(error.errno) if error.errno else str(error)
        listening = f"it can't listen on {arguments.listen}: {what}; say other --ports-from or --listen"
        sys.stderr.write(f"{error.filename}: {what}\n" if error.filename else f"{listening}\n")
        return 2
    except (DuskwardError, ValueError, OverflowError) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
