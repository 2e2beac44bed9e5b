"""The page of faults: which port, how often, when, how long after power came, with readings. Pure."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from html import escape
from zoneinfo import ZoneInfo

from bridge.history.store_pack import Sample
from bridge.report import texts
from bridge.report.episodes import (
    AFTER_ON,
    MANY_PORTS,
    NOON_H,
    Episode,
    after_on_s,
    by_hour,
    by_time_after_on,
    nights_like_weather,
)
from bridge.report.html import facts, figure, note, page, section, table
from bridge.report.svg import counts
from bridge.report.svg_time import around, nights_of_faults
from bridge.report.words import CONDITION_WORDS, day_words, duration, measured, moment, span_words
from rules import wording
from rules.plan import SitePlan
from rules.ports import SEVERITY, Condition, PortId, Severity

Switchings = Mapping[PortId, Sequence[tuple[datetime, bool]]]


def fault_page(
    plan: SitePlan,
    found: Sequence[Episode],
    *,
    days: Sequence[date],
    until_utc: datetime,
    switchings: Switchings,
    samples: Mapping[int, Sequence[Sample]],
) -> str:
    """The whole page. days: all local days of the span; samples: readings around an episode, by its event."""
    return page(f"{plan.name}: faults", _FaultPage(plan, found, days, until_utc, switchings).parts(samples))


class _FaultPage:
    """One page in the making."""

    def __init__(
        self,
        plan: SitePlan,
        found: Sequence[Episode],
        days: Sequence[date],
        until_utc: datetime,
        switchings: Switchings,
    ) -> None:
        self.plan = plan
        self.found = found
        self.of_ports = [one for one in found if one.target_kind == "port"]
        self.days = days
        self.until_utc = until_utc
        self.switchings = switchings
        self.zone = ZoneInfo(plan.place.timezone)

    def parts(self, samples: Mapping[int, Sequence[Sample]]) -> Iterator[str]:
        """From top to bottom."""
        yield self.head()
        if not self.found:
            yield note("No fault was recorded in these days.")
            return
        yield section("Which ports", self.by_port())
        yield section("Which nights", *self.nights())
        yield section("When they begin", self.patterns())
        yield section("What helps", self.advice())
        yield section("Each fault", *self.each(samples))
        yield f'<footer><p class="note">{escape(texts.CAUTION)}</p></footer>'

    def head(self) -> str:
        """Title, span, sums."""
        high = sum(SEVERITY[one.condition] is Severity.HIGH for one in self.found)
        ports = len({one.target_id for one in self.of_ports})
        lasting = sum(one.until_utc is None for one in self.found)
        items = [
            (
                "Faults",
                f'<data id="faults" value="{len(self.found)}">{len(self.found)}</data>',
                f"{high} grave",
            ),
            ("Ports with a fault", str(ports), f"of {len(self.plan.ports)}"),
            ("Still there at the end", str(lasting), ""),
        ]
        return (
            f"<header><h1>{escape(self.plan.name)}: faults</h1>"
            f'<p class="sub">{escape(span_words(self.days[0], self.days[-1]))}</p></header>{facts(items)}'
        )

    def place(self, one: Episode) -> str:
        """Where a fault was, as HTML."""
        if one.target_kind == "port":
            known = self.plan.ports.get(PortId(one.target_id))
            name = "" if known is None else f"{escape(known.name)} "
            return f'{name}<span class="key">{escape(one.target_id)}</span>'
        controller = self.plan.controllers.get(one.target_id) if one.target_kind == "controller" else None
        return escape(controller.name if controller is not None else self.plan.name)

    def by_port(self) -> str:
        """Places by how often something was wrong there, and with what."""
        places: dict[str, list[Episode]] = {}
        for one in self.found:
            places.setdefault(one.target_id, []).append(one)
        kinds = sorted({one.condition for one in self.found}, key=list(Condition).index)
        rows = []
        for own in sorted(places.values(), key=lambda own: (-len(own), own[0].target_id)):
            per_kind = [sum(one.condition is kind for one in own) for kind in kinds]
            lasted = sum((one.lasted(self.until_utc) for one in own), timedelta(0))
            rows.append(
                [
                    self.place(own[0]),
                    str(len(own)),
                    *(str(count or "") for count in per_kind),
                    duration(lasted),
                ]
            )
        head = ["Where", ">All", *(f">{escape(CONDITION_WORDS[kind])}" for kind in kinds), ">Together"]
        return table(head, rows, more="places")

    def nights(self) -> Iterator[str]:
        """Faults by night and hour, and nights on which many ports suffered."""
        yield figure(
            nights_of_faults(self.found, self.days, self.zone, title="Faults by night and hour"),
            '<span class="sw d"></span>grave <span class="sw o"></span>other; each column is a night.',
        )
        wet = nights_like_weather(self.found, self.zone)
        if wet:
            lines = (
                f"<li>{day_words(night)}: {len(ports)} ports ({escape(', '.join(ports))})</li>"
                for night, ports in wet.items()
            )
            yield (
                f"<div><p>Nights on which {MANY_PORTS} ports or more leaked, tripped or drew too much. "
                f"{texts.MANY}</p><ul>{''.join(lines)}</ul></div>"
            )
        else:
            yield note(
                f"On no night did {MANY_PORTS} ports or more leak, trip or draw too much: "
                "nothing points to the weather."
            )

    def patterns(self) -> str:
        """Hours of the night, and time since power came on."""
        stretches, unknown = by_time_after_on(self.of_ports, self.switchings)
        late = f'<p class="key">{unknown} while off, or at a time that is not known.</p>' if unknown else ""
        return (
            '<div class="pair"><div><h3>By hour</h3>'
            + counts(
                [f"{(hour + NOON_H) % 24:02d}" for hour in range(24)],
                by_hour(self.found, self.zone),
                title="Faults by hour of the night",
                every=3,
            )
            + "</div><div><h3>After power came on</h3>"
            + counts([label for label, _ in AFTER_ON], stretches, title="Faults by time after power came on")
            + f"{late}</div></div>"
        )

    def advice(self) -> str:
        """What to look for, by kind of fault."""
        kinds = sorted({one.condition for one in self.found}, key=list(Condition).index)
        lines = [(CONDITION_WORDS[kind], wording.advice(kind, self.plan.wording)) for kind in kinds]
        items = (f"<li><b>{escape(name)}</b>: {escape(advice)}</li>" for name, advice in lines)
        return f"<ul>{''.join(items)}</ul>"

    def each(self, samples: Mapping[int, Sequence[Sample]]) -> Iterator[str]:
        """Every fault with its readings, the newest first."""
        rows = []
        for one in reversed(self.found):
            passed_s = after_on_s(one, self.switchings.get(PortId(one.target_id), ()))
            after = "" if passed_s is None else duration(timedelta(seconds=passed_s))
            lasted = duration(one.lasted(self.until_utc))
            title = f"Current of {one.target_id} a minute before and after"
            rows.append(
                [
                    self.place(one),
                    f'<span class="when">{escape(moment(one.since_utc, self.zone))}</span>',
                    escape(CONDITION_WORDS[one.condition]),
                    after,
                    measured(one.condition, one.measured),
                    lasted if one.until_utc is not None else f"goes on, {lasted}",
                    around(samples.get(one.event, ()), one.since_utc, title),
                ]
            )
        yield note(texts.READINGS_KEY)
        head = ["Where", "Began", "Fault", ">After on", ">Measured", ">Lasted", "Current, 2 min"]
        yield table(head, rows, more="faults")
