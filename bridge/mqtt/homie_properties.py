"""The properties of a site, its controllers, ports and props, as Homie tells them. Pure.

Names, datatypes and units are the project's vocabulary of topics; the convention gives the grammar.
"""

from collections.abc import Iterable

from bridge.mqtt.homie_values import Datatype, Property
from rules.plan import PortPlan, SitePlan
from rules.ports import AlarmState, Condition, HoldState, Mode

_FAULTS = ",".join(("none", *Condition))


def _enum(values: Iterable[str]) -> str:
    return ",".join(values)


_HOLDS = (
    Property("hold", "Held by", Datatype.JSON),
    Property("add-hold", "Hold (name the holder)", Datatype.STRING, settable=True, retained=False),
    Property("release", "Release (name the holder)", Datatype.STRING, settable=True, retained=False),
)
_ALARMS = (
    Property("fault", "Fault", Datatype.ENUM, format=_FAULTS),
    Property("alarm", "Alarm", Datatype.ENUM, format=_enum(AlarmState)),
    Property("fault-detail", "Fault details", Datatype.JSON),
    Property(
        "acknowledge", "Acknowledge (name the condition)", Datatype.STRING, settable=True, retained=False
    ),
    Property("shelve", "Shelve (condition and duration)", Datatype.STRING, settable=True, retained=False),
)
_ANSWER = Property("last-answer", "Last answer", Datatype.STRING)

_PORT_HEAD = (
    Property("power", "Power", Datatype.BOOLEAN, format="off,on", settable=True, target=True),
    Property("mode", "Mode", Datatype.ENUM, format=_enum(Mode), settable=True),
    Property("override-left", "On by hand, left", Datatype.DURATION),
    Property("reason", "Reason", Datatype.STRING),
    Property("hold-state", "Hold state", Datatype.ENUM, format=_enum(HoldState)),
    *_HOLDS,
)
_PORT_CURRENT = (
    Property("current", "Current", Datatype.FLOAT, unit="A", measurement=True),
    Property("expected", "Expected current", Datatype.FLOAT, format="0:", unit="A"),
    Property("load", "Load", Datatype.FLOAT, unit="%", measurement=True),
    Property("energy", "Energy", Datatype.FLOAT, format="0:", unit="kWh", measurement=True),
)
_PORT_VOLTAGE = Property("voltage", "Voltage", Datatype.FLOAT, unit="V", measurement=True)
_PORT_TEMPERATURE = Property("temperature", "Temperature", Datatype.FLOAT, unit="°C", measurement=True)
_PORT_TAIL = (
    Property("pixels", "Pixels", Datatype.INTEGER, format="0:", unit="#"),
    *_ALARMS,
    Property("shots", "Reclosing shots used", Datatype.INTEGER, format="0:", unit="#"),
    Property("reset", "Reset", Datatype.ENUM, format="reset", settable=True, retained=False),
    Property(
        "relearn",
        "Learn the idle current anew",
        Datatype.ENUM,
        format="relearn",
        settable=True,
        retained=False,
    ),
    _ANSWER,
)
_COUNT = Property(
    "count", "Count the pixels", Datatype.ENUM, format="start,stop", settable=True, retained=False
)
CONTROLLER = (*_HOLDS, *_ALARMS, _ANSWER)
PROP = (
    Property("fault", "Fault", Datatype.ENUM, format=_FAULTS),
    Property("pixels", "Pixels", Datatype.INTEGER, format="0:", unit="#"),
    *_HOLDS,
    _ANSWER,
)
SITE = (
    Property("show", "Show", Datatype.STRING),
    Property("next-show", "Next show", Datatype.DATETIME),
    Property("start-show", "Start a show (or end)", Datatype.STRING, settable=True, retained=False),
    Property("weather-hold", "Weather hold", Datatype.BOOLEAN, format="lifted,held", settable=True),
    *_HOLDS,
    Property(
        "confirm",
        "Confirm after a lost journal",
        Datatype.ENUM,
        format="confirm",
        settable=True,
        retained=False,
    ),
    Property("load", "Load", Datatype.FLOAT, unit="W", measurement=True),
    Property("energy", "Energy", Datatype.FLOAT, format="0:", unit="kWh", measurement=True),
    Property("saved", "Energy saved", Datatype.FLOAT, format="0:", unit="kWh", measurement=True),
    Property("pre-show-check", "Pre-show check", Datatype.JSON),
    Property("universes", "Universes heard", Datatype.STRING),
    Property("ports-on", "Ports on", Datatype.INTEGER, format="0:", unit="#"),
    Property("faults", "Faults", Datatype.INTEGER, format="0:", unit="#"),
    *_ALARMS,
    _ANSWER,
)
_COST = (("cost", "Cost (estimated at the wall)"), ("saved-cost", "Cost saved"))
OPTIONAL = frozenset({"current", "expected", "load", "energy", "voltage", "temperature"})
"""A port that can't report them has no such property, and saying one is no error."""


def port_properties(plan: PortPlan) -> tuple[Property, ...]:
    """The properties of a port by what it can do."""
    can = plan.abilities
    return (
        *_PORT_HEAD,
        *(_PORT_CURRENT if can.current else ()),
        *((_PORT_VOLTAGE,) if can.voltage else ()),
        *((_PORT_TEMPERATURE,) if can.temperature else ()),
        *((_COUNT,) if plan.show_data is not None and can.current and can.switch else ()),
        *_PORT_TAIL,
    )


def site_properties(plan: SitePlan) -> tuple[Property, ...]:
    """The properties of the site; money only where the plan says what energy costs."""
    if plan.tariff is None:
        return SITE
    unit = plan.tariff.currency
    return (
        *SITE,
        *(
            Property(one, title, Datatype.FLOAT, format="0:", unit=unit, measurement=True)
            for one, title in _COST
        ),
    )
