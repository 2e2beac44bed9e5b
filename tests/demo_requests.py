"""The demo's site for tests that throw requests at it, and what must hold for whatever is asked."""

from datetime import UTC, datetime, timedelta
from functools import cache

from bridge.config import Settings, parse, plan
from bridge.mqtt.homie import Refusal, Tree
from bridge.simulator.scenarios import demo_config
from rules.door import Answer, Configured, Origin, Persist, Restored, Switch
from rules.engine import Engine
from rules.plan import SitePlan
from rules.ports import Condition, Now
from rules.safety import SafetyState

URLS = {"gable": "http://127.0.0.1:1", "hedge": "http://127.0.0.1:1", "mast": "http://127.0.0.1:1"}


TEXT = demo_config(URLS, 1)
"""The demo's configuration file."""


@cache
def demo_settings() -> Settings:
    """The demo's configuration."""
    return parse(TEXT)


@cache
def demo_plan() -> SitePlan:
    """The demo's plan."""
    return plan(demo_settings())


@cache
def demo_tree() -> Tree:
    """The demo's topics."""
    return Tree(demo_plan())


@cache
def settable() -> tuple[str, ...]:
    """The topics of all commands."""
    tree = demo_tree()
    return tuple(
        sorted(
            f"{tree.base}/{device.id}/{device.node}/{prop.id}/set"
            for device in tree.devices.values()
            for prop in device.properties.values()
            if prop.settable
        )
    )


def fresh_engine() -> tuple[Engine, Now]:
    """An engine that runs the demo's site, with nothing known of its ports."""
    engine = Engine()
    now = Now(datetime(2025, 12, 5, 18, 0, tzinfo=UTC), 1000.0)
    engine.step(now, [Configured(demo_plan()), Restored(SafetyState(), Origin.FIRST_START, False)])
    return engine, now


def answered_once(messages: list[tuple[str, bytes, bool]]) -> None:
    """Any topic and payload is ignored, refused, or taken, answered once, and powers nothing."""
    tree = demo_tree()
    engine, now = fresh_engine()
    for number, (topic, payload, retained) in enumerate(messages):
        command = tree.command(topic, payload, retained, number)
        if isinstance(command, Refusal):
            assert command.text
            tree.refusal(command)
            continue
        if command is None:
            continue
        assert not retained
        now = Now(now.utc + timedelta(seconds=0.1), now.monotonic_s + 0.1)
        effects = engine.step(now, [command])
        answers = [effect for effect in effects if isinstance(effect, Answer)]
        assert [answer.request for answer in answers] == [number]
        assert answers[0].text
        assert not any(isinstance(effect, Switch) and effect.power for effect in effects)
        assert Condition.INTERNAL_FAULT not in engine.state.alarms
        for effect in effects:
            if not isinstance(effect, Persist | Switch):
                for one in tree.publications(effect):
                    one.topic.encode()
