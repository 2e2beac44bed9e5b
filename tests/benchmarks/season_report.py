"""A season of a large site through the real rules, store and report: how true, how small, how quick.

    PYTHONPATH=.:tests/bridge python tests/benchmarks/season_report.py --ports 500 --days 45

Time is simulated; readings come every `--poll` seconds (the store keeps minutes and quarter hours of them, so
the file is as large as with one a second, but for the two newest hours, which are measured apart).
"""

import argparse
import tempfile
import time
from pathlib import Path

from history_sums import energy_parts
from season_site import SeasonSite, site_file

from bridge.config import load, plan
from bridge.history.store_pack import Samples
from bridge.history.store_read import StoreReader
from bridge.report.command import report
from bridge.report.gather import gather
from rules.ports import Reading


def timed(what: str, call: object) -> object:
    """Call it and say how long it took."""
    start_s = time.perf_counter()
    made = call()  # type: ignore[operator]  # callables only
    print(f"{what}: {time.perf_counter() - start_s:.2f} s", flush=True)
    return made


def full_rate_bytes(port: str) -> int:
    """One minute of one port at a reading a second, packed."""
    samples = Samples(0)
    for second in range(60):
        current_a = 0.2 + (second * 37 % 101) / 100
        samples.add(1000 * second + second * 7 % 9, Reading(port, 0.0, current_a, True, False, 12.0))
    return len(samples.pack())


def main() -> None:
    """Live the season, then read it."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--ports", type=int, default=500)
    ask.add_argument("--days", type=int, default=45)
    ask.add_argument("--poll", type=float, default=60.0)
    ask.add_argument("--keep", type=Path, help="live it here, or read what was lived here before")
    given = ask.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.keep or Path(scratch)
        folder.mkdir(exist_ok=True)
        file, path = folder / "site.yaml", folder / "history.db"
        if not path.exists():
            controllers = max(1, given.ports // 25)
            file.write_text(site_file(folder, given.ports, controllers), encoding="utf-8")
            site = SeasonSite(
                folder, file.read_text(encoding="utf-8"), on_poll_s=given.poll, off_poll_s=300.0
            )
            timed(f"{given.days} days of {given.ports} ports lived", lambda: site.season(given.days))
            energy_wh, saved_wh = site.truth_wh()
            with StoreReader(path) as reader:
                told = reader.energy().values()
                parts = list(energy_parts(reader, *reader.bounds()))  # type: ignore[misc]  # it knows something
            for what, true, found in (
                ("energy", energy_wh, sum(one.energy_wh for one in told)),
                ("saved", saved_wh, sum(one.saved_wh for one in told)),
                ("energy by quarter hours", energy_wh, sum(one.energy_wh for one in parts)),
            ):
                print(f"{what}: {found / 1000:.2f} kWh, truth {true / 1000:.2f} kWh, {found / true - 1:+.3%}")
        size = path.stat().st_size
        print(f"history: {size / 1e6:.1f} MB, {size / given.ports / 1e3:.1f} kB a port-season")
        newest = 120 * full_rate_bytes("gable/1") * given.ports
        print(f"the newest two hours at full rate, besides: up to {newest / 1e6:.1f} MB")
        with StoreReader(path) as reader:
            first, last = reader.bounds()  # type: ignore[misc]  # it knows something
            site_plan = plan(load(file))
            timed(
                "gathered",
                lambda: gather(reader, site_plan, first.date(), last.date()),
            )
        for form, faults in (("html", False), ("html", True), ("json", False), ("csv", False)):
            out = folder / f"out.{form}"
            timed(
                f"{'faults' if faults else 'report'} as {form}",
                lambda form=form, faults=faults, out=out: report(
                    file, history=None, since=None, until=None, out=out, form=form, faults=faults
                ),
            )
            print(f"  {out.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
