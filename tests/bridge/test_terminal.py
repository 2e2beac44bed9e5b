"""The terminal view: names people use, and the newest of what happened always in sight."""

import io

from homie_site import plan, port, site
from rich.console import Console

from bridge.commands.terminal import target_name, view
from rules.ports import Target, TargetKind

NEWS = [f"{minute:02d} something happened" for minute in range(20)]


def shown(height=None, lines=NEWS):
    """The view of two controllers of two ports each, line by line; `height`: of the terminal."""
    console = Console(width=80, file=io.StringIO())
    told = {port(): {"power": True, "current": 0.5, "reason": "On for Tea."}, site(): {"show": "Tea"}}
    of = plan(controllers=("gable", "hedge"))
    console.print(view(of, told, title="Lane", lines=lines, height=height))
    return console.file.getvalue().splitlines()


def test_controllers_and_ports_are_called_by_their_names():
    """Each port has its name, and stands below the name of its controller."""
    lines = shown()
    assert [line.split() for line in lines if line.startswith(("gable ", "hedge "))] == [
        ["gable", "Gable"],
        ["hedge", "Hedge"],
    ]
    (first,) = [line for line in lines if line.startswith("gable/1")]
    assert first.split()[1:5] == ["Arch", "gable/1", "on", "0.50"]
    assert lines.index(first) > next(n for n, line in enumerate(lines) if "Gable" in line)


LONG = "Off: held by Ann, until the ladder is back in the shed and everybody is down from the roof."


def test_nothing_that_status_says_is_cut():
    """Without a height to fit into, the whole reason and the whole alert can be read at 80 columns."""
    console = Console(width=80, file=io.StringIO(), markup=False)
    told = {port(): {"power": False, "reason": LONG}, site(): {"show": "Tea", "ports-on": 1}}
    console.print(view(plan(), told, title="Lane", lines=[f"Alert. {LONG}"]))
    text = console.file.getvalue()
    assert "…" not in text
    lines = text.splitlines()
    alert = next(n for n, line in enumerate(lines) if line.startswith("Alert."))
    assert " ".join(line.strip() for line in lines[alert:]) == f"Alert. {LONG}"
    row = next(n for n, line in enumerate(lines) if line.startswith("gable/1"))
    column = lines[row].index("Off:")
    below = next(n for n, line in enumerate(lines) if line.startswith("gable/2"))
    assert " ".join(line[column:].strip() for line in lines[row:below]) == LONG


def test_one_port_is_one_port():
    """One of a thing is told in the singular."""
    console = Console(width=80, file=io.StringIO())
    console.print(view(plan(), {site(): {"show": "Tea", "ports-on": 1}}, title="Lane", lines=[]))
    assert "Tea · 1 port on · no fault" in console.file.getvalue()


def test_the_newest_news_are_in_sight_whatever_the_height():
    """A low terminal shows fewer news and no names of controllers, and always the newest three."""
    for height in range(13, 40):
        lines = shown(height)
        assert len(lines) < height
        assert [line.strip() for line in lines[-3:]] == NEWS[-3:]
    assert not any("Gable" in line for line in shown(14))
    assert sum("something" in line for line in shown(39)) == 8
    assert sum("something" in line for line in shown()) == 20
    assert len(shown(30, lines=[])) < 30


def test_a_target_is_called_by_its_name():
    """Port, controller, prop and site are called as people call them."""
    of = plan()
    named = {
        TargetKind.PORT: "gable/2",
        TargetKind.CONTROLLER: "gable",
        TargetKind.PROP: "arches",
        TargetKind.SITE: "lane",
    }
    found = [target_name(of, Target(kind, name)) for kind, name in named.items()]
    assert found == ["Arch gable/2", "Gable", "Arches", "Quarry Lane"]
