"""``kind: hwmon``: sensors and switches of this machine, as files of the Linux kernel."""

import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from bridge.config.base import FilePath, Section, Text, refuse
from bridge.config.quantities import Duration, Interval, Voltage


def _below(text: str) -> str:
    if not text or text.startswith("/") or ".." in text.split("/") or "\0" in text:
        refuse("write the path as it is below root, without a leading / and without ..")
    return text


Below = Annotated[str, AfterValidator(_below)]
"""A path below `root`; a ``*`` in it must match exactly once."""


def _sensor(prefix: str) -> AfterValidator:
    def check(text: str) -> str:
        if not re.fullmatch(rf"{prefix}[0-9]+(_[a-z]+)?", text):
            refuse(f"write the sensor's name, for example {prefix}1, or the file's, {prefix}1_input")
        return text if "_" in text else f"{text}_input"

    return AfterValidator(check)


class Chip(Section):
    """Which chip: by device path (below root), by its unique `label`, or by a name only one chip has.

    Never by number: hwmon0 and hwmon1 change places between boots.
    """

    device: Below | None = Field(
        default=None, description="Its device path below root, for example devices/i2c-1/1-0040."
    )
    label: Text | None = Field(default=None, description="Its label, where it is the only one.")
    name: Text | None = Field(default=None, description="Its name, where only one chip has it.")

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if sum(part is not None for part in (self.device, self.label, self.name)) != 1:
            refuse("name the chip in one way: device: PATH, label: TEXT or name: TEXT")
        if self.device is not None and re.search(r"(^|/)hwmon[0-9]", self.device):
            refuse("hwmon numbers change between boots; write the device's path, devices/.../1-0040")
        return self


class SwitchFile(Section):
    """A file that switches power when `on` or `off` is written to it."""

    file: Below = Field(description="The file that switches power.")
    on: Text = Field(default="1", description="What is written for on.")
    off: Text = Field(default="0", description="What is written for off.")

    @model_validator(mode="after")
    def _differ(self) -> Self:
        if self.on == self.off:
            refuse("on and off are spelled alike; spell them differently")
        return self


class StateFile(Section):
    """A file that says yes or no. Other contents are "not said"."""

    file: Below = Field(description="The file that says yes or no.")
    yes: list[Text] = Field(default_factory=lambda: ["1"], description="Contents that say yes.")
    no: list[Text] = Field(default_factory=lambda: ["0"], description="Contents that say no.")
    above_v: Voltage | None = Field(
        default=None,
        description="The file is a voltage sensor's behind the switch: yes from this voltage on.",
    )


class ClearFile(Section):
    """A file that clears the fuse when `value` is written to it."""

    file: Below = Field(description="The file that clears the fuse.")
    value: Text = Field(default="1", description="What is written to it.")


def _state_file(value: object) -> object:
    return {"file": value} if isinstance(value, str) else value


StateFrom = Annotated[StateFile, BeforeValidator(_state_file)]


class HwmonPort(Section):
    """One port's files. Those without a / belong to the chip, the others stand below root.

    Sensors have the kernel's units: mA, mV, thousandths of a degree Celsius. On chips with a shunt, in0 is
    the voltage across the shunt and in1 the supply (kernel documentation of the ina2xx family).
    """

    chip: Chip | None = Field(default=None, description="Which chip measures it.")
    current: Annotated[str, _sensor("curr")] | None = Field(
        default=None, description="The chip's current sensor: curr1."
    )
    voltage: Annotated[str, _sensor("in")] | None = Field(
        default=None, description="The chip's voltage sensor: in1."
    )
    temperature: Annotated[str, _sensor("temp")] | None = Field(
        default=None, description="The chip's temperature sensor: temp1."
    )
    current_factor: float = Field(
        default=1.0,
        allow_inf_nan=False,
        description="Times the kernel's milliamperes, for a shunt the kernel does not know.",
    )
    power: StateFrom | None = Field(default=None, description="A file that says whether it has power.")
    tripped: StateFrom | None = Field(default=None, description="A file that says whether its fuse is open.")
    switch: SwitchFile | None = Field(default=None, description="The file that switches it.")
    clear: ClearFile | None = Field(default=None, description="The file that clears its fuse.")

    @model_validator(mode="after")
    def _fits(self) -> Self:
        files = [
            part.file for part in (self.power, self.tripped, self.switch, self.clear) if part is not None
        ]
        if self.chip is None and (self.sensors or any("/" not in file for file in files)):
            refuse("a sensor belongs to a chip; give chip: {device: PATH} or chip: {label: TEXT}")
        if not self.sensors and self.power is None and self.tripped is None:
            refuse("nothing is read of this port; give current, voltage, power or tripped")
        return self

    @property
    def sensors(self) -> bool:
        """Whether the chip measures anything."""
        return any(part is not None for part in (self.current, self.voltage, self.temperature))

    @property
    def told(self) -> frozenset[str]:
        """What is told of the port."""
        names = ("current", "power", "tripped", "voltage", "temperature")
        return frozenset(name for name in names if getattr(self, name) is not None)


class HwmonReach(Section):
    """Sensors and switches of this machine, through the Linux kernel's files.

    timeout: a file that blocks longer is left to its fate and read again when it comes back; stale: how long
    the last value of a sensor that is busy (EAGAIN) still counts.
    """

    kind: Literal["hwmon"] = Field(description="Sensors and switches of this machine, as the kernel's files.")
    root: FilePath = Field(
        default="/sys", validate_default=True, description="Where the files are; /sys but for tests."
    )
    every_s: Interval = Field(default=1.0, description="Pace while any of its ports is powered.")
    slow_every_s: Interval = Field(default=5.0, description="Pace at rest.")
    timeout_s: Interval = Field(default=0.5, description="A file that blocks longer is left to its fate.")
    stale_s: Duration = Field(
        default=5.0, description="So long the last value of a busy sensor still counts."
    )
    ports: Annotated[dict[int, HwmonPort], Field(min_length=1)] = Field(description="Its ports by number.")

    @property
    def slowest_s(self) -> float:
        """The longest time [s] between two readings when all is well."""
        return max(self.every_s, self.slow_every_s)
