from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from edgereply.measurement.tap_findings import TapsSeen, tap_findings
from edgereply.measurement.wiring_findings import Finding

MS = 1_000_000
AT = np.arange(10, dtype=np.int64) * 40 * MS + 123
NONE = np.empty(0, np.int64)
GOOD = TapsSeen(
    pulses=10, stimulus_width_ns=5 * MS, period_ns=40 * MS, stimulus_ns=AT, rise_ns=AT + 50_000, fall_ns=AT + 80_000,
    idle_edges=0, idle_levels=(0, 0), captured=10,
)  # fmt: skip


def judged(seen: TapsSeen, fall_tap: str = "") -> list[Finding]:
    return tap_findings(seen, "SPARE_IN", "CAPTURE_IN", fall_tap)


@pytest.mark.parametrize("seen", [GOOD, replace(GOOD, captured=None)])
@pytest.mark.parametrize("fall_tap", ["", "SPARE_OUT"])
def test_right_taps_are_called_right(seen: TapsSeen, fall_tap: str) -> None:
    findings = judged(seen, fall_tap)
    assert all(finding.right for finding in findings)
    assert not any(finding.remedy for finding in findings)
    assert len(findings) == 4 + (seen.captured is not None) + bool(fall_tap)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"stimulus_ns": AT + 50_000, "rise_ns": AT, "fall_ns": AT + 5 * MS}, "swapped"),
        # A program that answers with short pulses the tap does not show as stimuli at all.
        ({"stimulus_ns": NONE, "rise_ns": AT, "fall_ns": AT + 5 * MS}, "swapped"),
        ({"rise_ns": AT + 2, "fall_ns": AT + 5 * MS + 1}, "joined to the stimulus"),
        ({"stimulus_ns": NONE, "rise_ns": NONE, "fall_ns": NONE, "captured": 0}, "Nothing arrives"),
        ({"stimulus_ns": NONE}, "Nothing arrives"),
        ({"stimulus_ns": AT[:7]}, "Some were lost"),
        ({"stimulus_ns": np.sort(np.append(AT, AT + MS))}, "floats"),
        ({"idle_edges": 4}, "pull-down"),
        ({"idle_levels": (1, 0)}, "inverted"),
        ({"idle_levels": (0, 1)}, "inverted"),
        ({"rise_ns": NONE, "fall_ns": NONE, "captured": 0}, "Is your program running"),
        ({"rise_ns": NONE, "fall_ns": NONE, "captured": None}, "Is your program running"),
        ({"rise_ns": NONE, "fall_ns": NONE}, "to CAPTURE_IN is missing"),
        ({"rise_ns": AT[:8] + 50_000}, "answer each slow pulse once"),
        ({"captured": 0}, "response wire"),
    ],
)
def test_each_wrong_tap_is_named(change: dict[str, Any], words: str) -> None:
    wrong = [finding for finding in judged(replace(GOOD, **change)) if not finding.right]
    assert len(wrong) == 1, wrong
    assert words in wrong[0].remedy


def test_a_fall_tap_without_its_jumper_is_named() -> None:
    (wrong,) = (f for f in judged(replace(GOOD, fall_ns=NONE), "SPARE_OUT") if not f.right)
    assert "Join SPARE_OUT to the output" in wrong.remedy
