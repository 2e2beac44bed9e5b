"""Anything in any order: people, faults, reloads, crashes, clocks; and what must hold after each of them."""

from dataclasses import replace
from datetime import datetime, timedelta
from types import MappingProxyType

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from world import FakePort, Mishap, World, all_ports, evening, site_plan, with_prop

from rules.door import Adopted, Configured, Effect, Origin, Publish, Restored, Switch, Verb
from rules.faults import alarms
from rules.faults.detect import suppressed_by
from rules.plan import Reclosing, SitePlan, SupplyPlan
from rules.ports import Condition, Fuse, Mode, PortId, TargetKind, controller_of

SHOTS = Reclosing(dead_times_s=(4.0, 20.0), reclaim_s=30.0)
SHED = SupplyPlan("shed", 12.0, 200.0, at_once=2, gap_s=2.0)
TIGHT = SupplyPlan("shed", 12.0, 8.0, at_once=1, gap_s=1.0, withhold=True)
BOUND_S = 45.0
"""As in test_engine_properties: what must be off is off so long [s] after the last mishap."""


def site(supply: SupplyPlan, **more: object) -> SitePlan:
    """Two controllers of three ports that reclose, on one supply."""
    made = site_plan(
        3, 2, supplies=MappingProxyType({supply.id: supply}), release_delay_s=5.0, manual_on_s=90.0
    )
    return all_ports(made, supply=supply.id, reclosing=SHOTS, **more)


def without(plan: SitePlan, gone: str) -> SitePlan:
    """The plan without one port, and without any prop."""
    ports = {port: spec for port, spec in plan.ports.items() if port != gone}
    boxes = {
        name: replace(box, ports=tuple(port for port in box.ports if port in ports))
        for name, box in plan.controllers.items()
    }
    shows = tuple(replace(show, needs=tuple(ports)) for show in plan.shows)
    return replace(
        plan, ports=MappingProxyType(ports), controllers=MappingProxyType(boxes), shows=shows, props={}
    )


PLANS = (
    with_prop(site(SHED), "c1/3", "c2/1"),
    site(SHED),
    with_prop(site(TIGHT), "c1/1", "c1/2"),
    with_prop(site(replace(SHED, id="barn")), "c1/3", "c2/1"),
    all_ports(site(SHED), reclosing=Reclosing()),
    site(SHED, fuse=Fuse.SELF_RESETTING),
    without(site(SHED), "c1/2"),
)
PORTS = tuple(PLANS[0].ports)
TARGETS = (*PORTS, "c1", "c2", "arch", "")
CODES = ("all", "fuse-trip", "no-load", "overcurrent", "stuck-on", "stuck-off", "lockout", "undercurrent")


class Watched(World):
    """A world that lets nothing be ordered unseen."""

    def _carry_out(self, effect: Effect) -> None:
        if isinstance(effect, Switch) and effect.power:
            self.ordered(effect.port)
        if isinstance(effect, Publish) and effect.property == "energy" and not effect.as_target:
            key = (effect.target.id, "energy")
            before = self.topics.get(key)
            assert not isinstance(before, float) or effect.value is None or effect.value >= before  # type: ignore[operator]
        super()._carry_out(effect)
        if isinstance(effect, Adopted) and effect.accepted:  # the bridge takes away what is gone
            gone = set(PORTS) - set(effect.plan.ports)
            self.alerts = {key: text for key, text in self.alerts.items() if key[0] not in gone}
            self.topics = {key: value for key, value in self.topics.items() if key[0] not in gone}

    def ordered(self, port: PortId) -> None:
        """An ON is about to be given."""
        state = self.engine.state
        at = state.ports[port]
        targets = {(TargetKind.SITE, state.plan.id), (TargetKind.PROP, at.prop)}  # type: ignore[union-attr]
        for feed in at.feeds:
            targets |= {(TargetKind.PORT, feed), (TargetKind.CONTROLLER, controller_of(feed))}
            other = state.ports[feed]
            assert not other.reclose.keeps_off, f"{port} switched on while {feed} is {other.reclose.phase}"
            assert other.hand is None or other.hand.mode is not Mode.OFF
        assert not any((hold.target.kind, hold.target.id) in targets for hold in state.holds), port
        assert not state.weather_hold
        assert not at.leaving


class Site(RuleBasedStateMachine):
    """The site, and beside it what was answered to people."""

    def __init__(self) -> None:
        super().__init__()
        self.world = Watched(PLANS[0], utc=evening(17, 58), poll_s=2.0)
        self.world.start()
        self.holds: set[tuple[str, str]] = set()
        self.weather = False
        self.forbidden_since: dict[PortId, float] = {}
        self.quiet_s = self.world.monotonic_s
        self.run(40.0)

    def run(self, seconds: float) -> None:
        """Let time pass in small parts, and look after each."""
        left_s = seconds
        while left_s > 0.0:
            self.world.run(min(left_s, 2.0))
            left_s -= 2.0
            self.look()

    def is_kept(self) -> bool:
        """Whether the journal has what it was given last."""
        return self.world.engine.state.unkept_id in self.world.kept_ids | {None}

    def look(self) -> None:
        """Nothing has had power for long that is forbidden to."""
        world, state = self.world, self.world.engine.state
        if world.unreachable or world.mishaps or world.late or any(one.stuck for one in world.ports.values()):
            self.quiet_s = world.monotonic_s
        for port_id, port in state.ports.items():
            if port.verdict.power or not world.ports[port_id].power:
                self.forbidden_since[port_id] = world.monotonic_s
            since_s = max(self.forbidden_since.get(port_id, world.monotonic_s), self.quiet_s)
            assert world.monotonic_s - since_s <= BOUND_S, f"{port_id}: {port.verdict.reason}"

    @rule(seconds=st.sampled_from([0.0, 1.0, 3.0, 10.0, 40.0]))
    def time_passes(self, seconds: float) -> None:
        """Nothing else happens."""
        self.run(seconds)

    @rule(place=st.sampled_from(TARGETS), who=st.sampled_from(["Ann", "Bob"]), on=st.booleans())
    def hold(self, place: str, who: str, on: bool) -> None:
        """Somebody holds, or releases: exactly that hold comes or goes."""
        known = place != "arch" or "arch" in self.world.engine.state.plan.props  # type: ignore[union-attr]
        known = known and ("/" not in place or place in self.world.engine.state.ports)
        answer = self.world.ask(Verb.HOLD if on else Verb.RELEASE, place, who)
        assert answer.accepted is (known and (on or (place, who) in self.holds))
        if answer.accepted:
            (self.holds.add if on else self.holds.discard)((place, who))

    @rule(on=st.booleans())
    def weather_hold(self, on: bool) -> None:
        """The weather hold comes or goes."""
        assert self.world.ask(Verb.WEATHER_HOLD, "", "true" if on else "false").accepted
        self.weather = on

    @rule(port=st.sampled_from(PORTS), mode=st.sampled_from(["on", "off", "auto"]))
    def by_hand(self, port: str, mode: str) -> None:
        """A person decides."""
        self.world.ask(Verb.MODE, port, mode)

    @rule(
        port=st.sampled_from(PORTS),
        what=st.sampled_from(["reset", "acknowledge", "shelve"]),
        code=st.sampled_from(CODES),
    )
    def deal_with(self, port: str, what: str, code: str) -> None:
        """A person deals with a fault."""
        verb = Verb(what)
        self.world.ask(verb, port, {"reset": "", "acknowledge": code, "shelve": f"{code} PT1M"}[what])

    @rule(argument=st.sampled_from(["evening", "end"]))
    def show(self, argument: str) -> None:
        """A show is started or ended by hand."""
        self.world.ask(Verb.START_SHOW, "", argument)

    @rule(port=st.sampled_from(PORTS), kind=st.sampled_from(["flag", "fall", "flap", "closes", "box"]))
    def fuse(self, port: str, kind: str) -> None:
        """A fuse opens, with a flag or without, flaps, or closes; or somebody switches at the box."""
        fake = self.world.ports[PortId(port)]
        if kind == "flag" and fake.power:
            self.world.trip(port)
        elif kind == "fall":
            fake.power = False
        elif kind == "flap":
            fake.tripped = not fake.tripped
        elif kind == "closes":
            fake.tripped, fake.power = False, fake.power or fake.tripped
        elif kind == "box":
            fake.power = not fake.power

    @rule(port=st.sampled_from(PORTS), current_a=st.sampled_from([0.0, 0.1, 0.226, 2.0, 5.0, 1500.0]))
    def load(self, port: str, current_a: float) -> None:
        """A string is unplugged, darkened, lit, overloaded; or its unit is wrong."""
        self.world.ports[PortId(port)].current_a = current_a

    @rule(port=st.sampled_from(PORTS), stuck=st.sampled_from([None, None, True, False]))
    def contact(self, port: str, stuck: bool | None) -> None:
        """A contact welds, breaks, or is mended."""
        self.world.ports[PortId(port)].stuck = stuck

    @rule(mishap=st.sampled_from(list(Mishap)), times=st.integers(1, 3))
    def mishap(self, mishap: Mishap, times: int) -> None:
        """The next commands go astray."""
        self.world.mishaps = [mishap] * times

    @rule(controller=st.sampled_from(["c1", "c2"]), away=st.booleans())
    def network(self, controller: str, away: bool) -> None:
        """A controller is lost or back."""
        (self.world.unreachable.add if away else self.world.unreachable.discard)(controller)

    @rule(ok=st.booleans())
    def disk(self, ok: bool) -> None:
        """The journal can be written, or not."""
        self.world.persist_ok = ok

    @rule(minutes=st.sampled_from([-90, -5, 5, 90, 240]))
    def clock(self, minutes: int) -> None:
        """The wall clock steps."""
        day = datetime(2025, 12, 1, tzinfo=self.world.utc.tzinfo)
        if timedelta() < self.world.utc + timedelta(minutes=minutes) - day < timedelta(days=1):
            self.world.utc += timedelta(minutes=minutes)

    @rule(number=st.integers(0, len(PLANS) - 1))
    def reload(self, number: int) -> None:
        """Another plan; the world's controllers go on answering for all ports there ever were."""
        plan = PLANS[number]
        for port in plan.ports:
            self.world.ports.setdefault(port, FakePort())
        self.world.step([Configured(plan)])

    @precondition(lambda self: self.is_kept())
    @rule(rebooted=st.booleans())
    def crash(self, rebooted: bool) -> None:
        """Killed, and started again with what the journal has."""
        before = self.world
        plan = before.engine.state.plan
        assert plan is not None
        after = Watched(plan, utc=before.utc, monotonic_s=before.monotonic_s, poll_s=before.poll_s)
        after.ports, after.unreachable, after.kept = before.ports, before.unreachable, before.kept
        after.step([Configured(plan), Restored(before.kept, Origin.JOURNAL, rebooted=rebooted)])
        self.world = after
        self.forbidden_since = {}
        self.quiet_s = after.monotonic_s

    @invariant()
    def holds_are_those_that_were_answered(self) -> None:
        """No hold is lost, none comes of itself; so also in the journal, once it is written."""
        state = self.world.engine.state
        here = {
            ("" if hold.target.kind is TargetKind.SITE else hold.target.id, hold.holder)
            for hold in state.holds
        }
        assert here == self.holds
        assert state.weather_hold is self.weather
        if self.is_kept():
            assert self.world.kept.holds == state.holds

    @invariant()
    def alerts_are_the_alarms_that_show(self) -> None:
        """What is shown has its alert, and nothing else has one; what is hidden follows from what stands."""
        state = self.world.engine.state
        for part in (state, *state.controllers.values(), *state.ports.values()):
            chattering = {condition for condition, chatter in part.chatters.items() if chatter.on}
            shown = {
                c.value for c, alarm in part.alarms.items() if alarms.is_shown(alarm) and c not in chattering
            }
            told = {
                code
                for target, code in self.world.alerts
                if target == part.target.id and Condition(code) not in chattering
            }
            assert told == shown, (part.target, told, shown)
            standing = {c for c, alarm in part.alarms.items() if alarms.stands(alarm)}
            hidden = {c for c, alarm in part.alarms.items() if alarm.suppressed}
            may_hide = suppressed_by(standing)
            if part in state.ports.values():
                box = state.controllers[controller_of(PortId(part.target.id))]
                no_data = box.alarms.get(Condition.NO_DATA)
                if no_data is not None and no_data.active:
                    may_hide |= suppressed_by({Condition.NO_DATA})
            assert hidden <= may_hide, (part.target, hidden)

    @invariant()
    def a_latched_trip_is_told(self) -> None:
        """While a port waits for a reset or a shot, its alert stands; shots never exceed the plan's."""
        state = self.world.engine.state
        for port_id, port in state.ports.items():
            if port.reclose.tripped:
                told = {code for target, code in self.world.alerts if target == port_id}
                assert told & {"fuse-trip", "lockout"}, (port_id, port.reclose)
            assert port.reclose.shots <= len(SHOTS.dead_times_s)

    @invariant()
    def only_what_a_coming_plan_drops_is_leaving(self) -> None:
        """No port is kept dark for a plan that is in force already, or that nobody wants any more."""
        state = self.world.engine.state
        coming = state.successor
        for port_id, port in state.ports.items():
            assert port.leaving is (coming is not None and port_id not in coming.ports)

    @invariant()
    def the_reason_is_that_of_the_verdict(self) -> None:
        """What is said about a port's power is what was decided, or for what it waits."""
        for port_id, port in self.world.engine.state.ports.items():
            reason = str(self.world.told(port_id, "reason"))
            waits = bool(port.withheld) or (
                "journal" in reason and Condition.JOURNAL_FAULT in self.world.engine.state.alarms
            )
            assert reason.startswith("On") is (port.verdict.power and not waits), (port_id, reason)


TestSite = Site.TestCase
TestSite.settings = settings(
    max_examples=40,
    stateful_step_count=30,
    phases=[Phase.generate],
    deadline=None,
    suppress_health_check=list(HealthCheck),
)
