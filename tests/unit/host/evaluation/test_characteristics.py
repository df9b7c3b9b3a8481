import json

import numpy as np
import pytest

from edgereply.analysis.statistics.tolerance import upper_bound
from edgereply.evaluation.characteristics import as_dict, characterise
from tests.fakes.made_runs import from_reactions, random_stimuli


def test_the_tolerance_bound_is_wilks_for_independent_answers() -> None:
    reaction = 50_000 + np.random.default_rng(1).integers(0, 40_000, 5_000)
    found = characterise(from_reactions(random_stimuli(5_000, 2), reaction, None), one_run=True)
    wilks = upper_bound(reaction, 0.999)
    assert found.mode_shares[0] is not None
    # Clopper and Pearson (1934) for all of 5,000: 0.025 ** (1 / 5000) to 1.
    assert found.mode_shares[0].low == pytest.approx(0.025 ** (1 / 5_000), rel=1e-9)
    assert found.mode_shares[0].high == 1.0
    assert found.tolerance is not None
    assert wilks is not None
    assert as_dict(found)["tolerance"] == {
        "share": 0.999, "bound_ns": wilks.bound_ns, "together": 1, "confidence": 0.95,
    }  # fmt: skip


def test_clustered_answers_bound_less() -> None:
    # Every answer 20 times over: 1,000 independent ones bound 99 % (299 needed), not 99.9 % (2,995 needed; Wilks).
    rng = np.random.default_rng(4)
    reaction = np.repeat(rng.integers(50_000, 90_000, 1_000), 20)
    clustered = characterise(from_reactions(random_stimuli(20_000, 2), reaction, None), one_run=True)
    shuffled = characterise(from_reactions(random_stimuli(20_000, 2), rng.permutation(reaction), None), one_run=True)
    assert clustered.tolerance is not None
    assert shuffled.tolerance is not None
    assert (clustered.tolerance.share, shuffled.tolerance.share) == (0.99, 0.999)


def test_the_json_form_holds_every_trait_and_only_plain_values() -> None:
    rng = np.random.default_rng(3)
    reaction = np.where(rng.random(3_000) < 0.7, 50_000, 90_000) + rng.integers(0, 3_000, 3_000)
    reaction[:300] += 200_000
    document = json.loads(
        json.dumps(as_dict(characterise(from_reactions(random_stimuli(3_000, 2), reaction, None), True)))
    )
    assert [round(mode["share"], 1) for mode in document["modes"]] == [0.6, 0.3, 0.1, 0.0][: len(document["modes"])]
    assert all(mode["share_ci95"] is None or len(mode["share_ci95"]) == 2 for mode in document["modes"])
    assert abs(document["warm_up"]["count"] - 300) <= 10
    assert document["warm_up"]["low_ns"] < document["warm_up"]["shift_ns"] < document["warm_up"]["high_ns"]
    assert document["drift"]["low_ns_per_s"] <= document["drift"]["high_ns_per_s"]
    assert document["jitter"]["periods"] == 2_999
    low, high = document["jitter"]["off_by"]["ci95"]["median_ns"]
    assert low <= document["jitter"]["off_by"]["median_ns"] <= high
    assert document["long_pulses"]["count"] == 0
    # One answer in ten is from the start: no bound on 90 % can be told from one such cluster.
    assert document["tolerance"] is None
    assert document["dependence"]["dependent"] is True
