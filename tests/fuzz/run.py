"""Fuzzing with coverage as its guide: each target in a process of its own, with limits of time and memory.

    python tests/fuzz/run.py [TARGET...] [--seconds N] [--seed S] [--folder DIR] [--again FILE]

An input counts as found when the target's promise does not hold, when it takes longer than the limit, or
more memory. What a run learned stays in the folder (``.fuzz``) and is where the next one begins. A finding
is shrunk by nobody: it is small as a rule, and stays in ``tests/fuzz/found/TARGET`` once it is understood.
"""

import argparse
import contextlib
import re
import resource
import subprocess
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE), str(HERE.parent), str(ROOT)]

SLOW_S = 10
"""An input that takes longer [s of wall time] is found; run it alone to know its CPU time."""
LARGE_MB = 2048
OURS = ("bridge", "rules")
MISSING = "atheris is not installed here; install it with: pip install -e '.[fuzz]'"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one target's run did. features: edges and comparisons reached; found: files that broke it."""

    target: str
    executions: int
    features: int
    cpu_s: float
    found: tuple[Path, ...]


def children_s() -> float:
    """CPU time [s] of the processes this one started and that are over."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def words_file(words: Iterable[str | bytes], path: Path) -> Path:
    """The words in the form libFuzzer reads."""
    lines = []
    for word in words:
        raw = word.encode() if isinstance(word, str) else word
        lines.append('"' + "".join(f"\\x{byte:02x}" for byte in raw) + '"\n')
    path.write_text("".join(lines))
    return path


def fuzz(name: str, arguments: list[str]) -> None:
    """The child's part: follow our own branches and those of the target's libraries, and never return."""
    import atheris

    # The libraries are named in the table, which imports what is to be followed; so the names come first.
    followed = [*OURS, *arguments[0].split(",")] if arguments[0] else [*OURS]
    with atheris.instrument_imports(include=followed):
        from targets import TARGETS

        target = TARGETS[name]
        for seed in target.seeds():  # what is imported at its first use must be so by now
            with contextlib.suppress(Exception):  # it is met again as an input
                target.check(seed)
    atheris.Setup([sys.argv[0], *arguments[1:]], target.check)
    atheris.Fuzz()


def run(name: str, folder: Path, seconds: int, seed: int) -> Outcome:
    """Fuzz one target for so long, in a process of its own."""
    from fuzz_target import found_inputs
    from targets import TARGETS

    target = TARGETS[name]
    learned, seeds, found = (folder / name / part for part in ("learned", "seeds", "found"))
    for one in (learned, seeds, found):
        one.mkdir(parents=True, exist_ok=True)
    for number, content in enumerate([*target.seeds(), *(file.read_bytes() for file in found_inputs(name))]):
        (seeds / f"{number:03}").write_bytes(content)
    before = {*found.iterdir()}
    command: list[Any] = [
        sys.executable, __file__, "--child", name, ",".join(target.libraries),
        f"-max_total_time={seconds}", f"-seed={seed}", f"-timeout={SLOW_S}", f"-rss_limit_mb={LARGE_MB}",
        f"-max_len={target.longest_bytes}", f"-artifact_prefix={found}/", "-print_final_stats=1",
        f"-dict={words_file(target.words, folder / name / 'words')}", "-reduce_inputs=0", learned, seeds,
    ]  # fmt: skip
    log = folder / name / "log"
    before_s = children_s()
    with log.open("wb") as said:
        process = subprocess.Popen(command, stdout=said, stderr=subprocess.STDOUT, cwd=ROOT)
        try:
            process.wait(seconds + 60 + 2 * SLOW_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
    text = log.read_text(errors="replace")
    figures = re.findall(r"#(\d+)\s.*?\bcov: (\d+) ft: (\d+)", text)
    new = tuple(sorted({*found.iterdir()} - before))
    executions, _, features = (int(one) for one in figures[-1]) if figures else (0, 0, 0)
    executions = max(executions, *map(int, re.findall(r"executed_units:\s*(\d+)", text)), 0)
    if process.returncode and not new:
        new = (log,)  # it did not even begin: the log says why
    return Outcome(name, executions, features, children_s() - before_s, new)


def again(name: str, file: Path) -> int:
    """Give one input to its target, and say how long it took."""
    from targets import TARGETS

    began_s = time.process_time()
    TARGETS[name].check(file.read_bytes())
    print(f"the promise of {name} holds; {time.process_time() - began_s:.2f} s of CPU")
    return 0


def main() -> int:
    """Run the targets one after the other; 1 if anything was found."""
    if sys.argv[1:2] == ["--child"]:
        fuzz(sys.argv[2], sys.argv[3:])
        return 0
    from targets import TARGETS

    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=f"of: {', '.join(TARGETS)}; all if none")
    parser.add_argument("--seconds", type=int, default=60, help="for each target")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, default=ROOT / ".fuzz", help="what was learned and found")
    parser.add_argument("--again", type=Path, metavar="FILE", help="give this input to the one TARGET")
    options = parser.parse_args()
    names = options.targets or list(TARGETS)
    if unknown := [name for name in names if name not in TARGETS]:
        parser.error(f"no target {', '.join(unknown)}; there are {', '.join(TARGETS)}")
    if options.again is not None:
        return again(names[0], options.again)
    try:
        import atheris  # noqa: F401
    except ModuleNotFoundError:
        print(MISSING, file=sys.stderr)
        return 2
    broken = False
    for name in names:
        outcome = run(name, options.folder.absolute(), options.seconds, options.seed)
        print(
            f"{name}: {outcome.executions} executions, {outcome.features} features, "
            f"{outcome.cpu_s:.0f} s of CPU",
            flush=True,
        )
        for file in outcome.found:
            broken = True
            print(f"  found: {file}\n  again: {sys.executable} {__file__} {name} --again {file}", flush=True)
    return int(broken)


if __name__ == "__main__":
    sys.exit(main())
