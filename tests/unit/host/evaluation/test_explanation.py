from dataclasses import replace

import numpy as np
import pytest

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.errors import DataError
from edgereply.evaluation.evaluate import evaluate
from edgereply.evaluation.explanation import as_dict, began, explain_run, limit_words, sentences
from edgereply.storage.stamps import BoardStamps, SourceStamps
from tests.fakes.made_runs import TICK_NS, from_reactions, random_stimuli, ticking_board


def test_a_millisecond_tick_is_found_measured_and_named() -> None:
    # 16384 cycles at 16 MHz: the overflow of an 8-bit timer behind a prescaler of 64 (ATmega328P data sheet).
    result = from_reactions(*ticking_board(20_000, 3), None)
    explanation = explain_run(result, 10_000)
    assert explanation.outcome == "cause found"
    (period,) = explanation.periods
    assert abs(period.finding.period_ns / TICK_NS - 1) < 50e-6
    assert [suspect.name for suspect in period.suspects] == ["timer 0 overflow of a 16 MHz microcontroller"]
    text = "\n".join(sentences(explanation))
    assert text.startswith("Cause found, timer 0 overflow of a 16 MHz microcontroller: ")
    assert "every 1.024000 ms (± less than 1 ns), by the source's clock" in text
    assert "later than usual" in text


def test_without_interference_no_cause_is_an_answer() -> None:
    stimulus = random_stimuli(5_000, 8)
    reaction = np.random.default_rng(9).lognormal(11, 0.4, 5_000).astype(np.int64)
    explanation = explain_run(from_reactions(stimulus, reaction, None), None)
    assert explanation.outcome == "no cause found"
    assert sentences(explanation)[0].startswith("No cause found")


def test_too_few_late_answers_say_how_many_more_it_takes() -> None:
    stimulus, reaction = random_stimuli(1_000, 8), np.full(1_000, 50_000)
    reaction[[100, 700]] = 900_000
    explanation = explain_run(from_reactions(stimulus, reaction, None), 500_000)
    assert explanation.outcome == "not enough data"
    assert any("more stimuli" in line for line in sentences(explanation))


def test_nothing_answered_is_said_so() -> None:
    result = from_reactions(random_stimuli(100, 1), np.full(100, 10**12), None)
    with pytest.raises(DataError, match="nothing was answered"):
        explain_run(result, None)


def test_a_period_that_nothing_known_has_is_no_cause_found() -> None:
    # The same board with a housekeeping job each 7.3 ms.
    stimulus = random_stimuli(20_000, 5)
    reaction = 6_700 + np.where((stimulus + 1_000) % 7_300_000 < 50_000, 9_000, 0)
    explanation = explain_run(from_reactions(stimulus, reaction, None), 10_000)
    text = sentences(explanation)
    assert text[0].startswith("A period found, its cause not")
    assert "every 7.300000 ms (± " in text[1]
    assert "No known cause has this period within its error." in text


def test_the_json_form_holds_the_fold_and_only_plain_values() -> None:
    import json

    result = from_reactions(*ticking_board(20_000, 3), None)
    document = as_dict(explain_run(result, 10_000))
    again = json.loads(json.dumps(document))
    assert again["periods"][0]["finding"]["period_ns"] == pytest.approx(TICK_NS, rel=50e-6)


def test_stimuli_that_left_no_stamp_on_the_board_are_not_explained() -> None:
    stimulus, reaction = ticking_board(20_000, 3)
    seq = np.arange(stimulus.size, dtype=np.uint32)
    edge = np.where(np.arange(stimulus.size) % 50 == 7, NO_STAMP, stimulus)
    board = BoardStamps(edge, stimulus + 10, stimulus + reaction, stimulus + reaction + 4_200, seq, seq)
    nothing = np.empty(0, np.int64)
    result = evaluate(SourceStamps(nothing, nothing, nothing), board, 100_000_000, None, captures=False)
    explanation = explain_run(result, 10_000)
    assert explanation.periods[0].finding.period_ns == pytest.approx(TICK_NS, rel=1e-6)
    unstamped = replace(result, stimulus_ns=np.full(stimulus.size, NO_STAMP))
    with pytest.raises(DataError, match="nothing was answered"):
        explain_run(unstamped, None)


def test_another_limit_than_the_deadline_is_said_with_what_the_deadline_says() -> None:
    stimulus, reaction = random_stimuli(3_000, 8), np.full(3_000, 50_000)
    reaction[5::100] = 900_000
    reaction[np.flatnonzero(np.diff(stimulus) > 5_000_000)[[10, 20]]] = 3_000_000  # over before the next stimulus
    result = from_reactions(stimulus, reaction, 2_000_000)
    explanation = explain_run(result, None)
    limit = limit_words(explanation, result, 2_000_000, chosen=True)
    assert limit.startswith(f"Late means here: later than {explanation.late_above_ns / 1000:.1f} µs, a limit chosen")
    assert limit.endswith("Past the deadline of 2 ms or missing: 2.")
    assert sentences(explanation, limit)[1] == limit
    same = explain_run(result, 2_000_000)
    assert limit_words(same, result, 2_000_000, chosen=False) == ""
    assert limit_words(same, result, None, chosen=False) == ""
    assert "Past the deadline of 1 ms or missing: 2." in limit_words(same, result, 1_000_000, chosen=False)


def test_a_burst_is_placed_in_the_run_not_only_on_a_clock_nobody_sees() -> None:
    stimulus, reaction = random_stimuli(3_000, 8) + 40_000_000_000, np.full(3_000, 50_000)
    reaction[1_000:1_012] = 900_000
    result = from_reactions(stimulus, reaction, None)
    explanation = explain_run(result, 500_000)
    [burst] = explanation.bursts
    at_s = (stimulus[1_000] - stimulus[0]) / 1e9
    text = "\n".join(sentences(explanation, began_ns=began(result)))
    assert abs((burst.start_ns - stimulus[0]) / 1e9 - at_s) < 0.001
    assert f"{at_s:.3f} s into the run ({stimulus[1_000] / 1e9:.3f} s by the source's clock), and not again" in text
    assert "into the run" not in "\n".join(sentences(explanation))


def test_of_many_bursts_the_largest_are_told_in_order_of_time() -> None:
    stimulus, reaction = random_stimuli(30_000, 8), np.full(30_000, 50_000)
    starts = [2_000, 5_000, 9_000, 13_000, 16_000, 20_000, 23_000]
    for start, late in zip(starts, (12, 30, 13, 31, 32, 33, 34), strict=True):
        reaction[start : start + late] = 900_000
    explanation = explain_run(from_reactions(stimulus, reaction, None), 500_000)
    assert len(explanation.bursts) == len(starts)
    said = [line for line in sentences(explanation) if "urst" in line]
    assert said[1].startswith("7 bursts of late answers, not at regular times (each by chance: at most ")
    assert [line.split()[1] for line in said[2:7]] == ["30", "31", "32", "33", "34"]
    assert said[7] == "2 smaller bursts are in the JSON document of 'edgereply explain'."
    assert "and not again" not in "\n".join(said)


def test_a_slow_start_is_said_first_and_once() -> None:
    reaction = 100_000 + np.random.default_rng(5).integers(0, 5_000, 4_000)
    reaction[:300] += 200_000
    explanation = explain_run(from_reactions(random_stimuli(4_000, 6), reaction, None), 200_000)
    lines = sentences(explanation)
    assert lines[0] == "A slow start found: 300 answers later than 200 µs, or missing."
    assert lines[1].startswith("A slow start: 300 of them are among the first 300 stimuli, within ")
    assert not any("urst" in line for line in lines)
    assert as_dict(explanation)["slow_start"]["late"] == 300


def test_advice_about_intervals_is_not_to_do_what_was_done() -> None:
    # Random arrivals by name, but 9.9 of every 10 ms are a floor: in step with the tick all the same.
    stimulus = random_stimuli(4_000, 6, mean_ns=10_000_000, floor_ns=9_999_990)
    reaction = np.full(4_000, 100_000)
    text = " ".join(sentences(explain_run(from_reactions(stimulus, reaction, None), None)))
    assert "Let the intervals between them vary by at least one cycle of it, 1.00 ms." in text
    assert "random arrivals" not in text
