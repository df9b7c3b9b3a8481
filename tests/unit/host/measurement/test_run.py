import time
from array import array
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from edgereply.board.client import BoardClient
from edgereply.errors import SourceError, StoreError
from edgereply.measurement.run import Run, RunOutcome
from edgereply.sources.base import StimulusPlan
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_writer import RunWriter
from edgereply_protocol import (
    COLUMNS,
    NO_STAMP,
    Block,
    Fault,
    Layout,
    Message,
    Progress,
    Stamps,
    Start,
    Started,
    Stop,
    Stopped,
    Traced,
)
from tests.fakes.board_link import FakeAgentLink
from tests.fakes.records import run_record
from tests.fakes.scripted_source import ScriptedSource, Step, batch

MS = 1_000_000
PULSES = [(kind, n * 5 * MS + offset) for n in range(20) for kind, offset in ((1, 0), (2, 100_000), (3, 150_000))]


def answers(count: int) -> Stamps:
    columns = {name: array("q", range(count)) for name in ("edge_ns", "wake_ns", "set_ns", "clear_ns")}
    columns["edge_ns"][0] = NO_STAMP
    return Stamps(Block(Layout.ANSWERS, 0, columns | {n: array("I", range(count)) for n in ("seqno", "line_seqno")}))


def execute(
    tmp_path: Path, steps: Iterable[Step], link: FakeAgentLink | None = None
) -> tuple[RunOutcome, RunReader, ScriptedSource]:
    client = None
    if link is not None:
        client = BoardClient(link)
        client.greet(1.0)
        client.configure("respond", {})
    source = ScriptedSource(steps)
    writer = RunWriter(tmp_path / "run", run_record())
    outcome = Run(client, source, writer, StimulusPlan(count=20), lambda tally, latest: None).execute()
    return outcome, RunReader(tmp_path / "run"), source


def test_a_run_keeps_everything_from_both_sides(tmp_path: Path) -> None:
    link = FakeAgentLink(
        reactions={
            Start: lambda _: [Started(1), answers(12)],
            Stop: lambda _: [answers(8), Stopped(20, 3, 1, "", {"t": 1})],
        }
    )
    outcome, reader, source = execute(tmp_path, [batch(PULSES[:30]), None, batch(PULSES[30:], done=True)], link)
    assert (outcome.state, outcome.error, outcome.environment_after) == ("complete", None, {"t": 1})
    assert (outcome.tally.stimuli, outcome.tally.rises, outcome.tally.answered) == (20, 20, 20)
    assert (outcome.tally.lost_edges, outcome.tally.unrecorded) == (3, 1)
    assert reader.record.state == "complete"
    assert len(reader.source().edges()[0]) == 20
    assert len(reader.board().edge_ns) == 20
    assert source.calls == ["start", "abort"]


def test_edges_that_are_only_watched_are_kept(tmp_path: Path) -> None:
    columns = {"at_ns": array("q", (5, 9, 12, 13)), "kind": array("B", (1, 2, 3, 4)), "seqno": array("I", (1, 1, 2, 3))}
    seen = Stamps(Block(Layout.EVENTS, 0, columns))
    link = FakeAgentLink(
        reactions={Start: lambda _: [Started(1), seen], Stop: lambda _: [Stopped(4, 0, 0, "", {})]},
    )
    outcome, reader, _ = execute(tmp_path, [batch(PULSES, done=True)], link)
    assert outcome.tally.answered == 1
    edges = reader.observed()
    assert [edges.at_ns.tolist(), edges.kind.tolist(), edges.seqno.tolist()] == [list(c) for c in columns.values()]
    assert len(reader.board().edge_ns) == 0


def test_the_board_waits_before_the_first_stimulus(tmp_path: Path) -> None:
    order: list[str] = []

    def waits(_: Message) -> list[Message]:
        order.append("board")
        return [Started(1)]

    link = FakeAgentLink(reactions={Start: waits})

    def first() -> None:
        order.append("source")

    execute(tmp_path, [first, batch([], done=True)], link)
    assert order == ["board", "source"]


def test_trouble_at_the_source_keeps_what_came_before(tmp_path: Path) -> None:
    link = FakeAgentLink()
    outcome, reader, _ = execute(tmp_path, [batch(PULSES[:30]), SourceError("unplugged")], link)
    assert isinstance(outcome.error, SourceError)
    assert (reader.record.state, reader.record.reason) == ("incomplete", "unplugged")
    assert len(reader.source().edges()[0]) == 10
    assert any(isinstance(message, Stop) for message in link.heard)


def test_a_source_that_is_late_but_not_silent_may_finish(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("edgereply.measurement.run.MARGIN_S", 0.0)
    late: list[Step] = [
        batch(PULSES[:30]),
        lambda: time.sleep(0.3),
        batch(PULSES[30:33]),
        batch(PULSES[33:], done=True),
    ]
    outcome, reader, _ = execute(tmp_path, late)
    assert outcome.state == "complete"
    assert len(reader.source().edges()[0]) == 20


def test_a_source_that_falls_silent_ends_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("edgereply.measurement.run.MARGIN_S", 0.0)
    monkeypatch.setattr("edgereply.measurement.run.STALL_S", 0.1)
    outcome, reader, _ = execute(tmp_path, [batch(PULSES[:30]), lambda: time.sleep(0.3), None, batch(PULSES[30:])])
    assert "has not finished after" in outcome.reason
    assert "(10 of 20 stimuli)" in outcome.reason
    assert len(reader.source().edges()[0]) >= 10


def test_a_source_that_never_finishes_ends_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("edgereply.measurement.run.MARGIN_S", 0.0)
    monkeypatch.setattr("edgereply.measurement.run.MOST_TIMES_SLOWER", 2)
    endless: list[Step] = [batch(PULSES[:30]), lambda: time.sleep(0.3), batch(PULSES[30:33]), batch(PULSES[33:])]
    outcome, _, _ = execute(tmp_path, endless)
    assert "has not finished after" in outcome.reason


def test_a_link_that_drops_keeps_what_came_and_quietens_the_source(tmp_path: Path) -> None:
    link = FakeAgentLink()

    def cut() -> None:
        link.cut = True

    outcome, reader, source = execute(tmp_path, [batch(PULSES[:30]), cut, batch(PULSES[30:])], link)
    assert outcome.error is not None
    assert outcome.error.exit_code == 3
    assert reader.record.state == "incomplete"
    assert len(reader.source().edges()[0]) == 20
    assert "abort" in source.calls


def test_a_fault_on_the_board_ends_the_run(tmp_path: Path) -> None:
    link = FakeAgentLink()

    def fault() -> None:
        link.say(Fault("responder-died", "the responder died", remedy="look at the board's log"))

    outcome, reader, _ = execute(tmp_path, [batch(PULSES[:30]), fault], link)
    assert "responder died" in outcome.reason
    assert reader.record.state == "incomplete"


def test_an_agent_that_stops_by_itself_ends_the_run(tmp_path: Path) -> None:
    link = FakeAgentLink()

    def stop() -> None:
        link.say(Stopped(3, 0, 0, "no sign of life from the host for 30 s"))

    outcome, _, _ = execute(tmp_path, [batch(PULSES[:30]), stop], link)
    assert "no sign of life" in outcome.reason


def test_interruption_keeps_what_came_and_stops_both(tmp_path: Path) -> None:
    link = FakeAgentLink()
    outcome, reader, source = execute(tmp_path, [batch(PULSES[:30]), KeyboardInterrupt(), batch(PULSES[30:36])], link)
    assert outcome.interrupted
    assert (reader.record.state, reader.record.reason) == ("incomplete", "stopped by the user")
    assert len(reader.source().edges()[0]) == 12
    assert any(isinstance(message, Stop) for message in link.heard)
    assert source.calls[-1] == "abort"


def test_an_interrupt_while_both_ends_are_quietened_is_one_of_the_run(tmp_path: Path) -> None:
    link = FakeAgentLink(reactions={Start: lambda _: [Started(1), answers(20)]})
    steps: list[Step] = [batch(PULSES, done=True), KeyboardInterrupt()]
    outcome, reader, _ = execute(tmp_path, steps, link)
    assert (outcome.state, outcome.reason, outcome.interrupted) == ("incomplete", "stopped by the user", True)
    assert outcome.error is None
    assert any(isinstance(message, Stop) for message in link.heard)
    assert (len(reader.source().edges()[0]), len(reader.board().edge_ns)) == (20, 20)
    assert reader.record.state == "incomplete"


def test_a_full_disk_ends_the_run_with_the_reason(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise StoreError("the run cannot be written: No space left on device")

    monkeypatch.setattr(RunWriter, "add_source", full)
    outcome, _, source = execute(tmp_path, [batch(PULSES[:30])])
    assert "No space left" in outcome.reason
    assert "abort" in source.calls


def test_without_a_board_the_source_alone_is_enough(tmp_path: Path) -> None:
    outcome, reader, _ = execute(tmp_path, [batch(PULSES, done=True)])
    assert outcome.state == "complete"
    assert len(reader.board().edge_ns) == 0


def said_to(said: list[Message]) -> Callable[[Message], list[Message]]:
    return lambda _: said


def test_more_rows_than_there_can_be_edges_end_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """20 stimuli, and a board that may add 20 rows to each of them and 100 besides."""
    monkeypatch.setattr("edgereply.measurement.run.MOST_ADDED", 100)
    for count, fits in ((500, True), (501, False)):
        said: list[Message] = [Started(1), answers(count)]
        link = FakeAgentLink(reactions={Start: said_to(said)})
        outcome, reader, _ = execute(tmp_path / str(count), [None, batch(PULSES, done=True)], link)
        assert (outcome.state == "complete") is fits
        assert fits or "sent 501 rows for 20 stimuli" in outcome.reason
        assert len(reader.board().edge_ns) == (count if fits else 0)


def traced(rows: int) -> Traced:
    """An answer and so many events beside it."""
    columns = {name: array(code, [1] * rows) for name, code in COLUMNS[Layout.TRACE]}
    about = {"edge_ns": 5, "set_ns": 9, "why": "late", "rows": rows, "whole": True}
    return Traced({"pid": 1, "answers": [about], "names": ["", "x"]}, Block(Layout.TRACE, 0, columns))


def test_events_of_the_kernel_are_kept(tmp_path: Path) -> None:
    link = FakeAgentLink(
        reactions={Start: lambda _: [Started(1), traced(3)], Stop: lambda _: [traced(2), Stopped(0, 0, 0, "")]}
    )
    _, reader, _ = execute(tmp_path, [batch(PULSES, done=True)], link)
    assert (reader.trace().name.tolist(), reader.rows("trace")) == (["x"] * 5, 5)


def test_a_board_that_sends_events_without_end_ends_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("edgereply.measurement.run.MOST_TRACED", 4)
    link = FakeAgentLink(reactions={Start: lambda _: [Started(1), traced(3), traced(2)]})
    outcome, reader, _ = execute(tmp_path, [None, batch(PULSES, done=True)], link)
    assert outcome.error is not None
    assert "sent 5 events of its kernel" in outcome.reason
    assert reader.rows("trace") == 3


def test_a_board_that_reports_without_end_ends_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("edgereply.measurement.run.MOST_REPORTS_A_S", 0)
    said = Progress(1, 0, 0, 1, {"reading": {"gauge x": 1}})
    link = FakeAgentLink(reactions={Start: lambda _: [Started(1), *[said] * 201]})
    outcome, reader, _ = execute(tmp_path, [None, batch(PULSES, done=True)], link)
    assert "sent 201 reports" in outcome.reason
    assert len(reader.context()) == 200


class Clock:
    """A time that goes on by so much whenever it is asked for."""

    def __init__(self, step_s: float) -> None:
        self.now_s, self.step_s = 1000.0, step_s

    def monotonic(self) -> float:
        self.now_s += self.step_s
        return self.now_s


def test_a_source_that_always_has_something_ends_at_the_last_deadline(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Virtual time; it never stalls, so nothing else would end it. 20 stimuli of 10 ms, 20 times slower, and 30 s."""
    clock = Clock(0.01)
    monkeypatch.setattr("edgereply.system.deadline.time", clock)
    endless: list[Step] = [batch([(1, n * MS)]) for n in range(30_000)]
    outcome, _, source = execute(tmp_path, endless)
    assert "has not finished after" in outcome.reason
    assert len(source._steps) > 1000


def test_an_agent_that_does_not_stop_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It goes on reporting, so it is not silent; the wait of 15 s passes in virtual time."""
    monkeypatch.setattr("edgereply.system.deadline.time", Clock(0.05))
    link = FakeAgentLink(reactions={Stop: lambda _: []})
    read, reads = link.read, 0

    def reading(timeout_s: float) -> bytes | None:
        nonlocal reads
        reads += 1
        if reads > 5000:
            pytest.fail("it waited on and on")
        return read(timeout_s)

    monkeypatch.setattr(link, "read", reading)
    outcome, _, _ = execute(tmp_path, [batch(PULSES, done=True)], link)
    assert "the agent did not stop in time" in outcome.reason
    assert outcome.error is not None
    assert outcome.error.exit_code == 3
