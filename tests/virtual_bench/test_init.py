"""`init` against a kernel: the board over ssh, its lines by name with who holds them, its pulse source identified."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from edgereply.config.bench_file import load_bench
from tests.fakes.terminal import COLUMNS, ROWS, Terminal
from tests.integration.commands import explained
from tests.virtual_bench.bench import VirtualBench

pytestmark = pytest.mark.virtual_board

ROOT = Path(__file__).parents[2]
REST = ("--source", "reference", "--level", "3.3", "--deadline", "2ms", "--rate", "100/s", "--count", "60")


def board_options(bench: VirtualBench) -> tuple[str, ...]:
    return ("--host", bench.board.host, "--ssh-config", str(bench.board.ssh_config))


def test_options_alone_lead_to_a_bench_that_measures(bench: VirtualBench) -> None:
    """The ssh configuration was typed, so that no later command asks whether it may be used."""
    (bench.place.root / "bench.toml").unlink()
    bench.place.trusts = False
    lines = ("--input", "EYE_IN", "--output", "REJECT_OUT")
    done = bench.run("init", *board_options(bench), *lines, *REST, "--port", bench.board.serial_port, "--wiring")
    assert done.code == 0, done.err
    for said in (
        "28 lines, 27 free",
        f"kernel {bench.board.release}",
        "opening the pulse source",
        "bench.toml written",
    ):
        assert said in done.err, done.err
    measured = bench.run("measure", "--out", "run", "--no-wiring", "--json")
    assert measured.code == 0, measured.err
    assert (measured.document["stimuli"], measured.document["responses"]) == (60, 60)


def test_a_line_that_the_kernel_holds_is_refused(bench: VirtualBench) -> None:
    lines = ("--input", "TAKEN", "--output", "REJECT_OUT", "--out", "mine.toml")
    done = bench.run("init", *board_options(bench), *lines, *REST, "--port", bench.board.serial_port)
    explained(done, 2, "the line TAKEN is used by line-keeper", "choose another")
    assert not (bench.place.root / "mine.toml").exists()


def test_questions_list_the_lines_with_who_holds_them(bench: VirtualBench) -> None:
    (bench.place.root / "bench.toml").unlink()
    # The port is given: which ports this computer has besides would be asked about too.
    given = ("--ssh-config", str(bench.board.ssh_config), "--port", bench.board.serial_port)
    command = [sys.executable, "-m", "edgereply", "init", *given]
    path = f"{ROOT}:{ROOT / 'host'}:{ROOT / 'agent'}:{ROOT / 'protocol'}"
    screens = []
    with Terminal(command, bench.place.root, PYTHONPATH=path) as terminal:
        for question, answer in [
            ("Which", "1"),
            ("after ssh", bench.board.host),
            ("A name for it", "gate"),
            ("Input", "take"),
            ("Input", "EYE_IN"),
            ("Output", "REJECT_OUT"),
            ("Which", "1"),
            ("Level of", "3.3"),
            ("board's input bears", ""),
            ("still of use", "2ms"),
            ("prove them now", "n"),
        ]:
            screens.append(terminal.answer(question, answer))
        assert terminal.end() == 0, terminal.seen
    listed = [line.split() for line in terminal.lines() if "gpiochip" in line]
    assert any(row[1] == "EYE_IN" and row[-1] == "free" for row in listed)
    assert any(row[1] == "TAKEN" and row[-3:] == ["used", "by", "line-keeper"] for row in listed)
    assert "opening the pulse source (reference)" in terminal.seen
    assert max(map(len, terminal.lines())) <= COLUMNS
    assert max(screen.count("\n") for screen in screens) < ROWS
    written = load_bench(bench.place.root / "bench.toml")
    assert (str(written.board["gate"].input), str(written.board["gate"].output)) == ("EYE_IN", "REJECT_OUT")
    assert written.source.port == bench.board.serial_port
