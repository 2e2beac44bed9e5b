"""What the rules say, on its way to the broker: nothing is said before it is known that the tree is ours.

Until the first connect, the link is silent and remembers. Then the broker is asked what it has of this site:
a foreign tree under our ids is refused, description versions go on above the ones it holds, and the link says
its retained set in the order of the convention, as on every later connect; ghosts of devices that left the
configuration are taken away.
"""

import asyncio
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from itertools import chain

import structlog

from bridge.mqtt import homie_lifecycle as lifecycle
from bridge.mqtt.announcer import Announcer
from bridge.mqtt.homie import Refusal, Tree
from bridge.mqtt.homie_values import HomieError
from bridge.mqtt.link import Link
from bridge.mqtt.publication import Publication
from rules.door import Asked, Effect, Presence
from rules.plan import SitePlan
from rules.ports import Target, TargetKind

_log = structlog.get_logger()


class Outlet:
    """The Homie tree of one site on one link.

    floor: gives the least version of a description (seconds of the wall clock); announcer: tells dashboards
    where to find what is said here.
    """

    def __init__(
        self, tree: Tree, link: Link, floor: Callable[[], int], announcer: Announcer | None = None
    ) -> None:
        self.tree = tree
        self._announcer = announcer
        self._link = link
        self._floor = floor
        self._passing: dict[str, Publication] | None = {}
        """What is not retained and waits for the outlet to open, the newest of each topic."""
        self._present: dict[str, bool] = {}
        self._left: set[str] = set()
        """Devices that were taken away while this process runs."""
        self._refused: Counter[str] = Counter()
        link.hush()
        self.refused_foreign = ""
        """Why nothing is said: somebody else's tree under our ids."""

    @property
    def opened(self) -> bool:
        """Whether the broker was asked and things are said."""
        return self._passing is None

    # ------------------------------------------------------------ out

    def say(self, effect: Effect) -> None:
        """Say an effect, or hold it until the outlet is open."""
        if isinstance(effect, Presence):
            self._present[effect.controller] = effect.present
        self._send(self.tree.publications(effect))

    def _send(self, publications: Iterable[Publication]) -> None:
        for one in publications:
            if one.retain or self._passing is None:
                self._link.publish(*one)
            else:
                self._passing[one.topic] = one

    # ------------------------------------------------------------ opening

    @property
    def surveys(self) -> list[list[str]]:
        """What to ask the broker for before anything is said, one after the other.

        A common broker hands out a thousand messages at a time at most, and lets go the others: what is few
        and matters most must not come behind what is much.
        """
        base = self.tree.base
        costs = [f"{base}/{self.tree.root}/site/{prop}" for prop in ("cost", "saved-cost")]
        asked = [
            [self.tree.state_topic, *costs, f"{base}/+/$alert/+"],
            [f"{base}/+/$description"],
            [f"{base}/+/port/energy"],
        ]
        return [*asked, self._announcer.survey_filters(self.tree)] if self._announcer is not None else asked

    def energy_topic(self, port: str) -> str | None:
        """The topic of a port's energy counter, None for a port that has none."""
        try:
            return self.tree.topic(Target(TargetKind.PORT, port), "energy")
        except HomieError:
            return None

    def ghost_filters(self, found: Mapping[str, bytes]) -> list[str]:
        """What to ask for besides, to take away devices that are in the plan no more."""
        gone = lifecycle.ghosts(self.tree, lifecycle.read_descriptions(self.tree, found))
        return [f"{self.tree.base}/{device}/#" for device in gone]

    def open(self, found: Mapping[str, bytes]) -> None:
        """Say everything; `found` is what the broker holds retained under the filters.

        Raises HomieError, and says nothing, when ids of ours are somebody else's.
        """
        passing, tree = self._passing, self.tree
        if passing is None:
            return
        before = lifecycle.read_descriptions(tree, found)
        try:
            lifecycle.refuse_foreign(tree, before)
        except HomieError as error:
            self.refused_foreign = str(error)
            raise
        self.refused_foreign = ""
        descriptions = tree.descriptions(before, floor=self._floor())
        # All of it is said on a first connect: what the broker holds may have been another run's last word.
        self._send(lifecycle.described(tree, descriptions))
        self._send(self._states())
        gone = lifecycle.ghosts(tree, before)
        changes: Iterable[Publication] = chain(
            lifecycle.outlived(tree, descriptions, before),
            lifecycle.removal(tree, gone, before, found),
            lifecycle.stale_alerts(tree, found, self._link.retained),
            self._announcer.open(tree, found, gone) if self._announcer is not None else (),
        )
        removals = []
        for one in changes:
            if one.payload:
                self._link.publish(*one)
            else:
                removals.append(one)
        self._passing = None
        self._link.speak([*removals, *passing.values()])

    @property
    def sweep_filters(self) -> list[str]:
        """What to ask a broker for that comes back: what it may remember though it was taken away."""
        base = self.tree.base
        documents = self._announcer.topics(self._left) if self._announcer is not None else []
        return [f"{base}/+/$alert/+", *(f"{base}/{device}/#" for device in self._left), *documents]

    def sweep(self, found: Mapping[str, bytes]) -> None:
        """Take away again what the broker remembers: it may not have written its last minutes to disk."""
        tree = self.tree
        removals = chain(
            lifecycle.stale_alerts(tree, found, self._link.retained),
            lifecycle.removal(tree, self._left, {}, found),
            self._announcer.remove(self._left) if self._announcer is not None else (),
        )
        self._send(one for one in removals if one.topic in found)

    def _states(self, only: set[str] | None = None) -> list[Publication]:
        """Every device's state as it is known, children first."""
        states = []
        for device in reversed(self.tree.devices.values()):
            if only is not None and device.id not in only and device.id != self.tree.root:
                continue
            target: Target = device.target
            known: bool | None = True
            if target.kind in (TargetKind.CONTROLLER, TargetKind.PORT):
                known = self._present.get(target.id.partition("/")[0])
            state = "init" if known is None else "ready" if known else "lost"
            states.append(self.tree.state(device.id, state))
        return states

    # ------------------------------------------------------------ a new plan

    def replan(self, plan: SitePlan, tree: Tree) -> None:
        """Change the structure: children before parents, then what is gone.

        What changed is `ready`, the root last, at the end of this turn of the loop: then its values are said.
        """
        old, self.tree = self.tree, tree
        if self._passing is not None:
            for topic in [topic for topic in self._link.retained if not tree.has(topic)]:
                del self._link.retained[topic]
            return
        # What was said is what the link would say again; thousands of descriptions are not kept twice.
        before = lifecycle.read_descriptions(old, self._link.retained)
        descriptions = tree.descriptions(before, floor=self._floor())
        changed = {device for device in tree.devices if before.get(device) != descriptions[device]}
        outlived = lifecycle.outlived(tree, descriptions, before)
        self._send(lifecycle.announce(tree, descriptions, before))
        self._send(outlived)
        gone = [device for device in old.devices if device not in tree.devices]
        self._left = self._left.union(gone).difference(tree.devices)
        self._present = {key: there for key, there in self._present.items() if key in plan.controllers}
        self._send(lifecycle.removal(tree, gone, before, list(self._link.retained)))
        if changed:
            asyncio.get_running_loop().call_soon(lambda: self._send(self._states(changed)))
        if self._announcer is not None:
            self._send(self._announcer.replan(tree))
        _log.info("outlet.replanned", site=plan.id, changed=len(changed), gone=len(gone))

    # ------------------------------------------------------------ in

    def command(self, topic: str, payload: bytes, retained: bool, request: int) -> Asked | None:
        """What a message asks for; what can't be is refused, answered, counted, and logged once a topic."""
        command = self.tree.command(topic, payload, retained, request)
        if isinstance(command, Refusal):
            self.refuse(command)
            return None
        return command

    def refuse(self, refusal: Refusal) -> None:
        """Answer a refusal on its device; log the first of a topic, and every hundredth."""
        self._refused[refusal.topic] += 1
        count = self._refused[refusal.topic]
        if count == 1 or count % 100 == 0:
            _log.warning("request.refused", topic=refusal.topic, reason=refusal.text, count=count)
        if len(self._refused) > 10_000:
            self._refused.clear()
        self._send([self.tree.refusal(refusal)])

    def taken(self, asked: Asked) -> None:
        """Log a request that goes to the rules; they say its `$target` if they accept it."""
        _log.info("request.taken", target=asked.target.id, verb=asked.verb.value, argument=asked.argument)
