"""How long `duskward --help` takes, as a multiple of an empty Python: ``python tests/benchmarks/startup.py``.

The ratio says what our imports add, on any machine; seconds would say how fast the machine is.
"""

import statistics
import subprocess
import sys
import time

RUNS = 15


def median_s(*words: str) -> float:
    """Median seconds of a command over `RUNS` runs, after one that warms the caches."""
    took = []
    for number in range(RUNS + 1):
        begun_s = time.perf_counter()
        subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
        if number:
            took.append(time.perf_counter() - begun_s)
    return statistics.median(took)


if __name__ == "__main__":
    empty_s = median_s(sys.executable, "-c", "pass")
    help_s = median_s(sys.executable, "-m", "bridge.cli", "--help")
    print(f"python -c pass: {empty_s * 1000:.0f} ms")
    print(f"duskward --help: {help_s * 1000:.0f} ms, {help_s / empty_s:.1f} times as long")
