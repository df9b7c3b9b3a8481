"""What `inspect` says of a board, against what the board itself says through other programs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.integration.commands import explained
from tests.virtual_bench.bench import VirtualBench

pytestmark = pytest.mark.virtual_board
VIEW = Path(__file__).parent / "guest" / "gpiod_view.py"
GPIOD = "/usr/local/lib/python3.11/dist-packages/gpiod"


def inspect(bench: VirtualBench) -> dict[str, Any]:
    done = bench.run("inspect", "--json")
    assert done.code == 0, done.err
    return done.document


def test_lines_agree_with_libgpiod(bench: VirtualBench) -> None:
    view = json.loads(bench.board.run("python3 -", 60, stdin=VIEW.read_text()))
    report = inspect(bench)
    assert report["problems"] == []
    ours = {
        chip["name"]: {
            "label": chip["label"],
            "lines": [
                [line["offset"], line["name"], line["used"], line["user"], line["direction"]]
                for line in chip["line_list"]
            ],
        }
        for chip in report["chips"]
    }
    assert ours == view
    (gate,) = (chip for chip in ours.values() if chip["label"] == bench.board.chip_label)
    assert [3, "TAKEN", True, "line-keeper", "output"] in gate["lines"]


def test_the_text_names_lines_and_their_users(bench: VirtualBench) -> None:
    done = bench.run("inspect")
    assert done.code == 0, done.err
    rows = {line.split()[1]: line for line in done.out.splitlines() if line.split() and line.split()[0].isdigit()}
    assert rows["TAKEN"].endswith("used by line-keeper")
    assert rows["EYE_IN"].endswith("free")


def test_chips_that_may_not_be_opened_are_named_with_what_helps(bench: VirtualBench) -> None:
    bench.board.run("chmod 600 /dev/gpiochip*", 30, root=True)
    try:
        done = bench.run("inspect")
    finally:
        bench.board.run("chmod 660 /dev/gpiochip*", 30, root=True)
    assert done.code == 0, done.err
    for chip in ("/dev/gpiochip0", "/dev/gpiochip1"):
        assert f"Chip {chip} cannot be read: no permission to open {chip}" in done.out
    assert "udev rule" in done.out


def environment(bench: VirtualBench) -> dict[str, Any]:
    found = inspect(bench)["environment"]
    assert isinstance(found, dict)
    say = bench.board.run
    assert found["kernel"] == say("uname -r", 30).strip()
    assert found["kernel_version"] == say("uname -v", 30).strip()
    assert found["virtual"] is True
    assert "gpio-sim" in found["virtual_why"]
    limits = say("ulimit -S -r; ulimit -H -r; id -u", 30).split()
    assert found["limits"]["rtprio"] == [int(limits[0]), int(limits[1])] == [90, 90]
    assert found["limits"]["user_id"] == int(limits[2])
    period, runtime = say("cat /proc/sys/kernel/sched_rt_period_us /proc/sys/kernel/sched_rt_runtime_us", 30).split()
    assert found["realtime_throttling"] == {"period_us": int(period), "runtime_us": int(runtime)}
    return found


def test_the_plain_kernel_is_not_taken_for_a_realtime_one(bench: VirtualBench) -> None:
    preemption = environment(bench)["preemption"]
    assert preemption["model"] == "PREEMPT_DYNAMIC"
    assert preemption["realtime"] is False


def test_the_realtime_kernel_is_recognised(rt_bench: VirtualBench) -> None:
    preemption = environment(rt_bench)["preemption"]
    assert preemption["model"] == "PREEMPT_RT"
    assert preemption["realtime"] is True


def test_a_route_that_is_not_there_says_why_and_what_helps(bench: VirtualBench) -> None:
    assert {name: route["available"] for name, route in inspect(bench)["routes"].items()} == {
        "chardev": True,
        "gpiod": True,
        "sysfs": True,
        "virtual": True,
    }
    bench.board.run(f"mv {GPIOD} {GPIOD}.away", 30, root=True)
    try:
        missing = inspect(bench)["routes"]["gpiod"]
        bench.write(board='route = "gpiod"')
        explained(bench.run("measure", "--no-wiring", "--out", "run"), 2, "gpiod is not installed", "pip install")
    finally:
        bench.board.run(f"mv {GPIOD}.away {GPIOD}", 30, root=True)
    assert missing["available"] is False
    assert "gpiod is not installed" in missing["why"]
    assert "pip install 'gpiod" in missing["remedy"]
