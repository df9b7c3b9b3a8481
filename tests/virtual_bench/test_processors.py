"""The bench on boards with other processors: the same commands, the same lines, and what the agent's code costs there.

Debian's kernels for 64- and 32-bit ARM in an emulator; agent and tests are the same as on x86, the floor is
cross-compiled as the message about a missing compiler says. Everything measured here is virtual.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.integration.commands import Workplace
from tests.virtual_bench.bench import EYE_IN, VirtualBench
from tests.virtual_bench.test_floor import SETTING, bring
from tests.virtual_board.fixtures import Boot
from tests.virtual_board.platforms import PLATFORMS, KernelName

pytestmark = pytest.mark.virtual_board
PROCESSORS: tuple[KernelName, ...] = ("arm64", "armhf")
MACHINES = {"arm64": "aarch64", "armhf": "armv7l"}
COUNT, ROUNDS = 60, 3
# What Python may cost beyond the kernel's own price, from the kernel's stamp to the output set; counted instructions.
MOST_TIMES_FLOOR = 1.25


@pytest.fixture(params=PROCESSORS)
def bench(request: pytest.FixtureRequest, _booted: Boot, place: Workplace) -> Iterator[VirtualBench]:
    """The bench on one of the boards."""
    bench = VirtualBench(_booted(request.param, True), place)
    bench.write(count=COUNT)
    yield bench
    bench.no_agent_left()
    assert bench.output_level() == "0"


def routes(bench: VirtualBench) -> list[str]:
    """Those that need a kernel: the package gpiod has no wheel for 32-bit ARM."""
    return ["chardev", "gpiod", "sysfs"] if PLATFORMS[bench.board.kernel].gpiod_platforms else ["chardev", "sysfs"]


def test_the_agent_is_put_there_and_says_what_it_finds(bench: VirtualBench) -> None:
    bench.run("deploy", "--remove")
    for copied in (True, False):
        done = bench.run("deploy", "--json")
        assert done.code == 0, done.err
        assert done.document["copied"] is copied
    done = bench.run("inspect", "--json")
    assert done.code == 0, done.err
    report = done.document
    assert report["problems"] == []
    assert report["environment"]["machine"] == MACHINES[bench.board.kernel]
    assert report["environment"]["kernel"] == bench.board.release
    (gate,) = (chip for chip in report["chips"] if chip["label"] == bench.board.chip_label)
    assert [line["name"] for line in gate["line_list"]][EYE_IN] == "EYE_IN"
    # The machine's own GPIO controller, by its real driver.
    assert any("pl061" in chip["label"] for chip in report["chips"])
    there = {name for name, route in report["routes"].items() if route["available"]}
    assert there == {"virtual", *routes(bench)}
    if "gpiod" not in there:
        assert "gpiod is not installed" in report["routes"]["gpiod"]["why"]


def test_wires_are_proved_and_wrong_ones_told(bench: VirtualBench) -> None:
    done = bench.run("wiring", "--json")
    assert done.code == 0, done.err
    assert done.document["right"] is True
    bench.board.wire("source:stimulus->REJECT_OUT", "EYE_IN->source:response")
    with bench.driving_nothing():
        done = bench.run("wiring", "--json")
    assert done.code == 1, done.err
    assert "The wires are swapped" in done.err


def test_every_route_answers_every_stimulus_and_they_are_compared(bench: VirtualBench) -> None:
    """As an ordinary user, the wires proved first."""
    names = routes(bench)
    done = bench.run("compare", "--routes", ",".join(names), "--rounds", "1", "--out", "series")
    assert done.code == 0, done.err
    series = json.loads((bench.place.root / "series/series.json").read_text())
    assert sorted(block["condition"] for block in series["blocks"]) == sorted(names)
    for block in series["blocks"]:
        record = bench.reader(f"series/{block['run']}").record
        assert record.state == "complete"
        assert record.in_effect["route"] == block["condition"]
        assert record.counts["stimuli"] == record.counts["responses"] == COUNT
        assert record.environment_before["machine"] == MACHINES[bench.board.kernel]
        assert record.virtual


@pytest.mark.parametrize("bench", ["plain", *PROCESSORS], indirect=True)
def test_python_costs_at_most_a_quarter_more_than_the_floor(bench: VirtualBench, tmp_path: Path) -> None:
    """Blocks of both in turn: the kernel's way to a sleeper differs by 5 % from process to process, C or Python."""
    bring(bench, tmp_path)
    bench.write(board=f"{SETTING}\nrealtime = {{ fifo_priority = 50 }}", count=COUNT)
    words = ["--responders", "agent,floor", "--rounds", str(ROUNDS), "--no-wiring", "--out", "series"]
    done = bench.run("compare", *words)
    assert done.code == 0, done.err
    wake: dict[str, list[int]] = {"agent": [], "floor": []}
    answer: dict[str, list[int]] = {"agent": [], "floor": []}
    for block in json.loads((bench.place.root / "series/series.json").read_text())["blocks"]:
        reader = bench.reader(f"series/{block['run']}")
        assert reader.record.in_effect["realtime"]["fifo_priority"] == 50
        stamps = reader.board()
        assert stamps.edge_ns.size == COUNT
        responder = reader.record.in_effect["responder"]
        wake[responder].append(int(np.median(stamps.wake_ns - stamps.edge_ns)))
        answer[responder].append(int(np.median(stamps.set_ns - stamps.edge_ns)))
    agent, floor = (int(np.median(answer[name])) for name in ("agent", "floor"))
    print(f"\n{bench.board.kernel}, counted ns, medians: wake {wake}, set {answer}, ratio {agent / floor:.3f}")
    assert len(answer["agent"]) == len(answer["floor"]) == ROUNDS
    assert floor < agent <= MOST_TIMES_FLOOR * floor
