"""The real command line end to end on software wires."""

import html.parser
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from tests.integration.commands import Workplace, bench_text, explained, rows

from edgereply import __version__
from edgereply.evaluation.evaluate import evaluate
from edgereply.storage.run_reader import RunReader

SUMMARY = {
    "stimuli", "responses", "missed", "spurious", "coalesced", "ambiguous", "unobserved", "bounds", "late", "reaction",
    "pulse_width", "segments", "evidence", "virtual", "context",
}  # fmt: skip
FIGURES = {
    "count", "min_ns", "median_ns", "p90_ns", "p99_ns", "p99_9_ns", "max_ns", "mean_ns", "std_ns", "peak_to_peak_ns",
    "tail_spread_ns", "ci95", "ci95_method", "effective_count", "needed", "rough",
}  # fmt: skip
LOST = {"lost_edges", "unrecorded", "lost_records"}
SEGMENTS = {"wake_delay", "set_time", "hold", "outside"}
COMMANDS = ("demo", "inspect", "deploy", "wiring", "measure", "report")


class Loads(html.parser.HTMLParser):
    """Addresses a page would fetch when it is opened; links to follow are not among them."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self._style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._style = tag == "style"
        for name, value in attrs:
            if name in ("src", "srcset", "data", "poster") or (name == "href" and tag in ("link", "image", "use")):
                self.found.append(value or "")
            if name == "style":
                self.found += re.findall(r"url\(([^)]*)\)", value or "")

    def handle_data(self, data: str) -> None:
        if self._style:
            self.found += re.findall(r"url\(([^)]*)\)|@import\s+([^;]*)", data)


def test_demo_gives_one_json_document_two_runs_and_a_page(place: Workplace) -> None:
    done = place.run("demo", "--dwell", "1s", "--json", "--out", "demo")
    assert done.code == 0, done.err
    document = done.document
    assert set(document) == {"page", "runs"}
    assert len(document["runs"]) == 2
    for summary in document["runs"]:
        assert set(summary) == SUMMARY | {"run"}
        assert set(summary["reaction"]) == set(summary["pulse_width"]) == FIGURES
        assert set(summary["segments"]) == SEGMENTS
        assert all(set(segment) == FIGURES for segment in summary["segments"].values())
        assert summary["virtual"] is True
        assert summary["evidence"] == "joined"
        assert summary["stimuli"] == 1000
        assert rows(place.root / summary["run"])[0] >= 1000
    page = (place.root / document["page"]).read_text(encoding="utf-8")
    assert "virtual" in page.lower()
    loads = Loads()
    loads.feed(page)
    assert not [address for address in loads.found if not str(address).strip("'\"").startswith(("data:", "#"))]
    assert "where: " not in done.err
    assert "evaluating" in done.err


def test_the_loads_of_a_page_are_seen() -> None:
    """Otherwise the test above could not fail."""
    for text in (
        "<script src='https://x.example/a.js'></script>",
        "<link rel=stylesheet href='//x.example/a.css'>",
        "<style>@import 'a.css';</style>",
        "<style>a{background:url(http://x.example/a.png)}</style>",
        "<p style='background:url(a.png)'>",
    ):
        loads = Loads()
        loads.feed(text)
        assert loads.found, text


def test_measure_then_report_of_two_runs(place: Workplace) -> None:
    place.write(bench_text())
    for number, wait in enumerate(("block", "spin")):
        done = place.run("measure", "--wait", wait, "--seed", "7", "--out", f"run{number}", "--json")
        assert done.code == 0, done.err
        assert set(done.document) == SUMMARY | {"run", "state", "warnings"} | LOST
        assert {name: done.document[name] for name in LOST} == dict.fromkeys(LOST, 0)
        assert done.document["state"] == "complete"
        assert done.document["stimuli"] == 300
    done = place.run("report", "run0", "run1", "-o", "page.html", "--deadline", "1ms", "--json")
    assert done.code == 0, done.err
    assert [set(run) for run in done.document["runs"]] == [SUMMARY | {"places", "name", "verdict"}] * 2
    assert [run["places"] for run in done.document["runs"]] == [["run0"], ["run1"]]
    page = (place.root / "page.html").read_text(encoding="utf-8")
    for run in ("run0", "run1"):
        assert RunReader(place.root / run).record.run_id in page
    done = place.run("report", "run0", "run1", "--table", "comparison", "-o", "table.csv")
    assert done.code == 0, done.err
    assert (place.root / "table.csv").read_text(encoding="utf-8").count("virtual · joined") == 2
    done = place.run("report", "run0", "--table", "summary")
    assert (done.code, done.out.startswith("Summary. A: gate")) == (0, True)


def test_options_and_bench_file_come_to_what_the_record_says(place: Workplace) -> None:
    place.write(bench_text(board='collection = "stream"'), "other.toml")
    done = place.run(
        "measure", "--bench", "other.toml", "--board", "gate", "--wait", "spin", "--collection", "quiet", "--pattern",
        "periodic", "--rate", "400/s", "--count", "123", "--seed", "9", "--deadline", "3ms", "--out", "run",
    )  # fmt: skip
    assert done.code == 0, done.err
    assert "123" in done.out
    record = RunReader(place.root / "run").record
    assert record.state == "complete"
    assert record.deadline_ns == 3_000_000
    assert record.in_effect["wait"] == "spin"
    assert record.in_effect["collection"] == "quiet"
    plan = record.source.plan
    assert (plan["pattern"], plan["period_ns"], plan["count"], plan["seed"]) == ("periodic", 2_500_000, 123, 9)
    assert record.counts["stimuli"] == 123
    assert "--count 123" in record.repeat[0]


def test_a_summary_can_be_computed_again_and_again(place: Workplace) -> None:
    place.write(bench_text(options="drop = 0.05, spurious = 0.05"))
    done = place.run("measure", "--out", "run", "--json")
    assert done.code == 0, done.err
    reader = RunReader(place.root / "run")
    record = reader.record
    again = [
        evaluate(reader.source(), reader.board(), record.window_ns, record.deadline_ns).summary(record.virtual)
        for _ in range(2)
    ]
    assert json.dumps(again[0]) == json.dumps(again[1])
    # What the board went through is in the record, not in the stamps.
    assert json.loads(json.dumps(again[0])) | {"context": record.context} == record.summary
    lost = {name: record.counts[name] for name in LOST}
    told = {"run": "run", "state": "complete", "warnings": record.warnings}
    assert {**record.summary, **lost, **told} == done.document


def test_what_the_record_warns_of_is_said_after_the_measurement(place: Workplace) -> None:
    place.write(bench_text(count=60))
    done = place.run("measure", "--load", "storage=1M", "--out", "run", "--details")
    assert done.code == 0, done.err
    warnings = RunReader(place.root / "run").record.warnings
    assert any("wears flash memory" in warning for warning in warnings)
    for warning in warnings:
        assert f"note: {warning}" in done.err
    assert "next: edgereply verdict run\n" in done.err


@pytest.mark.parametrize("wait", ["block", "spin"])
def test_the_tool_loses_nothing_at_2000_stimuli_a_second(place: Workplace, wait: str) -> None:
    place.write(bench_text(rate="2000/s", floor="200us", count=6_000))
    done = place.run("measure", "--wait", wait, "--out", "run")
    assert done.code == 0, done.err
    reader = RunReader(place.root / "run")
    counts = reader.record.counts
    assert (counts["lost_edges"], counts["unrecorded"], counts["lost_records"]) == (0, 0, 0)
    assert [len(edges) for edges in reader.source().edges()] == [6_000] * 3
    board = reader.board()
    assert len(board.edge_ns) == 6_000
    assert (np.diff(board.line_seqno.astype(np.int64)) == 1).all()


def test_without_a_name_runs_go_where_they_cannot_collide(place: Workplace) -> None:
    place.write(bench_text(count=20))
    for _ in range(2):
        assert place.run("measure").code == 0
    assert len(list((place.root / "runs").iterdir())) == 2


def test_the_wires_can_be_shown_without_a_bench_that_is_there(place: Workplace) -> None:
    place.write(bench_text())
    done = place.run("wiring", "--only-show")
    assert done.code == 0, done.err
    assert "gate" in done.out


def test_software_wires_are_drawn_and_said_to_need_no_check(place: Workplace) -> None:
    place.write(bench_text())
    done = place.run("wiring")
    assert done.code == 0, done.err
    assert "▶ input " in done.out
    assert "none to make or to check" in done.err
    done = place.run("wiring", "--json")
    document = json.loads(done.out)
    assert (done.code, document["virtual"], document["right"], document["findings"]) == (0, True, None, [])
    assert "none to make or to check" in done.err
    assert json.loads(place.run("wiring", "--only-show", "--json").out)["drawing"] == document["drawing"]


def test_the_wires_of_a_board_without_an_agent_are_drawn_and_said_to_be_unchecked(place: Workplace) -> None:
    place.write('[board.gate]\nresponder = "external"\n[source]\nkind = "lines"\nport = "/dev/nothing"\n')
    done = place.run("wiring")
    assert done.code == 0, done.err
    assert "▶ input " in done.out
    assert "these wires are not checked" in done.err


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(place: Workplace, command: str) -> None:
    done = place.run(command, "--help")
    assert done.code == 0
    assert done.out.startswith(f"Usage: python -m edgereply {command} ")
    assert "--json" in done.out
    assert done.err == ""


def test_help_names_every_command(place: Workplace) -> None:
    done = place.run("--help")
    assert done.code == 0
    listed = re.findall(r"^  ([a-z]+) {2,}\S", done.out.partition("Commands:")[2], re.MULTILINE)
    assert set(COMMANDS) <= set(listed)


def test_version(place: Workplace) -> None:
    done = place.run("--version")
    assert (done.code, done.out, done.err) == (0, f"edgereply {__version__}\n", "")


@pytest.mark.parametrize(
    "arguments",
    [
        ["--nonsense"], ["nonsense"], ["measure", "--count", "many"], ["measure", "--count"], ["report"],
        ["export", "run", "--to", "docx"], ["verdict", "a", "b"], ["measure", "--rout", "chardev"],
    ],
)  # fmt: skip
def test_a_wrong_command_line_is_bad_input(place: Workplace, arguments: list[str]) -> None:
    """Said as every other error is said."""
    done = place.run(*arguments)
    assert done.out == ""
    explained(done, 2, "--help' lists what there is")
    assert "Error" not in done.err


def test_a_reader_that_has_gone_is_no_crash(place: Workplace) -> None:
    place.write(bench_text(count=20))
    reader, writer = os.pipe()
    os.close(reader)
    command = [sys.executable, "-m", "edgereply", "measure", "--json", "--out", "run"]
    done = subprocess.run(command, cwd=place.root, stdout=writer, stderr=subprocess.PIPE, text=True, timeout=60)
    os.close(writer)
    assert done.returncode == 3
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert RunReader(place.root / "run").record.state == "complete"


def test_a_full_output_is_told(place: Workplace) -> None:
    with Path("/dev/full").open("w") as full:
        command = [sys.executable, "-m", "edgereply", "--help"]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, timeout=60)
    assert done.returncode == 3
    assert done.stderr.startswith("edgereply: No space left on device\n  where: standard output\n  what to do: ")
