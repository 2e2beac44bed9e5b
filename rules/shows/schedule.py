"""Shows in time: which run now, which ports they call, and when that changes next.

Membership is asked anew from the spans at every change, never counted from edges. So a clock that
steps forward leaves only what is true now, and one that steps back runs no show twice: a span that was
run to its end, or ended by hand, is remembered. A calendar that is changed afterwards is followed where it
asks for more: a show that is extended after its end runs again, one that a person ended does not.
"""

from collections.abc import Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple
from zoneinfo import ZoneInfo

from rules.plan import ShowPlan
from rules.shows.calendar import IcsCalendar, Place, Span, When, Window, merge, window_spans

HORIZON = timedelta(days=2)
"""How far ahead spans are worked out in full."""
OUTLOOK = timedelta(days=62)
"""How far ahead the next show is looked for."""
WEEK = timedelta(days=7)
MEMORY = timedelta(days=1)
"""How far back spans are kept."""


class Phase(StrEnum):
    """Where a show stands."""

    IDLE = "idle"
    LEAD = "lead"
    RUNNING = "running"
    RUN_ON = "run-on"


class Past(NamedTuple):
    """A run that is over for good: half-open, in UTC; `by_hand`: a person ended it."""

    start_utc: datetime
    end_utc: datetime
    by_hand: bool = False

    def covers(self, span: Span) -> bool:
        """Whether `span` has nothing left to run after this."""
        if self.by_hand and span.start_utc == self.start_utc:
            return True
        # What goes on for a day more is no longer the evening that a person ended.
        until_utc = self.end_utc + timedelta(days=1, microseconds=-1) if self.by_hand else self.end_utc
        return span.start_utc < self.end_utc and self.start_utc < span.end_utc <= until_utc


@dataclass(frozen=True, slots=True)
class ShowState:
    """A show's spans around now and what a person did to it.

    done: runs that are over for good; ended_utc: the start of the one that a person ended last;
    started_until_s: end of a start by hand [monotonic s].
    """

    plan: ShowPlan
    lead: timedelta
    spans: tuple[Span, ...] = ()
    known_from: datetime = datetime.min.replace(tzinfo=UTC)
    known_to: datetime = datetime.min.replace(tzinfo=UTC)
    later_utc: datetime | None = None
    """The first start at or after `known_to`, None if not within the outlook."""
    done: frozenset[Past] = frozenset()
    ended_utc: datetime | None = None
    started_until_s: float | None = None
    phase: Phase = Phase.IDLE
    current: Span | None = None
    heard: bool = False
    """Its data arrive; counts only where the show follows its data."""
    silent_s: float | None = None
    """When its data fell silent [monotonic s]."""

    def is_past(self, span: Span) -> bool:
        """Whether a span is over for good, whatever the clock says."""
        return any(past.covers(span) for past in self.done)


@lru_cache(maxsize=32)
def zone(place: Place) -> ZoneInfo:
    """The site's time zone."""
    return ZoneInfo(place.timezone)


def local_time(place: Place, instant: datetime) -> str:
    """An instant as people at the site say it: ``22:30``."""
    return instant.astimezone(zone(place)).strftime("%H:%M")


def local_day_time(place: Place, instant: datetime) -> str:
    """An instant with its day: ``Sat 28 Nov 17:45``."""
    return instant.astimezone(zone(place)).strftime("%a %d %b %H:%M")


def spans_of(
    when: When, place: Place, calendars: Mapping[str, IcsCalendar], start: datetime, end: datetime
) -> list[Span]:
    """All spans of a show that touch [start, end), merged. A calendar that is not loaded yet has none."""
    found: list[Span] = []
    for source in when:
        if isinstance(source, Window):
            found.extend(window_spans(source, place, start, end))
        elif source.name in calendars:
            found.extend(calendars[source.name].spans(start, end, source.summary))
    return merge(found)


def refreshed(
    show: ShowState, place: Place, calendars: Mapping[str, IcsCalendar], now: datetime, *, force: bool = False
) -> ShowState:
    """The show with spans known well around `now`; the same object if they are."""
    if not force and show.known_from <= now and now + HORIZON / 2 <= show.known_to:
        return show
    known_from, known_to = now - MEMORY, now + HORIZON
    spans = tuple(spans_of(show.plan.when, place, calendars, known_from, known_to))
    done = frozenset(past for past in show.done if past.end_utc > known_from - MEMORY)
    later_utc = _first_start(show.plan.when, place, calendars, known_to, now + OUTLOOK)
    return replace(
        show,
        spans=spans,
        known_from=known_from,
        known_to=known_to,
        later_utc=later_utc,
        done=done,
        ended_utc=show.ended_utc if any(past.start_utc == show.ended_utc for past in done) else None,
    )


def _first_start(
    when: When, place: Place, calendars: Mapping[str, IcsCalendar], start: datetime, end: datetime
) -> datetime | None:
    """The first start in [start, end); a week is looked at before the rest."""
    for first, last in ((start, min(start + WEEK, end)), (start + WEEK, end)):
        for span in spans_of(when, place, calendars, first, last) if first < last else ():
            if span.start_utc >= first:
                return span.start_utc
    return None


def advanced(show: ShowState, now: datetime, monotonic_s: float) -> ShowState:
    """The show's phase at this instant; the same object if nothing changed."""
    run_on = timedelta(seconds=show.plan.run_on_s)
    done, started_until_s = show.done, show.started_until_s
    phase, current = Phase.IDLE, None
    for span in show.spans:
        if show.is_past(span) or not span.start_utc - show.lead <= now < span.end_utc + run_on:
            continue
        phase, current = _phase_in(span, now), span
        if phase is not Phase.RUN_ON:
            break
    if show.plan.data and current is not None:
        phase = _by_data(show, phase, monotonic_s)
        current = None if phase is Phase.IDLE else current
    if started_until_s is not None:
        if monotonic_s >= started_until_s:
            started_until_s = None
        elif phase is not Phase.RUNNING:
            phase = Phase.RUNNING
            current = Span(now, now + timedelta(seconds=started_until_s - monotonic_s), show.plan.name)
            if show.phase is Phase.RUNNING and show.started_until_s is not None and show.current:
                current = show.current
    before = show.current
    if before is not None and before is not current and now >= before.end_utc + run_on:
        done |= {Past(before.start_utc, before.end_utc)}
    if (phase, current, started_until_s, done) == (show.phase, show.current, show.started_until_s, show.done):
        return show
    return replace(show, phase=phase, current=current, started_until_s=started_until_s, done=done)


def _by_data(show: ShowState, phase: Phase, monotonic_s: float) -> Phase:
    """The phase of a show that follows its data, where the calendar alone would say `phase`."""
    if phase is Phase.RUNNING and show.heard:
        return Phase.RUNNING
    ran = show.phase in (Phase.RUNNING, Phase.RUN_ON)
    if phase is Phase.RUN_ON:
        return Phase.RUN_ON if ran else Phase.IDLE
    lasts = show.silent_s is not None and monotonic_s < show.silent_s + show.plan.run_on_s
    return Phase.RUN_ON if ran and lasts and phase is Phase.RUNNING else Phase.IDLE


def followed(show: ShowState, live: AbstractSet[int], monotonic_s: float) -> ShowState:
    """The show after the universes that are `live` changed; the same object if that is no news for it."""
    heard = any(universe in live for universe in show.plan.data)
    if heard is show.heard:
        return show
    return replace(show, heard=heard, silent_s=None if heard else monotonic_s)


def _phase_in(span: Span, now: datetime) -> Phase:
    if now < span.start_utc:
        return Phase.LEAD
    return Phase.RUNNING if now < span.end_utc else Phase.RUN_ON


def started(show: ShowState, until_s: float) -> ShowState:
    """The show started by hand until `until_s` [monotonic s]."""
    return replace(show, started_until_s=until_s)


def ended(show: ShowState) -> ShowState:
    """The show ended early: what runs now will not come back."""
    run = show.current
    show = replace(show, started_until_s=None)
    if run is None or run not in show.spans:  # a start by hand is over with it, and ends no evening
        return show
    past = Past(run.start_utc, run.end_utc, by_hand=True)
    return replace(show, done=show.done | {past}, ended_utc=run.start_utc)


def restored(show: ShowState, ended_utc: datetime) -> ShowState:
    """The show of which a person ended the run that began at `ended_utc`."""
    past = Past(ended_utc, ended_utc + timedelta.resolution, by_hand=True)
    return replace(show, done=show.done | {past}, ended_utc=ended_utc)


def next_change(show: ShowState, now: datetime) -> datetime:
    """The next instant at which this show's phase or its known spans change."""
    run_on = timedelta(seconds=show.plan.run_on_s)
    edges = [show.known_to - HORIZON / 2]
    for span in show.spans:
        if not show.is_past(span):
            edges += [span.start_utc - show.lead, span.start_utc, span.end_utc, span.end_utc + run_on]
    return min(edge for edge in [*edges, show.known_to] if edge > now)


def next_start(show: ShowState, now: datetime) -> datetime | None:
    """When the show starts next, None if not within the outlook."""
    for span in show.spans:
        if span.start_utc > now and not show.is_past(span):
            return span.start_utc
    return show.later_utc if show.later_utc is not None and show.later_utc > now else None
