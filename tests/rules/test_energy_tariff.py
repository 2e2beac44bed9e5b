"""Cost by time of day in local time, through clock changes."""

from datetime import UTC, datetime, time, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.cost.tariff import EVERY_DAY, WEEKDAYS, WEEKEND, Band, Tariff, Used
from rules.errors import RulesError

DUBLIN = Tariff(
    "Europe/Dublin",
    0.30,
    (Band(time(23), time(8), 0.15), Band(time(17), time(19), 0.45, WEEKDAYS)),
    "EUR",
)


def used(start, hours, wh):
    """Energy from an instant on, over so many hours."""
    return Used(start, start + timedelta(hours=hours), wh)


def test_energy_cost_of_a_flat_price():
    """1.858333 Wh at 0.30 per kWh cost 0.0005575 (computed)."""
    flat = Tariff("Etc/UTC", 0.30)
    start = datetime(2030, 12, 1, 18, tzinfo=UTC)
    assert flat.cost([used(start, 0.05, 1.858333)]) == pytest.approx(0.0005575, abs=1e-9)


@pytest.mark.parametrize(
    ("local", "price"),
    [
        ("2030-12-02T16:59", 0.30),  # Monday, before the peak
        ("2030-12-02T17:00", 0.45),  # the band begins
        ("2030-12-02T19:00", 0.30),  # and its end is not in it
        ("2030-12-01T17:30", 0.30),  # Sunday has no peak
        ("2030-12-02T23:00", 0.15),  # night
        ("2030-12-03T07:59", 0.15),
        ("2030-12-03T08:00", 0.30),
    ],
)
def test_energy_price_by_band(local, price):
    """A band holds from its start to its end, end not included, on its weekdays, in local time."""
    assert DUBLIN.price_at(datetime.fromisoformat(local).replace(tzinfo=UTC)) == price


def test_energy_summer_time_is_local():
    """In summer the same local hour is another UTC hour: 16:00 UTC is 17:00 in Dublin in July."""
    assert DUBLIN.price_at(datetime(2030, 7, 1, 16, 0, tzinfo=UTC)) == 0.45
    assert DUBLIN.price_at(datetime(2030, 12, 2, 16, 0, tzinfo=UTC)) == 0.30


def test_energy_night_band_belongs_to_the_day_it_starts():
    """A weekend night from Saturday 23:00 goes on into Sunday, and Sunday's into Monday morning."""
    weekend = Tariff("Etc/UTC", 1.0, (Band(time(23), time(7), 0.5, WEEKEND),))
    assert weekend.price_at(datetime(2030, 11, 30, 23, 30, tzinfo=UTC)) == 0.5  # Saturday
    assert weekend.price_at(datetime(2030, 12, 2, 6, 59, tzinfo=UTC)) == 0.5  # Monday morning
    assert weekend.price_at(datetime(2030, 11, 30, 6, 0, tzinfo=UTC)) == 1.0  # Friday's night


def test_energy_cost_splits_at_the_band():
    """1 kWh from 18:30 to 19:30 on a Monday is half peak, half day price."""
    start = datetime(2030, 12, 2, 18, 30, tzinfo=UTC)
    assert DUBLIN.cost([used(start, 1, 1000.0)]) == pytest.approx(0.5 * 0.45 + 0.5 * 0.30)


def test_energy_cost_of_the_longest_night():
    """When clocks go back, 23:00 to 08:00 lasts ten hours; when they go on, eight. All at night price.

    Europe/Dublin 2030: clocks go back on 27 October, on on 31 March (IANA tz database).
    """
    back = datetime(2030, 10, 26, 22, 0, tzinfo=UTC)  # 23:00 summer time
    forward = datetime(2030, 3, 30, 23, 0, tzinfo=UTC)  # 23:00 winter time
    assert DUBLIN.cost([used(back, 10, 10_000.0)]) == pytest.approx(1.50)
    assert DUBLIN.cost([used(back, 11, 11_000.0)]) == pytest.approx(1.80)
    assert DUBLIN.cost([used(forward, 8, 8_000.0)]) == pytest.approx(1.20)
    assert DUBLIN.cost([used(forward, 9, 9_000.0)]) == pytest.approx(1.50)


def test_energy_cost_of_an_instant():
    """Energy without a duration costs the price of its instant; none costs nothing."""
    at = datetime(2030, 12, 2, 18, 0, tzinfo=UTC)
    assert DUBLIN.cost([Used(at, at, 1000.0), Used(at, at, 0.0)]) == pytest.approx(0.45)


@given(
    start_min=st.integers(0, 7 * 24 * 60),
    minutes=st.integers(1, 3000),
    edge=st.sampled_from([time(17, 0), time(17, 20), time(17, 7)]),
)
@settings(max_examples=60, deadline=None)
def test_energy_cost_agrees_minute_by_minute(start_min, minutes, edge):
    """The cost of a span is the sum over its minutes, also across the change of clocks."""
    tariff = Tariff(
        "America/New_York", 0.3, (Band(edge, time(21, 40), 0.7, WEEKDAYS), Band(time(1), time(2), 0.1))
    )
    start = datetime(2030, 10, 30, tzinfo=UTC) + timedelta(minutes=start_min)
    each = [
        Used(start + timedelta(minutes=m), start + timedelta(minutes=m + 1), 10.0) for m in range(minutes)
    ]
    slow = sum(0.010 * tariff.price_at(part.start_utc) for part in each)
    whole = tariff.cost([Used(start, start + timedelta(minutes=minutes), 10.0 * minutes)])
    assert whole == pytest.approx(slow, rel=1e-9)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: Tariff("Atlantis/Centre", 0.3), "Europe/Dublin"),
        (lambda: Tariff("Etc/UTC", 0.3, (Band(time(1), time(2), 0.1, frozenset({7})),)), "0 \\(Monday\\)"),
        (lambda: Tariff("Etc/UTC", 0.3, (Band(time(1, 0, 30), time(2), 0.1),)), "whole minutes"),
    ],
)
def test_energy_tariff_refuses(call, says):
    """An unknown zone, an eighth weekday and a band edge inside a minute are refused."""
    with pytest.raises(RulesError, match=says):
        call()


def test_energy_all_day_band():
    """A band that ends where it starts holds all day."""
    tariff = Tariff("Etc/UTC", 1.0, (Band(time(0), time(0), 0.5, WEEKEND),))
    assert tariff.price_at(datetime(2030, 12, 1, 12, tzinfo=UTC)) == 0.5
    assert tariff.price_at(datetime(2030, 12, 2, 12, tzinfo=UTC)) == 1.0
    assert frozenset(range(7)) == EVERY_DAY
