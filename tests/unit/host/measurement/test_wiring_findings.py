from dataclasses import replace
from typing import Any

import pytest

from edgereply.measurement.wiring_findings import Finding, Seen, diagram, response_findings, stimulus_findings

GOOD = Seen(10, input_edges=10, output_edges=0, idle_edges=0, input_idle=0, output_idle=0)


def stimulus(seen: Seen) -> list[Finding]:
    return stimulus_findings(seen, "EYE_IN", "REJECT_OUT")


def response(seen: Seen) -> list[Finding]:
    return response_findings(seen, "EYE_IN", "REJECT_OUT")


def test_right_wires_are_called_right() -> None:
    assert [finding.right for finding in stimulus(GOOD)] == [True, True]
    assert [f.right for f in response(Seen(10, follows=(0, 1), input_follows=(0, 0), answered=10))] == [
        True,
        True,
        True,
    ]
    assert not any(finding.remedy for finding in stimulus(GOOD))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"input_edges": 0, "output_edges": 10}, "swapped"),
        ({"input_edges": 10, "output_edges": 10}, "joined"),
        ({"input_edges": 0}, "ground wire"),
        ({"input_edges": 7}, "lost"),
        ({"input_edges": 23}, "floats"),
        ({"idle_edges": 3}, "pull-down"),
        ({"input_idle": 1}, "inverted"),
    ],
)
def test_each_wrong_stimulus_wire_is_named(change: dict[str, Any], words: str) -> None:
    wrong = [finding for finding in stimulus(replace(GOOD, **change)) if not finding.right]
    assert len(wrong) == 1
    assert words in wrong[0].remedy


@pytest.mark.parametrize(
    ("seen", "words"),
    [
        (Seen(10, follows=(1, 0)), "inverted"),
        (Seen(10, follows=(0, 0)), "ground wire"),
        (Seen(10, follows=(1, 1)), "ground wire"),
        (Seen(10, input_follows=(0, 1)), "joined"),
        (Seen(10, answered=9), "load"),
        (Seen(10, answered=0), "response wire"),
    ],
)
def test_each_wrong_response_wire_is_named(seen: Seen, words: str) -> None:
    (finding,) = response(seen)
    assert not finding.right
    assert words in finding.remedy


def test_the_diagram_names_the_lines_and_warns_of_five_volts() -> None:
    text = "\n".join(diagram("reference", "gate", "EYE_IN", "REJECT_OUT", 5.0, 3.3))
    assert "EYE_IN" in text
    assert "REJECT_OUT" in text
    assert "divider" in text
    assert "5 V, the input takes 3.3 V" in text
    assert "divider" not in "\n".join(diagram("reference", "gate", "EYE_IN", "REJECT_OUT", 3.3, 3.3))
