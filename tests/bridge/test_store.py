"""The history: what goes in comes out, old readings become coarser, bad files are set aside."""

import asyncio
import contextlib
import json
import os
import random
import sqlite3
import threading
import time
from array import array
from datetime import UTC, date, datetime, timedelta

import pytest
from history_sums import energy_parts, summed
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.history import store as store_module
from bridge.history.store import NewsKind, Store, StoreError, backup
from bridge.history.store_condense import condense
from bridge.history.store_pack import (
    Samples,
    joined,
    pack_around,
    pack_energy,
    pack_levels,
    unpack_around,
    unpack_energy,
    unpack_levels,
)
from bridge.history.store_read import StoreReader, to_utc
from bridge.history.store_schema import MIGRATIONS, DamagedError, ForeignError, connect, migrate, open_checked
from bridge.history.store_write import Ledger, to_ms
from rules.door import Record
from rules.ports import Now, Reading, Target, TargetKind, port_id

EVENING = datetime(2030, 12, 1, 17, 0, tzinfo=UTC)
PORT, OTHER = port_id("gable", 1), port_id("gable", 2)
ON = Target(TargetKind.PORT, PORT)
ALWAYS = (EVENING - timedelta(days=400), EVENING + timedelta(days=400))


def after(**how):
    """An instant after the evening began."""
    return EVENING + timedelta(**how)


def energy(at_utc, energy_wh, saved_wh=0.0, show=None, target=ON, *, powered_s=0.0):
    """An energy record."""
    data = {"energy_wh": energy_wh, "saved_wh": saved_wh, "powered_s": powered_s, "show": show}
    return Record("energy", at_utc, target, data)


def switch(at_utc, power, target=ON):
    """A switch record as the rules make it."""
    return Record("switch", at_utc, target, {"power": power, "reason": "On: Lantern walk runs."})


def alarm(at_utc, state="unacknowledged", condition="fuse-trip", target=ON):
    """An alarm record as the rules make it."""
    return Record("alarm", at_utc, target, {"condition": condition, "state": state, "count": 1})


@pytest.fixture
def open_store(tmp_path):
    """Makes stores on one file; those still open are closed at the end."""
    made = []

    def make(path=tmp_path / "history.sqlite", **how):
        news = []
        store = Store(
            path, utc_now=lambda: EVENING, on_news=news.append, commit_s=0.05, retry_s=(0.05,), **how
        )
        store.news = news
        store.loaded = store.start()
        made.append(store)
        return store

    yield make
    for store in made:
        store.close()


def until(condition, limit_s=10.0):
    """Wait for a condition."""
    end_s = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < end_s, "the condition did not come true"
        time.sleep(0.005)


def steady(store, start, seconds, current_a, *, power=True):
    """One reading a second."""
    now = Now(start + timedelta(seconds=seconds - 1), float(seconds - 1))
    store.readings(now, [Reading(PORT, float(s), current_a, power, False, 12.0) for s in range(seconds)])


# ------------------------------------------------------------------ in and out


def test_store_energy_goes_on_after_a_restart(open_store):
    """Counters and baselines come back as they were given, and a lower value never replaces a higher one."""
    store = open_store()
    assert not store.loaded.existed
    assert store.loaded.available
    store.record(energy(EVENING, 1000.5, 20.25, powered_s=3600.0))
    store.record(Record("baseline", EVENING, ON, {"idle_a": 0.226, "spread_a": 0.004}))
    store.record(Record("counter", EVENING, ON, {"name": "switchings", "value": 12}))
    store.record(energy(after(minutes=1), 900.0, 10.0))
    store.close()
    again = open_store()
    assert again.loaded.existed
    assert again.loaded.energy == {PORT: (1000.5, 20.25, 3600.0)}
    assert again.loaded.counters == {(PORT, "switchings"): 12.0}
    assert again.loaded.last_utc == after(minutes=1)
    assert again.loaded.baselines == {PORT: (0.226, 0.004)}
    with StoreReader(store.path) as reader:
        assert reader.energy() == {PORT: (1000.5, 20.25, 3600.0)}


def test_store_energy_by_day_show_and_port(open_store):
    """Energy is found again by day, by show and by port, and adds up to the counters."""
    store = open_store()
    start = datetime(2030, 12, 1, 23, 0, tzinfo=UTC)
    other = Target(TargetKind.PORT, OTHER)
    for minute in range(121):
        at_utc = start + timedelta(minutes=minute)
        store.record(energy(at_utc, 100.0 + minute * 0.5, minute * 0.1, "walk" if minute <= 60 else None))
        store.record(energy(at_utc, minute * 0.25, target=other))
    assert store.flush()
    with StoreReader(store.path) as reader:
        parts = list(energy_parts(reader, *ALWAYS))
        half = list(energy_parts(reader, start, start + timedelta(minutes=30)))
    days = summed(parts, lambda part: part.start_utc.date())
    assert list(days) == [date(2030, 12, 1), date(2030, 12, 2)]
    assert days[date(2030, 12, 1)].energy_wh == pytest.approx(30.0 + 15.0, abs=1e-3)
    assert days[date(2030, 12, 2)].saved_wh == pytest.approx(6.0, abs=1e-3)
    shows = summed(parts, lambda part: part.show)
    assert shows["walk"].energy_wh == pytest.approx(30.0, abs=1e-3)
    assert shows[""].energy_wh == pytest.approx(30.0 + 30.0, abs=1e-3)
    assert summed(parts, lambda part: part.port)[OTHER].energy_wh == pytest.approx(30.0, abs=1e-3)
    assert summed(half, lambda part: part.port)[PORT].energy_wh == pytest.approx(15.0, abs=1e-3)


def test_store_small_steps_do_not_round_away(open_store):
    """A saving of 83.33 mWh a minute adds up over a day to what was told, within 0.01 %."""
    store = open_store()
    for minute in range(1441):
        store.record(energy(after(minutes=minute), 0.0, minute * 5.0 / 60))
        if minute % 100 == 0:
            assert store.flush()
    assert store.flush()
    with StoreReader(store.path) as reader:
        saved_wh = sum(part.saved_wh for part in energy_parts(reader, *ALWAYS))
    assert saved_wh == pytest.approx(120.0, rel=1e-4)


def test_store_energy_across_an_outage(open_store):
    """What a counter gained over more than an hour counts where it was told, not smeared over the night."""
    store = open_store()
    store.record(energy(EVENING, 10.0))
    store.record(energy(after(hours=5), 40.0))
    assert store.flush()
    with StoreReader(store.path) as reader:
        parts = list(energy_parts(reader, *ALWAYS))
    assert [(part.start_utc, part.energy_wh) for part in parts] == [(after(hours=5), 30.0)]


def test_store_withheld_energy_is_not_written(open_store):
    """A counter that is withheld leaves what is stored alone."""
    store = open_store()
    store.record(energy(EVENING, 10.0))
    store.record(energy(after(minutes=1), None))
    assert store.flush()
    with StoreReader(store.path) as reader:
        assert reader.energy()[PORT].energy_wh == 10.0


def test_store_events(open_store):
    """Events come back in order, by kind and time, as they were given."""
    store = open_store()
    other = Target(TargetKind.PORT, OTHER)
    store.record(alarm(EVENING))
    store.record(alarm(after(seconds=5), "returned"))
    store.record(alarm(after(seconds=9), "latched-unacknowledged"))
    store.record(alarm(after(seconds=20), condition="leakage", target=other))
    store.record(Record("switch", after(seconds=30), ON, {"power": False, "reason": "lights out – naïve"}))
    store.record(
        Record("availability", after(seconds=40), Target(TargetKind.CONTROLLER, "gable"), {"present": False})
    )
    assert store.flush()
    with StoreReader(store.path) as reader:
        assert [event.kind for event in reader.history(*ALWAYS)] == ["alarm"] * 4 + ["switch", "availability"]
        assert [event.data for event in reader.history(*ALWAYS, kinds=("switch",))] == [
            {"power": False, "reason": "lights out – naïve"}
        ]
        assert reader.history(EVENING, after(seconds=5))[-1].at_utc == EVENING
        alarms = reader.history(*ALWAYS, kinds=("alarm", "switch"))
    assert [event.target_id for event in alarms] == [PORT, PORT, PORT, OTHER, PORT]


def test_store_readings_around_an_alarm(open_store):
    """An alarm keeps the readings of a minute before and after, at full rate, also those while off."""
    store = open_store()
    steady(store, EVENING, 300, 1.5)
    store.record(alarm(after(seconds=299)))
    assert store.flush()
    with StoreReader(store.path) as reader:
        [event] = reader.history(*ALWAYS, kinds=("alarm",))
        assert len(reader.around(event.id)) == 61
    steady(store, after(seconds=300), 120, 0.0, power=False)
    assert store.flush()
    with StoreReader(store.path) as reader:
        samples = reader.around(event.id)
        assert reader.around(event.id + 1) == []
    assert [to_utc(samples[0].at_ms), to_utc(samples[-1].at_ms)] == [after(seconds=239), after(seconds=359)]
    assert [sample.current_a for sample in samples] == [1.5] * 61 + [0.0] * 60
    assert {sample.power for sample in samples[61:]} == {False}


def test_store_full_rate_readings(open_store):
    """Readings around an alarm come back one by one with all they said; what was not said is None."""
    store = open_store()
    given_readings = [
        Reading(PORT, 0.0, 1.234, True, False, 12.05),
        Reading(PORT, 0.25, None, True, None, None),
        Reading(PORT, 1.5, 0.0, False, True, 11.9),
        Reading(PORT, 2.0, float("nan"), None, None, None),
    ]
    store.readings(Now(after(seconds=2), 2.0), given_readings)
    store.record(alarm(after(seconds=2)))
    store.close()
    with StoreReader(store.path) as reader:
        [event] = reader.history(*ALWAYS, kinds=("alarm",))
        samples = reader.around(event.id)
    assert [tuple(sample) for sample in samples] == [
        (to_ms(EVENING), 1.234, 12.05, True, False),
        (to_ms(EVENING) + 250, None, None, True, None),
        (to_ms(EVENING) + 1500, 0.0, 11.9, False, True),
        (to_ms(EVENING) + 2000, None, None, None, None),
    ]


def test_store_reading_records(open_store):
    """A `reading` record is kept like a reading of a batch."""
    store = open_store()
    store.record(Record("reading", EVENING, ON, {"current_a": 0.5, "power": True}))
    store.close()
    with StoreReader(store.path) as reader:
        assert [point.mean_a for point in reader.currents(PORT, *ALWAYS)] == [0.5]


def test_store_only_powered_time_is_kept(open_store):
    """A port that is off all day leaves no readings behind."""
    store = open_store()
    steady(store, EVENING, 180, 0.0, power=False)
    store.close()
    with StoreReader(store.path) as reader:
        assert reader.currents(PORT, *ALWAYS) == []


def test_store_a_minute_in_two_parts(open_store):
    """A restart within a minute keeps both its halves."""
    store = open_store()
    steady(store, EVENING, 20, 1.0)
    store.close()
    again = open_store()
    steady(again, after(seconds=20), 20, 3.0)
    again.close()
    with StoreReader(store.path) as reader:
        [point] = reader.currents(PORT, *ALWAYS)
    assert (point.start_utc, point.mean_a, point.low_a, point.high_a) == (EVENING, 2.0, 1.0, 3.0)


def test_store_malformed_items_are_refused_alone(open_store):
    """A record without its fields, or with one that is no number, is logged and the next is kept."""
    store = open_store()
    store.record(Record("baseline", EVENING, ON, {}))
    store.record(energy(EVENING, "much"))
    store.record(energy(EVENING, 5.0))
    assert store.flush()
    with StoreReader(store.path) as reader:
        assert reader.energy()[PORT].energy_wh == 5.0


# ------------------------------------------------------------------ coarser


def test_store_readings_become_minutes_then_quarters(tmp_path):
    """Full rate for this hour and the one before, minutes for a week, then quarter hours; never twice."""
    connection = open_checked(tmp_path / "history.sqlite")
    ledger = Ledger()
    for hour in range(4):
        for minute in range(60):
            at_utc = after(hours=hour, minutes=minute)
            base = Now(at_utc, 0.0)
            ledger.readings(
                base, [Reading(PORT, float(s), 1.0 + minute / 100, True) for s in range(0, 60, 10)]
            )
    ledger.end()
    ledger.commit(connection)

    def tiers():
        return [
            connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("sample_minute", "minute_hour", "quarter_day")
        ]

    def settle(now):
        while condense(connection, to_ms(now)):
            pass
        return tiers()

    assert tiers() == [240, 0, 0]
    with StoreReader(tmp_path / "history.sqlite") as reader:
        fine = reader.currents(PORT, *ALWAYS)
        assert settle(after(hours=3, minutes=59)) == [120, 2, 0]
        assert reader.currents(PORT, *ALWAYS) == fine
        assert len(reader.currents(PORT, after(hours=1), after(hours=2))) == 60
        assert settle(after(days=6)) == [0, 4, 0]
        assert reader.currents(PORT, *ALWAYS) == fine
        assert settle(after(days=9)) == [0, 0, 1]
        coarse = reader.currents(PORT, *ALWAYS)
    assert len(fine) == 240
    assert [point.lasts_s for point in coarse] == [900.0] * 16
    assert coarse[0] == (EVENING, 900.0, 1.07, 1.0, 1.14)
    assert max(point.high_a for point in coarse) == 1.59
    connection.close()


def test_store_old_events_are_forgotten(tmp_path):
    """Of events the newest are kept, with the readings around them; those of forgotten ones go with them."""
    connection = open_checked(tmp_path / "history.sqlite")
    ledger = Ledger()
    for n in range(700):
        ledger.record(alarm(after(minutes=3 * n)))
    ledger.end()
    ledger.commit(connection)
    while condense(connection, to_ms(EVENING), events_kept=100):
        pass
    assert connection.execute("SELECT count(*), max(id) FROM event").fetchone() == (100, 700)
    assert connection.execute("SELECT count(*) FROM around").fetchone() == (100,)
    connection.close()


def test_store_switchings_lose_their_reason_never_their_time(tmp_path):
    """After a week switchings take a row a day and crowd out no alarm; each keeps its time and direction."""
    path = tmp_path / "history.sqlite"
    connection = open_checked(path)
    ledger = Ledger()
    given_ = [(EVENING + timedelta(hours=7 * n, seconds=n), n % 2 == 0) for n in range(100)]
    for at_utc, power in given_:
        ledger.record(switch(at_utc, power))
    ledger.record(alarm(EVENING))
    ledger.commit(connection)
    while condense(connection, to_ms(given_[-1][0]), events_kept=60):
        pass
    kinds = dict(connection.execute("SELECT kind, count(*) FROM event GROUP BY kind"))
    assert kinds["alarm"] == 1
    assert 24 <= kinds["switch"] <= 28  # seven days and the running one, one every seven hours
    connection.close()
    with StoreReader(path) as reader:
        assert reader.switchings(*ALWAYS) == {PORT: given_}
        inner = (given_[1][0], given_[97][0])
        assert reader.switchings(*inner) == {PORT: given_[1:97]}
        assert reader.bounds() == (EVENING, given_[-1][0])


def test_store_is_bounded_for_ever(tmp_path):
    """Quarter hours of old seasons become days that keep every sum; after ten years those go as well."""
    path = tmp_path / "history.sqlite"
    connection = open_checked(path)
    ledger = Ledger()
    ledger.record(energy(EVENING, 0.0))
    for quarter in range(1, 9):
        at_utc = after(minutes=15 * quarter)
        ledger.record(energy(at_utc, 10.0 * quarter, 3.0 * quarter, "walk", powered_s=900.0 * quarter))
        ledger.readings(Now(at_utc, 0.0), [Reading(PORT, 0.0, 1.0, True)])
    ledger.record(switch(EVENING, True))
    ledger.end()
    ledger.commit(connection)

    def rows():
        tables = ("sample_minute", "minute_hour", "quarter_day", "energy_day", "switch_day", "energy_past")
        return [connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in tables]

    def at_age(days):
        while condense(connection, to_ms(after(days=days))):
            pass
        with StoreReader(path) as reader:
            return rows(), list(energy_parts(reader, *ALWAYS))

    counts, young = at_age(700)
    assert counts == [0, 0, 1, 1, 1, 0]
    assert summed(young, lambda part: part.show) == {"walk": pytest.approx((80.0, 24.0, 7200.0))}
    counts, old = at_age(733)
    assert counts == [0, 0, 0, 0, 0, 1]
    assert summed(old, lambda part: part.show) == {"walk": pytest.approx((80.0, 24.0, 7200.0))}
    # The day's sum lies evenly over its 24 hours of UTC.
    assert [part.energy_wh for part in old] == pytest.approx([80.0 / 96] * 96, abs=1e-3)
    assert at_age(3661)[0] == [0] * 6
    connection.close()


def test_store_season_stays_small(tmp_path):
    """A port's season of 45 evenings takes less than 120 kB: 500 ports stay below 60 MB."""
    path = tmp_path / "history.sqlite"
    connection = open_checked(path)
    connection.execute("PRAGMA synchronous=OFF")
    ledger = Ledger()
    ports = [port_id("gable", n) for n in range(1, 5)]
    chance = random.Random(45)
    counter = 0.0
    for day in range(45):
        for minute in range(0, 24 * 60, 15):
            at_utc = EVENING.replace(hour=0) + timedelta(days=day, minutes=minute)
            lit = 17 * 60 <= minute < 22 * 60
            counter += 1
            for port in ports:
                target = Target(TargetKind.PORT, port)
                ledger.record(
                    energy(at_utc, counter * 1.7 + (minute % 7) * 0.1, counter * 0.4, "walk", target)
                )
                if lit:
                    ledger.readings(
                        Now(at_utc, 0.0),
                        [
                            Reading(port, 60.0 * m + s, 1.0 + chance.random() * 2.5, True)
                            for m in range(15)
                            for s in range(0, 60, 30)
                        ],
                    )  # fmt: skip
        ledger.end()
        ledger.commit(connection)
        while condense(connection, ledger.now_ms):
            pass
    connection.close()
    assert path.stat().st_size / len(ports) < 120_000


@given(
    rows=st.lists(
        st.tuples(
            st.integers(0, 59_999),
            st.one_of(st.none(), st.integers(0, 65_534)),
            st.one_of(st.none(), st.integers(0, 6000)),
            st.sampled_from([None, True, False]),
            st.sampled_from([None, True, False]),
        ),
        max_size=80,
    )
)
@settings(max_examples=60, deadline=None)
def test_store_packing_gives_back_what_went_in(rows):
    """Samples packed and unpacked are the same, within a milliampere and ten millivolts."""
    samples = Samples(5)
    for ms, milliamps, centivolts, power, tripped in rows:
        current_a = None if milliamps is None else milliamps / 1000
        voltage_v = None if centivolts is None else centivolts / 100
        samples.add(ms, Reading(PORT, 0.0, current_a, power, tripped, voltage_v))
    whole = samples.between(0, 10**12)
    assert Samples.unpack(5, samples.pack()).between(0, 10**12) == whole
    assert unpack_around(pack_around(whole)) == whole
    assert [(s.at_ms - 300_000, s.current_a, s.power, s.tripped) for s in whole] == [
        (ms, None if ma is None else ma / 1000, power, tripped) for ms, ma, _, power, tripped in rows
    ]


@given(
    slots=st.lists(st.one_of(st.none(), st.tuples(*[st.integers(0, 65_534)] * 3)), min_size=60, max_size=60),
    steps=st.lists(st.integers(0, 0xFFFFFFFF), min_size=288, max_size=288),
)
@settings(max_examples=40, deadline=None)
def test_store_packing_levels_and_energy(slots, steps):
    """Levels and energies come back exactly; a file without powered time reads as none."""
    assert unpack_levels(pack_levels(slots), 60) == slots
    columns = tuple(array("I", steps[k * 96 : k * 96 + 96]) for k in range(3))
    assert unpack_energy(pack_energy(columns)) == columns
    assert unpack_energy(pack_energy(columns[:2])) == (*columns[:2], array("I", bytes(4 * 96)))


def test_store_damaged_entry_hides_nothing_else():
    """A blob that is damaged reads as nothing said, and does not end the reading of others."""
    assert Samples.unpack(1, b"nonsense").between(0, 10**12) == []
    assert unpack_levels(b"nonsense", 60) == [None] * 60
    assert unpack_energy(b"") == (array("I", bytes(4 * 96)),) * 3
    assert unpack_around(b"x") == []
    assert joined([None, (1, 1, 1), (4, 2, 9)]) == (2, 1, 9)


# ------------------------------------------------------------------ bad files, other programs, versions


@pytest.mark.parametrize(
    "spoil",
    [
        lambda path: path.write_bytes(b""),
        lambda path: path.write_bytes(b"not a database at all" * 100),
        lambda path: path.write_bytes(
            path.read_bytes()[:8192] + os.urandom(8192) + path.read_bytes()[16384:]
        ),
        lambda path: path.write_bytes(path.read_bytes()[: path.stat().st_size // 2]),
    ],
    ids=["empty", "garbage", "random bytes at 8192", "cut in half"],
)
def test_store_damaged_file_is_set_aside(open_store, spoil):
    """A damaged or empty file is kept aside under its date, told, and a new one is begun that works."""
    store = open_store()
    for minute in range(300):
        store.record(energy(after(minutes=minute), float(minute)))
        store.record(alarm(after(minutes=minute)))
    store.close()
    spoil(store.path)
    spoiled = store.path.read_bytes()
    again = open_store()
    [news] = again.news
    assert (news.kind, news.active) == (NewsKind.SET_ASIDE, True)
    assert news.aside.name == "history.sqlite.damaged-20301201T170000Z"
    assert news.aside.read_bytes() == spoiled
    assert again.loaded[:4] == (True, True, {}, {})
    again.record(energy(EVENING, 7.0))
    assert again.flush()
    again.close()
    assert open_store().loaded.energy == {PORT: (7.0, 0.0, 0.0)}


def test_store_log_of_a_crash_is_used(open_store, tmp_path):
    """What lies only in the write-ahead log of a killed process is found, even where the main file is bad."""
    store = open_store()
    store.record(energy(EVENING, 1.0))
    assert store.flush()
    place = tmp_path / "crashed"
    place.mkdir()
    (place / "history.sqlite-wal").write_bytes(store.path.with_name("history.sqlite-wal").read_bytes())
    (place / "history.sqlite").write_bytes(b"garbage" * 2000)
    assert open_store(place / "history.sqlite").loaded.energy == {PORT: (1.0, 0.0, 0.0)}


def test_store_set_aside_takes_the_log_along(open_store):
    """While somebody reads, the write-ahead log of a damaged file goes aside with it."""
    store = open_store()
    store.record(energy(EVENING, 1.0))
    assert store.flush()
    with StoreReader(store.path) as reader:
        reader.energy()
        store.close()
        reader._ask("PRAGMA wal_checkpoint(TRUNCATE)")
        store.path.write_bytes(b"garbage" * 2000)
        again = open_store()
        aside = again.news[0].aside
        assert aside.with_name(aside.name + "-wal").exists()
        again.record(energy(EVENING, 2.0))
        assert again.flush()
    again.close()
    assert open_store().loaded.energy == {PORT: (2.0, 0.0, 0.0)}


def test_store_set_aside_names_do_not_collide(open_store):
    """Two bad files on one instant get two names."""
    path = open_store().path
    names = set()
    for _ in range(2):
        for made in list(path.parent.glob("history.sqlite*")):
            if ".damaged-" not in made.name:
                made.unlink()
        path.write_bytes(b"garbage" * 1000)
        store = open_store()
        names.add(store.news[0].aside)
        store.close()
    assert len(names) == 2


def test_store_damage_while_running(open_store):
    """A file that turns out damaged while running is set aside, and counters go into the new one."""
    store = open_store()
    store.record(energy(EVENING, 1234.0))
    assert store.flush()
    # What a failing medium does: the pages under the open connection change.
    with sqlite3.connect(store.path) as other:
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    other.close()
    with store.path.open("r+b") as file:
        size = store.path.stat().st_size
        file.write(os.urandom(100))
        file.seek(4096)
        file.write(os.urandom(size - 4096))
    for minute in range(1, 30):
        store.record(energy(after(minutes=minute), 1234.0 + minute))
        store.record(alarm(after(minutes=minute)))
        store.flush()
    until(lambda: any(news.kind is NewsKind.SET_ASIDE for news in store.news))
    until(store.flush)
    with StoreReader(store.path) as reader:
        assert reader.energy()[PORT].energy_wh == 1263.0


def test_store_removed_file_is_begun_anew(open_store):
    """A file removed under the running process is begun anew with all counters, and it is told."""
    store = open_store()
    store.record(energy(EVENING, 50.0))
    assert store.flush()
    store.path.unlink()
    store.record(Record("baseline", EVENING, ON, {"idle_a": 0.2, "spread_a": 0.0}))
    until(store.flush)
    with StoreReader(store.path) as reader:
        assert reader.energy()[PORT].energy_wh == 50.0
    assert [news.kind for news in store.news] == [NewsKind.SET_ASIDE]


def test_store_folder_missing_is_told_and_tried_again(open_store, tmp_path):
    """Where the file can't be opened that is told, memory keeps what came, and it is written later."""
    blocker = tmp_path / "place"
    blocker.write_text("a file where the folder should be")
    store = open_store(blocker / "history.sqlite")
    assert not store.loaded.available
    store.record(energy(EVENING, 3.0))
    store.record(alarm(EVENING))
    assert not store.flush()
    assert [(news.kind, news.active) for news in store.news] == [(NewsKind.UNWRITABLE, True)]
    blocker.unlink()
    until(store.flush)
    assert [(news.kind, news.active) for news in store.news][1:] == [(NewsKind.UNWRITABLE, False)]
    with StoreReader(store.path) as reader:
        assert reader.energy()[PORT].energy_wh == 3.0
        assert len(reader.history(*ALWAYS)) == 1


def test_store_full_database_is_told_and_loses_nothing(open_store):
    """A database that is full refuses; memory keeps what came; with room again everything is written.

    SQLite's own limit (max_page_count) gives the same error as a full disk: SQLITE_FULL.
    """
    store = open_store()
    store.record(energy(EVENING, 1.0))
    assert store.flush()
    (pages,) = store._connection.execute("PRAGMA page_count").fetchone()
    store._connection.execute(f"PRAGMA max_page_count={pages}")
    for n in range(400):
        store.record(alarm(after(minutes=3 * n)))
    until(lambda: any(news.kind is NewsKind.UNWRITABLE and news.active for news in store.news))
    # The failed connection is replaced by a fresh one without the limit.
    until(store.flush)
    assert store.news[-1].active is False
    with StoreReader(store.path) as reader:
        assert len(reader.history(*ALWAYS)) == 400


def test_store_other_programs_database_is_left_alone(open_store, tmp_path):
    """A database of another program is neither renamed nor written."""
    path = tmp_path / "other.sqlite"
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE notes (text)")
    other.close()
    before = path.read_bytes()
    store = open_store(path)
    store.record(energy(EVENING, 1.0))
    assert not store.flush()
    store.close()
    assert [news.kind for news in store.news] == [NewsKind.UNWRITABLE]
    with contextlib_closing(sqlite3.connect(path)) as other:
        assert other.execute("SELECT name FROM sqlite_master").fetchall() == [("notes",)]
    assert len(before) == path.stat().st_size
    with pytest.raises(ForeignError):
        open_checked(path)
    with pytest.raises(StoreError, match="not a history"):
        StoreReader(path)


def contextlib_closing(connection):
    """Close at the end of a block."""
    import contextlib

    return contextlib.closing(connection)


def test_store_older_schema_is_brought_up(tmp_path):
    """An older file is migrated step by step and keeps its rows; a step that fails leaves it as it was."""
    path = tmp_path / "history.sqlite"
    connection = open_checked(path)
    connection.execute("INSERT INTO port (id) VALUES ('gable/1')")
    broken = (*MIGRATIONS, "ALTER TABLE port ADD COLUMN name TEXT; CREATE TABLE port (x)")
    with pytest.raises(sqlite3.OperationalError, match="already exists"):
        migrate(connection, broken)
    assert connection.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
    assert len(connection.execute("SELECT * FROM port").fetchone()) == 2
    migrate(connection, (*MIGRATIONS, "ALTER TABLE port ADD COLUMN name TEXT NOT NULL DEFAULT '-'"))
    assert connection.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS) + 1,)
    assert connection.execute("SELECT id, name FROM port").fetchall() == [("gable/1", "-")]
    connection.close()


def test_store_newer_schema_is_set_aside(open_store, tmp_path):
    """A file of a newer version is kept aside under its version, not guessed at."""
    path = tmp_path / "history.sqlite"
    connection = open_checked(path)
    connection.execute("PRAGMA user_version=99")
    connection.close()
    with pytest.raises(DamagedError):
        open_checked(path)
    assert ".schema99-" in open_store(path).news[0].aside.name


def test_store_writers_never_upgrade_a_lock(tmp_path):
    """Two writers take turns: no write fails because another one wrote after it had read.

    In WAL mode a transaction that reads first and then writes fails at once as locked (SQLite manual,
    SQLITE_BUSY_SNAPSHOT); one begun IMMEDIATE waits for its turn.
    """
    path = tmp_path / "history.sqlite"
    open_checked(path).close()
    errors = []

    def write(name):
        connection = connect(path)
        try:
            for n in range(60):
                ledger = Ledger()
                ledger.record(Record("note", after(seconds=n), Target(TargetKind.PORT, name), {}))
                ledger.record(energy(after(seconds=n), float(n), target=Target(TargetKind.PORT, name)))
                ledger.commit(connection)
        except sqlite3.Error as error:
            errors.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=write, args=(f"gable/{k}",)) for k in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    with StoreReader(path) as reader:
        assert len(reader.history(*ALWAYS)) == 180


# ------------------------------------------------------------------ backup, reading, the event loop


def test_store_backup_while_running(open_store, tmp_path):
    """A backup taken while the store is written is one whole file with every finished row.

    Copying only the main file misses what lies in the write-ahead log: shown beside it.
    """
    store = open_store()
    for n in range(200):
        store.record(alarm(after(minutes=3 * n)))
    assert store.flush()
    copied = tmp_path / "copied.sqlite"
    copied.write_bytes(store.path.read_bytes())
    target = tmp_path / "backup.sqlite"
    backup(store.path, target)
    backup(store.path, target)
    assert sorted(path.name for path in tmp_path.glob("backup*")) == ["backup.sqlite"]
    with StoreReader(target) as reader:
        assert len(reader.history(*ALWAYS)) == 200
    with contextlib_closing(sqlite3.connect(copied)) as naive:
        try:
            (rows,) = naive.execute("SELECT count(*) FROM event").fetchone()
        except sqlite3.DatabaseError:
            rows = 0
    assert rows < 200


def test_store_backup_refuses(open_store, tmp_path):
    """No backup onto the history itself, into a missing folder, or of nothing; and nothing half is left."""
    store = open_store()
    store.flush()
    with pytest.raises(StoreError, match="file of its own"):
        backup(store.path, store.path)
    with pytest.raises(StoreError, match="could not be copied"):
        backup(store.path, tmp_path / "nowhere" / "backup.sqlite")
    with pytest.raises(StoreError, match="no history"):
        backup(tmp_path / "absent.sqlite", tmp_path / "b.sqlite")
    assert list(tmp_path.glob("*.part")) == []


def test_store_reader_refuses_what_is_no_history(tmp_path):
    """No file, and a file that is no database, are refused in words."""
    with pytest.raises(StoreError, match="no history"):
        StoreReader(tmp_path / "absent.sqlite")
    (tmp_path / "garbage.sqlite").write_bytes(b"garbage" * 500)
    with pytest.raises(StoreError, match="can't be read"):
        StoreReader(tmp_path / "garbage.sqlite")


def test_store_reader_sees_what_is_written_meanwhile(open_store):
    """A reader that is open sees what the running store writes, and can't write itself."""
    store = open_store()
    assert store.flush()
    with StoreReader(store.path) as reader:
        assert reader.history(*ALWAYS) == []
        store.record(alarm(EVENING))
        assert store.flush()
        assert len(reader.history(*ALWAYS)) == 1
        with pytest.raises(StoreError):
            reader._ask("DELETE FROM event")
        assert reader.currents(port_id("nowhere", 1), *ALWAYS) == []
        assert reader.currents(PORT, EVENING, EVENING) == []


def test_store_does_not_wait_for_a_locked_file(open_store):
    """While another program holds the file locked, giving records returns at once and nothing is lost."""
    store = open_store()
    assert store.flush()
    blocker = sqlite3.connect(store.path, isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")

    async def give():
        """As the event loop does."""
        for n in range(100):
            store.record(alarm(after(minutes=3 * n)))
            store.readings(Now(after(minutes=3 * n), 0.0), [Reading(PORT, 0.0, 1.0, True)])
            await asyncio.sleep(0)
        # Nothing of it can be on disk yet: giving did not wait for that.
        return blocker.execute("SELECT count(*) FROM event").fetchone()

    assert asyncio.run(give()) == (0,)
    blocker.execute("ROLLBACK")
    blocker.close()
    until(store.flush)
    with StoreReader(store.path) as reader:
        assert len(reader.history(*ALWAYS)) == 100


def test_store_overrun_is_told(tmp_path, monkeypatch):
    """What can't be taken in time is dropped, counted and told once; later records are kept."""
    monkeypatch.setattr("bridge.history.store.MOST_ITEMS", 10)
    monkeypatch.setattr("bridge.history.store.MOST_READINGS", 10)
    news = []
    store = Store(tmp_path / "history.sqlite", utc_now=lambda: EVENING, on_news=news.append)
    # The thread does not run yet, so it can't take anything away meanwhile.
    steady(store, EVENING, 11, 1.0)
    for n in range(30):
        store.record(alarm(after(minutes=3 * n)))
    store.start()
    assert store.flush()
    store.record(alarm(after(days=1)))
    store.close()
    assert [(one.kind, one.active) for one in news] == [(NewsKind.OVERRUN, True)]
    assert store._overrun == 11 + 20
    with StoreReader(store.path) as reader:
        assert len(reader.history(*ALWAYS)) == 11
        assert reader.currents(PORT, *ALWAYS) == []


def test_store_memory_is_bounded_without_a_disk(monkeypatch):
    """While nothing can be written the oldest minutes and events go first, and are counted."""
    monkeypatch.setattr("bridge.history.store_write.MOST_WAITING_MINUTES", 3)
    monkeypatch.setattr("bridge.history.store_write.MOST_WAITING_EVENTS", 5)
    ledger = Ledger()
    for minute in range(10):
        ledger.readings(Now(after(minutes=minute), 0.0), [Reading(PORT, 0.0, 1.0, True)])
        ledger.record(Record("switch", after(minutes=minute), ON, {"power": True}))
    assert len(ledger._finished) == 3
    assert len(ledger._events) == 5
    assert ledger.dropped == 6 + 5


def test_store_listener_that_fails_ends_nothing(tmp_path):
    """A listener that raises (its event loop has ended) does not end the history."""

    def broken(news):
        raise RuntimeError(news.text)

    path = tmp_path / "history.sqlite"
    path.write_bytes(b"garbage" * 500)
    store = Store(path, utc_now=lambda: EVENING, on_news=broken, commit_s=0.05)
    store.start()
    store.record(energy(EVENING, 1.0))
    assert store.flush()
    store.close()
    assert not store.flush()


def test_store_data_is_plain_json(open_store):
    """Data of a record is kept as JSON, instants and other things as their text."""
    store = open_store()
    store.record(Record("note", EVENING, ON, {"at": EVENING, "list": [1, None], "é": "ü"}))
    assert store.flush()
    with contextlib_closing(sqlite3.connect(store.path)) as raw:
        (text,) = raw.execute("SELECT data FROM event").fetchone()
    assert json.loads(text) == {"at": "2030-12-01 17:00:00+00:00", "list": [1, None], "é": "ü"}


def test_a_clock_that_was_years_ahead_for_a_moment_forgets_nothing(open_store, monkeypatch):
    """A clock that stands in another decade until it is set costs no history, only the newest's fineness."""
    monkeypatch.setattr(store_module, "CONDENSE_S", 0.05)
    store = open_store()
    store.record(energy(EVENING, 10.0))
    store.record(energy(after(minutes=10), 12.0))
    store.readings(Now(EVENING, 0.0), [Reading(PORT, 0.0, 1.0, power=True)])
    store.readings(Now(after(minutes=2), 120.0), [Reading(PORT, 120.0, 1.0, power=True)])
    assert store.flush()
    store.record(energy(after(days=4000), 13.0))
    assert store.flush()
    # Readings become coarser at once; that is seen, so what is forgotten had its turn as well.
    until(lambda: not rows_of(store.path, "sample_minute"))
    store.record(energy(after(minutes=20), 14.0))
    assert store.flush()
    until_s = time.monotonic() + 0.5
    while time.monotonic() < until_s:
        assert rows_of(store.path, "energy_day") >= 2
        time.sleep(0.02)


def rows_of(path, table):
    """How many rows a table of a store in use has."""
    with contextlib.closing(sqlite3.connect(path, timeout=5.0)) as connection:
        return connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
