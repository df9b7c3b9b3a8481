"""Tries rates on an open bench for a saturation search; every probe is a run of its own."""

import json
import re
from pathlib import Path

from edgereply.analysis.arrays.presence import present
from edgereply.config.settings import Bench
from edgereply.errors import DataError, SettingError, StoreError
from edgereply.evaluation.load_view import load_view
from edgereply.measurement.measure import Measured, OpenBench, Procedure, block_words, opened
from edgereply.measurement.run import Watcher
from edgereply.measurement.sweep.conditions import Setup
from edgereply.measurement.sweep.lane import Opener, Watch
from edgereply.measurement.sweep.saturation import RateProbe, Saturation, fell_behind, probes_needed, search
from edgereply.wording.progress import SeriesProgress
from edgereply.wording.units import parse_rate_period_ns, rate_words

_RANGE = re.compile(r"\s*(.+?)\s+to\s+(.+?)\s*")
UNANSWERED = ("missed", "coalesced", "ambiguous")


def parse_range(text: str) -> tuple[int, int]:
    """Read "100/s to 4000/s".

    Returns:
        Mean intervals of the lowest and the highest rate, nanoseconds.

    Raises:
        SettingError: anything else.
    """
    match = _RANGE.fullmatch(text)
    try:
        slow_ns, quick_ns = (parse_rate_period_ns(part) for part in match.groups()) if match else (0, 0)
    except ValueError as error:
        raise SettingError(str(error), where="--saturation", remedy="write it like '100/s to 4000/s'") from error
    if not 0 < quick_ns < slow_ns:
        raise SettingError(
            f"{text!r} is not a range of rates", where="--saturation", remedy="write it like '100/s to 4000/s'"
        )
    return slow_ns, quick_ns


def at_rate(bench: Bench, period_ns: int, count: int) -> Bench:
    """The same bench at another rate; the floor stays below half the interval."""
    stimulus = bench.stimulus
    changed = {"rate": period_ns, "floor": min(stimulus.floor, period_ns // 2), "count": count, "dwell": None}
    return bench.model_copy(update={"stimulus": stimulus.model_copy(update=changed)})


def find_saturation(
    setup: Setup,
    slow_ns: int,
    quick_ns: int,
    directory: Path,
    procedure: Procedure,
    watch: Watch,
    open_bench: Opener = opened,
) -> tuple[Saturation, bool]:
    """Search on one board and write `saturation.json` beside the probes' runs.

    Args:
        setup: board and bench; its number of stimuli is that of every probe.
        slow_ns: mean interval of the lowest rate.
        quick_ns: mean interval of the highest rate.
        directory: for the probes; must be new or empty.

    Returns:
        What was found, and whether anything about it is virtual.

    Raises:
        DataError: the directory holds something.
        HostError: as measuring does; probes measured before are kept.
        KeyboardInterrupt: the user stopped a probe.
    """
    if directory.exists() and any(directory.iterdir()):
        raise DataError("the directory is not empty", where=str(directory), remedy="choose another --out")
    count, most = setup.bench.stimulus.stimuli, probes_needed(slow_ns, quick_ns)
    with open_bench(setup.bench, setup.board, procedure.say, procedure.bench_file) as ready:
        if procedure.prove_wires:
            ready.prove_wires()
        number, virtual = 0, False

        def progress() -> SeriesProgress:
            return SeriesProgress(number, most, (number - 1) / most, unit="probe", at_most=True)

        def measure(period_ns: int) -> RateProbe:
            nonlocal number, virtual
            number += 1
            name = f"p{number:02}"
            label = rate_words(period_ns)
            bench = at_rate(setup.bench, period_ns, count)
            with watch(bench, label, progress) as watcher:
                measured = _measured(ready, bench, directory / name, watcher, procedure.repeat)
            virtual = virtual or measured.record.virtual
            counts = measured.record.counts
            unanswered = sum(counts.get(kind, 0) for kind in UNANSWERED)
            procedure.say(f"probe {number} of at most {most}, {label}: {block_words(measured.record)}")
            behind = fell_behind(present(load_view(directory / name).reaction_ns), period_ns)
            late = None if measured.record.deadline_ns is None else counts.get("late")
            return RateProbe(period_ns, counts["stimuli"], unanswered, behind, str(directory / name), late)

        found = search(slow_ns, quick_ns, measure)
    _save(directory / "saturation.json", found)
    return found, virtual


def _measured(ready: OpenBench, bench: Bench, run: Path, watcher: Watcher, repeat: list[str]) -> Measured:
    measured = ready.measure(bench, run, watcher, repeat, in_series=True)
    if measured.outcome.interrupted:
        raise KeyboardInterrupt
    if measured.outcome.error is not None:
        raise measured.outcome.error
    return measured


def _save(path: Path, found: Saturation) -> None:
    try:
        path.write_text(json.dumps(found.as_dict(), indent=1), encoding="utf-8")
    except OSError as error:
        raise StoreError(f"cannot be written: {error.strerror}", where=str(path), remedy="free space") from error
