"""The signature of every show on every port: filled while it runs, judged when it is over, kept.

A night of a show counts where the calendar says when it began, the port had power from then to the end, and
no other show ran on it at the time. Its length follows the calendar, so a shorter evening is no other show.
Nights are judged port by port, a little while after the end: each takes some tens of milliseconds.
"""

import math
import struct
from array import array
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Final

from rules.door import LearnedLoaded, Record, Remark
from rules.errors import RulesError
from rules.faults.departures import assert_departure
from rules.ports import Condition, PortId, controller_of
from rules.show_data.signature import Departure, Night, ShowNight, ShowSignature, SignatureSettings, Verdict
from rules.shows.calendar import Span
from rules.shows.schedule import Phase, ShowState
from rules.state import PortState
from rules.step import Stage, Step

TIMER: Final = "night "
SHOW: Final = "show "
"""What is learned of a show is named so, and the show's id."""
BINS_IN_ALL: Final = 400_000
BINS_MOST, BINS_LEAST = 7200, 600
"""Bins of one port: memory stays bounded on sites with many ports."""
ROOM: Final = 1.25
"""A signature has room for evenings so much longer."""
READINGS_PER_BIN: Final = 2.0
CONFIRM_S: Final = 20.0
CONFIRM_LEAST_BINS: Final = 5
KEPT: Final = 10
LATE_S: Final = 60.0
"""A port first seen so long [s] after the beginning has not seen the whole show."""
SETTLE_S: Final = 10.0
APART_S: Final = 0.5
"""Nights are judged so long [s] after the end, and so far [s] from port to port."""
_HEAD: Final = struct.Struct("<dH")
_LENGTH: Final = struct.Struct("<I")
_NOT_SEEN: Final = 0xFFFF


def settings_for(length_s: float, every_s: float, ports: int) -> SignatureSettings:
    """How finely a show of `length_s` is learned on a site of so many ports, read `every_s` [s]."""
    most = max(BINS_LEAST, min(BINS_MOST, BINS_IN_ALL // max(ports, 1)))
    bin_s = 1.0
    while bin_s < READINGS_PER_BIN * every_s or length_s * ROOM / bin_s > most:
        bin_s *= 2.0
    return _settings(bin_s, most)


def _settings(bin_s: float, most: int) -> SignatureSettings:
    return SignatureSettings(
        bin_s=bin_s,
        kept=KEPT,
        confirm_bins=max(CONFIRM_LEAST_BINS, math.ceil(CONFIRM_S / bin_s)),
        max_bins=most,
        judge_length=False,
    )


# ---------------------------------------------------------------- while it runs


def observe(step: Step, port: PortState, measured_s: float, current_a: float) -> None:
    """A plausible current of a powered port: it belongs to the one show that runs, if one does."""
    if not port.shows:
        return
    stage = step.stages.get(port.shows)
    if stage is None or stage.of is not step.site.shows:
        stage = step.stages[port.shows] = _stage(step, port.shows)
    show, span = stage.show, stage.span
    if show is None or span is None:
        if stage.shared:
            _spoil(step, port)
        return
    at_s = measured_s - stage.start_s
    if at_s < 0.0:
        return
    night = port.signatures.get(show.plan.id)
    if night is None or night.start_utc != span.start_utc:
        night = _begin(step, port, show, span, at_s)
    departure = night.signature.observe(at_s, current_a)
    if departure is not None and night.whole:
        _depart(step, port, show, departure)


def _stage(step: Step, shows: frozenset[str]) -> Stage:
    """What runs now on ports of these shows; the same for all of them, so a step asks once."""
    known = step.site.shows
    running = [show for show in map(known.__getitem__, shows) if show.phase is Phase.RUNNING]
    if len(running) != 1:
        return Stage(known, shared=len(running) > 1)
    show = running[0]
    if show.current is None or show.started_until_s is not None or show.plan.data:
        return Stage(known)
    since_s = (step.now.utc - show.current.start_utc).total_seconds()
    return Stage(known, show, show.current, step.now.monotonic_s - since_s)


def _begin(step: Step, port: PortState, show: ShowState, span: Span, at_s: float) -> ShowNight:
    night = port.signatures.get(show.plan.id)
    length_s = (span.end_utc - span.start_utc).total_seconds()
    every_s = step.site.controllers[controller_of(port.plan.id)].plan.every_s
    wanted = settings_for(length_s, every_s, len(step.site.ports))
    known = night.signature if night is not None else None
    if known is None or not _can_hold(known.settings, length_s, every_s):
        known = ShowSignature(wanted)
        assert_departure(step, port, f"{SHOW}{show.plan.id}", None)
    elif night is not None and night.start_utc is not None:
        known.end(complete=False)  # the night before was never judged: a clock that stepped, a new plan
    after = ShowNight(known, span.start_utc, at_s <= LATE_S)
    step.touch(port)
    port.signatures = MappingProxyType({**port.signatures, show.plan.id: after})
    _wait(step, port, span.end_utc)
    return after


def _can_hold(settings: SignatureSettings, length_s: float, every_s: float) -> bool:
    """Whether bins learned earlier still fit: room for the whole show, and readings in each of them."""
    return length_s <= settings.bin_s * settings.max_bins and every_s <= settings.bin_s


def _wait(step: Step, port: PortState, end_utc: datetime) -> None:
    left_s = (end_utc - step.now.utc).total_seconds()
    due_s = step.now.monotonic_s + max(0.0, left_s) + SETTLE_S + APART_S * port.index
    step.timers.at(due_s, f"{TIMER}{port.plan.id}")


def _spoil(step: Step, port: PortState) -> None:
    """What is under way can't be compared with other nights."""
    spoilt = {
        show_id: replace(night, whole=False)
        for show_id, night in port.signatures.items()
        if night.start_utc is not None and night.whole
    }
    if spoilt:
        step.touch(port)
        port.signatures = MappingProxyType({**port.signatures, **spoilt})


def power_went_off(step: Step, port: PortState) -> None:
    """Off before the show's end: that night says nothing."""
    for show_id, night in port.signatures.items():
        show = step.site.shows.get(show_id)
        if night.start_utc is not None and show is not None and show.phase is Phase.RUNNING:
            _spoil(step, port)


# ---------------------------------------------------------------- when it is over


def timer(step: Step, port_id: PortId) -> None:
    """Nights of `port_id` that are over are judged, restored ones made ready; one that runs is waited for."""
    port = step.site.ports.get(port_id)
    if port is None:
        return
    for show_id, night in port.signatures.items():
        show = step.site.shows.get(show_id)
        if night.start_utc is None:
            night.signature.prepare()
            continue
        runs = show is not None and show.phase is Phase.RUNNING and show.current is not None
        if runs and show is not None and show.current and show.current.start_utc == night.start_utc:
            _wait(step, port, max(show.current.end_utc, step.now.utc + timedelta(seconds=SETTLE_S)))
            continue
        _end(step, port, show_id, show, night)
        if len(port.signatures) > 1:
            step.timers.at(step.now.monotonic_s + APART_S, f"{TIMER}{port_id}")
            return


def _end(step: Step, port: PortState, show_id: str, show: ShowState | None, night: ShowNight) -> None:
    step.touch(port)
    ill = any(alarm.active for alarm in port.alarms.values()) and not night.signature.learned
    outcome = night.signature.end(complete=night.whole and not ill)
    port.signatures = MappingProxyType(
        {**port.signatures, show_id: replace(night, start_utc=None, whole=True)}
    )
    name = show_id if show is None else show.plan.name
    if outcome.verdict is Verdict.DEPARTED and show is not None:
        _departed(step, port, show, night.signature, outcome)
    elif outcome.verdict is Verdict.CHANGED:
        text = f"{name} draws otherwise than it did on {port.plan.name}: what is usual is learned anew."
        step.effects.append(Remark("info", port.target, text))
        assert_departure(step, port, f"{SHOW}{show_id}", None)
    elif outcome.verdict is Verdict.NORMAL:
        assert_departure(step, port, f"{SHOW}{show_id}", None)
    if outcome.verdict in (Verdict.NORMAL, Verdict.LEARNING, Verdict.CHANGED):
        _keep(step, port, show_id, night.signature)


def _departed(step: Step, port: PortState, show: ShowState, signature: ShowSignature, outcome: Night) -> None:
    if _data_know_better(port):
        # The levels were heard, and the port drew what they ask for: the show was changed, not the string.
        signature.accept()
        _keep(step, port, show.plan.id, signature)
        return
    worst = max(outcome.departures, key=lambda one: abs(one.tonight_a - one.expected_a))
    _depart(step, port, show, worst)


def _depart(step: Step, port: PortState, show: ShowState, departure: Departure) -> None:
    if _data_know_better(port):
        return
    below = departure.tonight_a < departure.expected_a
    assert_departure(
        step,
        port,
        f"{SHOW}{show.plan.id}",
        Condition.UNDERCURRENT if below else Condition.OVERCURRENT,
        measured=departure.tonight_a,
        limit=departure.expected_a,
        detail=f"In {show.plan.name}, {departure.text}.",
    )


def _data_know_better(port: PortState) -> bool:
    """Whether the port is judged by its show data, which know what was shown."""
    return port.compared is not None and port.compared.learned and bool(port.compared.points)


# ---------------------------------------------------------------- what is kept


def _keep(step: Step, port: PortState, show_id: str, signature: ShowSignature) -> None:
    packed = pack(signature.settings.bin_s, signature.nights)
    data = {"name": f"{SHOW}{show_id}", "packed": packed}
    step.effects.append(Record("learned", step.now.utc, port.target, data))


def pack(bin_s: float, nights: Sequence[Sequence[float | None]]) -> bytes:
    """Nights for the store: milliamperes in 16 bits, `_NOT_SEEN` where there was no reading."""
    parts = [_HEAD.pack(bin_s, len(nights))]
    for night in nights:
        values = array(
            "H",
            (
                _NOT_SEEN if value is None else min(_NOT_SEEN - 1, max(0, round(value * 1000.0)))
                for value in night
            ),
        )
        parts += [_LENGTH.pack(len(values)), values.tobytes()]
    return b"".join(parts)


def unpack(packed: bytes) -> tuple[float, list[list[float | None]]]:
    """The bin [s] and the nights of `pack`. Raises RulesError where it is no such record."""
    try:
        bin_s, count = _HEAD.unpack_from(packed)
        at, nights = _HEAD.size, list[list[float | None]]()
        for _ in range(count):
            (length,) = _LENGTH.unpack_from(packed, at)
            at += _LENGTH.size
            values = array("H")
            values.frombytes(packed[at : at + 2 * length])
            if len(values) != length:
                raise RulesError("these are no nights of a show: they end too early")
            at += 2 * length
            nights.append([None if value == _NOT_SEEN else value / 1000.0 for value in values])
    except (struct.error, ValueError) as error:
        raise RulesError(f"these are no nights of a show: {error}") from error
    if not (math.isfinite(bin_s) and bin_s > 0.0):
        raise RulesError("these are no nights of a show: their bin can't be")
    return bin_s, nights


def restore(step: Step, port: PortState, event: LearnedLoaded) -> None:
    """Nights from the store. Raises RulesError where they can't be read."""
    show_id = event.name.removeprefix(SHOW)
    if show_id not in port.shows or show_id in port.signatures:
        return
    bin_s, nights = unpack(event.packed)
    most = settings_for(0.0, 0.0, len(step.site.ports)).max_bins
    step.touch(port)
    signature = ShowSignature(_settings(bin_s, most), nights)
    port.signatures = MappingProxyType({**port.signatures, show_id: ShowNight(signature)})
    step.timers.at(step.now.monotonic_s + SETTLE_S + APART_S * port.index, f"{TIMER}{port.plan.id}")


def forget(step: Step, port: PortState) -> None:
    """Learn every show of the port anew; a person asked. The port is touched already."""
    for show_id in port.shows:
        assert_departure(step, port, f"{SHOW}{show_id}", None)
        data = {"name": f"{SHOW}{show_id}", "packed": b""}
        step.effects.append(Record("learned", step.now.utc, port.target, data))
    port.signatures = MappingProxyType({})
