"""The terminal view: a site's ports as a table, state in words first, then by position and colour.

Colours are of a colour-blind-safe set (after Okabe and Ito): blue is power, orange is a fault, grey is off.
"""

from collections.abc import Mapping
from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from bridge.report.words import many
from rules.plan import SitePlan
from rules.ports import PortId, Target, TargetKind, controller_of

POWERED = "#56b4e9"
FAULT = "#e69f00"
QUIET = "#9a9a9a"

NEWS_LEAST, NEWS_MOST = 3, 8
"""So many of the newest lines are shown under the table, as the terminal's height allows."""
_AROUND = 6
"""Lines that are neither ports nor news: title, head, the site's, two empty ones, the cursor's."""

Told = Mapping[Target, Mapping[str, Any]]
"""What was last published, by target."""


def state_words(told: Mapping[str, Any]) -> tuple[str, str]:
    """A port's state in words, and the colour that goes with it."""
    fault = told.get("fault", "none")
    power = told.get("power")
    if told.get("hold-state", "none") != "none":
        return f"held ({str(told['hold-state']).replace('-', ' ')})", FAULT
    if fault == "lockout":
        return "locked out", FAULT
    if fault == "fuse-trip":
        return "tripped", FAULT
    if power is None:
        return "not known", QUIET
    words = "on" if power else "off"
    if fault != "none":
        return f"{words}, {str(fault).replace('-', ' ')}", FAULT
    return words, POWERED if power else QUIET


def amperes(told: Mapping[str, Any]) -> str:
    """A port's current, empty where it is not known."""
    current_a = told.get("current")
    return "" if current_a is None else f"{current_a:.2f} A"


def percent(load_pct: float | None) -> str:
    """A load in percent of the rating as text, empty where it is not known."""
    return "" if load_pct is None else f"{load_pct:.0f} %"


def bar(load_pct: float | None, width: int = 8) -> str:
    """A load in percent of the rating as a bar of fixed width."""
    if load_pct is None:
        return ""
    filled = min(width, max(0, round(load_pct / 100 * width)))
    return "█" * filled + "·" * (width - filled)


def ports_table(
    plan: SitePlan, told: Told, *, title: str = "", headed: bool = False, cut: bool = False
) -> Table:
    """All ports of the site; `headed`: below the names of their controllers.

    cut: one line each, with the load as a bar; else all that is said, which leaves the reason more room.
    """
    table = Table(title=title or None, title_justify="left", expand=True, pad_edge=False, box=None)
    table.add_column("port", no_wrap=True)
    table.add_column("name", no_wrap=True, max_width=20)
    table.add_column("state", no_wrap=cut, min_width=14, max_width=None if cut else 15)
    table.add_column("current", justify="right", no_wrap=True, min_width=7)
    table.add_column("load", no_wrap=True, min_width=8 if cut else 5, justify="left" if cut else "right")
    table.add_column("why", ratio=1, no_wrap=cut, overflow="ellipsis" if cut else "fold")
    above = ""
    for port_id, port in plan.ports.items():
        controller = plan.controllers[controller_of(port_id)]
        if headed and controller.id != above:
            above = controller.id
            table.add_row(Text(above, style=QUIET), Text(controller.name, style="bold"))
        values = told.get(Target(TargetKind.PORT, port_id), {})
        words, colour = state_words(values)
        table.add_row(
            port_id,
            port.name,
            Text(words, style=colour),
            amperes(values),
            Text(bar(values.get("load")) if cut else percent(values.get("load")), style=colour),
            Text(str(values.get("reason", "")), style=QUIET),
        )
    return table


def site_line(told: Told, site: Target) -> Text:
    """The site in one line: which show, how many ports on, how much power, how many faults."""
    values = told.get(site, {})
    show = values.get("show") or "no show"
    parts = [show, f"{many(values.get('ports-on', 0), 'port')} on"]
    if values.get("load") is not None:
        parts.append(f"{values['load']:.0f} W")
    faults = values.get("faults", 0)
    parts.append(f"{faults} with a fault" if faults else "no fault")
    return Text(" · ".join(parts), style=FAULT if faults else POWERED)


def view(
    plan: SitePlan, told: Told, *, title: str, lines: list[str], height: int | None = None
) -> RenderableType:
    """Table, site line and the lines of what happened.

    height: lines of the terminal it must fit into; then the newest lines are shown, and names of controllers
    where there is room, and what is too long is cut. None: as long as it takes, and nothing is cut.
    """
    site = Target(TargetKind.SITE, plan.id)
    headed, newest = True, lines
    if height is not None:
        room = height - len(plan.ports) - _AROUND
        headed = room - len(plan.controllers) >= NEWS_LEAST
        if headed:
            room -= len(plan.controllers)
        newest = lines[-min(max(room, NEWS_LEAST), NEWS_MOST) :]
    cut = height is not None
    news = [Text(line, no_wrap=cut, overflow="ellipsis" if cut else "fold") for line in newest]
    table = ports_table(plan, told, title=title, headed=headed, cut=cut)
    return Group(table, Text(), site_line(told, site), Text(), *news)


def target_name(plan: SitePlan, target: Target) -> str:
    """A target as people call it."""
    if target.kind is TargetKind.PORT:
        return plan.ports[PortId(target.id)].name
    if target.kind is TargetKind.CONTROLLER:
        return plan.controllers[target.id].name
    return plan.props[target.id].name if target.kind is TargetKind.PROP else plan.name
