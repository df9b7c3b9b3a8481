import re

import numpy as np
from scipy import stats

from edgereply.analysis.statistics.jitter import response_jitter
from edgereply.analysis.statistics.pulses import long_pulses
from edgereply.evaluation.characteristics import characterise
from edgereply.evaluation.description import describe, long_pulse_sentences
from tests.fakes.made_runs import from_reactions, random_stimuli

COUNT = 4000


def said(reaction: np.ndarray, one_run: bool = True) -> str:
    result = from_reactions(random_stimuli(len(reaction), 1), reaction.astype(np.int64), None)
    return " ".join(describe(characterise(result, one_run)))


def noise(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, 2_000, COUNT)


def test_a_steady_board_has_one_usual_time_and_no_drift() -> None:
    text = said(100_000 + noise(1))
    assert "One peak: " in text
    assert "No drift" in text
    assert "No warm-up" in text
    assert "depend on their neighbours" not in text
    # 4,000 answers support 99.9 %, but not 99.99 %, which takes 29,956 (Wilks 1941).
    bound = text.split("at least 99.9 % of all answers under this condition come within ")[1].split(" µs")[0]
    assert float(bound) > 100 + 2 * stats.norm.ppf(0.999) - 0.5


def test_two_states_are_two_usual_times_with_their_shares() -> None:
    fast = np.random.default_rng(2).random(COUNT) < 0.75
    text = said(np.where(fast, 100_000, 300_000) + noise(3))
    # scipy.stats gives the interval of the share itself (Clopper and Pearson).
    limits = stats.binomtest(int(fast.sum()), COUNT).proportion_ci()
    at, first = text.split("Two peaks: ")[1].split(" and ")[0].split(" for ")
    low, high = first.split("95 %: ")[1].removesuffix(" %)").split(" % to ")
    assert abs(float(low) - 100 * limits.low) <= 0.5
    assert abs(float(high) - 100 * limits.high) <= 0.5
    assert first.startswith(("75 %", "76 %", "74 %"))
    assert at in ("99.8 µs", "99.9 µs", "100 µs", "101 µs")
    assert re.search(r" and (299|300|301) µs for 2", text)
    assert "One peak" not in text


def test_a_drift_is_told_with_its_size_over_the_run() -> None:
    text = said(100_000 + noise(4) + np.linspace(0, 50_000, COUNT))
    # A ramp of 50 µs, up to the noise of the medians.
    moved = text.split("moved by +")[1].split(" µs")[0]
    assert abs(float(moved) - 50) < 2


def test_a_warm_up_is_told_with_its_length_and_interval() -> None:
    reaction = 100_000 + noise(5)
    reaction[:400] += 60_000
    text = said(reaction)
    count = int(text.split("Warm-up: the first ")[1].split(" ")[0].replace(",", ""))
    assert abs(count - 400) <= 10
    assert "slower than the rest" in text
    low, high = text.split("than the rest (95 %: ")[1].split(" µs;")[0].split(" µs to ")
    assert 59 <= float(low) < 60.2
    assert 59.8 < float(high) <= 61


def test_a_start_that_is_faster_is_told_as_that() -> None:
    reaction = 100_000 + noise(5)
    reaction[:400] -= 30_000
    within = said(reaction).split(" faster than the rest (95 %: ")[1].split(" µs;")[0].split(" µs to ")
    assert 29 < float(within[0]) < 30.2
    assert 29.8 < float(within[1]) < 31


def test_jitter_is_told_from_rise_to_rise() -> None:
    # Differences of neighbours that are independent and normal: standard deviation 2 * sqrt(2) µs, half within
    # 0.6745 of it, 99 % within 2.5758 of it (scipy.stats.norm).
    text = said(100_000 + noise(6))
    spread = 2 * np.sqrt(2)
    found = text.split("a standard deviation of ")[1].split(" µs")[0]
    assert abs(float(found) / spread - 1) < 0.05
    half, most = text.split("Half of them were off by at most ")[1].split(" and 99 % were off by at most ")
    for part, p in ((half, 0.75), (most, 0.995)):
        low, high = part.split("95 %: ")[1].split(" µs)")[0].split(" µs to ")
        assert float(low) <= spread * stats.norm.ppf(p) <= float(high)
    assert "3,999 periods" in text
    assert "Falling edges play no part" in text


def test_long_pulses_do_not_show_as_jitter() -> None:
    stimulus = random_stimuli(COUNT, 1)
    result = from_reactions(stimulus, np.full(COUNT, 50_000), None)
    result.pulse_width_ns[::100] = 300_000
    found = characterise(result, one_run=True)
    assert found.order is not None
    assert found.order.jitter.period_peak_to_peak_ns == 0
    assert found.long_pulses is not None
    assert (found.long_pulses.count, found.long_pulses.into_next) == (40, 0)
    assert found.order.jitter == response_jitter(np.full(stimulus.size, 50_000, np.int64))


def test_pulses_still_high_at_the_next_stimulus_are_counted() -> None:
    stimulus = 1_000_000 * np.arange(1, 1001)
    result = from_reactions(stimulus, np.full(1000, 50_000), None)
    result.pulse_width_ns[[10, 20, 999]] = 950_000
    result.pulse_width_ns[30] = 949_999
    lines = describe(characterise(result, one_run=True))
    assert "3 of these pulses were still high" not in lines[-1]
    assert lines[-1] == "2 of these pulses were still high when the next stimulus came."


def test_too_few_answers_to_say_anything_say_so() -> None:
    text = said(100_000 + noise(7)[:40])
    assert "Not enough data to look for several peaks: it takes 50 answers, there are 40." in text
    assert "Not enough data to tell a warm-up or a drift: it takes 100 answers, there are 40." in text
    # 0.9 ** n <= 0.05 takes 29 answers (Wilks 1941), 0.99 ** n takes 299.
    assert "at least 90 % of all answers" in text
    assert "Not enough data for a tolerance bound" in said(100_000 + noise(7)[:28])
    assert "at least 90 % of all answers" in said(100_000 + noise(7)[:29])
    assert "at least 90 % of all answers" in said(100_000 + noise(7)[:298])
    assert "at least 99 % of all answers" in said(100_000 + noise(7)[:299])


def test_rounds_put_together_say_nothing_about_order() -> None:
    text = said(100_000 + noise(4) + np.linspace(0, 50_000, COUNT), one_run=False)
    assert "peak" in text
    assert "rift" not in text
    assert "arm-up" not in text
    assert "itter" not in text


def test_long_pulses_are_a_finding() -> None:
    rng = np.random.default_rng(8)
    widths = np.full(1000, 50_000, np.int64)
    widths[rng.choice(1000, 10, replace=False)] = 900_000
    [text] = long_pulse_sentences(long_pulses(widths))
    # scipy.stats.binomtest(10, 1000): 0.48 % to 1.83 %.
    assert text.startswith("Long pulses: 10 of 1,000, 1 % (95 %: 0.5 % to 1.8 %), lasted more than")
    assert "longest 900 µs" in text
    [none] = long_pulse_sentences(long_pulses(np.full(1000, 50_000, np.int64)))
    assert none.startswith("No long pulses: none of 1,000 lasted more than 75.0 µs")
    assert long_pulse_sentences(None) == []


def test_no_answer_has_no_traits() -> None:
    nothing = characterise(from_reactions(random_stimuli(100, 1), np.full(100, 10**12), None), one_run=True)
    assert nothing.order is None
    assert describe(nothing) == []
