"""The preview is the engine itself: what it says comes true, to the instant, when the site is run."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from types import MappingProxyType

from world import PLACE, World, clock_window, site_plan

from rules.outlook.folding import fold
from rules.outlook.preview import preview
from rules.outlook.preview_days import clock_changes, days, port_sums, shared, total
from rules.plan import ShowPlan, SitePlan, SupplyPlan
from rules.ports import PortId
from rules.power.staging import lead_s
from rules.shows.calendar import Anchor, Ics, Moment, Place, Window

MIDNIGHT = datetime(2025, 12, 1, tzinfo=UTC)
DAY = timedelta(days=1)


def evenings(plan: SitePlan) -> SitePlan:
    """Two shows that overlap, and a port that rests powered."""
    ports = tuple(plan.ports)
    shows = (
        ShowPlan("early", "Early", (clock_window("17:00", "18:30"),), ports[:3], 20.0, 5.0),
        ShowPlan("late", "Late", (clock_window("18:00", "23:30"),), ports[2:5], 0.0, 10.0),
    )
    resting = MappingProxyType({**plan.ports, ports[-1]: replace(plan.ports[ports[-1]], resting=True)})
    return replace(plan, shows=shows, ports=resting)


def test_on_and_off_are_those_of_lead_and_run_on() -> None:
    """Power comes by staging and warm-up before the start and goes after the run-on.

    By hand: 4 ports, 4 at once, no staging; 18:00 less 30 s warm-up; 22:00 and 10 s run-on.
    """
    found = preview(site_plan(), {}, MIDNIGHT, MIDNIGHT + DAY)
    (fate,) = found.fates
    assert len(fate.ports) == 4
    on, off = (
        MIDNIGHT + timedelta(hours=17, minutes=59, seconds=30),
        MIDNIGHT + timedelta(hours=22, seconds=10),
    )
    assert fate.powered(found.end_utc) == [(on, off)]
    assert fate.at(on).reason == "On: warming up for Evening."
    assert fate.at(on + timedelta(minutes=1)).reason == "On for Evening until 22:00."
    assert not fate.at(off).power
    (run,) = found.runs
    assert run == ("evening", on, MIDNIGHT + timedelta(hours=18), MIDNIGHT + timedelta(hours=22), off)


def test_a_show_over_the_start_is_seen_as_it_is() -> None:
    """A preview that begins in the middle of a show begins with its ports on, since the start."""
    start = MIDNIGHT + timedelta(hours=20)
    found = preview(site_plan(), {}, start, start + DAY)
    assert found.fates[0].powered(found.end_utc)[0] == (start, MIDNIGHT + timedelta(hours=22, seconds=10))


def test_preview_and_run_agree() -> None:
    """Two days of overlapping shows: a driven site switches what the preview said, when it said it.

    The driven controllers are polled every second and take 50 ms to answer; the preview's answer at once.
    """
    supply = SupplyPlan("shed", 12.0, 200.0, at_once=2, gap_s=2.0)
    plan = evenings(site_plan(ports=6, supplies=MappingProxyType({"shed": supply})))
    world = World(plan, utc=MIDNIGHT - timedelta(minutes=1))
    world.start()
    world.run_until(MIDNIGHT + 2 * DAY)
    found = preview(plan, {}, MIDNIGHT, MIDNIGHT + 2 * DAY)
    fates = found.fate_of()
    for port in plan.ports:
        said = [
            (change.at_utc, change.power)
            for before, change in zip(fates[port].changes, fates[port].changes[1:], strict=False)
            if before.power is not change.power
        ]
        done = [(at, power) for at, of, power in world.switches if of == port and at >= MIDNIGHT]
        assert [power for _, power in said] == [power for _, power in done]
        for (said_at, _), (done_at, _) in zip(said, done, strict=True):
            assert abs((said_at - done_at).total_seconds()) < 0.001


def test_folding_is_exact() -> None:
    """Ports worked once for many are switched as each of them would be, over supplies alike and unlike."""
    supplies = {name: SupplyPlan(name, 12.0, 200.0, at_once=4, gap_s=1.0) for name in ("a", "b", "c")}
    plan = site_plan(ports=8, controllers=4, supplies=MappingProxyType(supplies))
    of = {"c1": "a", "c2": "b", "c3": "c", "c4": None}
    ports = {
        port_id: replace(port, supply=of[port_id.split("/")[0]], resting=port_id == "c3/5")
        for port_id, port in plan.ports.items()
    }
    shows = (replace(plan.shows[0], needs=tuple(port for port in ports if port not in ("c1/8", "c2/8"))),)
    plan = replace(plan, ports=MappingProxyType(ports), shows=shows)
    folded = fold(plan)
    assert len(folded.plan.ports) < len(plan.ports)
    assert sorted(port for ports in folded.stands_for.values() for port in ports) == sorted(plan.ports)
    assert lead_s(folded.plan, folded.plan.shows[0]) == lead_s(plan, plan.shows[0])
    whole = preview(plan, {}, MIDNIGHT, MIDNIGHT + DAY).fate_of()
    for port_id in plan.ports:
        alone = preview(_all_apart(plan), {}, MIDNIGHT, MIDNIGHT + DAY).fate_of()[port_id]
        assert whole[port_id].changes == alone.changes


def _all_apart(plan: SitePlan) -> SitePlan:
    """The plan with ports that are all different, so that none can stand for another."""
    ports = {
        port_id: replace(port, expected_a=1.0 + place / 1000)
        for place, (port_id, port) in enumerate(plan.ports.items())
    }
    return replace(plan, ports=MappingProxyType(ports))


def test_a_coarse_preview_differs_by_staging_only() -> None:
    """Neighbours worked once come on when the first of them does; the next ones wait for all of them."""
    supply = SupplyPlan("shed", 12.0, 200.0, at_once=2, gap_s=1.0)
    plan = evenings(site_plan(ports=11, supplies=MappingProxyType({"shed": supply})))
    exact = preview(plan, {}, MIDNIGHT, MIDNIGHT + DAY, coarse=False).fate_of()
    coarse = preview(plan, {}, MIDNIGHT, MIDNIGHT + DAY, coarse=True)
    assert coarse.coarse
    for port, fate in coarse.fate_of().items():
        for (said, until), (true, true_until) in zip(
            fate.powered(coarse.end_utc), exact[port].powered(coarse.end_utc), strict=True
        ):
            assert timedelta() <= true - said <= timedelta(seconds=6)
            assert until == true_until


def test_shows_that_need_the_same_ports_are_told() -> None:
    """Where two shows overlap, the shared ports are named from the later lead to the earlier run-on."""
    plan = evenings(site_plan(ports=6))
    (both,) = shared(preview(plan, {}, MIDNIGHT, MIDNIGHT + DAY))
    assert both.shows == ("early", "late")
    assert both.ports == (PortId("c1/3"),)
    assert both.start_utc == MIDNIGHT + timedelta(hours=18)
    assert both.end_utc == MIDNIGHT + timedelta(hours=18, minutes=30, seconds=5)


def test_a_supply_over_budget_is_told_and_withheld_ports_stay_off() -> None:
    """Over 80 % of its rating (NEC 210.20(A)) a supply is told; where it withholds, ports stay off.

    By hand: 4 ports of 2 A are 8 A; 80 % of 8 A is 6.4 A, so three come on and the fourth does not.
    """
    for withhold in (False, True):
        supply = SupplyPlan("shed", 12.0, 8.0, withhold=withhold)
        plan = site_plan(supplies=MappingProxyType({"shed": supply}))
        found = preview(plan, {}, MIDNIGHT, MIDNIGHT + DAY)
        assert [one.supply for one in found.over_budget][:1] == ["shed"]
        at = found.start_utc + timedelta(hours=19)
        on = [port for port, fate in found.fate_of().items() if fate.at(at).power]
        assert len(on) == (3 if withhold else 4)


def test_clock_changes_are_marked() -> None:
    """Clocks of Dublin went back on 26 October 2025 and forward on 29 March 2026, both at 01:00 UTC.

    Source: IANA time zone database (EU rule: last Sunday of October and March, 01:00 UTC).
    """
    start = datetime(2025, 10, 1, tzinfo=UTC)
    found = list(clock_changes(site_plan(), start, start + 200 * DAY))
    assert [at for at, _ in found] == [
        datetime(2025, 10, 26, 1, tzinfo=UTC),
        datetime(2026, 3, 29, 1, tzinfo=UTC),
    ]
    assert [words for _, words in found] == [
        "Clocks go back 60 min at 02:00.",
        "Clocks go forward 60 min at 01:00.",
    ]


def test_days_are_local_days_and_hours_and_energy_add_up() -> None:
    """Every hour with power is counted on one day; energy is expected current x voltage / efficiency.

    By hand: 4 ports x (4 h + 40 s) a day; 2 A at 12 V and 85 % are 28.24 W each.
    """
    summer = datetime(2025, 6, 30, 23, tzinfo=UTC)  # midnight of 1 July in Dublin
    found = preview(site_plan(), {}, summer, summer + 3 * DAY)
    all_days = days(found)
    assert [day.date.isoformat() for day in all_days] == ["2025-07-01", "2025-07-02", "2025-07-03"]
    hours = 4 * (4 + 40 / 3600)
    for day in all_days:
        assert abs(day.port_hours_h - hours) < 1e-6
        assert abs(day.energy.most_wh - hours * 2 * 12 / 0.85) < 1e-3
    summed, energy, unknown = total(port_sums(found))
    assert abs(summed - 3 * hours) < 1e-6
    assert abs(energy.most_wh - sum(day.energy.most_wh for day in all_days)) < 1e-6
    assert unknown == 0


def test_a_port_without_a_supply_loses_energy_on_the_way_from_the_wall_too() -> None:
    """At the wall is reckoned as in the report: by a usual efficiency, 85 %, where no supply is named."""
    plan = site_plan(1)
    ports = {key: replace(port, supply=None, chip="ws2811-12v") for key, port in plan.ports.items()}
    (one,) = port_sums(
        preview(replace(plan, ports=MappingProxyType(ports)), {}, MIDNIGHT, MIDNIGHT + DAY)
    ).values()
    assert one.energy is not None
    assert abs(one.energy.most_wh - one.hours_h * 2 * 12 / 0.85) < 1e-3


def test_a_run_of_several_days_is_on_each_of_them() -> None:
    """What is on for days is one run; every day says that it goes on, and the reason on which day it ends."""
    always = replace(
        site_plan(), shows=(ShowPlan("all", "All day", (clock_window("18:00", "18:00"),), (PortId("c1/1"),)),)
    )
    found = preview(always, {}, MIDNIGHT, MIDNIGHT + 5 * DAY)
    assert len(found.runs) == 1
    assert [len(day.runs) + len(day.going_on) for day in days(found)] == [1] * 5
    fair = (
        b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:x\r\nBEGIN:VEVENT\r\nUID:1\r\nDTSTAMP:20251101T100000Z\r\n"
    )
    fair += b"DTSTART:20251202T160000Z\r\nDTEND:20251204T210000Z\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
    long = replace(site_plan(), shows=(ShowPlan("fair", "Fair", (Ics("fair.ics"),), (PortId("c1/1"),)),))
    found = preview(long, {"fair.ics": fair}, MIDNIGHT, MIDNIGHT + 5 * DAY)
    assert [(len(day.runs), len(day.going_on)) for day in days(found)] == [
        (0, 0),
        (1, 0),
        (0, 1),
        (0, 1),
        (0, 0),
    ]
    middle = found.fate_of()[PortId("c1/1")].at(MIDNIGHT + 2.5 * DAY)
    assert middle.reason == "On for Fair until Thu 04 Dec 21:00."


def test_a_night_without_sunset_is_noted() -> None:
    """At 69.65 degrees north the sun does not set on midsummer's day, and the day says so."""
    window = Window(Moment(Anchor.SUNSET), Moment(Anchor.CLOCK, time(23, 30)))
    plan = replace(site_plan(), place=Place("Europe/Oslo", 69.65, 18.96))
    plan = replace(plan, shows=(replace(plan.shows[0], when=(window,)),))
    start = datetime(2025, 6, 20, 22, tzinfo=UTC)
    (day,) = days(preview(plan, {}, start, start + DAY))
    assert not day.runs
    assert any("the sun does not set" in note for note in day.notes)
    assert PLACE.latitude_deg < 66


def test_a_calendar_that_can_not_be_read_is_a_problem() -> None:
    """The preview goes on without it, and says so."""
    found = preview(
        site_plan(), {"open.ics": b"no calendar", "other.ics": "no such file"}, MIDNIGHT, MIDNIGHT + DAY
    )
    assert any("other.ics" in problem for problem in found.problems)
    assert any("open.ics" in problem for problem in found.problems)
