"""The fuzz targets on the inputs they begin with, and on those that once broke them; no fuzzer is needed."""

import pytest
from fuzz_target import FOUND, found_inputs
from targets import TARGETS


@pytest.mark.parametrize("name", TARGETS)
def test_the_promise_holds_for_every_seed(name):
    """Every input that a campaign begins with is taken as its target promises."""
    target = TARGETS[name]
    seeds = target.seeds()
    assert seeds
    for seed in seeds:
        target.check(seed)


@pytest.mark.parametrize("name", TARGETS)
def test_the_promise_holds_for_bytes_of_any_kind(name):
    """Nothing, noise and half an input are taken as the target promises."""
    target = TARGETS[name]
    first = target.seeds()[0]
    for content in (b"", b"\0", b"\xff\xfe\x00", b"{" * 500, first[: len(first) // 2], first[::-1]):
        target.check(content)


@pytest.mark.parametrize(
    ("name", "file"),
    [pytest.param(name, file, id=f"{name}-{file.name}") for name in TARGETS for file in found_inputs(name)],
)
def test_what_was_found_stays_mended(name, file):
    """An input that once broke a promise breaks it no more."""
    TARGETS[name].check(file.read_bytes())


def test_every_kept_input_has_its_target():
    """No folder of kept inputs is left behind by a target that is gone."""
    assert {folder.name for folder in FOUND.iterdir()} <= set(TARGETS)
