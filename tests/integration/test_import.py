"""`edgereply import` as a person uses it: look, accept, and every other command on the run."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.integration.commands import Workplace
from tests.unit.host.exchange.imports.layouts import LAYOUTS, REACTION, RISES, WIDTH, rows, truth

from edgereply.cli.app import app
from edgereply.errors import HostError
from edgereply.storage.run_reader import RunReader

ROOT = Path(__file__).parents[2]
RECORDINGS = ROOT / "examples" / "recordings"


def imported(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    """The JSON document of a command that is run without a process of its own."""
    app(["import", *arguments, "--json"], standalone_mode=False)
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_the_example_becomes_a_run_that_all_commands_read(place: Workplace) -> None:
    file = str(RECORDINGS / "reject_gate.csv")
    looked = place.run("import", file)
    assert looked.code == 0, looked.err
    assert "20 stimuli, 20 answered, 0 missed, 0 spurious" in looked.out
    assert "virtual · imported" in looked.out
    assert "nothing was written" in looked.err
    assert not list(place.root.glob("run*"))
    done = place.run("import", file, "--accept", "--out", "run", "--deadline", "2ms", "--clock-ppm", "25", "--json")
    assert done.code == 0, done.err
    assert done.document["accepted"] is True
    assert RunReader(place.root / "run").record.summary == done.document["found"]
    verdict = place.run("verdict", "run")
    assert verdict.code == 1
    assert "VIRTUAL · measured by: imported" in verdict.out
    assert "VIRTUAL · measured by: imported" in place.run("explain", "run").out
    compared = place.run("compare", "run", "run", "--json")
    assert compared.code == 0, compared.err
    assert {item["evidence"] for item in compared.document["runs"]} == {"imported"}
    report = place.run("report", "run", "-o", "page.html")
    assert report.code == 0, report.err
    assert "recording made with another instrument" in (place.root / "page.html").read_text()
    place.nothing_left()


@pytest.mark.parametrize(
    ("name", "least_ns", "most_ns"), [("reject_gate.csv", 8_000, 9_000), ("reject_gate.vcd", 80, 200)]
)
def test_the_examples_hold_what_was_put_into_them(
    name: str, least_ns: int, most_ns: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """2.4 ms and the difference of the two RC delays, (5 − 2) µs · ln 2, within what the instrument knows."""
    run = tmp_path / "run"
    file = str(RECORDINGS / name)
    imported(capsys, file, "--accept", "--out", str(run), "--deadline", "2ms", "--clock-ppm", "25")
    record = RunReader(run).record
    assert (record.evidence, record.virtual, record.counts["late"]) == ("imported", True, 1)
    reaction = record.summary["reaction"]
    known_ns = reaction["known_to"]["expanded_ns"]
    assert reaction["max_ns"] == pytest.approx(2_400_000 + 3_000 * np.log(2.0), abs=known_ns)
    assert least_ns < known_ns < most_ns


def test_the_examples_are_what_their_program_makes(tmp_path: Path) -> None:
    for name in ("make.py",):
        (tmp_path / name).write_text((RECORDINGS / name).read_text())
    done = subprocess.run([sys.executable, str(tmp_path / "make.py")], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    for name in ("reject_gate.csv", "reject_gate.vcd"):
        made = (tmp_path / name).read_text()
        assert "invented" in made
        assert made == (RECORDINGS / name).read_text()


def test_stimulus_and_response_in_files_of_their_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    t = truth()
    for name, values in (("a", t.first), ("b", t.second)):
        Path(f"{name}.csv").write_text("Time (s),Volt (V)\n" + rows(",", ".", t.time_s, values))
    with pytest.raises(HostError, match=r"only one channel.*--response-file") as caught:
        app(["import", "a.csv"], standalone_mode=False)
    assert caught.value.exit_code == 2
    shown = capsys.readouterr().out
    assert "channel = Volt: 12 edges, low 0 V, high 3.25 V" in shown
    assert "first edges" in shown
    found = imported(capsys, "a.csv", "--response-file", "b.csv", "--accept", "--out", "run")
    assert found["found"]["reaction"]["median_ns"] == REACTION * 1_000
    assert found["found"]["pulse_width"]["median_ns"] == WIDTH * 1_000
    assert found["found"]["stimuli"] == len(RISES)
    assert found["channels"]["Volt (response)"]["role"] == "response"
    record = RunReader(Path("run")).record
    assert not record.virtual
    assert sorted(record.requested["import"]["files"]) == ["a.csv", "b.csv"]
    assert any("--clock-ppm" in warning for warning in record.warnings)


def test_options_do_what_they_say(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    t = truth()
    spiky = t.first.copy()
    spiky[450:452] = 3.25
    Path("a.csv").write_text("Time (s),A (V),B (V)\n" + rows(",", ".", t.time_s, spiky, 5.0 - t.second))
    plain = imported(capsys, "a.csv", "--stimulus", "A")
    assert plain["found"]["stimuli"] == len(RISES) + 1
    assert plain["found"]["reaction"]["min_ns"] == (REACTION + WIDTH) * 1_000
    assert any("--glitch" in doubt for doubt in plain["doubts"])
    assert any("--active-low-response" in doubt for doubt in plain["doubts"])
    found = imported(
        capsys, "a.csv", "--stimulus", "A", "--glitch", "5us", "--active-low-response", "--levels", "A=0,3.4V",
        "--window", "200us", "--virtual",
    )  # fmt: skip
    # Half of 3.4 V is reached so much later than half of 3.25 V on an edge of 1.625 V in a microsecond.
    later = 1_000 * (1.7 - 1.625) / 1.625
    assert found["found"]["reaction"]["min_ns"] == pytest.approx(REACTION * 1_000 - later, abs=1)
    assert (found["found"]["stimuli"], found["found"]["responses"]) == (len(RISES), len(RISES))
    assert found["channels"]["A"]["glitches_removed"] == 2
    assert (found["channels"]["A"]["low"], found["channels"]["A"]["high"]) == (0.0, 3.4)
    assert found["window_ns"] == 200_000
    assert found["found"]["virtual"] is True


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["a.csv", "--out", "run"], ["--out", "--accept"]),
        (["a.csv", "--accept", "--preview"], ["--preview writes nothing"]),
        (["a.csv", "--stimulus", "C"], ["no channel 'C'", "CH1, CH2"]),
        (["a.csv", "--hysteresis", "0.5"], ["--hysteresis", "0.5"]),
        (["a.csv", "--glitch", "often"], ["--glitch", "'often'"]),
        (["a.csv", "--window", "0ms"], ["--window", "above zero"]),
        (["a.csv", "--levels", "CH1=3,1"], ["--levels", "CH1=0,3.3"]),
        (["a.csv", "--levels", "C=0,1"], ["--levels", "no channel 'C'"]),
        (["a.csv", "--clock-ppm", "-1"], ["--clock-ppm"]),
        (["a.csv", "--resolution", "1us"], ["--resolution"]),
        (["a.csv", "--board", " "], ["--board"]),
        (["a.csv", "g.vcd"], ["CSV and VCD files are mixed"]),
        (["g.vcd", "--levels", "a=0,1"], ["--levels", "no volts"]),
        (["none.csv"], ["none.csv", "no such file"]),
        (["cut.csv"], ["cut.csv:1501", "line 1501 has 2 fields, not 3"]),
        (["fake.vcd"], ["fake.vcd:1", "does not begin like a VCD"]),
        (["a.csv", "--accept", "--out", "full"], ["full", "not empty"]),
    ],
)
def test_mistakes_are_explained(
    arguments: list[str],
    words: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    text = LAYOUTS["plain"]()
    Path("a.csv").write_text(text)
    Path("cut.csv").write_text("".join(text.splitlines(keepends=True)[:1500]) + "0.001,3\n")
    Path("fake.vcd").write_text("not a vcd")
    Path("g.vcd").write_text((RECORDINGS / "reject_gate.vcd").read_text())
    Path("full").mkdir()
    Path("full/x").write_text("")
    with pytest.raises(HostError) as caught:
        app(["import", *arguments], standalone_mode=False)
    error = caught.value
    assert error.exit_code == 2
    assert error.message
    assert error.where
    assert error.remedy
    assert [word for word in words if word not in str(error)] == []
    assert capsys.readouterr().out == ""
    assert not Path("runs").exists()


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[str, HostError]:
    """What a command that is refused showed before, and why."""
    with pytest.raises(HostError) as caught:
        app(["import", *arguments], standalone_mode=False)
    assert caught.value.exit_code == 2
    return capsys.readouterr().out, caught.value


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        ({"A (V)": 3.3}, "there is only one channel"),
        ({"A (V)": 3.3, "B (V)": 5.0, "C (V)": 1.8}, "of 3 channels 3 change"),
        ({"A (V)": 0.0, "B (V)": 0.0}, "of 2 channels 0 change"),
        ({"A (V)": 3.3, "B (V)": 0.0}, "of 2 channels 1 change"),
    ],
)
@pytest.mark.parametrize("json_wanted", [False, True])
def test_the_layout_is_shown_whatever_cannot_be_told(
    levels: dict[str, float], words: str, json_wanted: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    t = truth()
    Path("a.csv").write_text(
        ",".join(["Time (s)", *levels])
        + "\n"
        + rows(",", ".", t.time_s, *(t.first / 3.25 * v for v in levels.values()))
    )
    shown, problem = refused(capsys, "a.csv", *(["--json"] if json_wanted else []))
    assert words in str(problem)
    assert "--preview" not in str(problem) + shown
    moving = sum(high > 0 for high in levels.values())
    if json_wanted:
        document = json.loads(shown)
        assert (document["found"], document["accepted"], document["run"]) == (None, False, None)
        assert words in document["problem"]
        assert [c["edges"] for c in document["channels"].values()].count(2 * len(RISES)) == moving
        return
    for topic in ("separator: comma", "decimal mark: point", "time: column 1, in s", "sample interval: 1 µs"):
        assert topic in shown
    for name, high in levels.items():
        assert f"channel = {name[0]}: {2 * len(RISES) if high else 0} edges, low 0 V, high {high:g} V" in shown
    assert [row.count("│") >= 2 for row in shown.splitlines() if "▁" in row] == [True] * moving
    assert ("first edges" in shown) == bool(moving)


def test_a_line_that_rests_high_is_asked_for_not_guessed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    t = truth()
    Path("a.csv").write_text("Time (s),A (V),B (V)\n" + rows(",", ".", t.time_s, t.first, 5.0 - t.second))
    named = ["a.csv", "--stimulus", "A"]
    shown = imported(capsys, *named)
    assert any("is it really active high?" in doubt for doubt in shown["doubts"])
    out, problem = refused(capsys, *named, "--accept", "--out", "run")
    assert (out, Path("run").exists()) == ("", False)
    assert "B is high for 89 % of the time" in str(problem)
    assert "--active-low-response or --active-high-response" in problem.remedy
    low = imported(capsys, *named, "--active-low-response", "--accept", "--out", "low")
    assert low["found"]["reaction"]["median_ns"] == REACTION * 1_000
    high = imported(capsys, *named, "--active-high-response", "--accept", "--out", "high")
    assert high["found"]["reaction"]["median_ns"] == (REACTION + WIDTH) * 1_000
    turned = ["a.csv", "--stimulus", "B", "--response", "A"]
    _, problem = refused(capsys, *turned, "--accept", "--out", "run")
    assert "--active-low-stimulus" in problem.remedy


def test_the_window_says_its_floor(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("a.csv").write_text(LAYOUTS["unit_row"]())
    _, problem = refused(capsys, "a.csv", "--window", "100ns")
    assert problem.where == "--window"
    least = int(problem.remedy.split()[-2].replace(",", ""))
    assert 100 < least <= 1_001
    refused(capsys, "a.csv", "--window", f"{least - 1}ns")
    assert imported(capsys, "a.csv", "--window", f"{least}ns")["window_ns"] == least


def test_names_are_taken_as_they_are_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    t = truth()
    Path("a.csv").write_text("time\tv(s)\tB (V)\n" + rows("\t", ".", t.time_s, t.first, t.second))
    found = imported(capsys, "a.csv", "--stimulus", "v(s)", "--response", "B (V)", "--levels", "v(s)=0,3.25")
    assert found["found"]["reaction"]["median_ns"] == REACTION * 1_000
    assert {name: channel["role"] for name, channel in found["channels"].items()} == {
        "v(s)": "stimulus",
        "B": "response",
    }


def test_values_and_times_in_files_of_their_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    t = truth()
    Path("times.csv").write_text("Time (us)\n" + rows(",", ".", t.time_s * 1e6))
    Path("a.csv").write_text("A (V),B (V)\n" + rows(",", ".", t.first, t.second))
    found = imported(capsys, "a.csv", "--time-file", "times.csv", "--accept", "--out", "run")
    assert found["found"]["reaction"]["median_ns"] == REACTION * 1_000
    assert found["layout"]["time"] == "in a file of its own, in µs"
    assert sorted(RunReader(Path("run")).record.requested["import"]["files"]) == ["a.csv", "times.csv"]
