"""`init` and `schema`: by options without a terminal, by questions on one of 80 columns and 24 rows."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from tests.fakes.scripted_serial import ScriptedSerial
from tests.fakes.strict_generator import StrictGenerator
from tests.fakes.terminal import COLUMNS, ROWS, Terminal
from tests.integration.commands import Done, Workplace
from tests.products import cache, product, run
from tests.tools import need

from edgereply.config.bench_file import load_bench
from edgereply.config.plan_file import load_plan
from edgereply.config.schema import schema
from edgereply.sources.ports.visa import resources

PROGRAM = [sys.executable, "-m", "tests.fakes.inspected_board"]
ROOT = Path(__file__).parents[2]
SIMULATED = Path(__file__).parents[1] / "fakes/instruments/generator.yaml"
TAPLO = Path(__file__).with_name("taplo")
VIRTUAL = ("init", "--reach", "virtual", "--deadline", "2ms", "--count", "60", "--rate", "500/s")


@pytest.fixture
def place(tmp_path: Path) -> Workplace:
    return Workplace(tmp_path)


def on_fake_board(folder: Path, *arguments: str) -> Done:
    """Run `init` without a terminal, the board behind it an invented one."""
    command = [*PROGRAM, "init", *arguments]
    env = {"PYTHONPATH": f"{ROOT}:{ROOT / 'host'}:{ROOT / 'agent'}:{ROOT / 'protocol'}", "PATH": "/usr/bin:/bin"}
    done = subprocess.run(
        command, cwd=folder, env=env, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=90, check=False
    )
    return Done(done.returncode, done.stdout, done.stderr)


def at_terminal(folder: Path, *arguments: str, **more_env: str) -> Terminal:
    """Start `init` on a terminal."""
    path = f"{ROOT}:{ROOT / 'host'}:{ROOT / 'agent'}:{ROOT / 'protocol'}"
    return Terminal([*PROGRAM, "init", *arguments], folder, PYTHONPATH=path, **more_env)


def test_without_a_terminal_every_option_that_is_missing_is_named(place: Workplace) -> None:
    done = place.run("init")
    assert done.code == 2
    for option in ("--host HOST", "--source", "--deadline TIME"):
        assert option in done.err
    assert not list(place.root.glob("*.toml"))
    done = place.run("init", "--host", "gate", "--source", "reference", "--level", "5", "--deadline", "2ms")
    for option in ("--input LINE", "--output LINE", "--port PORT", "--divider or --no-divider"):
        assert option in done.err
    assert "--deadline" not in done.err


def test_a_bench_of_software_wires_is_written_and_measured(place: Workplace) -> None:
    done = place.run(*VIRTUAL)
    assert done.code == 0, done.err
    assert "stimulus" in done.out
    assert "bench.toml written" in done.err
    assert (place.root / "bench.toml").read_text().startswith("#:schema ./bench.schema.json\n")
    assert json.loads((place.root / "bench.schema.json").read_text()) == schema("bench")
    measured = place.run("measure", "--out", "run", "--json")
    assert measured.code == 0, measured.err
    assert measured.document["stimuli"] == 60


def test_a_file_that_is_there_is_left_alone(place: Workplace) -> None:
    path = place.write("mine = 1\n")
    done = place.run(*VIRTUAL)
    assert done.code == 2
    assert "--force" in done.err
    assert path.read_text() == "mine = 1\n"
    assert place.run(*VIRTUAL, "--force").code == 0
    assert load_bench(path).deadline == 2_000_000


def test_the_document_has_what_was_written(place: Workplace) -> None:
    done = place.run(*VIRTUAL, "--json")
    assert done.document["bench"] == tomllib.loads((place.root / "bench.toml").read_text())
    assert any("stimulus" in line for line in done.document["drawing"])


def test_a_plan_is_written_and_read_by_sweep(place: Workplace) -> None:
    assert place.run(*VIRTUAL).code == 0
    done = place.run("init", "--plan")
    assert done.code == 2
    for option in ("--vary AXIS=VALUES", "--rounds N", "--dwell TIME"):
        assert option in done.err
    vary = ("--vary", "wait=block,spin", "--vary", "load=none; cpu=1, memory=2M", "--vary", "fifo_priority=none,50")
    assert place.run("init", "--plan", *vary, "--rounds", "2", "--dwell", "1s").code == 0
    plan = load_plan(place.root / "plan.toml")
    assert plan.axes.load == ["none", "cpu=1, memory=2M"]
    assert plan.axes.fifo_priority == ["none", 50]
    dry = place.run("sweep", "plan.toml", "--dry-run")
    assert dry.code == 0, dry.err
    assert "16 blocks" in dry.out + dry.err


@pytest.mark.parametrize(
    ("vary", "said"),
    [("waits=block", "is no axis"), ("wait", "is no axis"), ("wait=blok", "blok"), ("rate=fast", "is not a rate")],
)
def test_an_axis_that_is_none_is_refused(place: Workplace, vary: str, said: str) -> None:
    assert place.run(*VIRTUAL).code == 0
    done = place.run("init", "--plan", "--vary", vary, "--rounds", "2", "--dwell", "1s")
    assert done.code == 2
    assert said in done.err
    assert not (place.root / "plan.toml").exists()


def test_lines_are_held_against_the_board(tmp_path: Path) -> None:
    fixed = ("--host", "gate", "--output", "REJECT_OUT", "--source", "self", "--stimulus-line", "SPARE_OUT",
             "--capture-line", "SPARE_IN", "--deadline", "2ms")  # fmt: skip
    for line, said in (("EYE", "did you mean EYE_IN"), ("LAMP", "used by lamp driver"), ("REJECT_OUT", "one line")):
        done = on_fake_board(tmp_path, *fixed, "--input", line)
        assert done.code == 2, done.err
        assert said in done.err
        assert not (tmp_path / "bench.toml").exists()
    done = on_fake_board(tmp_path, *fixed, "--input", "gpiochip0:3")
    assert done.code == 0, done.err
    assert str(load_bench(tmp_path / "bench.toml").board["gate"].input) == "gpiochip0:3"


def test_a_board_or_source_that_does_not_answer_is_said_and_nothing_is_written(tmp_path: Path) -> None:
    fixed = ("--input", "EYE_IN", "--output", "REJECT_OUT", "--source", "generator", "--port", "/dev/ttyNONE",
             "--level", "3.3", "--deadline", "2ms")  # fmt: skip
    done = on_fake_board(tmp_path, "--host", "off", *fixed)
    assert (done.code, "no answer within 20 s" in done.err) == (3, True)
    done = on_fake_board(tmp_path, "--host", "gate", *fixed)
    assert (done.code, "there is no such serial port" in done.err) == (3, True)
    assert not (tmp_path / "bench.toml").exists()
    assert on_fake_board(tmp_path, "--host", "off", *fixed, "--no-try").code == 0
    assert load_bench(tmp_path / "bench.toml").source.port == "/dev/ttyNONE"


def test_questions_lead_to_a_bench_file_on_a_small_terminal(tmp_path: Path) -> None:
    screens = []
    with ScriptedSerial(StrictGenerator().reply) as line, at_terminal(tmp_path) as terminal:
        for question, answer in [
            ("Which", "1"),
            ("after ssh", "off"),
            ("And now", "2"),
            ("after ssh", "user@gate.lan"),
            ("A name for it", ""),
            ("Input", "bank"),
            ("Input", "LAMP"),
            ("Input", "EYE_IN"),
            ("Output", "EYE_IN"),
            ("Output", "REJECT_OUT"),
            ("Which", "generator"),
            ("Port", "/dev/ttyNONE"),
            ("And now", "other"),
            ("Port", line.port),
            ("Level of", "five"),
            ("Level of", "5"),
            ("board's input bears", ""),
            ("divider", "y"),
            ("still of use", "2"),
            ("still of use", "2ms"),
            ("prove them now", "n"),
        ]:
            screens.append(terminal.answer(question, answer))
        assert terminal.end() == 0, terminal.seen
    assert "Works Strict Generator" in terminal.seen
    assert "used by lamp driver" in terminal.seen
    assert "is taken already" in terminal.seen
    assert "would destroy" in terminal.seen
    assert max(map(len, terminal.lines())) <= COLUMNS
    assert max(screen.count("\n") for screen in screens) < ROWS
    bench = load_bench(tmp_path / "bench.toml")
    assert (bench.deadline, list(bench.board)) == (2_000_000, ["gate"])
    assert (str(bench.board["gate"].input), str(bench.board["gate"].output)) == ("EYE_IN", "REJECT_OUT")
    assert (bench.board["gate"].host, bench.source.level_v, bench.source.divider) == ("user@gate.lan", 5.0, True)
    assert (bench.source.kind, bench.source.port, bench.stimulus.pattern) == ("generator", line.port, "periodic")


def test_a_generator_is_found_among_the_visa_resources(tmp_path: Path) -> None:
    """A simulated VISA library lists them; its serial line is not listed twice."""
    library = f"{SIMULATED}@sim"
    given = ("--host", "gate", "--input", "EYE_IN", "--output", "REJECT_OUT", "--level", "3.3", "--deadline", "2ms")
    with at_terminal(tmp_path, *given, PYVISA_LIBRARY=library) as terminal:
        terminal.answer("A name for it", "gate")
        terminal.answer("Which", "generator")
        terminal.until("Port")
        rows = [line.split() for line in terminal.lines() if "VISA resource" in line]
        (number,) = (row[0] for row in rows if row[1].startswith("USB"))
        terminal.answer("Port", number)
        terminal.answer("prove them now", "n")
        assert terminal.end() == 0, terminal.seen
    assert [row[1].partition("::")[0] for row in rows] == ["TCPIP0", "TCPIP0", "USB0"]
    assert "Works Simulated Generator" in terminal.seen
    assert load_bench(tmp_path / "bench.toml").source.port.startswith("USB0::0x1111::0x2222::0x2468")


def test_without_a_visa_library_nothing_is_found_by_it(monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patched:
        patched.setitem(sys.modules, "pyvisa", None)
        assert resources() == ()
    monkeypatch.setenv("PYVISA_LIBRARY", "/nowhere/visa.yaml@sim")
    assert resources() == ()


def test_questions_lead_to_a_plan(tmp_path: Path) -> None:
    workplace = Workplace(tmp_path)
    assert workplace.run(*VIRTUAL).code == 0
    with at_terminal(tmp_path, "--plan") as terminal:
        for question, answer in [
            ("wait: ", "block, spinn"),
            ("wait: ", "block, spin"),
            ("rate: ", ""),
            ("load: ", "none; cpu=1"),
            ("route: ", ""),
            ("fifo_priority: ", ""),
            ("Rounds", "0"),
            ("Rounds", "3"),
            ("each block", ""),
        ]:
            terminal.answer(question, answer)
        assert terminal.end() == 0, terminal.seen
    assert max(map(len, terminal.lines())) <= COLUMNS
    plan = load_plan(tmp_path / "plan.toml")
    assert (plan.repeats, plan.dwell, plan.axes.given()) == (
        3,
        "10s",
        {"wait": ["block", "spin"], "load": ["none", "cpu=1"]},
    )


def test_an_interrupt_and_an_end_of_the_answers_write_nothing(tmp_path: Path) -> None:
    with at_terminal(tmp_path) as terminal:
        terminal.answer("Which", "4")
        terminal.answer("A name", "gate")
        terminal.answer("still of use", "\x04")
        assert terminal.end() == 2
    assert "the answers ended" in terminal.seen
    with at_terminal(tmp_path) as terminal:
        terminal.answer("Which", "4")
        terminal.interrupt()
        assert terminal.end() == 130
    assert not list(tmp_path.iterdir())


def test_the_schema_is_given_by_a_command(place: Workplace) -> None:
    for kind in ("bench", "plan"):
        assert place.run("schema", kind).document == schema(kind)
    assert place.run("schema", "bench", "--out", "s.json").code == 0
    assert json.loads((place.root / "s.json").read_text()) == schema("bench")
    assert place.run("schema", "board").code == 2
    assert place.run("schema", "plan", "--out", "missing/s.json").code == 3


def test_an_editor_follows_the_first_line_to_the_schema(place: Workplace) -> None:
    """The linter is a foreign one, of the library that TOML editors use."""
    npm = need("npm", "npm")

    def make(into: Path) -> None:
        for name in ("package.json", "package-lock.json"):
            (into / name).write_bytes((TAPLO / name).read_bytes())
        run([str(npm), "ci", "--ignore-scripts", "--no-audit", "--no-fund"], into)

    linter = product(cache("editor"), "taplo", [TAPLO], make) / "node_modules/.bin/taplo"
    assert place.run(*VIRTUAL).code == 0
    assert place.run("init", "--plan", "--vary", "wait=block,spin", "--rounds", "2", "--dwell", "1s").code == 0
    good = (place.root / "bench.toml").read_text()
    for name, text in (
        ("slip.toml", good.replace("link =", "lnk =")),
        ("rate.toml", good.replace("500/s", "500 often")),
    ):
        place.write(text, name)
    names = ("bench.toml", "plan.toml", "slip.toml", "rate.toml")
    done = subprocess.run([linter, "lint", *names], cwd=place.root, capture_output=True, text=True, timeout=120)
    assert done.returncode == 1
    assert [name for name in names if f"{place.root}/{name}:" in done.stderr] == ["slip.toml", "rate.toml"], done.stderr
    assert "'lnk' was unexpected" in done.stderr
    assert '"500 often" does not match' in done.stderr
