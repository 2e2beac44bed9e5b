"""Shows: when they run and what they need."""

from dataclasses import replace
from typing import Annotated, Literal

from pydantic import BeforeValidator, Discriminator, Field, Tag, model_validator

from bridge.config.base import FilePath, Identifier, Section, Text, refuse, slug
from bridge.config.moments import Clock, Date, DayTime, Evening, MonthDay, Weekdays
from bridge.config.quantities import Duration
from bridge.config.show_data import Universe
from rules.errors import RulesError
from rules.shows.calendar_types import Anchor, Ics, Moment, Season, Window


class SeasonSettings(Section):
    """A part of every year, both days included; over the new year where `from` is later than `to`."""

    first: MonthDay = Field(alias="from", description="First evening, month-day.", examples=["11-28"])
    last: MonthDay = Field(alias="to", description="Last evening, month-day.", examples=["01-06"])


class FallbackSettings(Section):
    """Clock times for days on which the sun event does not happen (high latitudes)."""

    start: Clock | None = Field(
        default=None, alias="from", description="Instead of from.", examples=["17:00"]
    )
    end: Clock | None = Field(default=None, alias="to", description="Instead of to.", examples=["22:30"])


class WindowSettings(Section):
    """Evenings from one moment to another, over midnight where the end is not after the start."""

    start: DayTime = Field(
        alias="from", description="A time of day, or a sun event and an offset.", examples=["sunset - 15 min"]
    )
    end: DayTime = Field(alias="to", description="The end, as from.", examples=["22:30"])
    season: SeasonSettings | None = Field(default=None, description="The part of the year.")
    weekdays: Weekdays | None = Field(
        default=None, description="Days the evening begins on: fri, [fri, sat] or mon-thu."
    )
    exceptions: list[Evening] = Field(
        default=[], alias="except", description="Evenings left out: 12-24 of every year or 2026-12-24."
    )
    extra: list[Date] = Field(
        default=[], alias="also", description="Evenings added, whatever season, weekdays and rule say."
    )
    rule: Text | None = Field(
        default=None,
        description="An RFC 5545 recurrence rule that picks the evenings.",
        examples=["FREQ=DAILY;INTERVAL=2"],
    )
    rule_start: Date | None = Field(default=None, description="The day the rule counts from.")
    fallback: FallbackSettings | None = Field(
        default=None,
        description="Clock times for days without the sun event; without it there is no show then.",
    )

    @model_validator(mode="after")
    def _hangs_together(self) -> "WindowSettings":
        self._check_rule()
        restricted = self.season or self.weekdays or self.rule or self.exceptions
        if self.extra and not restricted:
            day = f"{self.extra[0]:%m-%d}"
            refuse(
                "also adds evenings to a season, weekdays or a rule; without one, it runs every evening "
                f"of the year; for one evening write season: {{from: {day}, to: {day}}}"
            )
        for moment, clock, key in self._fallbacks():
            if clock is not None and moment.anchor is Anchor.CLOCK:
                refuse(f"{key} is a clock time and needs no fallback; leave {key} out of fallback")
        return self

    def _check_rule(self) -> None:
        if self.rule is None:
            if self.rule_start is not None:
                refuse("rule_start without a rule means nothing; add the rule, or leave rule_start out")
            return
        from rules.shows.evenings import check_rule  # noqa: PLC0415 - the library behind it loads slowly

        try:
            check_rule(self.rule, self.rule_start)
        except RulesError as error:
            refuse(str(error))

    def _fallbacks(self) -> list[tuple[Moment, object, str]]:
        if self.fallback is None:
            return []
        return [(self.start, self.fallback.start, "from"), (self.end, self.fallback.end, "to")]

    def window(self) -> Window:
        """As the rules see it."""
        start, end = self.start, self.end
        if self.fallback is not None:
            start = replace(start, fallback=self.fallback.start)
            end = replace(end, fallback=self.fallback.end)
        return Window(
            start=start,
            end=end,
            weekdays=frozenset(range(7)) if self.weekdays is None else self.weekdays,
            season=None if self.season is None else Season(self.season.first, self.season.last),
            exceptions=frozenset(self.exceptions),
            extra=frozenset(self.extra),
            rule=self.rule,
            rule_start=self.rule_start,
        )


class CalendarSettings(Section):
    """A calendar file (RFC 5545): the show runs during its events."""

    calendar: FilePath = Field(description="The file, for example open-evenings.ics.")
    summary: Text | None = Field(default=None, description="Only events with this title.")

    def ics(self) -> Ics:
        """As the rules see it; the name is the file's full path."""
        return Ics(str(self.calendar), self.summary)


def _kind(value: object) -> str:
    return "calendar" if isinstance(value, dict) and "calendar" in value else "window"


def _as_list(value: object) -> object:
    return [value] if isinstance(value, dict) else value


WhenPart = Annotated[
    Annotated[WindowSettings, Tag("window")] | Annotated[CalendarSettings, Tag("calendar")],
    Discriminator(_kind),
]
"""A window or a calendar."""


class ShowSettings(Section):
    """A show: its ports have power while it runs, from its lead to its run-on."""

    name: Text = Field(description="The show's name; its id in topics follows from it.")
    id: Identifier | None = Field(default=None, description="Its id, where the name shall not decide.")
    when: Annotated[
        list[WhenPart],
        Field(min_length=1),
        BeforeValidator(_as_list, json_schema_input_type=WhenPart | list[WhenPart]),
    ] = Field(description="A window, a calendar, or a list of them: the show runs in any of them.")
    needs: Annotated[list[Text], Field(min_length=1)] = Field(
        description="Props, ports (gable/1) or all ports of a controller (gable/*).",
        examples=[["arches", "gable/*"]],
    )
    data: Literal["needs"] | Annotated[list[Universe], Field(min_length=1)] | None = Field(
        default=None,
        description="The show runs while show data arrives, and only within when: needs for the universes of "
        "the ports it needs, or the universes themselves. Needs e131.listen.",
        examples=["needs", "[1, 2]"],
    )
    warm_up_s: Duration = Field(default=0.0, description="Power this long before the show begins.")
    run_on_s: Duration = Field(default=0.0, description="Power this long after the show ended.")

    @property
    def id_or_slug(self) -> str:
        """The show's id."""
        return self.id or slug(self.name)
