import numpy as np
import pytest

from edgereply.errors import SettingError
from edgereply.evaluation.verdict import judge_run, sentences
from tests.fakes.made_runs import from_reactions, random_stimuli

MS = 1_000_000


def steady(count: int, late: int = 0) -> tuple[np.ndarray, np.ndarray]:
    stimulus = random_stimuli(count, 1)
    reaction = 100_000 + np.random.default_rng(2).integers(0, 20_000, count)
    if late:
        reaction[count // (2 * late) :: count // late][:late] = 2_200_000
    return stimulus, reaction


def test_no_late_answer_in_299_is_enough_for_one_in_a_hundred() -> None:
    # Wilks: 299 answers for 99 % with 95 % confidence (published 59/93/299, from memory).
    passed = judge_run(from_reactions(*steady(299), 2 * MS), 2 * MS, 0.95, 0.01, False)
    short = judge_run(from_reactions(*steady(298), 2 * MS), 2 * MS, 0.95, 0.01, False)
    assert (passed.outcome, short.outcome) == ("pass", "not enough data")
    assert short.verdict.more_stimuli == 1
    assert sentences(passed)[0].startswith("PASS")
    [more] = [line for line in sentences(short) if "1 more stimulus (" in line]
    assert more.endswith("would decide: pass if the share of late answers stays as it is.")


def test_one_late_answer_fails_when_none_is_tolerated() -> None:
    judgement = judge_run(from_reactions(*steady(3000, late=1), 2 * MS), 2 * MS, 0.95, None, False)
    assert judgement.outcome == "fail"
    assert sentences(judgement)[:2] == [
        "FAIL: the deadline of 2.00 ms is not kept.",
        "1 of 3,000 stimuli were answered late or not at all.",
    ]


def test_answers_that_cannot_be_told_can_only_make_it_less_sure() -> None:
    stimulus, reaction = steady(1200)
    # A burst of four answered by three: which one lost its answer cannot be told.
    stimulus[600:604] = stimulus[600] + np.array([0, 400_000, 800_000, 1_200_000])
    reaction[600:604] = 30 * MS - np.array([0, 380_000, 760_000, 1_140_000])
    stimulus[604:] += 40 * MS
    result = from_reactions(np.delete(stimulus, []), reaction, 50 * MS)
    whole = judge_run(result, 50 * MS, 0.95, 0.01, False)
    assert whole.outcome == "pass"
    source = from_reactions(stimulus, np.where(np.arange(1200) == 601, 10**12, reaction), 50 * MS)
    judgement = judge_run(source, 50 * MS, 0.95, None, False)
    assert judgement.ambiguous == 4
    assert judgement.outcome == "not enough data"
    assert any("cannot be told" in line for line in sentences(judgement))


@pytest.mark.parametrize(
    ("exceed", "head", "tolerated"),
    [
        (0.01, "PASS: the deadline of 2.00 ms is kept, up to the tolerated share of 0.01.", "a share of 0.01."),
        (1e-5, "FAIL: the deadline of 2.00 ms is not kept, more than the tolerated share of 0.00001 come late.",
         "a share of 0.00001."),
        (None, "FAIL: the deadline of 2.00 ms is not kept.", "no late answer at all;"),
    ],
)  # fmt: skip
def test_the_first_sentence_says_what_was_tolerated(exceed: float | None, head: str, tolerated: str) -> None:
    lines = sentences(judge_run(from_reactions(*steady(3000, late=3), 2 * MS), 2 * MS, 0.95, exceed, False))
    assert lines[0] == head
    # Two were late. Clopper and Pearson by scipy's beta quantiles: beta(0.95; 3, n - 2) and beta(0.05; 2, n - 1).
    assert lines[1].startswith("2 of ")
    assert lines[2] == (
        "With 95 % confidence the share of late answers is at most 0.0021 (1 in 477) "
        "and at least 0.000119 (1 in 8,436)."
    )
    assert lines[3].startswith(f"Tolerated: {tolerated}")


@pytest.mark.parametrize(("confidence", "exceed"), [(1.5, None), (0.0, None), (0.95, 0.0), (0.95, 2.0)])
def test_numbers_out_of_range_name_their_option(confidence: float, exceed: float | None) -> None:
    with pytest.raises(SettingError, match=r"--confidence|--exceed"):
        judge_run(from_reactions(*steady(50), None), MS, confidence, exceed, False)
