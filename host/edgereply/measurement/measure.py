"""From a bench to a finished run directory: assemble, run, evaluate, close the record."""

import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from edgereply.board.client import BoardClient
from edgereply.board.translation import responder_settings, trace_settings
from edgereply.config.choices import software_wires
from edgereply.config.settings import Bench, Board
from edgereply.errors import BoardError, StoreError
from edgereply.evaluation.board_activity import Activity, activity
from edgereply.evaluation.board_context import context_of
from edgereply.evaluation.hold_up_words import cost_sentence
from edgereply.evaluation.hold_ups import recording_cost
from edgereply.evaluation.load_view import summed_up
from edgereply.measurement.assembly import open_board, open_source, stimulus_plan, with_wires
from edgereply.measurement.fixture import FixtureRecord, fixture_path, load_fixture
from edgereply.measurement.observing import configure_observer
from edgereply.measurement.run import Run, RunOutcome, Watcher
from edgereply.measurement.stopping_rule import Goal, StoppingRule
from edgereply.measurement.wiring_check import check_level, check_wires
from edgereply.sources.base import PulseSource, StimulusPlan
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import RunRecord, SourceRecord, now_iso
from edgereply.storage.run_writer import RunWriter
from edgereply.storage.stamps import RISE, STIMULUS
from edgereply.version import TOOL
from edgereply.wording.numbers import duration
from edgereply_protocol import Configured, Json

RING_ROWS = 65_536

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Procedure:
    """How measuring goes, whatever is measured.

    Attributes:
        say: called with one line on what happens next; from several threads where several boards are measured.
        repeat: commands that repeat it, kept in the record of every run.
        bench_file: a null measurement kept beside it goes into every record; None where there is no file.
        prove_wires: check the wires of each board before its first run.
    """

    say: Say
    repeat: list[str]
    bench_file: Path | None = None
    prove_wires: bool = True


@dataclass(frozen=True, slots=True)
class Measured:
    """A finished run: where it is, its record, and how it ended."""

    directory: Path
    record: RunRecord
    outcome: RunOutcome


@dataclass(slots=True)
class OpenBench:
    """Board and source, reached and identified; measures one condition after the other.

    `say` is called with one line on what happens next.
    """

    bench: Bench
    name: str
    client: BoardClient | None
    source: PulseSource
    say: Say
    fixture: FixtureRecord | None = None

    def prove_wires(self) -> None:
        """Check the wires with slow pulses; software wires and boards without an agent are taken as they are.

        Raises:
            BoardError: the wiring is not right, and how.
        """
        board = self.bench.board[self.name]
        if self.client is None or not (board.ours or board.taps) or software_wires(board.route):
            return
        wrong = [item for item in check_wires(self.client, board, self.source, self.say).findings if not item.right]
        if wrong:
            raise BoardError(
                "the wiring is not right: " + "; ".join(f"{item.subject}: {item.seen}" for item in wrong),
                where=self.client.name,
                remedy=" ".join(item.remedy for item in wrong if item.remedy),
            )

    def measure(
        self,
        bench: Bench,
        directory: Path,
        watch: Watcher,
        repeat: list[str],
        goal: Goal | None = None,
        in_series: bool = False,
    ) -> Measured:
        """Measure one condition and write its run directory.

        Args:
            bench: the settings of this run; its board and source are the ones that are open.
            directory: where the run goes; must not hold anything yet.
            watch: called a few times a second with the counts so far.
            repeat: commands that repeat this run, kept in the record.
            goal: stop early once this quantile is known well enough.
            in_series: say nothing on the way: who measures a series says a line a block.

        Raises:
            SettingError: the bench asks for what the board or the source cannot do; nothing was measured.
            HostError: board, link or source failed before the first stimulus. Trouble during the run does not raise:
                it is in the outcome, and what was received is kept.
        """
        board = with_wires(bench.board[self.name], self.source)
        plan = self.source.arm(stimulus_plan(bench.stimulus))
        in_effect: Json = {}
        warnings: list[str] = []
        answering = self.client if board.ours or board.taps else None
        if answering is not None:
            configured = _configure(answering, board, plan.count, bench.deadline)
            in_effect, warnings = configured.in_effect, configured.warnings
        record = _new_record(bench, self.name, board, self.source, plan, self.client, in_effect, warnings, repeat)
        if self.fixture is not None:
            record.fixture = self.fixture.model_dump(mode="json")
            record.warnings.append(self.fixture.sentence())
        writer = RunWriter(directory, record)
        if not in_series:
            self.say(f"measuring {plan.count:,} stimuli")
        enough = None if goal is None else StoppingRule(goal, bench.stimulus.window)
        began_ns = time.time_ns()
        outcome = Run(answering, self.source, writer, plan, watch, enough).execute()
        ended_ns = time.time_ns()
        _still_there(directory, outcome)
        if enough is not None:
            self.say(enough.sentence())
            writer.record.warnings.append(enough.sentence())
        if not in_series:
            self.say("evaluating")
        during = outcome.environment_after.get("during", {}).get("reading", {})
        readings = RunReader(directory).context()
        writer.record.context = context_of(readings, during, board.power, began_ns, ended_ns)
        _note_activity(writer.record, activity(outcome.environment_after, readings, board.load.any))
        if (cost := recording_cost(RunReader(directory))) is not None:
            writer.record.warnings.append(cost_sentence(*cost))
        return Measured(directory, close_record(writer, outcome), outcome)


def block_words(record: RunRecord) -> str:
    """A finished block of a series in one line: typical and worst answer, and what was not as it should be."""
    reaction, counts = record.summary.get("reaction") or {}, record.counts
    parts = [f"typical {duration(reaction.get('median_ns'))}", f"worst {duration(reaction.get('max_ns'))}"]
    named = {"late": "late", "missed": "missed", "coalesced": "coalesced", "ambiguous": "not matched"}
    parts += [f"{counts[name]:,} {words}" for name, words in named.items() if counts.get(name)]
    return ", ".join(parts) + (" (virtual)" if record.virtual else "")


@contextmanager
def opened(bench: Bench, board_name: str, say: Say, bench_file: Path | None = None) -> Iterator[OpenBench]:
    """Reach the source and, where an agent answers or watches, the board.

    A null measurement kept beside `bench_file` goes into the record of every run.

    Raises:
        SettingError: the source's level would damage the board's input; nothing was opened.
        HostError: one of them cannot be reached or used.
    """
    name, board = bench.pick(board_name)
    settings = bench.source_of(name)
    check_level(board, settings)
    with ExitStack() as stack:
        say(f"opening the pulse source ({settings.kind})")
        source = stack.enter_context(open_source(bench, name))
        client: BoardClient | None = None
        if board.ours or board.taps:
            say(f"opening the board {name}")
            client = stack.enter_context(open_board(name, board))
        fixture = load_fixture(fixture_path(bench_file), source.identity) if bench_file else None
        yield OpenBench(bench, name, client, source, say, fixture)


def measure(
    bench: Bench,
    board_name: str,
    directory: Path,
    watch: Watcher,
    procedure: Procedure,
    goal: Goal | None = None,
) -> Measured:
    """Measure one condition on a bench opened for it; see `OpenBench.measure`."""
    with opened(bench, board_name, procedure.say, procedure.bench_file) as ready:
        if procedure.prove_wires:
            ready.prove_wires()
        return ready.measure(bench, directory, watch, procedure.repeat, goal)


def _still_there(directory: Path, outcome: RunOutcome) -> None:
    """Tell a run that somebody removed while it was measured from a directory that never was one.

    Raises:
        HostError: what it ended with, or that it is gone.
    """
    if (directory / "run.json").exists():
        return
    if outcome.error is not None and not isinstance(outcome.error, StoreError):
        raise outcome.error
    raise StoreError(
        "the run's directory was removed while it was measured", where=str(directory), remedy="measure again"
    ) from outcome.error


def close_record(writer: RunWriter, outcome: RunOutcome) -> RunRecord:
    """Add counts and summary to the record of a run that has ended, and save it."""
    reader = RunReader(writer.directory)
    result = summed_up(reader, writer.record.deadline_ns)
    counts = dict(result.counts) | {
        "lost_edges": outcome.tally.lost_edges,
        "unrecorded": outcome.tally.unrecorded,
        "lost_records": outcome.tally.lost_records,
        **_edges_read(reader, outcome.tally.unrecorded),
    }
    record = writer.record.model_copy(
        update={
            "finished": now_iso(),
            "evidence": result.evidence,
            "counts": counts,
            "summary": result.summary(virtual=writer.record.virtual) | {"context": writer.record.context},
            "environment_after": outcome.environment_after,
            "warnings": writer.record.warnings + result.notes,
        }
    )
    writer.save(record)
    return writer.record


def _edges_read(reader: RunReader, unrecorded: int) -> dict[str, int]:
    """Events of the input that were read; where the agent only watched, answers that it saw as well."""
    if reader.rows("observed"):
        kinds = np.bincount(reader.observed().kind, minlength=STIMULUS + 2)
        return {"edges_read": int(kinds[STIMULUS]), "edges_answered": int(kinds[RISE])}
    return {"edges_read": reader.rows("board") + unrecorded} if reader.rows("board") else {}


def _note_activity(record: RunRecord, found: Activity | None) -> None:
    """How busy the board was, and what became of the load, into the record."""
    if found is not None:
        record.activity = found.as_dict()
        record.warnings += [line for line in (found.sentence(), *found.trouble) if line]


def _configure(client: BoardClient, board: Board, stimuli: int, deadline_ns: int | None = None) -> Configured:
    further = trace_settings(board, deadline_ns)
    if board.responder == "observe":
        # A stimulus and both edges of its answer are a row each.
        rows = 3 * stimuli + 1000 if board.collection == "quiet" else RING_ROWS
        return configure_observer(client, board, rows, further=further)
    rows = stimuli + 1000 if board.collection == "quiet" else RING_ROWS
    return client.configure("respond", responder_settings(board, rows) | further)


def _new_record(
    bench: Bench,
    name: str,
    board: Board,
    source: PulseSource,
    plan: StimulusPlan,
    client: BoardClient | None,
    in_effect: Json,
    warnings: list[str],
    repeat: list[str],
) -> RunRecord:
    identity = source.identity
    return RunRecord(
        tool=TOOL,
        run_id=uuid.uuid4().hex,
        created=now_iso(),
        title=bench.title,
        board=name,
        evidence="loop-back" if identity.captures else "inside",
        virtual=identity.virtual
        or bench.source_of(name).virtual
        or bool(client and client.hello.environment.get("virtual")),
        requested={"board": board.model_dump(mode="json"), "stimulus": bench.stimulus.model_dump(mode="json")},
        in_effect=in_effect,
        source=SourceRecord(
            kind=identity.kind,
            model=identity.model,
            serial=identity.serial,
            firmware=identity.firmware,
            tick_hz=identity.tick_hz,
            tolerance_ppm=identity.tolerance_ppm,
            captures=identity.captures,
            plan=asdict(plan),
        ),
        environment_before=client.hello.environment if client else {},
        deadline_ns=bench.deadline,
        window_ns=bench.stimulus.window,
        warnings=warnings,
        repeat=repeat,
    )
