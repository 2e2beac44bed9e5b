"""Nights full of faults, one after the other; see `season.py` for what happens and what is judged."""

from pathlib import Path

import pytest
from failure_rig import seed_of_run
from season import play


def test_two_bad_nights(tmp_path: Path) -> None:
    """Whatever the seed brings over two nights, every promise holds, and the process does not grow."""
    figures = play(tmp_path, seed=seed_of_run(), nights=2, day_s=10.0, say=print)
    assert figures["power changes of ports"] > 0


@pytest.mark.season
@pytest.mark.timeout(3000)
def test_a_season_of_bad_nights(tmp_path: Path, request: pytest.FixtureRequest) -> None:
    """Over seventy nights the same holds; asked for by ``pytest -m season``."""
    if "season" not in request.config.option.markexpr:
        pytest.skip("takes a quarter of an hour: pytest -m season")
    figures = play(tmp_path, seed=seed_of_run(), nights=70, day_s=12.0, say=print)
    first_mb, last_mb, _ = figures["RSS MB, first and last noon, most ever"]
    assert last_mb < first_mb + 15
    first_files, last_files = figures["open files, first and last noon"]
    assert last_files <= first_files + 2
