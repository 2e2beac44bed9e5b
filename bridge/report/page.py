"""The season's page: numbers of `Season` as HTML. Pure."""

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from html import escape
from zoneinfo import ZoneInfo

from bridge.report import texts
from bridge.report.episodes import Episode
from bridge.report.gather import Amount, Season
from bridge.report.html import facts, figure, note, page, section, table
from bridge.report.svg import share_bar, strip, two_way_bars
from bridge.report.svg_time import carpet, night_curve, share_of
from bridge.report.words import (
    CONDITION_WORDS,
    NO_NUMBER,
    band_words,
    data,
    day_words,
    duration,
    grouped,
    hours,
    kwh,
    many,
    measured,
    moment,
    money,
    percent,
    span_words,
)
from rules.ports import SEVERITY, Condition, PortId, Severity

BETWEEN = "between shows"
"""What is counted while no show runs on a port."""


def season_page(season: Season, *, made_utc: datetime) -> str:
    """The whole page."""
    return page(f"{season.plan.name}: season report", _Page(season, made_utc).parts())


class _Page:
    """One page in the making."""

    def __init__(self, season: Season, made_utc: datetime) -> None:
        self.season = season
        self.plan = season.plan
        self.zone = ZoneInfo(season.plan.place.timezone)
        self.made_utc = made_utc
        self.priced = season.tariff is not None
        self.currency = season.tariff.currency if season.tariff else ""
        span = (season.until - season.since).days + 1
        self.days = [season.since + timedelta(days=at) for at in range(span)]

    def parts(self) -> Iterator[str]:
        """From top to bottom."""
        yield self.head()
        yield section("At a glance", self.glance())
        yield section("How it is reckoned", self.reckoning())
        yield section("Day by day", *self.by_day())
        yield section("When power flowed", self.flow())
        yield section("By price", self.by_price())
        yield section("By show", self.by_show())
        yield section("By port", self.by_port())
        yield section("Through an evening", *self.evenings())
        yield section("Faults", *self.faults())
        yield section("Worst ports", self.worst())
        yield section("Controllers", *self.controllers())
        yield f'<footer><p class="note">{escape(texts.CAUTION)}</p></footer>'

    def money(self, amount: float, name: str = "") -> str:
        """An amount of money with its full value."""
        return data(amount, money(amount, self.currency), name)

    # ------------------------------------------------------------ the top

    def head(self) -> str:
        """Title, span, and the season in two sentences."""
        total, season = self.season.total, self.season
        cost = f", about <b>{self.money(total.cost)}</b>" if self.priced else ""
        saved = f", <b>{self.money(total.saved_cost)}</b>" if self.priced else ""
        return (
            f"<header><h1>{escape(self.plan.name)}</h1>"
            f'<p class="sub">{escape(span_words(season.since, season.until))}, '
            f"{many(len(self.days), 'day')} · "
            f"{many(len(self.plan.ports), 'port')} on {many(len(self.plan.controllers), 'controller')} · "
            f"made {escape(moment(self.made_utc, self.zone))}</p>"
            f'<p class="lead">The display took <b class="p">{kwh(total.wall_wh)}</b> at the wall{cost}. '
            "Having power on only while it was needed saved "
            f'<b class="s">{kwh(total.saved_wall_wh)}</b>{saved}.</p></header>'
        )

    def glance(self) -> str:
        """The season in a dozen values."""
        season, total = self.season, self.season.total
        nights = sum(1 for one in season.days.values() if one.energy_wh > 0.0)
        high = sum(SEVERITY[one.condition] is Severity.HIGH for one in season.faults)
        open_ = sum(one.until_utc is None for one in season.faults)
        watched_s = sum(one.watched_s for one in season.controllers.values())
        lost_s = sum(one.lost_s for one in season.controllers.values())
        share = None if watched_s <= 0.0 else 1.0 - lost_s / watched_s
        always_wh = total.energy_wh + total.saved_wh
        items = [
            ("Energy at the ports", data(total.energy_wh, kwh(total.energy_wh), "energy"), "measured"),
            (
                "Energy at the wall",
                data(total.wall_wh, kwh(total.wall_wh), "wall"),
                "estimated, with losses of supplies",
            ),
            ("Cost", self.money(total.cost, "cost"), "of the energy at the wall") if self.priced else None,
            (
                "Saved at the ports",
                data(total.saved_wh, kwh(total.saved_wh), "saved"),
                f"{percent(total.saved_wh / always_wh)} of what always on, dark between shows, takes"
                if always_wh
                else "",
            ),
            (
                "Saved at the wall",
                data(total.saved_wall_wh, kwh(total.saved_wall_wh), "saved-wall"),
                "estimated",
            ),
            ("Saved money", self.money(total.saved_cost, "saved-cost"), "at the price of each hour")
            if self.priced
            else None,
            (
                "Time with power",
                data(total.powered_s, hours(total.powered_s), "powered"),
                f"all ports added up; on {nights} of {many(len(self.days), 'day')}",
            ),
            (
                "Faults",
                data(len(season.faults), str(len(season.faults)), "faults"),
                f"{high} grave, {open_} still there at the end",
            ),
            (
                "Controllers answered",
                data(share or 0.0, percent(share), "answered"),
                "of the time they were asked",
            ),
        ]
        return facts(item for item in items if item is not None)

    def reckoning(self) -> str:
        """Where the numbers come from, and what they leave out."""
        season = self.season
        shares = [
            f"{escape(name) if name else 'ports without a named supply (assumed)'} {value:.0%}"
            for name, value in season.efficiencies.items()
        ]
        lines = [texts.AT_THE_PORTS, f"{texts.AT_THE_WALL} ({', '.join(shares)}).", texts.SAVED]
        if self.priced:
            lines.append(texts.COST)
        asleep = sum((one.until_utc - one.since_utc for one in season.pauses), timedelta(0))
        if season.pauses:
            count = len(season.pauses)
            lines.append(
                f"duskward itself did not run {many(count, 'time')}, {duration(asleep)} "
                "together; nothing was counted meanwhile."
            )
        return f"<ul>{''.join(f'<li>{words}</li>' for words in lines)}</ul>"

    # ------------------------------------------------------------ energy

    def by_day(self) -> Iterator[str]:
        """A picture and the table behind it."""
        season = self.season
        none = Amount()
        amounts = [season.days.get(day, none) for day in self.days]
        picture = two_way_bars(
            [f"{day.day} {day:%b}" for day in self.days],
            [one.energy_wh / 1000 for one in amounts],
            [one.saved_wh / 1000 for one in amounts],
            title="Energy taken and saved at the ports by day",
            unit="kWh",
            every=max(1, -(-len(self.days) // 7)),
        )
        yield figure(
            picture,
            texts.BY_DAY_KEY,
        )
        rows = [
            [day_words(day), *self._cells(one), hours(one.powered_s)]
            for day, one in zip(self.days, amounts, strict=True)
            if one != none
        ]
        head = ["Day", *self._heads(), ">With power"]
        foot = ["All", *self._cells(season.total), hours(season.total.powered_s)]
        yield (
            f"<details><summary>The same as a table ({many(len(rows), 'day')})</summary>"
            f"{table(head, rows, foot=foot, open_rows=len(rows))}</details>"
        )

    def _heads(self) -> list[str]:
        cost = [">Cost", ">Saved", ">Saved money"] if self.priced else [">Saved"]
        return [">At the ports", ">At the wall", *cost]

    def _cells(self, one: Amount) -> list[str]:
        cost = [self.money(one.cost)] if self.priced else []
        saved_cost = [self.money(one.saved_cost)] if self.priced else []
        return [
            data(one.energy_wh, kwh(one.energy_wh)),
            data(one.wall_wh, kwh(one.wall_wh)),
            *cost,
            data(one.saved_wh, kwh(one.saved_wh)),
            *saved_cost,
        ]

    def flow(self) -> str:
        """The season as a carpet of hours."""
        most_w = max((max(row) for row in self.season.hours.values()), default=0.0)
        return figure(
            carpet(self.season.hours, self.days, title="Power at the ports by night and hour"),
            f"Each column is a night, noon to noon; the darkest is {grouped(most_w, 0)} W. Empty is off.",
        )

    def by_price(self) -> str:
        """What ran at each price."""
        if not self.priced:
            return ""
        only = len(self.season.bands) == 1
        rows = [
            [
                escape(band_words(one.band, only=only)),
                f"{one.price:g} {escape(self.currency)}/kWh",
                data(one.wall_wh, kwh(one.wall_wh)),
                self.money(one.cost),
                data(one.saved_wall_wh, kwh(one.saved_wall_wh)),
                self.money(one.saved_cost),
            ]
            for one in self.season.bands
        ]
        head = ["When", ">Price", ">At the wall", ">Cost", ">Saved at the wall", ">Saved money"]
        return table(head, rows, more="prices")

    def by_show(self) -> str:
        """What each show took."""
        most_wh = max((one.energy_wh for one in self.season.shows.values()), default=0.0) or 1.0
        rows = [
            [
                escape(show or BETWEEN),
                share_bar(one.energy_wh / most_wh),
                *self._cells(one),
                hours(one.powered_s),
            ]
            for show, one in self.season.shows.items()
        ]
        return table(["Show", "", *self._heads(), ">With power"], rows, more="shows")

    def by_port(self) -> str:
        """What each port took, most first."""
        most_wh = max((one.energy_wh for one in self.season.ports.values()), default=0.0) or 1.0
        rows = [
            [
                self.port(port),
                share_bar(one.energy_wh / most_wh),
                *self._cells(one),
                hours(one.powered_s),
            ]
            for port, one in self.season.ports.items()
        ]
        return table(["Port", "", *self._heads(), ">With power"], rows, more="ports")

    def port(self, port: PortId) -> str:
        """A port's name with its id, as HTML."""
        known = self.plan.ports.get(port)
        name = "" if known is None else f"{escape(known.name)} "
        return f'{name}<span class="key">{escape(port)}</span>'

    # ------------------------------------------------------------ evenings

    def evenings(self) -> Iterator[str]:
        """Currents through a night."""
        if not self.season.curves:
            return
        yield texts.NIGHT_KEY
        cells = []
        for curve in self.season.curves:
            known = self.plan.ports.get(curve.port)
            rating_a = None if known is None else known.rating_a
            title = f"Current of {curve.port} on {day_words(curve.night)}"
            faults = ", ".join(dict.fromkeys(CONDITION_WORDS[one.condition] for one in curve.faults))
            cells.append(
                f"<div><h3>{self.port(curve.port)}</h3>"
                f'<span class="key">{day_words(curve.night)}</span>'
                f"{f' <span class=f>{escape(faults)}</span>' if faults else ''}"
                f"{night_curve(curve, self.zone, rating_a=rating_a, title=title)}</div>"
            )
        yield f'<div class="nights">{"".join(cells)}</div>'

    # ------------------------------------------------------------ faults

    def faults(self) -> Iterator[str]:
        """How many of each kind, and the newest."""
        found = self.season.faults
        if not found:
            yield note("No fault was recorded.")
            return
        kinds = dict.fromkeys(sorted((one.condition for one in found), key=list(Condition).index))
        rows = []
        for condition in kinds:
            own = [one for one in found if one.condition is condition]
            longest = max(one.lasted(self.season.known[1]) for one in own)
            where = len({one.target_id for one in own})
            rows.append(
                [
                    escape(CONDITION_WORDS[condition]),
                    SEVERITY[condition].value,
                    str(len(own)),
                    str(where),
                    duration(longest),
                ]
            )
        yield table(["Fault", "Gravity", ">Times", ">Places", ">Longest"], rows)
        newest = [self._fault_row(one) for one in reversed(found)]
        head = ["Where", "Began", "Fault", ">Measured", ">Limit", ">Lasted"]
        yield note("All faults, the newest first; “report --faults” shows their pattern.")
        yield table(head, newest, more="faults")

    def _fault_row(self, one: Episode) -> list[str]:
        lasted = duration(one.lasted(self.season.known[1]))
        return [
            self.place(one),
            f'<span class="when">{escape(moment(one.since_utc, self.zone))}</span>',
            escape(CONDITION_WORDS[one.condition]),
            measured(one.condition, one.measured),
            measured(one.condition, one.limit),
            lasted if one.until_utc is not None else f"goes on, {lasted}",
        ]

    def place(self, one: Episode) -> str:
        """Where a fault was, as people call it."""
        if one.target_kind == "port":
            return self.port(PortId(one.target_id))
        known = self.plan.controllers.get(one.target_id) if one.target_kind == "controller" else None
        return escape(known.name if known is not None else self.plan.name)

    def worst(self) -> str:
        """Ports in the order of their faults."""
        rows = []
        for port, own in self.season.worst[:10]:
            kinds: dict[Condition, int] = {}
            for one in own:
                kinds[one.condition] = kinds.get(one.condition, 0) + 1
            words = ", ".join(
                f"{CONDITION_WORDS[condition]} {count}×" if count > 1 else CONDITION_WORDS[condition]
                for condition, count in kinds.items()
            )
            taken = self.season.ports.get(port, Amount())
            rows.append([self.port(port), str(len(own)), escape(words), hours(taken.powered_s)])
        return table(["Port", ">Faults", "Which", ">With power"], rows)

    # ------------------------------------------------------------ controllers

    def controllers(self) -> Iterator[str]:
        """How well each was reached."""
        season = self.season
        first, last = season.known
        asleep = [
            (
                share_of(gap.since_utc, first, last),
                share_of(gap.until_utc, first, last),
                "asleep",
                "not running",
            )
            for gap in season.pauses
        ]
        rows = []
        for name, one in season.controllers.items():
            lost = [
                (
                    share_of(episode.since_utc, first, last),
                    share_of(episode.until_utc or last, first, last),
                    "fault",
                    f"no answer from {moment(episode.since_utc, self.zone)}",
                )
                for episode in season.faults
                if episode.condition is Condition.NO_DATA and episode.target_id == name
            ]
            rows.append(
                [
                    escape(self.plan.controllers[name].name),
                    data(one.share if one.share is not None else -1.0, percent(one.share)),
                    str(one.times),
                    duration(timedelta(seconds=one.lost_s)) if one.times else NO_NUMBER,
                    strip([*asleep, *lost], title=f"{name} through the season"),
                ]
            )
        head = ["Controller", ">Answered", ">Lost", ">For", "Through the season"]
        yield table(head, rows, more="controllers")
        yield note(texts.CONTROLLERS_KEY)


def days_of(season: Season) -> list[date]:
    """All local days of the span."""
    return [season.since + timedelta(days=at) for at in range((season.until - season.since).days + 1)]
