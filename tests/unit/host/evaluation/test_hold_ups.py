"""A traced run, from its directory to sentences, JSON and the figure."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from edgereply.api.explaining import explain
from edgereply.comparison.conditions import differing, respects
from edgereply.errors import DataError
from edgereply.report.figures import hold_ups, plots
from edgereply.report.figures.hold_ups import hold_up_reading
from edgereply.report.material import load_material
from edgereply.storage.run_reader import RunReader
from edgereply.storage.trace_events import TraceEvents
from tests.fakes.saved_runs import reactions, save_run
from tests.fakes.traced_runs import EVENT_NS, IRQ, MADE, NAME, events_beside, save_traced


def said(directory: Path) -> str:
    """All sentences on late answers."""
    return "\n".join(explain(directory, "run").late)


def test_the_culprit_is_named_with_its_share_and_what_to_try(tmp_path: Path) -> None:
    save_traced(tmp_path / "run", seed=1)
    found = explain(tmp_path / "run", "run").as_dict()["held_up"]
    (accused,) = [item for item in found["culprits"] if item["accused"]]
    assert accused["owner"] == {"kind": "interrupt", "number": IRQ, "name": NAME}
    assert accused["answers"] == found["recorded"] == found["late"] > 5
    assert accused["share"] == pytest.approx(1.0, abs=0.01)
    first = found["worst"][0]
    assert [span["owner"]["kind"] for span in first["spans"]] == ["input", "idle", "interrupt", "idle", "answering"]
    assert first["spans"][-1]["end_ns"] == first["set_ns"] - first["edge_ns"]
    text = said(tmp_path / "run")
    assert f"Held up by interrupt {IRQ} ({NAME}): " in text
    assert f"/proc/irq/{IRQ}/smp_affinity_list" in text
    assert "Risk:" in text


def test_the_price_is_told_with_every_traced_run(tmp_path: Path) -> None:
    save_traced(tmp_path / "run")
    found = explain(tmp_path / "run", "run").as_dict()["held_up"]
    # Of a usual answer: the interrupt before the edge, its end, the wake-up and the switch.
    assert (found["events"], found["cost_ns"]) == (4.0, 4 * EVENT_NS)
    assert "made each answer about 1.20 µs slower (4 events of 300 ns each)" in said(tmp_path / "run")


def test_a_run_that_kept_its_deadline_accuses_nobody(tmp_path: Path) -> None:
    save_traced(tmp_path / "run", reaction_ns=reactions(200) % 2_500_000)
    found = explain(tmp_path / "run", "run").as_dict()["held_up"]
    assert found["all_in_time"] is True
    assert not any(item["accused"] for item in found["culprits"])
    text = said(tmp_path / "run")
    assert "Held up by" not in text
    assert "To try:" not in text


def test_answers_with_gaps_are_in_no_figure(tmp_path: Path) -> None:
    save_traced(tmp_path / "run", trace=lambda edge, done: events_beside(edge, done, whole=False))
    found = explain(tmp_path / "run", "run").as_dict()["held_up"]
    assert (found["recorded"], found["culprits"]) == (0, [])
    assert "none of them was recorded" in said(tmp_path / "run")


def test_a_board_that_could_not_says_why_and_one_that_was_not_asked_says_nothing(tmp_path: Path) -> None:
    save_run(tmp_path / "no", in_effect={"trace": {"on": False, "why": "let the agent run as root"}})
    assert "Who had the CPU was not recorded: let the agent run as root." in said(tmp_path / "no")
    save_run(tmp_path / "plain")
    assert "CPU" not in said(tmp_path / "plain")
    assert explain(tmp_path / "plain", "plain").as_dict()["held_up"] is None


def test_a_traced_run_is_not_set_beside_an_untraced_one_without_a_mark(tmp_path: Path) -> None:
    runs = [save_traced(tmp_path / "a"), save_run(tmp_path / "b", 200)]
    facts = [(name, respects(run, run.evidence, run.deadline_ns)) for name, run in zip("AB", runs, strict=True)]
    assert differing(facts)["trace"] == {"on": ["A"], "off": ["B"]}


def test_the_page_has_a_lane_for_each_of_the_slowest(tmp_path: Path) -> None:
    save_traced(tmp_path / "run")
    save_run(tmp_path / "plain", 200)
    material = load_material([tmp_path / "plain", tmp_path / "run"], None, lambda line: None)
    plain, traced = material.views
    assert hold_ups([plain]) is None
    assert hold_up_reading([plain]).rows == ()
    drawing = hold_ups([plain, traced])
    assert drawing is not None
    assert traced.hold_ups is not None
    assert len(drawing.panels[0].y.ticks) == len(traced.hold_ups.worst) == 8
    assert "Run B alone" in drawing.notes[0]
    reading = hold_up_reading([plain, traced])
    assert reading.rows[0][0] == f"interrupt {IRQ} ({NAME})"
    assert any(NAME in line for line in traced.findings)
    assert "hold-ups" in [plot.key for plot in plots.plots([traced])]
    assert "hold-ups" not in [plot.key for plot in plots.plots([plain])]
    assert hold_ups([replace(traced, hold_ups=None)]) is None


def test_what_is_on_disk_is_what_was_added(tmp_path: Path) -> None:
    save_traced(tmp_path / "run", parts=3)
    reader = RunReader(tmp_path / "run")
    assert [part.file for part in reader.record.parts if part.file.startswith("trace/")] == [
        f"trace/part-0000{n}.parquet" for n in range(3)
    ]
    board, trace = reader.board(), reader.trace()
    kept = np.isin(board.edge_ns, trace.edge_ns)
    again = events_beside(board.edge_ns[kept], board.set_ns[kept])
    assert set(again.edge_ns.tolist()) <= set(trace.edge_ns.tolist())
    assert reader.rows("trace") == len(trace.at_ns)
    assert isinstance(trace, TraceEvents)
    (tmp_path / "run/trace/part-00001.parquet").write_bytes(b"x")
    with pytest.raises(DataError, match="altered or truncated"):
        reader.trace()


def test_a_run_without_a_trace_reads_as_none(tmp_path: Path) -> None:
    save_run(tmp_path / "run")
    assert len(RunReader(tmp_path / "run").trace().at_ns) == 0
    assert MADE["on"] is True
