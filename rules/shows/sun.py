"""When the sun crosses an altitude: the event that belongs to a local day, to a few seconds.

The sun's position comes from astral (the equations of the NOAA solar calculator, after Meeus). astral's
own `sunrise()` and `sunset()` are not used: they add a refraction of their own and come out 11 to 17 s
off the published times, and they work on UTC days, which are other evenings west of Greenwich.

Rise and set are the instants at which the sun's centre is 50 arc minutes below the horizon, civil dawn
and dusk those at which it is 6 degrees below (definitions of the U.S. Naval Observatory); sea level.
"""

from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from functools import lru_cache
from math import asin, cos, degrees, radians, sin

from astral.julian import julianday_to_juliancentury
from astral.sun import eq_of_time, sun_declination

from rules.shows.zones import zone

RISE_SET_DEG = -50 / 60
"""Altitude of the sun's centre at sunrise and sunset [degrees]: 34' refraction and 16' radius."""

CIVIL_DEG = -6.0
"""Altitude of the sun's centre at civil dawn and dusk [degrees]."""

_EPOCH = datetime(2000, 1, 1, 12, tzinfo=UTC)
_EPOCH_JULIAN_DAY = 2451545.0
_DAY_S = 86400.0
_TOLERANCE_S = 0.05
_POLE_DEG = 89.999


class NoCrossing(StrEnum):
    """Why an event does not happen on a day."""

    STAYS_ABOVE = "stays above"
    STAYS_BELOW = "stays below"


def _century(at_s: float) -> float:
    """Julian centuries since J2000 of an instant in seconds since `_EPOCH`."""
    return float(julianday_to_juliancentury(_EPOCH_JULIAN_DAY + at_s / _DAY_S))


def _altitude_deg(at_s: float, latitude_deg: float, longitude_deg: float) -> float:
    """Altitude of the sun's centre without refraction [degrees], `at_s` seconds after `_EPOCH`."""
    century = _century(at_s)
    declination = radians(sun_declination(century))
    hour_angle = radians(at_s / 240.0 + longitude_deg + eq_of_time(century) / 4.0)
    latitude = radians(latitude_deg)
    height = sin(latitude) * sin(declination) + cos(latitude) * cos(declination) * cos(hour_angle)
    return degrees(asin(max(-1.0, min(1.0, height))))


def _transit_s(near_s: float, longitude_deg: float) -> float:
    """The sun's passage of the meridian, given mean solar noon; seconds after `_EPOCH`."""
    mean_s = near_s - longitude_deg * 240.0
    return mean_s - eq_of_time(_century(mean_s)) * 60.0


@lru_cache(maxsize=20_000)
def crossing_utc(
    latitude_deg: float,
    longitude_deg: float,
    timezone: str,
    day: date,
    altitude_deg: float,
    *,
    setting: bool,
) -> datetime | NoCrossing:
    """The instant at which the sun crosses `altitude_deg` on the local day `day`.

    The event belongs to the day whose solar noon it follows (`setting`) or precedes: the evening of
    21 June in Fairbanks begins at 00:46 by the clock of 22 June, as its people would say. The solar
    noon of a day is the one nearest to 12:00 in the site's zone.

    Returns an aware UTC datetime, or why there is none. Raises RulesError for an unknown zone.
    """
    latitude_deg = max(-_POLE_DEG, min(_POLE_DEG, latitude_deg))
    clock_noon = datetime.combine(day, time(12), tzinfo=zone(timezone))
    offset_s = (clock_noon.utcoffset() or timedelta()).total_seconds()
    # Zones keep within a few hours of their longitude, but the date line may lie between them.
    days = (day - _EPOCH.date()).days + round(longitude_deg / 360.0 - offset_s / _DAY_S)
    noon_s = _transit_s(days * _DAY_S, longitude_deg)
    side = 0.5 if setting else -0.5
    midnight_s = _transit_s((days + side) * _DAY_S, longitude_deg)

    high_s, low_s = noon_s, midnight_s
    high = _altitude_deg(high_s, latitude_deg, longitude_deg) - altitude_deg
    low = _altitude_deg(low_s, latitude_deg, longitude_deg) - altitude_deg
    if high < 0.0:
        return NoCrossing.STAYS_BELOW
    if low >= 0.0:
        return NoCrossing.STAYS_ABOVE
    # False position with the Illinois correction: the altitude is monotonic between noon and midnight.
    moved = 0
    found_s = high_s
    for _ in range(60):
        found_s = (high_s * low - low_s * high) / (low - high)
        value = _altitude_deg(found_s, latitude_deg, longitude_deg) - altitude_deg
        if abs(value) < 1e-5 or abs(high_s - low_s) < _TOLERANCE_S:
            break
        if value > 0.0:
            high_s, high = found_s, value
            low, moved = (low / 2 if moved == 1 else low), 1
        else:
            low_s, low = found_s, value
            high, moved = (high / 2 if moved == -1 else high), -1
    return _EPOCH + timedelta(seconds=round(found_s))
