"""Sensors and switches of this machine, through the files of the Linux kernel.

Names, units and the meaning of errors follow the kernel's documentation ("Naming and data format standards
for sysfs files"): currents in mA, voltages in mV, temperatures in thousandths of a degree Celsius. A chip is
found by its device path or its label, because hwmon numbers change between boots.
"""

import asyncio
import errno
import math
import os
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import structlog

from bridge.config.reach_hwmon import Chip, HwmonPort, HwmonReach, StateFile
from bridge.controllers.base import (
    MappingMismatchError,
    Pace,
    PollingController,
    UnreachableError,
    Verdict,
)
from bridge.controllers.files import BlockedError, Content, FileReader, FileWriter, read_small
from bridge.controllers.table import FINITE
from bridge.threads import in_thread
from rules.door import Outcome
from rules.ports import Abilities, Reading, port_id

log = structlog.get_logger()

_MILLI = 1e-3
_GONE = frozenset({errno.ENOENT, errno.ENODEV, errno.ENXIO})


@dataclass(slots=True)
class _Bound:
    """One port with its real paths."""

    spec: HwmonPort
    current: str = ""
    voltage: str = ""
    temperature: str = ""
    power: str = ""
    tripped: str = ""
    switch: str = ""
    clear: str = ""

    @property
    def read(self) -> list[str]:
        """The files read at each poll."""
        files = (self.current, self.power, self.tripped, self.voltage, self.temperature)
        return [path for path in files if path]


class HwmonController(PollingController):
    """Reads chips and switch files below `root`."""

    def __init__(
        self,
        controller_id: str,
        reach: HwmonReach,
        ports: Mapping[int, Abilities],
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(controller_id, ports, Pace.of(reach.every_s, reach.slow_every_s), clock=clock)
        self.reach = reach
        self._root = os.path.realpath(reach.root)
        self._reader = FileReader(reach.timeout_s)
        self._writer = FileWriter(reach.timeout_s)
        self._bound: dict[int, _Bound] = {}
        self._search: asyncio.Future[list[str]] | None = None
        self._last: dict[str, tuple[float, float]] = {}
        self._faults: dict[str, str] = {}

    # ------------------------------------------------------------ binding

    async def _bind(self) -> list[str]:
        """Find the files of ports that are not bound yet; what could not be found, in words.

        Raises MappingMismatchError where more than one chip fits: it is never guessed.
        """
        missing = [
            number for number in self.ports if number in self.reach.ports and number not in self._bound
        ]
        if not missing:
            return []
        # Walking the tree touches files that may block, like any other: one thread at most.
        search = self._search = self._search or in_thread(lambda: self._find(missing))
        await asyncio.wait({search}, timeout=self.reach.timeout_s)
        if not search.done():
            return [f"the files below {self._root} block"]
        if self._search is search:  # a poll and commands may have waited for the same one
            self._search = None
        return search.result()

    def _find(self, numbers: list[int]) -> list[str]:
        troubles = []
        for number in numbers:
            spec = self.reach.ports[number]
            try:
                folder = self._chip(number, spec.chip) if spec.chip is not None else ""
                self._bound[number] = self._paths(number, spec, folder)
            except LookupError as error:
                troubles.append(str(error.args[0]))
        return troubles

    def _chip(self, number: int, chip: Chip) -> str:
        """The chip's real folder. Raises LookupError where none fits now."""
        folders = [os.path.realpath(path) for path in Path(self._root, "class/hwmon").glob("*")]
        if chip.device is not None:
            words, wanted = f"device {chip.device}", os.path.realpath(f"{self._root}/{chip.device}")
            found = [path for path in folders if path == wanted or path.startswith(wanted + os.sep)]
        elif chip.label is not None:
            words, found = f"label {chip.label}", [p for p in folders if _text(f"{p}/label") == chip.label]
        else:
            words, found = f"name {chip.name}", [p for p in folders if _text(f"{p}/name") == chip.name]
        if len(found) > 1:
            devices = " and ".join(sorted(self._short(str(Path(path).parent)) for path in found))
            raise MappingMismatchError(
                f"{self.id}: port {number} names a chip with {words}, and more than one has it ({devices}); "
                "name it by device",
                subject=self.id,
            )
        if not found:
            raise LookupError(f"there is no chip with {words} for port {number}")
        return found[0]

    def _paths(self, number: int, spec: HwmonPort, folder: str) -> _Bound:
        """The real paths of one port's files. Raises LookupError where a pattern fits nothing."""

        def place(file: str | None) -> str:
            if file is None:
                return ""
            if "/" not in file:
                return f"{folder}/{file}"
            if "*" not in file:
                return f"{self._root}/{file}"
            found = [str(path) for path in Path(self._root).glob(file)]
            if len(found) > 1:
                raise MappingMismatchError(
                    f"{self.id}: {file} of port {number} fits {len(found)} files; name one", subject=self.id
                )
            if not found:
                raise LookupError(f"there is no {file} for port {number}")
            return found[0]

        return _Bound(
            spec,
            *(place(sensor) for sensor in (spec.current, spec.voltage, spec.temperature)),
            *(place(part.file if part else None) for part in (spec.power, spec.tripped)),
            *(place(part.file if part else None) for part in (spec.switch, spec.clear)),
        )

    def _short(self, path: str) -> str:
        """A path below root, as the person wrote it."""
        return path.removeprefix(self._root).removeprefix("/")

    # ------------------------------------------------------------ reading

    async def read(self) -> list[Reading]:
        """Read every file of every port once; see `Controller.read`."""
        troubles = await self._bind()
        measured_s = self.clock()
        contents = await self._reader.read(
            path for number in self.ports if number in self._bound for path in self._bound[number].read
        )
        readings: list[Reading] = []
        faults: dict[str, str] = {}
        for number in sorted(self.ports):
            bound = self._bound.get(number)
            if bound is None:
                continue
            reading = self._reading(number, bound, contents, measured_s, faults)
            if reading is not None:
                readings.append(reading)
            if any(_is_gone(contents.get(path)) for path in bound.read):
                del self._bound[number]  # the device went away or came back under another number
        self._tell_faults(faults)
        troubles += [f"{self._short(path)}: {words}" for path, words in faults.items()]
        if not readings:
            raise UnreachableError(
                f"{self.id}: " + ("; ".join(troubles) or "no port has files"), subject=self.id
            )
        self._detail = "; ".join(troubles)
        return readings

    def _reading(
        self,
        number: int,
        bound: _Bound,
        contents: dict[str, Content],
        measured_s: float,
        faults: dict[str, str],
    ) -> Reading | None:
        """One port's reading, None if its files said nothing."""

        def sensor(path: str, scale: float) -> float | None:
            return self._number(path, contents[path], scale, measured_s, faults) if path else None

        current_a = sensor(bound.current, _MILLI * bound.spec.current_factor)
        voltage_v, temperature_c = sensor(bound.voltage, _MILLI), sensor(bound.temperature, _MILLI)
        power = _state(bound.spec.power, bound.power, contents, faults)
        tripped = _state(bound.spec.tripped, bound.tripped, contents, faults)
        if (current_a, power, tripped, voltage_v, temperature_c) == (None,) * 5:
            return None
        return Reading(
            port_id(self.id, number), measured_s, current_a, power, tripped, voltage_v, temperature_c
        )

    def _number(
        self, path: str, content: Content, scale: float, measured_s: float, faults: dict[str, str]
    ) -> float | None:
        """A sensor's value in base units. A busy sensor (EAGAIN) keeps its last one for a while."""
        if isinstance(content, OSError):
            if content.errno == errno.EAGAIN:
                value, at_s = self._last.get(path, (0.0, -math.inf))
                if measured_s - at_s <= self.reach.stale_s:
                    return value
            faults[path] = _fault(content)
            return None
        raw = _integer(content)
        value = math.inf if raw is None else raw * scale
        if not -FINITE < value < FINITE:
            faults[path] = "is no number"
            return None
        self._last[path] = (value, measured_s)
        return value

    def _tell_faults(self, faults: dict[str, str]) -> None:
        """Log each file's trouble once, and its end."""
        for path, words in faults.items():
            if self._faults.get(path) != words:
                log.warning("controller.file_fault", controller=self.id, file=path, problem=words)
        for path in self._faults.keys() - faults.keys():
            log.info("controller.file_good", controller=self.id, file=path)
        self._faults = faults

    # ------------------------------------------------------------ switching

    async def _send(self, number: int, power: bool, *, clear: bool) -> Verdict:
        if number not in self._bound:
            await self._bind()
        bound = self._bound.get(number)
        if bound is None or bound.spec.switch is None:
            return Outcome.NOT_SENT, f"the switch file of port {number} of {self.id} is not there."
        if clear and bound.spec.clear is not None:
            verdict = await self._write(bound.clear, bound.spec.clear.value)
            if verdict[0] is not Outcome.ACCEPTED:
                return verdict[0], f"the fuse was not cleared, so power was not switched: {verdict[1]}"
        switch = bound.spec.switch
        return await self._write(bound.switch, switch.on if power else switch.off)

    async def _write(self, path: str, text: str) -> Verdict:
        name = self._short(path)
        try:
            await self._writer.write(path, text)
        except BlockedError:
            return Outcome.UNKNOWN, f"{name} of {self.id} blocks; a reading must tell whether it acted."
        except OSError as error:
            outcome = Outcome.NOT_SENT if error.errno in _GONE else Outcome.REFUSED
            return outcome, f"{name} of {self.id} took no command: {error.strerror or error}."
        return Outcome.ACCEPTED, f"{text} was written to {name} of {self.id}."

    async def _free(self) -> None:
        """Nothing is kept open between polls."""


def _state(
    spec: StateFile | None, path: str, contents: dict[str, Content], faults: dict[str, str]
) -> bool | None:
    """What a state file says; a fault or a spelling nobody listed is "not said"."""
    if spec is None:
        return None
    content = contents[path]
    if isinstance(content, OSError):
        faults[path] = _fault(content)
        return None
    if spec.above_v is not None:
        raw = _integer(content)
        return None if raw is None else raw * _MILLI >= spec.above_v
    text = content.decode("utf-8", "replace").strip().casefold()
    if text in [word.casefold() for word in spec.yes]:
        return True
    if text in [word.casefold() for word in spec.no]:
        return False
    faults[path] = f"says {text[:40]!r}, which is neither yes nor no by the mapping"
    return None


def _integer(content: bytes) -> int | None:
    """The kernel's number, or None; at most 18 digits, so that it fits a float's range by far."""
    text = content.strip()
    digits = text.removeprefix(b"-")
    return int(text) if digits.isdigit() and len(digits) <= 18 else None


def _fault(error: OSError) -> str:
    """An error in the words of the kernel's documentation."""
    if isinstance(error, BlockedError):
        return "blocks"
    if error.errno == errno.ENODATA:
        return "disabled"
    if error.errno == errno.EAGAIN:
        return "busy for too long"
    return f"fault ({error.strerror or error})"


def _is_gone(content: Content | None) -> bool:
    return isinstance(content, OSError) and content.errno in _GONE


def _text(path: str) -> str:
    try:
        return read_small(path).decode("utf-8", "replace").strip()
    except OSError:
        return ""
