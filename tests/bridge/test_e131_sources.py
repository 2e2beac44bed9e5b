"""Which E1.31 sources count: loss, end, preview, priority, several sources, bounds."""

from dataclasses import replace

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from rules.show_data.e131 import DataPacket, SyncPacket, build
from rules.show_data.e131_sources import SourceTracker, Taken

ONE = DataPacket(b"1" * 16, "House", 1, bytes([10, 200, 0]))
TWO = replace(ONE, cid=b"2" * 16, source_name="Barn", levels=bytes([90, 50, 0, 7]))


def take(tracker, packet, now_s=0.0):
    """What became of `packet`."""
    return tracker.take(build(packet), now_s)[0]


def test_preview_never_counts():
    """A stream marked as preview never makes a universe live."""
    tracker = SourceTracker()
    assert take(tracker, replace(ONE, preview=True)) is Taken.PREVIEW
    assert tracker.universes() == ()


def test_silent_source_is_gone_after_2500_ms():
    """A source that just stops is gone after 2.5 s and not before."""
    tracker = SourceTracker()
    take(tracker, ONE, 10.0)
    assert tracker.expire(12.5) == ()
    assert tracker.levels(1) == ONE.levels
    assert tracker.expire(12.501) == (1,)
    assert tracker.levels(1) is None


def test_preview_does_not_keep_alive():
    """A live stream that turns into preview is gone after 2.5 s."""
    tracker = SourceTracker()
    take(tracker, ONE, 0.0)
    for n in range(1, 6):
        take(tracker, replace(ONE, sequence=n, preview=True), n * 0.5)
    assert tracker.expire(2.6) == (1,)


def test_terminated_ends_at_once():
    """The first of three terminated packets ends the source, and its slots are ignored."""
    tracker = SourceTracker()
    take(tracker, ONE, 0.0)
    ends = [replace(ONE, sequence=n, terminated=True, levels=bytes([255] * 3)) for n in (1, 2, 3)]
    assert [take(tracker, end, 0.1) for end in ends] == [
        Taken.ENDED,
        Taken.UNKNOWN_ENDED,
        Taken.UNKNOWN_ENDED,
    ]
    assert tracker.universes() == ()


def test_ended_source_leaves_the_others():
    """When one of two sources ends, the other's levels remain."""
    tracker = SourceTracker()
    take(tracker, ONE)
    take(tracker, TWO)
    take(tracker, replace(ONE, sequence=1, terminated=True))
    assert tracker.levels(1) == TWO.levels


def test_sequence_is_kept_per_source_and_universe():
    """Interleaved sources and universes do not disturb each other's sequence; the first may be any number."""
    tracker = SourceTracker()
    assert take(tracker, replace(ONE, sequence=240)) is Taken.LEVELS
    assert take(tracker, replace(TWO, sequence=3)) is Taken.LEVELS
    assert take(tracker, replace(ONE, universe=2, sequence=230)) is Taken.LEVELS
    assert take(tracker, replace(ONE, sequence=241)) is Taken.LEVELS
    assert take(tracker, replace(TWO, sequence=4)) is Taken.LEVELS
    assert take(tracker, replace(ONE, sequence=240)) is Taken.OUT_OF_SEQUENCE
    assert take(tracker, replace(ONE, universe=2, sequence=231)) is Taken.LEVELS


def test_sequence_is_forgotten_with_the_source():
    """After its loss a source may start again with any sequence number."""
    tracker = SourceTracker()
    take(tracker, replace(ONE, sequence=100), 0.0)
    assert take(tracker, replace(ONE, sequence=95), 1.0) is Taken.OUT_OF_SEQUENCE
    assert take(tracker, replace(ONE, sequence=95), 2.6) is Taken.LEVELS


def test_highest_priority_wins():
    """Only the levels of the highest priority count, and the lower ones return when it ends."""
    tracker = SourceTracker()
    take(tracker, ONE)
    take(tracker, replace(TWO, priority=150))
    assert tracker.levels(1) == TWO.levels
    take(tracker, replace(TWO, priority=150, sequence=1, terminated=True))
    assert tracker.levels(1) == ONE.levels


def test_equal_priority_merges_highest():
    """Sources of one priority merge by the highest level of each slot, the shorter counted as dark."""
    tracker = SourceTracker()
    take(tracker, ONE)
    take(tracker, TWO)
    assert tracker.levels(1) == bytes([90, 200, 0, 7])


def test_other_start_codes_are_ignored():
    """Packets with another start code are no levels (0xDD is priority per slot)."""
    tracker = SourceTracker()
    take(tracker, ONE)
    assert (
        take(tracker, replace(ONE, sequence=1, start_code=0xDD, levels=bytes([100] * 3)))
        is Taken.OTHER_START_CODE
    )
    assert tracker.levels(1) == ONE.levels


def test_synchronised_levels_count_at_once():
    """Levels with a synchronisation address count when they arrive."""
    tracker = SourceTracker()
    take(tracker, replace(ONE, sync_universe=7000, force_sync=True))
    assert take(tracker, SyncPacket(ONE.cid, 7000)) is Taken.SYNCHRONISATION
    assert tracker.levels(1) == ONE.levels


def test_malformed_is_counted():
    """What is no packet is counted and changes nothing."""
    tracker = SourceTracker()
    take(tracker, ONE)
    assert tracker.take(b"hello", 0.0) == (Taken.MALFORMED, None)
    assert tracker.tally[Taken.MALFORMED] == 1
    assert tracker.levels(1) == ONE.levels


def test_sources_are_bounded():
    """Beyond the bound a newcomer is ignored, unless its priority is higher than the lowest kept."""
    tracker = SourceTracker(max_sources=2, max_universes=1)
    take(tracker, ONE)
    take(tracker, TWO)
    third = replace(ONE, cid=b"3" * 16)
    assert take(tracker, third) is Taken.TOO_MANY
    assert take(tracker, replace(third, priority=101)) is Taken.LEVELS
    assert len(tracker.sources(1)) == 2
    assert take(tracker, replace(ONE, universe=2)) is Taken.TOO_MANY
    assert take(tracker, replace(ONE, universe=2), 5.0) is Taken.LEVELS


class Streams(RuleBasedStateMachine):
    """Any order of packets, ends and waits, against a plain account of who was last heard when."""

    def __init__(self):
        super().__init__()
        self.tracker = SourceTracker()
        self.now_s = 0.0
        self.sequences = {}
        self.heard = {}

    @rule(
        source=st.sampled_from([b"a" * 16, b"b" * 16, b"c" * 16]),
        universe=st.sampled_from([1, 2]),
        priority=st.sampled_from([50, 100]),
        level=st.integers(0, 255),
        kind=st.sampled_from(["live", "live", "preview", "end"]),
    )
    def send(self, source, universe, priority, level, kind):
        """A source sends its next packet."""
        key = (universe, source)
        sequence = self.sequences[key] = (self.sequences.get(key, 250) + 1) % 256
        packet = DataPacket(
            source, "s", universe, bytes([level]), priority=priority, sequence=sequence,
            preview=kind == "preview", terminated=kind == "end",
        )  # fmt: skip
        take(self.tracker, packet, self.now_s)
        if kind == "live":
            self.heard[key] = (self.now_s, priority, level)
        elif kind == "end":
            self.heard.pop(key, None)

    @rule(seconds=st.sampled_from([0.1, 1.0, 2.5, 2.6]))
    def wait(self, seconds):
        """Time passes."""
        self.now_s += seconds

    @invariant()
    def levels_are_those_of_the_live_sources(self):
        """A universe has the highest level of the live sources of the highest priority, or none."""
        self.tracker.expire(self.now_s)
        self.heard = {key: value for key, value in self.heard.items() if self.now_s - value[0] <= 2.5}
        for universe in (1, 2):
            live = [(p, level) for (u, _), (_, p, level) in self.heard.items() if u == universe]
            top = max((p for p, _ in live), default=None)
            wanted = bytes([max(level for p, level in live if p == top)]) if live else None
            assert self.tracker.levels(universe) == wanted


TestStreams = Streams.TestCase
TestStreams.settings = settings(max_examples=40, stateful_step_count=30, deadline=None)


@pytest.mark.parametrize("count", [1, 300])
def test_universes_are_listed_in_order(count):
    """Live universes are listed ascending."""
    tracker = SourceTracker()
    for universe in range(count, 0, -1):
        take(tracker, replace(ONE, universe=universe))
    assert tracker.universes() == tuple(range(1, count + 1))
