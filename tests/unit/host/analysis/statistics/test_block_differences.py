import numpy as np
import pytest

from edgereply.analysis.statistics.block_differences import compare_blocks, sign_flip_p

DARWIN = np.array([49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48])


def test_sign_flips_agree_with_fishers_count_on_darwins_maize() -> None:
    # Fisher, The Design of Experiments (1935), section 21: 863 of 32768 on each side, two-sided 1726 (from memory).
    assert sign_flip_p(DARWIN) == 1726 / 32768


def test_drawn_sign_flips_agree_with_exact_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    exact = sign_flip_p(DARWIN)
    monkeypatch.setattr("edgereply.analysis.statistics.block_differences.MOST_EXACT", 4)
    assert sign_flip_p(DARWIN) == pytest.approx(exact, abs=4 * (exact / 65_536) ** 0.5)


def test_a_shift_in_every_round_is_real_whatever_the_drift() -> None:
    drift = np.arange(8) * 1_000_000
    found = compare_blocks({"chardev": drift, "gpiod": drift + 40_000, "sysfs": drift + np.array([1, -1] * 4)})
    by_pair = {(item.first, item.second): item for item in found}
    assert by_pair["chardev", "gpiod"].real
    assert (by_pair["chardev", "gpiod"].low_ns, by_pair["chardev", "gpiod"].high_ns) == (40_000, 40_000)
    assert not by_pair["chardev", "sysfs"].real
    # 2 of 2**8 sign patterns are as extreme as eight equal differences.
    assert by_pair["chardev", "gpiod"].p_value == 2 / 256
    assert by_pair["chardev", "gpiod"].p_adjusted == 3 * 2 / 256


def test_few_rounds_have_no_interval_and_nothing_is_real() -> None:
    (found,) = compare_blocks({"a": np.arange(5), "b": np.arange(5) + 1000})
    assert (found.low_ns, found.high_ns, found.real) == (None, None, False)
    # Conover's table of median intervals: 6 is the first sample size with a 95 % one, from smallest to largest.
    (found,) = compare_blocks({"a": np.arange(6), "b": np.arange(6) + np.arange(6) + 5})
    assert (found.low_ns, found.high_ns) == (5, 10)


def test_false_claims_stay_at_their_level_over_all_pairs() -> None:
    random = np.random.default_rng(5)
    claims = 0
    for _ in range(400):
        rounds = random.integers(0, 1000, size=(3, 8))
        claims += any(item.real for item in compare_blocks(dict(zip("abc", rounds, strict=True))))
    assert claims <= 400 * 0.05 + 3 * (400 * 0.05 * 0.95) ** 0.5


def test_uneven_rounds_are_refused() -> None:
    with pytest.raises(ValueError, match="same number of rounds"):
        compare_blocks({"a": np.arange(3), "b": np.arange(4)})
