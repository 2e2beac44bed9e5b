"""Windows → spans: which evenings, from when to when.

An evening is a date at the site, and everything that picks it (weekday, season, rule, exception) looks
at that date, also where the show ends, or even begins, after midnight.

Which day the end belongs to:

- Two clock times: the same day where the end is later than the start, else the next day; equal times
  are 24 hours.
- An evening that starts on the evening side (sunset, dusk, or a clock time from 12:00) and ends on the
  morning side (dawn, sunrise, or a clock time before 12:00) is a night: it ends on the next day however
  long the night is.
- Otherwise, where a sun event is involved, it ends on the same day; an end that is not after the start
  moves to the next day only where the evening then lasts at most 18 h. "16:00 to sunset" when the sun
  sets at 15:40 is no show, not one of 23 h 40 min; `missing_sun` tells of it.

Nights on which clocks change (the rule of RFC 5545, section 3.3.5; see `zones`): a clock time that
happens twice is the first of the two; one that is skipped is read with the offset before the jump, so
02:30 becomes 03:30. Where that would put the start at or after the end (02:30 to 03:15), the show starts
at the jump; a window that is empty even so is no show.
"""

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from functools import lru_cache

from rules.shows.calendar_types import Anchor, MissedEvening, Moment, Place, Season, Span, Window
from rules.shows.evenings import rule_picks
from rules.shows.sun import CIVIL_DEG, RISE_SET_DEG, NoCrossing, crossing_utc
from rules.shows.zones import exists, jump_utc, local_day, to_utc, zone

LONGEST_EVENING = timedelta(hours=18)
"""Longer than this, an end on the next day was not meant (unless the evening is a night)."""

_DAY = timedelta(days=1)
# An event may lie half a day off its date, an offset 12 h more, and an evening lasts up to two days.
_LOOK_BACK = timedelta(days=4)
_LOOK_AHEAD = timedelta(days=2)
_NOON = time(12)
_SUN: dict[Anchor, tuple[float, bool]] = {
    Anchor.DAWN: (CIVIL_DEG, False),
    Anchor.SUNRISE: (RISE_SET_DEG, False),
    Anchor.SUNSET: (RISE_SET_DEG, True),
    Anchor.DUSK: (CIVIL_DEG, True),
}
_WHY = {
    (Anchor.DAWN, NoCrossing.STAYS_ABOVE): "there is no dawn, it does not get dark",
    (Anchor.DAWN, NoCrossing.STAYS_BELOW): "there is no dawn, it stays dark",
    (Anchor.SUNRISE, NoCrossing.STAYS_ABOVE): "the sun does not rise, it is up all night",
    (Anchor.SUNRISE, NoCrossing.STAYS_BELOW): "the sun does not rise",
    (Anchor.SUNSET, NoCrossing.STAYS_ABOVE): "the sun does not set",
    (Anchor.SUNSET, NoCrossing.STAYS_BELOW): "the sun does not set, it has not risen",
    (Anchor.DUSK, NoCrossing.STAYS_ABOVE): "there is no dusk, it does not get dark",
    (Anchor.DUSK, NoCrossing.STAYS_BELOW): "there is no dusk, it is dark all day",
}


def sun_event(anchor: Anchor, place: Place, day: date) -> datetime | NoCrossing:
    """The sun event of a local day as an aware UTC datetime, or why it does not happen.

    Raises RulesError for an unknown zone, KeyError for `Anchor.CLOCK`.
    """
    altitude_deg, setting = _SUN[anchor]
    return crossing_utc(
        place.latitude_deg, place.longitude_deg, place.timezone, day, altitude_deg, setting=setting
    )


def window_spans(window: Window, place: Place, start_utc: datetime, end_utc: datetime) -> list[Span]:
    """The whole spans of a window that intersect [start_utc, end_utc), in order; they may touch.

    Raises RulesError for an unknown zone or a rule that picks no evenings.
    """
    if not start_utc < end_utc:
        return []
    in_zone = zone(place.timezone)
    first = _day_before(local_day(start_utc, in_zone), _LOOK_BACK)
    last = _day_after(local_day(end_utc, in_zone), _LOOK_AHEAD)
    found = []
    for day in _evenings(window, first, last):
        span = _span(window, place, day)
        if isinstance(span, Span) and span.start_utc < end_utc and start_utc < span.end_utc:
            found.append(span)
    return sorted(found)


def missing_sun(window: Window, place: Place, first: date, last: date) -> list[MissedEvening]:
    """The evenings from `first` to `last`, both inclusive, that fall out or run by a fallback, and why.

    Raises RulesError as `window_spans` does.
    """
    missed: list[MissedEvening] = []
    for day in _evenings(window, first, last):
        notes: list[MissedEvening] = []
        span = _span(window, place, day, notes)
        if isinstance(span, MissedEvening):
            notes.append(span)
        missed.extend(notes)
    return missed


def _day_before(day: date, by: timedelta) -> date:
    return day - by if day - date.min > by else date.min


def _day_after(day: date, by: timedelta) -> date:
    return day + by if date.max - day > by else date.max


def _evenings(window: Window, first: date, last: date) -> Iterator[date]:
    day = first
    while day <= last:
        if _picks(window, day):
            yield day
        if day == date.max:
            return
        day += _DAY


def _picks(window: Window, day: date) -> bool:
    month_day = (day.month, day.day)
    if day in window.exceptions or month_day in window.exceptions:
        return False
    if day in window.extra:
        return True
    return (
        day.weekday() in window.weekdays
        and (window.season is None or in_season(window.season, month_day))
        and (window.rule is None or rule_picks(window.rule, window.rule_start, day))
    )


def in_season(season: Season, month_day: tuple[int, int]) -> bool:
    """Whether a (month, day) lies in a season, over the new year where it runs so."""
    if season.first <= season.last:
        return season.first <= month_day <= season.last
    return month_day >= season.first or month_day <= season.last


def _span(
    window: Window, place: Place, day: date, notes: list[MissedEvening] | None = None
) -> Span | MissedEvening:
    """The span of one evening, or why there is none. Fallbacks used are added to `notes`."""
    notes = [] if notes is None else notes
    try:
        start = _settle(window.start, place, day, day, notes)
        if isinstance(start, MissedEvening):
            return start
        end = _end(window.end, place, day, start, notes)
    except OverflowError:  # the calendar of datetime ends in the year 9999
        return MissedEvening(day, "The calendar ends here; no show.")
    return end if isinstance(end, MissedEvening) else _between(start, end, place, day)


class _At:
    """A moment of one day: the instant, and the wall-clock time it was given as, if any."""

    __slots__ = ("evening", "instant_utc", "wall")

    def __init__(self, instant_utc: datetime, wall: datetime | None, *, evening: bool) -> None:
        self.instant_utc = instant_utc
        self.wall = wall
        self.evening = evening


def _settle(
    moment: Moment, place: Place, day: date, evening: date, notes: list[MissedEvening]
) -> _At | MissedEvening:
    """The moment on `day`; by its fallback, noted for `evening`, where the sun event does not happen."""
    if moment.anchor is Anchor.CLOCK:
        return _at_clock(moment.clock or time(), place, day)
    event = sun_event(moment.anchor, place, day)
    if isinstance(event, datetime):
        return _at_event(event, moment)
    why = _WHY[moment.anchor, event]
    if moment.fallback is None:
        return MissedEvening(evening, f"On {day} {why}; no show.")
    notes.append(MissedEvening(evening, f"On {day} {why}; {moment.fallback:%H:%M} is used instead."))
    return _at_clock(moment.fallback, place, day)


def _at_clock(clock: time, place: Place, day: date) -> _At:
    wall = datetime.combine(day, clock)
    return _At(_wall_utc(place.timezone, wall), wall, evening=clock >= _NOON)


def _at_event(event_utc: datetime, moment: Moment) -> _At:
    instant = event_utc + timedelta(seconds=moment.offset_s)
    return _At(instant, None, evening=moment.anchor in (Anchor.SUNSET, Anchor.DUSK))


@lru_cache(maxsize=20_000)
def _wall_utc(timezone: str, wall: datetime) -> datetime:
    return to_utc(wall, zone(timezone))


def _end(
    moment: Moment, place: Place, day: date, start: _At, notes: list[MissedEvening]
) -> _At | MissedEvening:
    """The end of the evening that begins at `start`; which day it is on is said in the module's head."""
    next_day = day + _DAY
    clock = moment.clock if moment.anchor is Anchor.CLOCK else None
    if clock is not None and start.wall is not None:
        later = datetime.combine(day, clock) > start.wall
        return _at_clock(clock, place, day if later else next_day)
    morning = clock < _NOON if clock is not None else moment.anchor in (Anchor.DAWN, Anchor.SUNRISE)
    night = start.evening and morning
    end = _settle(moment, place, next_day if night else day, day, notes)
    if isinstance(end, MissedEvening):
        return end
    if end.wall is not None and moment.anchor is not Anchor.CLOCK:  # a fallback is a clock time like any
        return _end(Moment(Anchor.CLOCK, end.wall.time()), place, day, start, notes)
    if end.instant_utc > start.instant_utc or night:
        return end
    later_end = _settle(moment, place, next_day, day, [])
    if isinstance(later_end, _At) and later_end.instant_utc - start.instant_utc <= LONGEST_EVENING:
        return later_end
    return end


def _between(start: _At, end: _At, place: Place, day: date) -> Span | MissedEvening:
    begin_utc = start.instant_utc
    in_zone = zone(place.timezone)
    if begin_utc >= end.instant_utc and start.wall is not None and not exists(start.wall, in_zone):
        begin_utc = jump_utc(start.wall, in_zone)
    if begin_utc < end.instant_utc:
        return Span(begin_utc, end.instant_utc)
    said = [f"{at.instant_utc.astimezone(in_zone):%Y-%m-%d %H:%M}" for at in (start, end)]
    return MissedEvening(day, f"The end ({said[1]}) is not after the start ({said[0]}); no show.")
