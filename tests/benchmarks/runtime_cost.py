"""What the runtime costs: the responders of examples/responders answer the same stimuli, in counted instructions.

Run: .venv/bin/python -m tests.benchmarks.runtime_cost [--count N] [--only NAMES] [--json PATH] [--pictures]

Each program answers on the virtual board while the agent only watches, by kernel stamps of both lines, so that nothing
in the program has to take a stamp. The board's time counts instructions: ratios are what to look at. Runtimes with a
garbage collector answer a second series in which they also make objects after each answer and keep them for 64 edges,
so that the collector has work. Boards without an operating system stand beside, each in its own chip's cycles.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import json
import select
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from tests.benchmarks.bare_metal_cost import BOARDS, answer_ns, edges, write_recording
from tests.integration.commands import Workplace
from tests.tools import need
from tests.virtual_bench.bench import EYE_IN, REJECT_OUT, STIMULI, VirtualBench
from tests.virtual_board import VirtualBoard
from tests.virtual_board.platforms import KERNELS
from tests.virtual_board.responding import chip_path
from tests.virtual_board.runtimes import MEMORY_MB, ON_BOARD, mount, runtimes

from edgereply.analysis.pairing.result import Status
from edgereply.evaluation.board_side import watched
from edgereply.storage.run_reader import RunReader
from edgereply.storage.stamps import STIMULUS as STAMP

SOURCES = Path(__file__).parents[2] / "examples" / "responders"
PICTURES = Path(__file__).parents[2] / "docs" / "pictures"
WIRES = (
    "source:stimulus->EYE_IN",
    "REJECT_OUT->source:response",
    "source:stimulus->SPARE_IN",
    "REJECT_OUT->CAPTURE_IN",
    "REJECT_OUT->SPARE_OUT",
)
TAPS = 'responder = "observe"\nstimulus_tap = "SPARE_IN"\nresponse_tap = "CAPTURE_IN"\nresponse_fall_tap = "SPARE_OUT"'
# Long enough for a program that can only look at the level again and again.
STIMULUS = 'width = "500us"\nfloor = "1ms"'
RATE = "200/s"
COUNT, RECORDS = 1000, 2000
WAIT_S = 600.0
FIGURES = {"runtimes": ("boards", "1280x1200"), "collector": ("persistence", "1280x720")}
SHOWN_COLLECTOR = "Java"
FREE_LINES = """for line in /sys/class/gpio/gpio[0-9]*; do
[ -e $line ] || continue
[ "$(cat $line/direction)" = in ] || echo 0 > $line/value
echo ${line##*gpio} > /sys/class/gpio/unexport
done"""


@dataclass(frozen=True, slots=True)
class Responder:
    """One of the programs: its source, what it is built by on this computer, and what runs it on the board.

    Attributes:
        collected: it takes RECORDS, since its runtime collects garbage.
        disk: its runtime is on the disk of runtimes.
        asked: it asks for the level again and again instead of sleeping until an edge.
    """

    source: str
    build: tuple[str, ...] = ()
    run: str = ""
    brought: tuple[str, ...] = ()  # programs of this computer that the board does not have
    package: str = ""
    collected: bool = False
    disk: bool = False
    asked: bool = False


# Who never sleeps leaves the one processor to the rest of the board when that has something to do.
_LAST = "nice -n 19 env"
_FOREIGN = "--add-modules jdk.incubator.foreign --enable-native-access=ALL-UNNAMED"
_JAVA = f"{ON_BOARD['java']} -XX:+UseSerialGC {_FOREIGN} -cp /tmp/classes Responder"
RESPONDERS = {
    "C": Responder("responder.c", ("gcc", "-O2", "-static", "-o", "{out}", "{source}"), package="build-essential"),
    "C++": Responder("responder.cpp", ("g++", "-O2", "-static", "-o", "{out}", "{source}"), package="build-essential"),
    "Go": Responder("responder.go", ("go", "build", "-o", "{out}", "{source}"), package="golang-go", collected=True),
    "Lua": Responder("responder.lua", run="/tmp/luajit", brought=("luajit",), package="luajit", collected=True),
    "Java": Responder("responder.java", run=_JAVA, collected=True, disk=True),
    "C#": Responder("responder.cs", run=ON_BOARD["mono"], collected=True, disk=True),
    "Python": Responder("responder_chardev.py", run="python3 -I", collected=True),
    "Python, gpiod": Responder("responder_gpiod.py", run="python3 -I"),
    "JavaScript": Responder("responder.js", run=f"{_LAST} {ON_BOARD['node']}", collected=True, disk=True, asked=True),
    "shell": Responder("responder.sh", run=f"{_LAST} sh", asked=True),
}


@dataclass(frozen=True, slots=True)
class Answers:
    """What came of one series.

    Attributes:
        answer_ns: kernel stamp of the input to kernel stamp of the output, int64 of shape (n,).
        interrupts: of the input's line until the program ended; -1 for one that asks for the level.
        seen: stimuli in the kernel's stamps of the tap.
        counts: how the run counted them.
    """

    answer_ns: np.ndarray[tuple[int], np.dtype[np.int64]]
    interrupts: int
    seen: int
    counts: dict[str, int]


def bring(board: VirtualBoard, responder: Responder, folder: Path) -> str:
    """Build a program, copy it to the board with what runs it; the words that start it there."""
    source = SOURCES / responder.source
    for name in (*responder.brought, *responder.build[:1]):
        path = need(name, responder.package)
        if name in responder.brought:
            _copy(board, path, f"/tmp/{name}")
    if responder.disk:
        mount(board)
    built = folder / "built"
    if responder.build:
        words = [word.format(out=built, source=source) for word in responder.build]
        subprocess.run(
            words, check=True, capture_output=True, timeout=300,
            env={"PATH": "/usr/local/bin:/usr/bin:/bin", "HOME": str(folder), "CGO_ENABLED": "0"},
        )  # fmt: skip
        source = built
    elif source.suffix == ".cs":
        runtimes().compile_cs(source, built)
        source = built
    elif source.suffix == ".java":
        classes = folder / "classes"
        runtimes().compile_java(source, classes)
        board.run("mkdir -p /tmp/classes", 30)
        for made in classes.iterdir():
            _copy(board, made, f"'/tmp/classes/{made.name}'")
        return responder.run
    _copy(board, source, "/tmp/responder")
    return f"{responder.run} /tmp/responder".strip()


def _copy(board: VirtualBoard, source: Path, target: str) -> None:
    command = f"rm -f {target} && cat > {target} && chmod 755 {target}"
    board.run_bytes(command, 120, stdin=source.read_bytes())


@contextlib.contextmanager
def answering(board: VirtualBoard, words: str, count: int, records: int = 0) -> Iterator[Callable[[], int]]:
    """The program answers for the length of a block, at most so many edges.

    Yields: what tells how many interrupts that line has had since the board was started, -1 when it has none.
    """
    last = f" {records}" if records else ""
    command = f"echo $$ && exec env {words} {chip_path(board)} {EYE_IN} {REJECT_OUT} {count}{last}"
    with subprocess.Popen(board.ssh_command(command), stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        pid = int(process.stdout.readline())
        said: list[bytes] = []
        try:
            # A runtime may have words of its own before the program's.
            while b"ready\n" not in said:
                if not select.select([process.stderr], [], [], WAIT_S)[0] or not (line := process.stderr.readline()):
                    raise SystemExit(f"{words}: not ready, but: {b''.join(said).decode()}")
                said.append(line)
            yield lambda: _interrupts(board)
        finally:
            board.run(f"kill {pid} 2>/dev/null; sleep 0.2\n{FREE_LINES}", 120)
            process.kill()


def _interrupts(board: VirtualBoard) -> int:
    rows = [row.split() for row in board.run("cat /proc/interrupts", 30).splitlines()]
    found = [int(row[1]) for row in rows if row[-1] == "responder" and len(row) > 2]
    return found[0] if found else -1


def measured(
    bench: VirtualBench, words: str, count: int = STIMULI, records: int = 0, run: Path | None = None
) -> Answers:
    """One series: `count` stimuli; the run is kept, its folder's name the board's."""
    folder = run or bench.place.root / "run"
    bench.board.wire(*WIRES)
    bench.write(board=TAPS, count=count, rate=RATE, stimulus=STIMULUS, name=folder.name)
    shutil.rmtree(folder, ignore_errors=True)
    # One answer more than stimuli: the program must not end, and its lines with it, before they were counted.
    with answering(bench.board, words, count + 1, records) as interrupts:
        before = interrupts()
        done = bench.start("measure", "--json", "--no-wiring", "--out", str(folder)).end(WAIT_S)
        if done.code != 0:
            raise SystemExit(done.err)
        had = -1 if before < 0 else interrupts() - before
    reader = RunReader(folder)
    observed = reader.observed()
    found = watched(observed, reader.record.window_ns)
    answers = np.asarray(found.answer_ns[found.status == Status.PAIRED], np.int64)
    return Answers(answers, had, len(observed.of(STAMP)), dict(reader.record.counts))


Row = dict[str, int]


def row(answers: Answers, sent: int) -> Row:
    """Counts, and quantiles of the answers in ns (order statistics, no interpolation), 0 where there is none."""
    points = {"median": 0.5, "p99": 0.99, "longest": 1.0}
    # A program that cannot keep up has none that can be told apart from its neighbours.
    some = answers.answer_ns if answers.answer_ns.size else np.zeros(1, np.int64)
    values = np.quantile(some, list(points.values()), method="inverted_cdf")
    told = ("responses", "missed", "coalesced", "ambiguous", "spurious")
    counts = {"sent": sent, "answers": answers.answer_ns.size, "seen": answers.seen, "interrupts": answers.interrupts}
    counts |= {name: answers.counts.get(name, 0) for name in told}
    return {**counts, **dict(zip(points, map(int, values), strict=True))}


def results(
    start: Callable[[], VirtualBench], kept: Path, folder: Path, names: Sequence[str], count: int
) -> dict[str, dict[str, Row]]:
    """By name: `row` of the series without and, where a collector is, with work for it.

    A series whose figures lie in `kept` already is not measured again, so that a long measurement can be gone on with.
    """
    found: dict[str, dict[str, Row]] = {}
    for name in names:
        responder = RESPONDERS[name]
        found[name] = {}
        words = ""
        for series, records in (("alone", 0), ("work", RECORDS))[: 1 + responder.collected]:
            run = run_name(name, series)
            figures = kept / f"{run}.json"
            if not figures.exists():
                print(f"{run} …", file=sys.stderr, flush=True)
                words = words or bring(start().board, responder, folder)
                answers = measured(start(), words, count, records, kept / run)
                figures.write_text(json.dumps(row(answers, count)), encoding="utf-8")
            found[name][series] = json.loads(figures.read_text(encoding="utf-8"))
    return found


def run_name(name: str, series: str) -> str:
    """The folder of a series."""
    return name.replace(", ", " ") + (" collecting" if series == "work" else "")


def bare_metal(
    place: Workplace, kept: Path, folder: Path, names: Sequence[str], count: int
) -> dict[str, dict[str, Row]]:
    """The boards without an operating system, their recordings made runs."""
    found = {}
    for name in names:
        truth = edges(name, count, folder)
        answers = Answers(answer_ns(truth, name), -1, count, {})
        found[name] = {"alone": row(answers, count)}
        recording = folder / "recording.vcd"
        write_recording(truth, name, recording)
        shutil.rmtree(kept / run_name(name, "alone"), ignore_errors=True)
        done = place.run(
            "import", str(recording), "--virtual", "--board", name, "--stimulus", "stimulus", "--response", "response",
            "--window", "1ms", "--accept", "--out", str(kept / run_name(name, "alone")),
        )  # fmt: skip
        if done.code != 0:
            raise SystemExit(done.err)
    return found


def lines(found: dict[str, dict[str, Row]]) -> list[str]:
    """The table."""
    least = found["C"]["alone"]["median"] if "C" in found else 0
    head = f"{'':<16}{'answers':>14}{'median':>10}{'p99':>11}{'longest':>12}{'times C':>9}"
    body = []
    for name, series in found.items():
        for kind, values in series.items():
            of = f"{values['answers']:,}/{values['sent']:,}"
            label = name if kind == "alone" else "  with work"
            if not values["answers"]:
                body.append(f"{label:<16}{of:>14}  does not keep up")
                continue
            times = f"{values['median'] / least:>9.2f}" if least else ""
            body.append(
                f"{label:<16}{of:>14}{values['median']:>10,}{values['p99']:>11,}{values['longest']:>12,}{times}"
            )
    return [head, *body]


def draw(place: Workplace, kept: Path, names: Sequence[str]) -> None:
    """Write the pictures of the docs."""
    runs = [str(kept / run_name(name, "alone")) for name in names]
    pictured = {"runtimes": runs, "collector": [str(kept / run_name(SHOWN_COLLECTOR, "work"))]}
    for picture, (figure, size) in FIGURES.items():
        target = str(PICTURES / f"{picture}.png")
        done = place.run("report", *pictured[picture], "--figure", figure, "--size", size, "-o", target)
        if done.code != 0:
            raise SystemExit(done.err)


def main() -> None:
    """Boot, measure, print."""
    names = [*RESPONDERS, *BOARDS]
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.runtime_cost")
    parser.add_argument("--json", type=Path, metavar="PATH", help="write the figures there as well")
    parser.add_argument("--only", metavar="NAMES", help=f"with semicolons between them: {'; '.join(names)}")
    parser.add_argument("--count", type=int, default=COUNT, help="stimuli a series")
    parser.add_argument("--kernel", choices=KERNELS[:2], default="plain")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="leave runs there, go on where they end")
    parser.add_argument("--pictures", action="store_true", help="draw docs/pictures/runtimes.png and collector.png")
    options = parser.parse_args()
    if options.only:
        names = [name.strip() for name in options.only.split(";")]
    print("virtual board, ns of counted time: ratios only")
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        kept = options.keep or folder / "kept"
        kept = kept.resolve()
        kept.mkdir(exist_ok=True, parents=True)
        (folder / "place").mkdir()
        place = Workplace(folder / "place")

        @functools.cache
        def start() -> VirtualBench:
            disks = [runtimes().disk]
            board = stack.enter_context(VirtualBoard(options.kernel, icount=True, disks=disks, memory_mb=MEMORY_MB))
            return VirtualBench(board, place)

        found = results(start, kept, folder, [name for name in names if name in RESPONDERS], options.count)
        found |= bare_metal(place, kept, folder, [name for name in names if name in BOARDS], options.count)
        print("\n".join(lines(found)))
        if options.json is not None:
            options.json.write_text(json.dumps(found, indent=1), encoding="utf-8")
        if options.pictures:
            draw(place, kept, names)


if __name__ == "__main__":
    main()
