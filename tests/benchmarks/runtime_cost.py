"""What the runtime costs: the responders of examples/responders answer the same stimuli, in counted instructions.

Run: .venv/bin/python -m tests.benchmarks.runtime_cost [--kernel KIND] [--json PATH]      (boots the virtual board)

Each program answers on the virtual board while the agent only watches, by kernel stamps of both lines, so that nothing
in the program has to take a stamp. The board's time counts instructions: ratios are what to look at.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import select
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from tests.integration.commands import Workplace
from tests.tools import need
from tests.virtual_bench.bench import EYE_IN, REJECT_OUT, STIMULI, VirtualBench
from tests.virtual_board import VirtualBoard
from tests.virtual_board.platforms import KERNELS
from tests.virtual_board.responding import chip_path

from edgereply.analysis.pairing.result import Status
from edgereply.evaluation.board_side import watched

SOURCES = Path(__file__).parents[2] / "examples" / "responders"
WIRES = (
    "source:stimulus->EYE_IN",
    "REJECT_OUT->source:response",
    "source:stimulus->SPARE_IN",
    "REJECT_OUT->CAPTURE_IN",
    "REJECT_OUT->SPARE_OUT",
)
TAPS = 'responder = "observe"\nstimulus_tap = "SPARE_IN"\nresponse_tap = "CAPTURE_IN"\nresponse_fall_tap = "SPARE_OUT"'
WAIT_S = 180.0


@dataclass(frozen=True, slots=True)
class Responder:
    """One of the programs: its source, what it is built by on this computer, and what runs it on the board."""

    source: str
    build: tuple[str, ...] = ()
    run: str = ""
    brought: tuple[str, ...] = ()  # programs of this computer that the board does not have
    package: str = ""


RESPONDERS = {
    "C": Responder("responder.c", ("gcc", "-O2", "-static", "-o", "{out}", "{source}"), package="build-essential"),
    "C++": Responder("responder.cpp", ("g++", "-O2", "-static", "-o", "{out}", "{source}"), package="build-essential"),
    "Go": Responder("responder.go", ("go", "build", "-o", "{out}", "{source}"), package="golang-go"),
    "Lua": Responder("responder.lua", run="/tmp/luajit", brought=("luajit",), package="luajit"),
    "Python": Responder("responder_chardev.py", run="python3 -I"),
    "Python, gpiod": Responder("responder_gpiod.py", run="python3 -I"),
}


def bring(board: VirtualBoard, responder: Responder, folder: Path) -> str:
    """Build a program, copy it to the board with what runs it; the words that start it there."""
    source = SOURCES / responder.source
    for name in (*responder.brought, *responder.build[:1]):
        path = need(name, responder.package)
        if name in responder.brought:
            _copy(board, path, f"/tmp/{name}")
    if responder.build:
        built = folder / "built"
        words = [word.format(out=built, source=source) for word in responder.build]
        subprocess.run(
            words, check=True, capture_output=True, timeout=300,
            env={"PATH": "/usr/local/bin:/usr/bin:/bin", "HOME": str(folder), "CGO_ENABLED": "0"},
        )  # fmt: skip
        source = built
    _copy(board, source, "/tmp/responder")
    return f"{responder.run} /tmp/responder".strip()


def _copy(board: VirtualBoard, source: Path, target: str) -> None:
    command = f"rm -f {target} && cat > {target} && chmod 755 {target}"
    board.run_bytes(command, 120, stdin=source.read_bytes())


@contextlib.contextmanager
def answering(board: VirtualBoard, words: str, count: int) -> Iterator[None]:
    """The program answers for the length of a block, at most so many edges."""
    command = f"echo $$ && exec {words} {chip_path(board)} {EYE_IN} {REJECT_OUT} {count}"
    with subprocess.Popen(board.ssh_command(command), stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        pid = int(process.stdout.readline())
        try:
            said = process.stderr.readline() if select.select([process.stderr], [], [], WAIT_S)[0] else b"nothing"
            if said != b"ready\n":
                raise SystemExit(f"{words}: {said.decode()}{process.stderr.read().decode()}")
            yield
        finally:
            board.run(f"kill {pid} 2>/dev/null || true", 30)
            process.kill()


def inside_ns(bench: VirtualBench, words: str, count: int = STIMULI) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Kernel stamp of the input to kernel stamp of the output, an answer each, in ns."""
    bench.board.wire(*WIRES)
    bench.write(board=TAPS, count=count)
    run = bench.place.root / "run"
    shutil.rmtree(run, ignore_errors=True)
    with answering(bench.board, words, count):
        done = bench.run("measure", "--json", "--no-wiring", "--out", str(run))
    if done.code != 0:
        raise SystemExit(done.err)
    reader = bench.reader()
    found = watched(reader.observed(), reader.record.window_ns)
    return np.asarray(found.answer_ns[found.status == Status.PAIRED], np.int64)


def results(bench: VirtualBench, folder: Path, names: Sequence[str] = tuple(RESPONDERS)) -> dict[str, dict[str, int]]:
    """By name: answers, and quantiles of `inside_ns`."""
    found = {}
    for name in names:
        answer = inside_ns(bench, bring(bench.board, RESPONDERS[name], folder))
        median, p90, longest = np.quantile(answer, [0.5, 0.9, 1.0], method="inverted_cdf")
        found[name] = {"answers": answer.size, "median": int(median), "p90": int(p90), "longest": int(longest)}
    return found


def lines(found: dict[str, dict[str, int]]) -> list[str]:
    """The table."""
    least = found["C"]["median"]
    head = f"{'':<16}{'answers':>9}{'median':>10}{'p90':>10}{'longest':>12}{'times C':>9}"
    body = [
        f"{name:<16}{row['answers']:>9,}{row['median']:>10,}{row['p90']:>10,}{row['longest']:>12,}"
        f"{row['median'] / least:>9.2f}"
        for name, row in found.items()
    ]
    return [head, *body]


def main() -> None:
    """Boot, measure, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.runtime_cost")
    parser.add_argument("--json", type=Path, metavar="PATH", help="write the figures there as well")
    parser.add_argument("--only", default=",".join(name for name in RESPONDERS if "," not in name))
    parser.add_argument("--kernel", choices=KERNELS[:2], default="plain")
    options = parser.parse_args()
    print("virtual board, ns of counted time: ratios only")
    with tempfile.TemporaryDirectory() as folder, VirtualBoard(options.kernel, icount=True) as board:
        place = Path(folder) / "place"
        place.mkdir()
        names = list(RESPONDERS) if options.only == parser.get_default("only") else options.only.split(",")
        found = results(VirtualBench(board, Workplace(place)), Path(folder), names)
    print("\n".join(lines(found)))
    if options.json is not None:
        options.json.write_text(json.dumps(found, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
