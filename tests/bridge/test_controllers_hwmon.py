"""Kernel files: units, binding to the chip and not to its number, and files that fail, vanish or block.

Known mishaps of these files (where they were met), each with its test:

- hwmon numbers change between boots (lm-sensors 227): test_bound_to_the_chip_whatever_its_number
- two chips share a name (Waybar 622): test_a_name_two_chips_share_is_no_guess
- units differ by file kind, in0 is the shunt (the kernel's sysfs-interface.rst, ina2xx.rst):
  test_units_of_the_kernel
- 1500 mA taken for 1500 A: test_milliamperes_taken_for_amperes_are_implausible
- EAGAIN, ENODATA, EIO, a good file and one that blocks (lm-sensors 387, telegraf 19067):
  test_five_files_that_fail_in_five_ways
- each error in the kernel's words: test_errors_of_the_kernel_in_its_own_words
- a blocking read costs one thread and delays nobody (openbmc 2038): test_blocked_files_cost_one_thread_each
"""

import asyncio
import errno
import os
import threading

import pytest
from controller_faces import PACE, Tree, controller_of, reach_of, release
from pydantic import ValidationError
from support import run_async, until

from bridge.commands.checking_live import judge
from bridge.controllers.base import MappingMismatchError, UnreachableError
from bridge.controllers.files import BlockedError, FileReader, read_small
from rules.door import Outcome
from rules.plan import PortPlan
from rules.ports import Abilities, PortId


def mapping(root, ports, **more):
    """A mapping of files below `root`."""
    return {"kind": "hwmon", "root": str(root), **PACE, "ports": ports, **more}


def read_once(spec, ports):
    """One read of a fresh controller."""

    async def once():
        controller = controller_of(spec, ports)
        try:
            return await controller.read()
        finally:
            await controller.close()

    return run_async(once())


def test_units_of_the_kernel(tmp_path):
    """Linux Documentation/hwmon/sysfs-interface.rst: currents in mA, voltages in mV, temperatures in m°C.

    On the ina2xx family (ina2xx.rst) in0 is the shunt voltage and in1 the bus voltage.
    """
    tree = Tree(tmp_path / "sys")
    values = {"curr1_input": "1500", "in0_input": "3", "in1_input": "12050", "temp1_input": "-500"}
    tree.chip(0, "i2c-1/1-0040", values)
    port = {
        "chip": {"device": "devices/i2c-1/1-0040"},
        "current": "curr1",
        "voltage": "in1",
        "temperature": "temp1",
    }
    (reading,) = read_once(mapping(tree.root, {1: port}), 1)
    assert reading.current_a == pytest.approx(1.5)
    assert reading.voltage_v == pytest.approx(12.05)
    assert reading.temperature_c == pytest.approx(-0.5)
    assert (reading.power, reading.tripped) == (None, None)


@pytest.mark.parametrize("numbers", [(0, 1), (1, 0)])
@pytest.mark.parametrize("by", ["device", "label"])
def test_bound_to_the_chip_whatever_its_number(tmp_path, numbers, by):
    """Two chips of one name keep their ports when the kernel numbers them the other way round."""
    tree = Tree(tmp_path / "sys")
    a, b = numbers
    tree.chip(a, "i2c-1/1-0040", {"curr1_input": "100", "label": "left"})
    tree.chip(b, "i2c-1/1-0041", {"curr1_input": "200", "label": "right"})
    chips = {
        "device": ({"device": "devices/i2c-1/1-0040"}, {"device": "devices/i2c-1/1-0041"}),
        "label": ({"label": "left"}, {"label": "right"}),
    }[by]
    ports = {n: {"chip": chip, "current": "curr1"} for n, chip in enumerate(chips, 1)}
    readings = read_once(mapping(tree.root, ports), 2)
    assert [r.current_a for r in readings] == [pytest.approx(0.1), pytest.approx(0.2)]


def test_a_name_two_chips_share_is_no_guess(tmp_path):
    """A name that fits two chips is an error that lists both devices; a name one chip has is enough."""
    tree = Tree(tmp_path / "sys")
    tree.chip(0, "i2c-1/1-0040", {"curr1_input": "100"})
    spec = mapping(tree.root, {1: {"chip": {"name": "ina226"}, "current": "curr1"}})
    assert read_once(spec, 1)[0].current_a == pytest.approx(0.1)
    tree.chip(1, "i2c-1/1-0041", {"curr1_input": "200"})
    with pytest.raises(MappingMismatchError, match=r"1-0040.* and .*1-0041"):
        read_once(spec, 1)


def test_one_failing_file_leaves_the_others(tmp_path):
    """A missing, an unreadable, an empty and a blocking file are silent; a good one beside them is read."""
    tree = Tree(tmp_path / "sys")
    folder = tree.chip(0, "i2c-1/1-0040", {f"curr{n}_input": str(n * 100) for n in range(1, 6)})
    (folder / "curr1_input").unlink()
    (folder / "curr2_input").unlink()
    (folder / "curr2_input").mkdir()  # reading a folder fails with EISDIR
    (folder / "curr3_input").write_text("")
    pipe = folder / "curr4_input"
    pipe.unlink()
    os.mkfifo(pipe)
    chip = {"device": "devices/i2c-1/1-0040"}
    spec = mapping(tree.root, {n: {"chip": chip, "current": f"curr{n}"} for n in range(1, 6)})

    async def check() -> None:
        controller = controller_of(spec, 5)
        events: list = []
        task = asyncio.create_task(controller.watch(events.extend))
        ticks = 0
        while len(events) < 6:
            await asyncio.sleep(0.005)  # the loop goes on while a file blocks
            ticks += 1
        assert ticks > 20
        assert {e.port for e in events if hasattr(e, "port")} == {"gable/5"}
        detail = events[0].detail
        for words in (
            "curr1_input: fault",
            "curr2_input: fault",
            "curr3_input: is no number",
            "curr4_input: blocks",
        ):
            assert words in detail
        blocked = [t for t in threading.enumerate() if t.name == "duskward files"]
        assert len(blocked) <= 2  # the one that blocks, and perhaps the one that reads now
        task.cancel()
        await asyncio.wait({task})
        release(pipe)
        await controller.close()

    run_async(check())


def test_errors_of_the_kernel_in_its_own_words(tmp_path):
    """EAGAIN keeps the last value until it is stale, ENODATA is "disabled", EIO and ENODEV are a fault."""
    from bridge.config.reach import HwmonReach
    from bridge.controllers.hwmon import HwmonController

    reach = reach_of(mapping(tmp_path, {1: {"chip": {"label": "x"}, "current": "curr1"}}, stale="5 s"))
    assert isinstance(reach, HwmonReach)
    controller = HwmonController("gable", reach, {1: Abilities()})

    def number(content, at_s):
        faults: dict[str, str] = {}
        return controller._number("curr1", content, 0.001, at_s, faults), faults.get("curr1")

    again, nodata = OSError(errno.EAGAIN, "again"), OSError(errno.ENODATA, "no data")
    assert number(again, 0.0) == (None, "busy for too long")
    assert number(b"1500\n", 10.0) == (1.5, None)
    assert number(again, 15.0) == (1.5, None)
    assert number(again, 15.1) == (None, "busy for too long")
    assert number(nodata, 15.2) == (None, "disabled")
    assert number(OSError(errno.EIO, os.strerror(errno.EIO)), 15.3) == (None, "fault (Input/output error)")
    for bad in (b"", b"\n", b"12.5", b"0x10", b"-", b"1" * 40, b"\xff", b"12 mA"):
        assert number(bad, 15.4) == (None, "is no number")


def test_a_chip_that_comes_back_under_another_number(tmp_path):
    """A chip that vanishes is silent; when it is back, numbered anew, its port has readings again."""
    tree = Tree(tmp_path / "sys")
    tree.chip(0, "i2c-1/1-0040", {"curr1_input": "100"})
    spec = mapping(tree.root, {1: {"chip": {"device": "devices/i2c-1/1-0040"}, "current": "curr1"}})

    async def check() -> None:
        controller = controller_of(spec, 1)
        assert len(await controller.read()) == 1
        (tree.root / "devices/i2c-1").rename(tmp_path / "gone")
        (tree.root / "class/hwmon/hwmon0").unlink()
        for _ in range(2):
            with pytest.raises(UnreachableError):
                await controller.read()
        tree.chip(3, "i2c-1/1-0040", {"curr1_input": "300"})
        assert (await controller.read())[0].current_a == pytest.approx(0.3)
        await controller.close()

    run_async(check())


def test_alarm_file_is_read_once_per_poll(tmp_path):
    """Some chips clear an alarm when it is read: a file two ports share is read once per poll."""
    reads: list[str] = []

    async def check() -> None:
        reader = FileReader(0.5)
        pipe = tmp_path / "alarm"
        os.mkfifo(pipe)

        def once() -> None:
            with pipe.open("w") as end:
                reads.append("1")
                end.write("1\n")

        writer = threading.Thread(target=once)
        writer.start()
        contents = await reader.read([str(pipe), str(pipe)])
        writer.join(5)
        assert contents == {str(pipe): b"1\n"}

    run_async(check())
    assert reads == ["1"]


def test_blocked_files_cost_one_thread_each(tmp_path):
    """However often it is polled, a file that blocks holds one thread; freed, it is read again."""
    pipes = [tmp_path / f"p{n}" for n in range(3)]
    for pipe in pipes:
        os.mkfifo(pipe)
    good = tmp_path / "good"
    good.write_text("7")

    async def check() -> None:
        reader = FileReader(0.05)
        before = threading.active_count()
        for _ in range(5):
            contents = await reader.read([*map(str, pipes), str(good)])
            assert contents[str(good)] == b"7"
            assert all(isinstance(contents[str(pipe)], BlockedError) for pipe in pipes)
        # The thread of the last round may be ending still.
        await until(lambda: threading.active_count() - before == 3)
        for pipe in pipes:
            release(pipe)
        await until(lambda: threading.active_count() == before)
        for pipe in pipes:
            pipe.unlink()
            pipe.write_text("8")
        assert set((await reader.read(map(str, pipes))).values()) == {b"8"}

    run_async(check())


def test_switch_spellings_and_refusals(tmp_path):
    """A switch file gets its own spelling; one that is missing or refuses is told as such."""
    tree = Tree(tmp_path / "sys")
    for name in ("a", "b"):
        tree.switch(name, "disabled")
    (tree.root / "devices/platform/b/state").unlink()
    (tree.root / "devices/platform/b/state").mkdir()
    ports = {
        n: {
            "power": {"file": f"devices/platform/{name}/state", "yes": ["enabled"], "no": ["disabled"]},
            "switch": {"file": f"devices/platform/{name}/state", "on": "enabled", "off": "disabled"},
        }
        for n, name in enumerate(("a", "b", "c"), 1)
    }

    async def check() -> None:
        controller = controller_of(mapping(tree.root, ports), 3)
        got = [(await controller.command(n, True))[0] for n in (1, 2, 3)]
        assert got == [Outcome.ACCEPTED, Outcome.REFUSED, Outcome.NOT_SENT]
        assert (tree.root / "devices/platform/a/state").read_text() == "enabled"
        assert [(r.port, r.power) for r in await controller.read()] == [("gable/1", True)]
        await controller.close()

    run_async(check())


def test_power_read_back_as_a_voltage(tmp_path):
    """Where the voltage is measured behind the switch, it tells whether power is there."""
    tree = Tree(tmp_path / "sys")
    tree.chip(0, "i2c-1/1-0040", {"in1_input": "11990", "in2_input": "40"})
    chip = {"device": "devices/i2c-1/1-0040"}
    ports = {n: {"chip": chip, "power": {"file": f"in{n}_input", "above": "2 V"}} for n in (1, 2)}
    assert [r.power for r in read_once(mapping(tree.root, ports), 2)] == [True, False]


@pytest.mark.parametrize(
    ("port", "words"),
    [
        ({"chip": {"device": "class/hwmon/hwmon3"}, "current": "curr1"}, "numbers change between boots"),
        ({"chip": {}, "current": "curr1"}, "name the chip in one way"),
        ({"chip": {"label": "a", "name": "b"}, "current": "curr1"}, "name the chip in one way"),
        ({"chip": {"label": "a"}, "current": "in1"}, "for example curr1"),
        ({"current": "curr1"}, "a sensor belongs to a chip"),
        ({"chip": {"label": "a"}}, "nothing is read of this port"),
        ({"power": "/etc/passwd"}, "below root"),
        ({"power": "devices/../../etc/passwd"}, "below root"),
        ({"power": "d/state", "switch": {"file": "d/state", "on": "1", "off": "1"}}, "spelled alike"),
    ],
)
def test_mistakes_say_what_would_be_right(tmp_path, port, words):
    """What can't be meant is refused when the file is read, with what would be right."""
    with pytest.raises(ValidationError) as refused:
        reach_of(mapping(tmp_path, {1: port}))
    assert words in str(refused.value)


def test_milliamperes_taken_for_amperes_are_implausible(tmp_path):
    """A factor of 1000 too much makes 1500 mA 1500 A: the live check names it, and proposes 1.5 A."""
    tree = Tree(tmp_path / "sys")
    tree.chip(0, "i2c-1/1-0040", {"curr1_input": "1500"})
    port = {"chip": {"device": "devices/i2c-1/1-0040"}, "current": "curr1", "current_factor": 1000.0}
    (reading,) = read_once(mapping(tree.root, {1: port}), 1)
    assert reading.current_a == pytest.approx(1500.0)
    plan = PortPlan(PortId("gable/1"), "Arch", rating_a=4.0, abilities=Abilities(readback=False, trip=False))
    (words,) = judge(plan, reading)
    assert "milliamperes taken for amperes" in words
    assert "1.500 A" in words


def test_five_files_that_fail_in_five_ways(tmp_path, monkeypatch):
    """EAGAIN keeps the last value, ENODATA is "disabled", EIO a fault; the good one is read at every poll.

    The fifth blocks: the event loop goes on meanwhile. EIO is the kernel's own (memory that is not mapped);
    EAGAIN and ENODATA, which no file of a test can give, are put in where the file is read.
    """
    tree = Tree(tmp_path / "sys")
    folder = tree.chip(0, "i2c-1/1-0040", {f"curr{n}_input": str(n * 100) for n in range(1, 6)})
    (folder / "curr3_input").unlink()
    (folder / "curr3_input").symlink_to("/proc/self/mem")
    failing: dict[str, OSError] = {"curr2_input": OSError(errno.ENODATA, os.strerror(errno.ENODATA))}

    def read(path: str) -> bytes:
        error = failing.get(path.rpartition("/")[2])
        if error is not None:
            raise error
        return read_small(path)

    monkeypatch.setattr("bridge.controllers.files.read_small", read)
    chip = {"device": "devices/i2c-1/1-0040"}
    spec = mapping(tree.root, {n: {"chip": chip, "current": f"curr{n}"} for n in range(1, 6)}, stale="400 ms")
    pipe = folder / "curr5_input"

    async def check() -> None:
        controller = controller_of(spec, 5)
        try:
            first = {one.port: one.current_a for one in await controller.read()}
            assert first == {
                "gable/1": pytest.approx(0.1), "gable/4": pytest.approx(0.4), "gable/5": pytest.approx(0.5)
            }  # fmt: skip
            failing["curr1_input"] = OSError(errno.EAGAIN, os.strerror(errno.EAGAIN))
            busy = {one.port: one.current_a for one in await controller.read()}
            assert busy["gable/1"] == pytest.approx(0.1)
            pipe.unlink()
            os.mkfifo(pipe)
            ticks = 0

            async def beat() -> None:
                nonlocal ticks
                while True:
                    await asyncio.sleep(0.005)
                    ticks += 1

            beating = asyncio.create_task(beat())
            await asyncio.sleep(0.45)  # what was said last is stale by now
            before = ticks
            last = {one.port: one.current_a for one in await controller.read()}
            assert ticks > before + 10
            beating.cancel()
            await asyncio.wait({beating})
            assert last == {"gable/4": pytest.approx(0.4)}
            for words in ("curr1_input: busy for too long", "curr2_input: disabled", "curr3_input: fault (",
                          "curr5_input: blocks"):  # fmt: skip
                assert words in controller._detail
        finally:
            if pipe.is_fifo():
                release(pipe)
            await controller.close()

    run_async(check())


def test_a_missing_chip_does_not_break_commands_given_together(tmp_path):
    """Ports whose chip is there take commands given at once, while another port's chip is not found."""
    tree = Tree(tmp_path / "sys")
    tree.chip(0, "i2c-1/1-0040", {"curr1_input": "100", "label": "left", "s1": "0", "s2": "0"})
    there, gone = {"label": "left"}, {"label": "gone"}
    ports = {
        n: {"chip": there, "current": "curr1", "switch": {"file": f"s{n}", "on": "1", "off": "0"}}
        for n in (1, 2)
    } | {3: {"chip": gone, "current": "curr1"}}

    async def go():
        controller = controller_of(mapping(tree.root, ports), 3)
        try:
            both = await asyncio.gather(*(controller.command(n, True) for n in (1, 2)), controller.read())
        finally:
            await controller.close()
        return both[:2]

    assert [outcome for outcome, _ in run_async(go())] == [Outcome.ACCEPTED] * 2
