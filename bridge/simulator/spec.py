"""What a simulated site consists of: plain frozen dataclasses, also read from YAML.

Every field has a default a small site can live with; `load_spec` refuses unknown keys and wrong types.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar, Literal, TypeVar, get_args

from bridge.errors import ConfigurationError, Problem
from bridge.simulator.chips import CHIPS


class _Strict:
    """What pydantic needs to know when it reads these from YAML: a key nobody knows is an error."""

    __slots__ = ()
    __pydantic_config__: ClassVar[dict[str, str]] = {"extra": "forbid"}


def _at_least(name: str, value: float, least: float) -> None:
    if not value >= least:
        raise ValueError(f"{name} is {value:g}, it must be at least {least:g}")


@dataclass(frozen=True, slots=True)
class StringSpec(_Strict):
    """A string of pixels and the wire to it.

    spacing_m: wire between two pixels [m]; ohm_per_km: its conductor at 20 degC [ohm/km] (IEC 60228,
    0.75 mm2, class 5: 26.0); cable_m, cable_ohm_per_km: from the port to the first pixel, one way;
    source_ohm: supply, switch and fuse inside the box [ohm]; variation: standard deviation of the
    current between pixels, as a fraction (UCS1903 data sheet: within 3 % between chips).
    """

    pixels: int
    chip: str = "ws2811-12v"
    spacing_m: float = 0.1
    ohm_per_km: float = 26.0
    cable_m: float = 3.0
    cable_ohm_per_km: float = 13.3
    source_ohm: float = 0.02
    variation: float = 0.01
    brightness: float = 1.0

    def __post_init__(self) -> None:
        if self.chip not in CHIPS:
            raise ValueError(f"chip is {self.chip!r}, it must be one of: {', '.join(CHIPS)}")
        _at_least("pixels", self.pixels, 1)
        for field in ("spacing_m", "ohm_per_km", "cable_m", "cable_ohm_per_km", "source_ohm", "variation"):
            _at_least(field, getattr(self, field), 0.0)


@dataclass(frozen=True, slots=True)
class FuseSpec(_Strict):
    """What protects a port.

    Electronic: rating_a [A], `curve` of `fuses.CURVES`, retry_s: tries again by itself after so long,
    None for latching; retries: how often, None for ever; cleared_by_cycle: off and on clears it.
    Polymer: hold_a, trip_a [A], trip_s: time to open at 5 x hold [s] (Littelfuse 16R400G: 4.0, 6.8, 1.7);
    cool_s: cooling time constant [s]; sustain_w: what keeps it hot once open [W].
    """

    kind: Literal["electronic", "polymer"] = "electronic"
    rating_a: float = 4.0
    curve: Literal["very-fast", "fast", "slow", "time-delay"] = "very-fast"
    retry_s: float | None = None
    retries: int | None = None
    cleared_by_cycle: bool = True
    hold_a: float = 4.0
    trip_a: float = 6.8
    trip_s: float = 1.7
    cool_s: float = 15.0
    sustain_w: float = 3.0

    def __post_init__(self) -> None:
        _at_least("rating_a", self.rating_a, 0.001)
        _at_least("hold_a", self.hold_a, 0.001)
        _at_least("trip_a", self.trip_a, self.hold_a)
        _at_least("trip_s", self.trip_s, 0.001)
        if self.retry_s is not None:
            _at_least("retry_s", self.retry_s, 0.01)


@dataclass(frozen=True, slots=True)
class SensorSpec(_Strict):
    """How the controller measures a port.

    gain_error: fraction; offset_a, noise_a (standard deviation) [A]; step_a: one step of the converter
    [A] (a 10-bit sense output of a high-side switch: 8.14 mA); refresh_s: a new value this often [s];
    drift_a_per_hour [A/h]; tempco_a_per_c: offset per degree from 25 degC [A/degC]; full_scale_a: where
    it saturates [A]; dithered: half a step of noise is added before rounding, so that averages resolve
    less than a step; signed: small negative values are told, not cut to 0; fault_level: while the fuse
    is open the output stands at full scale, which is not a current.
    """

    gain_error: float = 0.0
    offset_a: float = 0.0
    noise_a: float = 0.002
    step_a: float = 0.008
    refresh_s: float = 0.1
    drift_a_per_hour: float = 0.0
    tempco_a_per_c: float = 0.0
    full_scale_a: float = 10.0
    dithered: bool = False
    signed: bool = False
    fault_level: bool = False

    def __post_init__(self) -> None:
        for field in ("noise_a", "step_a", "refresh_s"):
            _at_least(field, getattr(self, field), 0.0)
        _at_least("full_scale_a", self.full_scale_a, 0.001)


FaultKind = Literal[
    "short", "intermittent-short", "overload", "power-tail", "data-tail", "dead-pixel", "wet-connector",
    "sensor-drift", "sensor-stuck", "stuck-switch", "lying-flag", "unplugged", "sagging-supply",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class FaultSpec(_Strict):
    """One fault. Times are seconds after the site's start; `until_s` None: until it is ended by call.

    | kind | what its numbers mean |
    |---|---|
    | short | `ohms` across the feed at pixel `at` (-1: the head) |
    | intermittent-short | the same, closed for `closed_s` in every `every_s` |
    | overload | something that draws `amps` more hangs at the head |
    | power-tail | no power from pixel `at` on: those draw nothing |
    | data-tail | no data from pixel `at` on: those stay dark and draw their quiescent current |
    | dead-pixel | pixel `at` draws nothing |
    | wet-connector | leak at the head, growing by `amps_per_hour` up to `amps` |
    | sensor-drift | the sensor walks off by `amps_per_hour` |
    | sensor-stuck | the sensor repeats its last value |
    | stuck-switch | contacts stay `state`: closed, open, or as they are |
    | lying-flag | the trip flag says `state`: tripped or clear, whatever the fuse does |
    | unplugged | nothing hangs on the port |
    | sagging-supply | the supply gives `volts` |
    """

    kind: FaultKind
    from_s: float = 0.0
    until_s: float | None = None
    at: int = -1
    ohms: float = 0.05
    amps: float = 3.0
    amps_per_hour: float = 0.1
    closed_s: float = 0.3
    every_s: float = 7.0
    volts: float = 9.0
    state: Literal["closed", "open", "as-is", "tripped", "clear"] = "as-is"

    def __post_init__(self) -> None:
        if self.kind not in get_args(FaultKind):
            raise ValueError(f"kind is {self.kind!r}, it must be one of: {', '.join(get_args(FaultKind))}")
        _at_least("ohms", self.ohms, 0.001)
        _at_least("amps", self.amps, 0.0)
        _at_least("closed_s", self.closed_s, 0.001)
        _at_least("every_s", self.every_s, self.closed_s)
        if self.kind in ("power-tail", "data-tail", "dead-pixel"):
            _at_least("at (the pixel, counted from 0)", self.at, 0)
        wanted = {"stuck-switch": ("closed", "open", "as-is"), "lying-flag": ("tripped", "clear")}
        if self.kind in wanted and self.state not in wanted[self.kind]:
            raise ValueError(f"state is {self.state!r}, for {self.kind} it must be one of: "
                             f"{', '.join(wanted[self.kind])}")  # fmt: skip


@dataclass(frozen=True, slots=True)
class PortSpec(_Strict):
    """One output port. `readback`: the power it reports is measured at the output, or what was commanded."""

    number: int
    string: StringSpec | None = None
    fuse: FuseSpec = FuseSpec()
    sensor: SensorSpec = SensorSpec()
    volts_v: float = 12.0
    supply_limit_a: float = 60.0
    power_at_start: bool = False
    readback: Literal["output", "command"] = "output"
    faults: tuple[FaultSpec, ...] = ()


ShapeName = Literal["rows", "keyed", "columns", "banks", "worded"]


@dataclass(frozen=True, slots=True)
class ControllerSpec(_Strict):
    """One box. `shape`: how it answers (`shapes.SHAPES`); `after_restart`: its ports then."""

    id: str
    ports: tuple[PortSpec, ...]
    shape: ShapeName = "rows"
    after_restart: Literal["off", "on", "last"] = "off"
    acts_after_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Segment(_Strict):
    """A stretch of the built-in show. `level`: 0..1 of full white; `period_s`: of what moves in it."""

    length_s: float
    look: Literal["dark", "steady", "chase", "breathe"] = "dark"
    level: float = 1.0
    period_s: float = 4.0

    def __post_init__(self) -> None:
        _at_least("length_s", self.length_s, 0.001)
        _at_least("period_s", self.period_s, 0.001)


@dataclass(frozen=True, slots=True)
class SiteSpec(_Strict):
    """A whole site. `show`: segments, played round and round from the start; empty: nothing is ever lit."""

    id: str
    controllers: tuple[ControllerSpec, ...]
    show: tuple[Segment, ...] = ()
    ambient_c: float = 5.0

    def __post_init__(self) -> None:
        seen: set[str] = set()
        for controller in self.controllers:
            for name in (controller.id, *(f"{controller.id}/{port.number}" for port in controller.ports)):
                if name in seen:
                    raise ValueError(f"{name} stands there twice, ids must differ")
                seen.add(name)


def load_spec(source: str | dict[str, Any], *, file: str = "") -> SiteSpec:
    """Read a site from YAML text or the mapping it holds.

    Raises ConfigurationError naming each key that is unknown, missing or of the wrong type.
    """
    import yaml  # noqa: PLC0415 - building sites in code needs none

    if isinstance(source, str):
        try:
            source = yaml.safe_load(source)
        except yaml.YAMLError as error:
            raise ConfigurationError([Problem(f"not YAML: {error}", file=file)]) from error
    return checked(SiteSpec, source, file=file)


T = TypeVar("T")


def checked(what: type[T], source: object, *, file: str = "") -> T:
    """A `what` made of a plain mapping from outside, every type checked.

    Raises ConfigurationError naming each key that is unknown, missing or of the wrong type.
    """
    from pydantic import TypeAdapter, ValidationError  # noqa: PLC0415 - building sites in code needs none

    try:
        return TypeAdapter(what).validate_python(source)
    except ValidationError as error:
        raise ConfigurationError(
            Problem(
                found["msg"].removeprefix("Value error, ").replace("keyword argument", "key"),
                file=file,
                key=".".join(str(part) for part in found["loc"]),
            )
            for found in error.errors(include_url=False)
        ) from error


def read_spec(path: Path) -> SiteSpec:
    """Read a site from a YAML file. Raises ConfigurationError, OSError."""
    return load_spec(path.read_text(encoding="utf-8"), file=str(path))
