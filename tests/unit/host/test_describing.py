import numpy as np

from edgereply.analysis.pulses import long_pulses
from edgereply.describing import describe, long_pulse_sentences
from tests.fakes.made_runs import random_stimuli

COUNT = 4000


def said(reaction: np.ndarray, one_run: bool = True) -> str:
    return " ".join(describe(reaction.astype(np.int64), random_stimuli(len(reaction), 1), one_run))


def noise(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, 2_000, COUNT)


def test_a_steady_board_has_one_usual_time_and_no_drift() -> None:
    text = said(100_000 + noise(1))
    assert "One usual reaction time: densest at" in text
    assert "No drift" in text
    assert "No warm-up" in text
    assert "depend on their neighbours" not in text


def test_two_states_are_two_usual_times() -> None:
    fast = np.random.default_rng(2).random(COUNT) < 0.75
    text = said(np.where(fast, 100_000, 300_000) + noise(3))
    assert "Two usual reaction times: 0.7" in text
    assert "One usual" not in text


def test_a_drift_is_told_with_its_size_over_the_run() -> None:
    text = said(100_000 + noise(4) + np.linspace(0, 50_000, COUNT))
    # A ramp of 50 µs, up to the noise of the medians.
    moved = text.split("moved by +")[1].split(" µs")[0]
    assert abs(float(moved) - 50) < 2


def test_a_warm_up_is_told_with_its_length() -> None:
    reaction = 100_000 + noise(5)
    reaction[:400] += 60_000
    text = said(reaction)
    count = int(text.split("Warm-up: the first ")[1].split(" ")[0].replace(",", ""))
    assert abs(count - 400) <= 10
    assert "slower than the rest" in text


def test_rounds_put_together_say_nothing_about_order() -> None:
    text = said(100_000 + noise(4) + np.linspace(0, 50_000, COUNT), one_run=False)
    assert "usual reaction time" in text
    assert "rift" not in text
    assert "arm-up" not in text


def test_long_pulses_are_a_finding() -> None:
    widths = np.full(1000, 50_000, np.int64)
    widths[::100] = 900_000
    [text] = long_pulse_sentences(long_pulses(widths))
    assert text.startswith("Long pulses: 10 of 1,000 lasted more than")
    assert "longest 900 µs" in text
    assert long_pulse_sentences(long_pulses(np.full(1000, 50_000, np.int64))) == []
    assert describe(np.empty(0, np.int64), np.empty(0, np.int64), True) == []
