"""`edgereply explain` on runs made from a known truth."""

import numpy as np
from tests.fakes.made_runs import TICK_NS, random_stimuli, ticking_board
from tests.fakes.told_runs import save_run
from tests.integration.commands import Workplace, explained

from edgereply.report.material import load_material


def test_late_answers_and_all_answers_are_told_in_terminal_and_json(place: Workplace) -> None:
    stimulus, reaction = ticking_board(8_000, 3)
    reaction = reaction.copy()
    reaction[:300] += 60_000
    save_run(place.root / "run", stimulus, reaction)
    done = place.run("explain", "run", "--late-above", "80us", "--details")
    assert done.code == 0, done.err
    lines = done.out.splitlines()
    assert "run  VIRTUAL · measured by: source only" in lines[:4]
    told = done.out
    for word in (" peaks: ", "tolerance bound", "Warm-up: the first 30", "Jitter of the rising edges"):
        assert word in told
    assert "No long pulses: none of 8,000" in told
    document = place.run("explain", "run", "--late-above", "80us", "--json").document
    assert lines[0] == document["sentences"]["late"][0], "it starts with the answer"
    late, whole = document["sentences"]["late"][1:], document["sentences"]["all"]
    at = lines.index(late[0])
    assert lines[at : at + len(late)] == late
    first, *others = lines[at + len(late) : at + len(late) + len(whole)]
    assert first.lower() == f"all answers: {whole[0]}".lower()
    assert others == whole[1:]
    assert document["jitter"]["periods"] == 7_999
    assert document["warm_up"]["count"] == 300
    # The page says the same: one source of sentences.
    [view] = load_material([place.root / "run"], None, lambda line: None).views
    assert [line for line in view.findings if line in document["sentences"]["all"]] == document["sentences"]["all"]


def test_a_tick_is_named(place: Workplace) -> None:
    save_run(place.root / "run", *ticking_board(20_000, 3))
    out = place.run("explain", "run", "--late-above", "10us", "--details").out
    # 16384 cycles at 16 MHz: ATmega328P data sheet, timer 0 behind a prescaler of 64.
    assert f"every {TICK_NS / 1e6:.6f} ms" in out
    assert "timer 0 overflow" in out


def test_a_short_run_gets_no_more_than_it_can_carry(place: Workplace) -> None:
    save_run(place.root / "run", random_stimuli(30, 1), np.full(30, 40_000) + np.arange(30))
    out = place.run("explain", "run", "--details").out
    assert "Not enough data: " in out
    assert "ot enough data to look for several peaks" in out
    assert "Not enough data to tell a warm-up or a drift" in out


def test_what_is_no_run_is_told(place: Workplace) -> None:
    explained(place.run("explain", "absent"), 2, "not a run directory")
