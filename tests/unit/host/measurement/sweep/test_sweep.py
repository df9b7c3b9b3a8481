import contextlib
import signal
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from edgereply.comparison.condition_headlines import entry_headline
from edgereply.comparison.entries import series_entries
from edgereply.config.plan_file import parse_plan
from edgereply.config.settings import Bench
from edgereply.errors import BoardError, DataError, HostError, SettingError, SourceError, StoreError
from edgereply.measurement.measure import OpenBench, Procedure, Say
from edgereply.measurement.run import Watcher
from edgereply.measurement.sweep.conditions import Setup, conditions_of_plan, setups
from edgereply.measurement.sweep.lane import Ended
from edgereply.measurement.sweep.state import begin, planned_series, take_up
from edgereply.measurement.sweep.sweep import Sweep
from edgereply.report.tables.sweep_table import document, rows, sheet
from edgereply.sources.base import SourceBatch
from edgereply.storage.run_reader import RunReader
from edgereply.storage.series_record import SeriesRecord, load_series
from edgereply.wording.progress import SeriesProgress
from tests.fakes.scripted_source import ScriptedSource, Step, batch

MS = 1_000_000
BENCH: dict[str, Any] = {
    "deadline": "2ms",
    "board": {"gate": {"responder": "external"}, "crane": {"responder": "external"}},
    "source": {"kind": "reference", "port": "/dev/ttyX0"},
}
PLAN: dict[str, Any] = {"repeats": 2, "count": 20, "axes": {"board": ["gate"], "rate": ["100/s", "200/s"]}}


def good(reaction_ns: int = 100_000, count: int = 20) -> list[Step]:
    """What a source says in one block: its edges, and nothing more while it is quietened."""
    pulses = [
        (k, n * 5 * MS + t) for n in range(count) for k, t in ((1, 0), (2, reaction_ns), (3, reaction_ns + 9_000))
    ]
    return [batch(pulses, done=True), None]


Script = list[Step] | HostError


class Lab:
    """A bench whose sources play scripts: one for each time it is opened."""

    def __init__(
        self, root: Path, scripts: list[Script], plan: dict[str, Any] | None = None,
        by_board: dict[str, list[Script]] | None = None, bench: dict[str, Any] | None = None,
    ) -> None:  # fmt: skip
        self.directory = root / "series"
        self.by_board = by_board
        self.scripts = scripts
        self.opened: list[str] = []
        self.said: list[str] = []
        self.sources: list[ScriptedSource] = []
        self.watched: list[str] = []
        self.plan = parse_plan(PLAN if plan is None else plan, "plan.toml")
        self.conditions = conditions_of_plan(self.plan)
        self.setups: dict[str, Setup] = setups(bench or BENCH, "bench.toml", self.plan, self.conditions)

    def planned(self, bench: dict[str, Any] | None = None) -> SeriesRecord:
        return planned_series(self.plan, bench or BENCH, self.conditions, self.setups)

    @contextlib.contextmanager
    def open_bench(self, bench: Bench, board: str, say: Say, bench_file: Path | None) -> Iterator[OpenBench]:
        self.opened.append(board)
        script = (self.scripts if self.by_board is None else self.by_board[board]).pop(0)
        if isinstance(script, HostError):
            raise script
        source = ScriptedSource(script)
        self.sources.append(source)
        try:
            yield OpenBench(bench, board, None, source, say)
        finally:
            source.close()

    @contextlib.contextmanager
    def watch(self, bench: Bench, condition: str, whole: Callable[[], SeriesProgress]) -> Iterator[Watcher]:
        self.watched.append(f"{condition}: {whole().words()}")
        yield lambda tally, latest: None

    def sweep(self, record: SeriesRecord, at_once: bool = True) -> Sweep:
        return Sweep(
            record, self.setups, self.directory,
            Procedure(say=self.said.append, repeat=["edgereply sweep"], bench_file=Path("bench.toml")), self.watch,
            self.plan.give_up_after, self.open_bench, at_once,
        )  # fmt: skip

    def carry_out(self, record: SeriesRecord) -> Ended:
        return self.sweep(record).carry_out()

    def states(self) -> list[str]:
        return [block.state for block in load_series(self.directory).blocks]


def test_every_block_is_measured_once_on_one_open_bench(tmp_path: Path) -> None:
    lab = Lab(tmp_path, [good() * 4])
    record = begin(lab.directory, lab.planned())
    assert lab.carry_out(record) == Ended(False, None)
    assert lab.states() == ["complete"] * 4
    assert lab.opened == ["gate"]
    assert lab.sources[0].calls[-1] == "close"
    for block in record.blocks:
        run = RunReader(lab.directory / block.run).record
        assert run.requested["stimulus"]["rate"] == {"100_per_s": 10 * MS, "200_per_s": 5 * MS}[block.condition]
        assert run.requested["stimulus"]["seed"] == block.seed
    assert [words.partition(": ")[2][:12] for words in lab.watched] == [f"block {n} of 4" for n in (1, 2, 3, 4)]
    assert all("left in all" in words for words in lab.watched)


def test_a_block_takes_one_line_that_says_how_it_went(tmp_path: Path) -> None:
    lab = Lab(tmp_path, [good() * 2 + good(3 * MS) * 2])
    record = begin(lab.directory, lab.planned())
    lab.carry_out(record)
    assert len(lab.said) == 4
    for number, (words, block) in enumerate(zip(lab.said, record.blocks, strict=True), 1):
        assert words.startswith(f"block {number}/4 {block.condition}: typical ")
    assert "typical 100 µs, worst 100 µs (virtual)" in lab.said[0]
    assert "typical 3.00 ms, worst 3.00 ms, 20 late (virtual)" in lab.said[3]


def test_a_failure_that_repeats_is_told_once_and_then_counted(tmp_path: Path) -> None:
    broken = BoardError("out of reach", where="gate")
    lab = Lab(tmp_path, [broken, broken, broken, good()], PLAN | {"give_up_after": 5})
    record = begin(lab.directory, lab.planned())
    lab.carry_out(record)
    told = [words.partition(": ")[2].partition(";")[0] for words in lab.said]
    assert told == [
        "failed: gate: out of reach",
        "failed as the one before, 2 times now",
        "failed as the one before, 3 times now",
        "typical 100 µs, worst 100 µs (virtual)",
    ]
    entries = [entry_headline(entry) for entry in series_entries(lab.directory, load_series(lab.directory), None)]
    cuts = sorted(entry.cut for entry in entries)
    assert cuts == [
        "Not complete: 1 block failed: gate: out of reach.",
        "Not complete: 2 blocks failed: gate: out of reach.",
    ]


def test_a_failed_block_is_recorded_and_the_sweep_goes_on_with_the_bench_opened_anew(tmp_path: Path) -> None:
    lab = Lab(tmp_path, [[*good(), SourceError("unplugged")], good() * 2])
    record = begin(lab.directory, lab.planned())
    assert lab.carry_out(record) == Ended(False, None)
    assert lab.states() == ["complete", "failed", "complete", "complete"]
    assert load_series(lab.directory).blocks[1].reason == "unplugged"
    assert lab.opened == ["gate", "gate"]
    assert RunReader(lab.directory / record.blocks[1].run).record.state == "incomplete"


def test_it_gives_up_after_so_many_failures_in_a_row(tmp_path: Path) -> None:
    broken = BoardError("out of reach", where="gate")
    lab = Lab(tmp_path, [broken, good(), broken, broken], PLAN | {"repeats": 4, "give_up_after": 2})
    lab.scripts[1] = [*good(), SourceError("gone")]
    ended = lab.carry_out(begin(lab.directory, lab.planned()))
    assert isinstance(ended.gave_up, BoardError)
    assert "2 blocks failed in a row, 4 were not tried" in str(ended.gave_up)
    assert "--resume" in str(ended.gave_up)
    assert lab.states() == ["failed", "complete", "failed", "failed"] + ["planned"] * 4


def test_resuming_measures_what_is_missing_and_deletes_nothing(tmp_path: Path) -> None:
    lab = Lab(tmp_path, [[*good(), SourceError("unplugged")], [*good(), KeyboardInterrupt()]])
    assert lab.carry_out(begin(lab.directory, lab.planned())) == Ended(True, None)
    before = lab.states()
    assert sorted(before) == ["complete", "complete", "failed", "incomplete"]
    there = sorted(path for path in lab.directory.rglob("*") if path.is_file() and path.name != "series.json")
    content = {path: path.read_bytes() for path in there}
    again = Lab(tmp_path, [good(200_000) * 2])
    record = take_up(again.directory, again.planned())
    assert again.carry_out(record) == Ended(False, None)
    assert again.states() == ["complete"] * 4
    assert all(path.read_bytes() == data for path, data in content.items())
    redone = [block for block in record.blocks if block.attempts]
    assert len(redone) == 2
    for block in redone:
        assert block.run.endswith("-again2")
        assert RunReader(lab.directory / block.run).record.state == "complete"
        assert [RunReader(lab.directory / path).record.state for path in block.attempts] == ["incomplete"]
    assert take_up(again.directory, again.planned()) == record


def test_a_block_cut_off_by_a_kill_is_measured_anew_but_a_finished_one_is_taken(tmp_path: Path) -> None:
    lab = Lab(tmp_path, [good() * 4])
    record = begin(lab.directory, lab.planned())
    lab.carry_out(record)
    finished, cut = record.blocks[2], record.blocks[3]
    text = (lab.directory / cut.run / "run.json").read_text()
    (lab.directory / cut.run / "run.json").write_text(text.replace('"state": "complete"', '"state": "running"'))
    finished.state = cut.state = "planned"
    begun = lab.directory / "series.json"
    begun.write_text(record.model_dump_json())
    taken = take_up(lab.directory, lab.planned())
    assert [block.state for block in taken.blocks] == ["complete", "complete", "complete", "planned"]
    assert taken.blocks[2].run == finished.run
    assert taken.blocks[3].attempts == [cut.run]
    assert taken.blocks[3].run == f"{cut.run}-again2"


@pytest.mark.parametrize(
    ("before", "after"), [('"finished": "2', '"finished": "", "was": "2'), ('"seed": ', '"seed": 1')]
)
def test_a_finished_run_is_taken_only_when_closed_and_of_the_same_seed(tmp_path: Path, before: str, after: str) -> None:
    lab = Lab(tmp_path, [good() * 4])
    record = begin(lab.directory, lab.planned())
    lab.carry_out(record)
    block = record.blocks[3]
    path = lab.directory / block.run / "run.json"
    text = path.read_text()
    assert before in text
    path.write_text(text.replace(before, after))
    block.state = "planned"
    (lab.directory / "series.json").write_text(record.model_dump_json())
    assert take_up(lab.directory, lab.planned()).blocks[3].attempts == [block.run]


def test_looking_at_what_a_resume_would_do_changes_nothing(tmp_path: Path) -> None:
    lab = Lab(tmp_path, [[*good(), KeyboardInterrupt()]])
    lab.carry_out(begin(lab.directory, lab.planned()))
    content = (lab.directory / "series.json").read_bytes()
    looked = take_up(lab.directory, lab.planned(), write=False)
    assert any(block.attempts for block in looked.blocks)
    assert (lab.directory / "series.json").read_bytes() == content


def test_a_changed_plan_or_bench_is_not_resumed_but_a_changed_port_is(tmp_path: Path) -> None:
    lab = Lab(tmp_path, [])
    begin(lab.directory, lab.planned())
    other = Lab(tmp_path, [], PLAN | {"count": 21})
    with pytest.raises(SettingError, match="plan has changed since the series began: count was 20, is 21"):
        take_up(lab.directory, other.planned())
    with pytest.raises(SettingError, match="deadline was '2ms', is '3ms'"):
        take_up(lab.directory, lab.planned(BENCH | {"deadline": "3ms"}))
    moved = BENCH | {"source": {"kind": "reference", "port": "/dev/ttyX1"}}
    assert take_up(lab.directory, lab.planned(moved)).blocks == lab.planned().blocks


def test_a_directory_in_use_is_not_written_into(tmp_path: Path) -> None:
    lab = Lab(tmp_path, [])
    begin(lab.directory, lab.planned())
    with pytest.raises(DataError, match="not empty"):
        begin(lab.directory, lab.planned())


def test_warm_ups_are_kept_and_are_in_no_figure(tmp_path: Path) -> None:
    lab = Lab(tmp_path, [(good(900_000, 30) + good(100_000)) * 4], PLAN | {"warm_up": "100ms"})
    record = begin(lab.directory, lab.planned())
    lab.carry_out(record)
    assert all(RunReader(lab.directory / block.warm_up).record.counts["stimuli"] == 30 for block in record.blocks)
    for entry in series_entries(lab.directory, record, None):
        assert entry.counts["stimuli"] == 40
        assert int(entry.reaction_ns.max()) == 100_000


def test_boards_take_turns_on_one_source(tmp_path: Path) -> None:
    plan = {"repeats": 3, "count": 20, "axes": {"board": ["gate", "crane"]}}
    lab = Lab(tmp_path, [good() * 2 for _ in range(6)], plan)
    record = begin(lab.directory, lab.planned())
    lab.carry_out(record)
    turns = [block.condition for block in record.blocks]
    assert lab.opened == [name for name, before in zip(turns, ["", *turns], strict=False) if name != before]
    assert [RunReader(lab.directory / block.run).record.board for block in record.blocks] == turns


def test_a_full_disk_ends_the_sweep_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lab = Lab(tmp_path, [good() * 4])
    record = begin(lab.directory, lab.planned())
    measure, calls = OpenBench.measure, []

    def full(self: OpenBench, *arguments: Any, **more: Any) -> Any:
        calls.append(1)
        if len(calls) == 2:
            raise StoreError("no space")
        return measure(self, *arguments, **more)

    monkeypatch.setattr(OpenBench, "measure", full)
    with pytest.raises(StoreError, match="no space"):
        lab.carry_out(record)
    assert lab.states() == ["complete", "failed", "planned", "planned"]


def test_the_table_has_a_row_a_condition_with_its_grade_and_what_is_missing(tmp_path: Path) -> None:
    lab = Lab(tmp_path, [[*good(3 * MS), SourceError("unplugged")], good() * 2])
    record = begin(lab.directory, lab.planned())
    lab.carry_out(record)
    found = rows(series_entries(lab.directory, record, None))
    headings, lines, notes = sheet(found)
    assert "power" not in headings
    assert notes[-1] == "Of every line, power: not read, temperature: not read."
    shown = {line.name: line for line in lines}
    assert set(shown) == {"100_per_s", "200_per_s"}
    assert all(line.grade == "virtual · loop-back" for line in shown.values())
    told = document(lab.directory, record, found, False, "")
    by_name = {item["condition"]: item for item in told["conditions"]}
    late, failed = record.blocks[0].condition, record.blocks[1].condition
    assert by_name[late]["late"] == 20
    assert by_name[failed]["blocks"] == 1
    assert by_name[failed]["trouble"] == [f"round 1 of {failed}: failed: unplugged"]
    assert by_name[failed]["reaction"]["needed"]["p99_ns"] > 20
    assert shown[failed].bad
    assert "needs " in shown[failed].cells[3].value


OWN_SOURCES: dict[str, Any] = {
    "board": {
        name: {"responder": "external", "source": {"kind": "reference", "port": f"/dev/tty{name}"}}
        for name in ("gate", "crane")
    }
}
TWO_BOARDS: dict[str, Any] = {"repeats": 3, "count": 20, "axes": {"board": ["gate", "crane"]}}


def test_boards_with_sources_of_their_own_are_measured_at_the_same_time(tmp_path: Path) -> None:
    both = threading.Barrier(2, timeout=60)

    def meeting() -> SourceBatch | None:
        both.wait()  # Alone, no board gets past this.
        return None

    by_board: dict[str, list[Script]] = {n: [[meeting, *good(), *good() * 2]] for n in ("gate", "crane")}
    lab = Lab(tmp_path, [], TWO_BOARDS, by_board, OWN_SOURCES)
    record = begin(lab.directory, lab.planned(OWN_SOURCES))
    assert lab.carry_out(record) == Ended(False, None)
    assert lab.states() == ["complete"] * 6
    assert sorted(lab.opened) == ["crane", "gate"], "each bench stays open"
    for name in ("gate", "crane"):
        said = [words.split(":")[1] for words in lab.said if words.startswith(f"{name}: block")]
        assert [words.split()[1] for words in said] == [f"{number}/3" for number in (1, 2, 3)]
    assert {words.partition(": ")[2][:12] for words in lab.watched} == {f"block {n} of 3" for n in (1, 2, 3)}


def test_a_board_that_fails_does_not_stop_the_other(tmp_path: Path) -> None:
    by_board: dict[str, list[Script]] = {"gate": [BoardError("no power") for _ in range(4)], "crane": [good() * 4]}
    plan = TWO_BOARDS | {"repeats": 4, "give_up_after": 2}
    lab = Lab(tmp_path, [], plan, by_board, OWN_SOURCES)
    ended = lab.carry_out(begin(lab.directory, lab.planned(OWN_SOURCES)))
    assert isinstance(ended.gave_up, BoardError)
    states = {name: [b.state for b in load_series(lab.directory).blocks if b.condition == name] for name in by_board}
    assert states == {"gate": ["failed", "failed", "planned", "planned"], "crane": ["complete"] * 4}


def test_stopping_keeps_what_every_board_has_measured(tmp_path: Path) -> None:
    running = threading.Barrier(3, timeout=60)

    def wait_for_all() -> SourceBatch | None:
        running.wait()
        return None

    # After a whole block each board is in the middle of its second one, and would be so for ever.
    by_board: dict[str, list[Script]] = {n: [[*good(), good()[0], wait_for_all]] for n in ("gate", "crane")}
    for scripts in by_board.values():
        steps = scripts[0]
        assert isinstance(steps, list)
        steps[2] = batch([(1, 0), (2, 90_000)])
    lab = Lab(tmp_path, [], TWO_BOARDS, by_board, OWN_SOURCES)
    sweep = lab.sweep(begin(lab.directory, lab.planned(OWN_SOURCES)))

    def interrupt() -> None:
        running.wait()
        signal.raise_signal(signal.SIGINT)

    threading.Thread(target=interrupt).start()
    assert sweep.carry_out() == Ended(True, None)
    blocks = load_series(lab.directory).blocks
    states = {name: [b.state for b in blocks if b.condition == name] for name in by_board}
    assert states == {name: ["complete", "incomplete", "planned"] for name in by_board}
    for block in blocks:
        if block.state == "incomplete":
            assert block.reason == "stopped by the user"
            assert RunReader(lab.directory / block.run).record.counts["stimuli"] == 1
    assert all("close" in source.calls for source in lab.sources)


def test_a_full_disk_ends_every_board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: Any, **more: Any) -> Any:
        raise StoreError("no space")

    monkeypatch.setattr(OpenBench, "measure", full)
    lab = Lab(tmp_path, [], TWO_BOARDS, {"gate": [good()], "crane": [good()]}, OWN_SOURCES)
    with pytest.raises(StoreError, match="no space"):
        lab.carry_out(begin(lab.directory, lab.planned(OWN_SOURCES)))
    assert "complete" not in lab.states()


def test_the_time_left_is_that_of_the_board_that_takes_longest(tmp_path: Path) -> None:
    lab = Lab(tmp_path, [], TWO_BOARDS, {}, OWN_SOURCES)
    record = lab.planned(OWN_SOURCES)
    together = lab.sweep(record).left_s()
    in_turns = lab.sweep(record, at_once=False).left_s()
    assert in_turns > 1.9 * together > 0
