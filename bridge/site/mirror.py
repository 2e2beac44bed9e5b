"""What was last told, kept for whoever asks the process itself; alerts and remarks also go to the log."""

import logging
from collections.abc import Callable
from datetime import datetime
from typing import Any

import structlog

from rules.door import Alert, Answer, Presence, Publish, Remark, Value
from rules.plan import SitePlan
from rules.ports import PortId, Target, TargetKind, controller_of

_log = structlog.get_logger()

OnTold = Callable[[Target, str, Any], None]
"""Hears every published value: target, property, value."""


class Mirror:
    """The published values of one site, as they are told. on_told: hears each of them."""

    def __init__(self, on_told: OnTold | None = None) -> None:
        self.on_told = on_told
        self.told: dict[Target, dict[str, Any]] = {}
        """What was last published, by target; alerts as ``alert CODE``."""
        self.lit: dict[str, set[str]] = {}
        """Ports that have power, by controller."""

    def take(self, effect: Publish | Alert | Presence | Remark | Answer) -> None:
        """Keep what is told."""
        if isinstance(effect, Publish):
            if not effect.as_target:
                self._keep(effect.target, effect.property, effect.value)
                self._see_power(effect)
        elif isinstance(effect, Alert):
            self._keep(effect.target, f"alert {effect.condition.value}", effect.text)
            _log.log(
                logging.WARNING if effect.text else logging.INFO,
                "alert.told" if effect.text else "alert.over",
                target=effect.target.id,
                condition=effect.condition.value,
                text=effect.text,
            )
        elif isinstance(effect, Answer) and effect.target in self.told:
            self._keep(effect.target, "last-answer", effect.text)
        elif isinstance(effect, Remark):
            log = {"info": _log.info, "warn": _log.warning, "error": _log.error}[effect.level]
            log("site.remark", target=effect.target.id, text=effect.text)

    def _keep(self, target: Target, name: str, value: Value) -> None:
        told = self.told.setdefault(target, {})
        if value is None:
            told.pop(name, None)
        else:
            told[name] = value
        if self.on_told is not None:
            self.on_told(target, name, value)

    def forget(self, plan: SitePlan) -> None:
        """Forget what was told of parts that this plan has not."""
        there = {
            TargetKind.SITE: {plan.id},
            TargetKind.CONTROLLER: plan.controllers.keys(),
            TargetKind.PORT: plan.ports.keys(),
            TargetKind.PROP: plan.props.keys(),
        }
        for target in [target for target in self.told if target.id not in there[target.kind]]:
            del self.told[target]
        for ports in self.lit.values():
            ports.intersection_update(plan.ports)

    def _see_power(self, effect: Publish) -> None:
        target = effect.target
        if effect.property == "power" and target.kind is TargetKind.PORT:
            lit = self.lit.setdefault(controller_of(PortId(target.id)), set())
            lit.add(target.id) if effect.value else lit.discard(target.id)

    def headline(self, plan: SitePlan, *, connected: bool) -> str:
        """How the site is, in one line. connected: to the broker."""
        told = self.told.get(Target(TargetKind.SITE, plan.id), {})
        on, faults = told.get("ports-on", 0), told.get("faults", 0)
        broker = "connected to the broker" if connected else "no connection to the broker"
        show = told.get("show") or "no show"
        return f"{on} of {len(plan.ports)} ports on, {show}, faults: {faults}, {broker}."

    def status(self, plan: SitePlan, *, connected: bool, unacknowledged: int) -> dict[str, Any]:
        """All that was last published, by kind and id; ready for JSON.

        connected: to the broker; unacknowledged: messages that the broker has not confirmed yet.
        """
        status: dict[str, Any] = {
            "site": plan.id,
            "name": plan.name,
            "broker": connected,
            "unacknowledged": unacknowledged,
        }
        for target, values in self.told.items():
            plain = {name: _plain(value) for name, value in values.items()}
            if target.kind is TargetKind.SITE:
                status["values"] = plain
            else:
                status.setdefault(f"{target.kind.value}s", {})[target.id] = plain
        return status


def _plain(value: Value) -> Value:
    return value.isoformat() if isinstance(value, datetime) else value
