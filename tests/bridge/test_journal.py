"""The safety journal keeps what it said it kept, whatever happens to the process or the disk."""

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import textwrap
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.journal import COPIES, MARKER, Journal, JournalInUseError, JournalUnwritableError
from rules.door import Origin
from rules.ports import Condition, Mode, PortId, Target, TargetKind
from rules.safety import HandMode, Hold, SafetyState, Shelved, Tripped

NOON = datetime(2026, 12, 1, 12, tzinfo=UTC)
PORT = PortId("gable/1")


def state(number: int) -> SafetyState:
    """A state that says which one it is."""
    hold = Hold(Target(TargetKind.PORT, PORT), f"holder {number}", NOON)
    return SafetyState(holds=(hold,), shots={PORT: number}, modes={PORT: HandMode(Mode.OFF, NOON)})


def number_of(safety: SafetyState) -> int:
    """Which state it is."""
    return safety.shots[PORT]


def read(folder: Path, **options) -> tuple[SafetyState, Origin]:
    """What a new process would read."""
    with Journal(folder, **options) as journal:
        return journal.read()


# ---------------------------------------------------------------- round trip

instants = st.datetimes(timezones=st.just(UTC))
ports = st.builds(
    lambda name, n: PortId(f"{name}/{n}"),
    st.from_regex(r"[a-z0-9-]{1,8}", fullmatch=True),
    st.integers(1, 48),
)
targets = st.builds(Target, st.sampled_from(TargetKind), st.text(max_size=20))
finite = st.floats(allow_nan=False)
states = st.builds(
    SafetyState,
    holds=st.lists(st.builds(Hold, targets, st.text(max_size=40), instants), max_size=4).map(tuple),
    weather_hold=st.booleans(),
    modes=st.dictionaries(
        ports, st.builds(HandMode, st.sampled_from(Mode), instants, st.none() | instants), max_size=4
    ),
    trips=st.dictionaries(
        ports,
        st.builds(
            Tripped,
            instants,
            st.sampled_from(Condition),
            shots=st.integers(0, 3),
            lockout=st.booleans(),
            measured_a=st.none() | finite,
            acknowledged=st.booleans(),
            self_resets_utc=st.lists(instants, max_size=3).map(tuple),
            reclosing=st.booleans(),
        ),
        max_size=4,
    ),
    shots=st.dictionaries(ports, st.integers(0, 3), max_size=4),
    shelved=st.lists(st.builds(Shelved, targets, st.sampled_from(Condition), instants), max_size=3).map(
        tuple
    ),
    ended_utc=st.dictionaries(st.text(max_size=20), instants, max_size=3),
    energy_floor_wh=st.dictionaries(ports, finite, max_size=4),
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(safety=states)
def test_every_state_comes_back_as_it_was(tmp_path, safety):
    """Any safety state that is written is read back equal, types and all."""
    with Journal(tmp_path) as journal:
        journal.write(safety)
    found, origin = read(tmp_path)
    assert (found, origin) == (safety, Origin.JOURNAL)
    assert all(isinstance(hold.target, Target) for hold in found.holds)
    assert all(isinstance(one.mode, Mode) for one in found.modes.values())


@pytest.mark.parametrize("kind", [SafetyState, Hold, HandMode, Tripped, Shelved])
def test_no_field_is_forgotten(kind):
    """The states tried above exercise every field, so a new one can't be missed unseen."""
    known = {
        SafetyState: "holds weather_hold modes trips shots shelved ended_utc energy_floor_wh",
        Hold: "target holder since_utc",
        HandMode: "mode since_utc until_utc",
        Tripped: "since_utc cause shots lockout measured_a acknowledged self_resets_utc reclosing",
        Shelved: "target condition until_utc",
    }
    assert [field.name for field in fields(kind)] == known[kind].split()


# ---------------------------------------------------------------- where it comes from


def test_an_empty_folder_is_a_first_start(tmp_path):
    """A folder that does not exist or is empty has lost nothing."""
    assert read(tmp_path / "new" / "one") == (SafetyState(), Origin.FIRST_START)
    assert read(tmp_path) == (SafetyState(), Origin.FIRST_START)


def test_deleted_copies_are_a_loss(tmp_path):
    """Somebody deleted the copies of a site that had run: that is a loss, not a first start."""
    with Journal(tmp_path) as journal:
        journal.write(state(1))
    for name in COPIES:
        (tmp_path / name).unlink()
    assert read(tmp_path) == (SafetyState(), Origin.LOST)


def test_a_history_without_journal_is_a_loss(tmp_path):
    """A history beside no journal proves an earlier run, so the journal is lost."""
    (tmp_path / "history.db").write_bytes(b"x")
    assert read(tmp_path)[1] is Origin.FIRST_START
    assert read(tmp_path, traces=("history.db",))[1] is Origin.LOST


def test_one_deleted_copy_loses_nothing(tmp_path):
    """Either copy alone carries the whole state."""
    for name in COPIES:
        folder = tmp_path / name
        with Journal(folder) as journal:
            journal.write(state(1))
            journal.write(state(2))
        (folder / name).unlink()
        found, origin = read(folder)
        assert (number_of(found), origin) == (2, Origin.JOURNAL)


def test_a_state_survives_a_lost_marker(tmp_path):
    """The marker only matters where no copy is left."""
    with Journal(tmp_path) as journal:
        journal.write(state(1))
    (tmp_path / MARKER).unlink()
    assert read(tmp_path) == (state(1), Origin.JOURNAL)


def test_a_reboot_is_noticed(tmp_path):
    """The kernel's boot id tells a restarted process from a restarted machine."""
    boot = tmp_path / "boot_id"
    boot.write_text("3b1c\n")
    with Journal(tmp_path / "j", boot_id_file=boot) as journal:
        journal.write(state(1))
    for text, rebooted in [("3b1c\n", False), ("77aa\n", True)]:
        boot.write_text(text)
        with Journal(tmp_path / "j", boot_id_file=boot) as journal:
            journal.read()
            assert journal.rebooted is rebooted
    with Journal(tmp_path / "j", boot_id_file=tmp_path / "none") as journal:
        journal.read()
        assert journal.rebooted is True


# ---------------------------------------------------------------- damage


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    """Contents of an older and a newer copy, as a crash between the two leaves them."""
    folder = tmp_path_factory.mktemp("pair")
    with Journal(folder) as journal:
        journal.write(state(1))
        older = (folder / COPIES[0]).read_bytes()
        journal.write(state(2))
    return older, (folder / COPIES[0]).read_bytes()


def damages(content: bytes):
    """The content cut at every offset, and with one bit flipped in every byte."""
    for offset in range(len(content)):
        yield content[:offset]
        flipped = bytearray(content)
        flipped[offset] ^= 1 << (offset % 8)
        yield bytes(flipped)
    yield content + b"\0"
    yield content + content
    yield bytes(len(content))


def lay(folder: Path, *contents: bytes | None) -> None:
    """Put copies in a folder."""
    for name, content in zip(COPIES, contents, strict=True):
        if content is not None:
            (folder / name).write_bytes(content)


@pytest.mark.parametrize("damaged", [0, 1])
def test_a_damaged_copy_is_never_believed(tmp_path, pair, damaged):
    """One copy torn or flipped anywhere: the other one, whole, is what is read."""
    older, newer = pair
    for content in damages(newer):
        lay(tmp_path, *((content, older) if damaged == 0 else (older, content)))
        found, origin = read(tmp_path)
        assert (number_of(found), origin) == (1, Origin.JOURNAL)
    for content in damages(older):
        lay(tmp_path, *((content, newer) if damaged == 0 else (newer, content)))
        found, origin = read(tmp_path)
        assert (number_of(found), origin) == (2, Origin.JOURNAL)


def test_two_damaged_copies_are_a_loss(tmp_path, pair):
    """Both copies torn or flipped, at the same or different places: lost, never garbage, never an error."""
    older, newer = pair
    for one, other in zip(damages(older), damages(newer), strict=False):
        lay(tmp_path, one, other)
        assert read(tmp_path) == (SafetyState(), Origin.LOST)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(a=st.binary(max_size=300), b=st.none() | st.binary(max_size=300))
def test_foreign_content_is_a_loss(tmp_path, a, b):
    """Whatever else stands in the files, reading answers "lost" and raises nothing."""
    for name in COPIES:
        (tmp_path / name).unlink(missing_ok=True)
    lay(tmp_path, a, b)
    assert read(tmp_path) == (SafetyState(), Origin.LOST)


def test_the_newer_of_two_whole_copies_counts(tmp_path, pair):
    """A crash between the two copies leaves an older and a newer one: the newer is read."""
    older, newer = pair
    for contents in [(older, newer), (newer, older)]:
        lay(tmp_path, *contents)
        assert number_of(read(tmp_path)[0]) == 2


def test_a_copy_that_is_a_folder_is_damage(tmp_path):
    """What can't be read at all is damage, too."""
    for name in COPIES:
        (tmp_path / name).mkdir()
    assert read(tmp_path) == (SafetyState(), Origin.LOST)


def test_the_next_write_heals_a_damaged_copy(tmp_path, pair):
    """After damage one write makes both copies whole and newer than what was there."""
    older, newer = pair
    lay(tmp_path, newer, older[:-1])
    with Journal(tmp_path) as journal:
        journal.read()
        journal.write(state(3))
    for name in COPIES:
        folder = tmp_path / f"only-{name}"
        folder.mkdir()
        shutil.copy(tmp_path / name, folder)
        assert number_of(read(folder)[0]) == 3


def test_writing_without_reading_first_still_supersedes(tmp_path):
    """A new process's first write is newer than everything before, also where it did not read."""
    with Journal(tmp_path) as journal:
        for number in range(5):
            journal.write(state(number))
        old = (tmp_path / COPIES[1]).read_bytes()
    with Journal(tmp_path) as journal:
        journal.write(state(9))
    (tmp_path / COPIES[1]).write_bytes(old)
    assert number_of(read(tmp_path)[0]) == 9


# ---------------------------------------------------------------- the process and the disk


def test_two_processes_cannot_share_a_folder(tmp_path):
    """A second process is refused and told who holds the folder; after the first ended it may."""
    code = "import sys; from bridge.journal import Journal; Journal(sys.argv[1]).read(); print('ok'); input()"
    with subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], stdin=-1, stdout=-1, text=True
    ) as other:
        assert other.stdout.readline() == "ok\n"
        with pytest.raises(JournalInUseError, match=rf"process {other.pid}\b.*state_dir") as refused:
            Journal(tmp_path)
        assert refused.value.subject == str(tmp_path)
        other.kill()  # an abrupt end frees the folder as well
    assert read(tmp_path)[1] is Origin.FIRST_START


WRITER = """
import sys
sys.path.insert(0, {tests!r})
from test_journal import state
from bridge.journal import Journal
journal = Journal({folder!r})
found, _ = journal.read()
number = found.shots.get("gable/1", 0)
while True:
    number += 1
    journal.write(state(number))
    sys.stdout.write(f"{{number}}\\n")
    sys.stdout.flush()
"""


def test_a_killed_process_never_takes_back_an_acknowledged_write(tmp_path):
    """Killed at any moment, the journal holds the last acknowledged state or the one being written."""
    code = WRITER.format(tests=str(Path(__file__).parent), folder=str(tmp_path))
    last = 0
    for rounds in range(8):
        with subprocess.Popen([sys.executable, "-c", code], stdout=-1, text=True) as writer:
            for _ in range(3 + 7 * rounds):
                last = int(writer.stdout.readline())
            writer.send_signal(signal.SIGKILL)
            rest = writer.stdout.read().split("\n")
        # A line cut off by the kill was not an acknowledgement in full; the whole ones were.
        last = max([last, *(int(line) for line in rest[:-1])])
        found, origin = read(tmp_path)
        assert origin is Origin.JOURNAL
        assert last <= number_of(found) <= last + 1


def test_a_disk_that_takes_no_more_leaves_the_old_state(tmp_path):
    """A write that fails half-way is told as transient; what was kept stays, and a later write works."""
    code = f"""
        import resource, sys
        sys.path.insert(0, {str(Path(__file__).parent)!r})
        from test_journal import state
        from bridge.journal import Journal
        from bridge.errors import TransientError
        journal = Journal({str(tmp_path)!r})
        journal.write(state(1))
        limits = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100, limits[1]))
        try:
            journal.write(state(2))
        except TransientError as error:
            print(error.subject, error)
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        if len(sys.argv) > 1:
            journal.write(state(3))
    """
    run = [sys.executable, "-c", textwrap.dedent(code)]
    done = subprocess.run(run, check=True, capture_output=True, text=True)
    assert done.stdout.startswith(f"{tmp_path} the safety journal in {tmp_path} can't be written: ")
    assert read(tmp_path) == (state(1), Origin.JOURNAL)
    assert not list(tmp_path.glob("*.new"))
    subprocess.run([*run, "again"], check=True, capture_output=True)
    assert read(tmp_path) == (state(3), Origin.JOURNAL)


def test_a_full_disk_leaves_the_old_state(tmp_path):
    """No space left on the device: the old state stays whole and the next write after room works."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=32k", "none", str(disk)]
    if os.geteuid() != 0 or subprocess.run(mount, check=False, capture_output=True).returncode:
        pytest.skip("a small file system can be mounted by root only")
    try:
        with Journal(disk / "j") as journal:
            journal.write(state(1))
            filler = disk / "filler"
            with contextlib.suppress(OSError), filler.open("wb", buffering=0) as stream:
                while stream.write(bytes(4096)):
                    pass
            with pytest.raises(JournalUnwritableError, match="No space left"):
                journal.write(state(2))
            filler.unlink()
            assert _other_reader(disk / "j", tmp_path) == 1
            journal.write(state(3))
        assert number_of(read(disk / "j")[0]) == 3
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def _other_reader(folder: Path, room: Path) -> int:
    """What a copy of the folder holds, read while the folder is locked."""
    shutil.copytree(folder, room / "copied")
    return number_of(read(room / "copied")[0])


def test_a_place_that_is_no_folder_is_told(tmp_path):
    """A state folder that can't be made is told with its path."""
    (tmp_path / "file").write_text("")
    with pytest.raises(JournalUnwritableError, match="file/j"):
        Journal(tmp_path / "file" / "j")


def test_files_are_private(tmp_path):
    """Names of holders are nobody else's business: the files are readable by the owner only."""
    with Journal(tmp_path / "j") as journal:
        journal.write(state(1))
    assert {path.stat().st_mode & 0o077 for path in (tmp_path / "j").iterdir()} == {0}


def test_a_site_of_any_size_stays_small(tmp_path):
    """Forty-eight ports, all held, tripped and by hand: still well below a hundred kilobytes a copy."""
    every = [PortId(f"gable/{number}") for number in range(1, 49)]
    safety = SafetyState(
        holds=tuple(Hold(Target(TargetKind.PORT, port), "Robin at the gable", NOON) for port in every),
        modes={port: HandMode(Mode.OFF, NOON) for port in every},
        trips={port: Tripped(NOON, Condition.FUSE_TRIP, 3, lockout=True, measured_a=5.2) for port in every},
        energy_floor_wh=dict.fromkeys(every, 123456.789),
    )
    with Journal(tmp_path) as journal:
        journal.write(safety)
    assert (tmp_path / COPIES[0]).stat().st_size < 100_000


# ---------------------------------------------------------------- damage twice


@pytest.mark.parametrize("first", [0, 1])
def test_damage_to_one_copy_after_the_other_is_no_loss(tmp_path, first):
    """A damaged copy is mended when it is read: damage to the other one later loses nothing."""
    with Journal(tmp_path) as journal:
        journal.write(state(1))
    for damaged in (COPIES[first], COPIES[1 - first]):
        (tmp_path / damaged).write_bytes(b"")
        safety, origin = read(tmp_path)
        assert origin is Origin.JOURNAL
        assert number_of(safety) == 1


def test_an_older_copy_never_speaks_again(tmp_path):
    """Where a crash left an older copy beside the newer, damage to the newer never brings it back."""
    with Journal(tmp_path) as journal:
        journal.write(state(1))
        older = (tmp_path / COPIES[1]).read_bytes()
        journal.write(state(2))
    (tmp_path / COPIES[1]).write_bytes(older)
    assert number_of(read(tmp_path)[0]) == 2
    (tmp_path / COPIES[0]).write_bytes(b"")
    assert number_of(read(tmp_path)[0]) == 2
