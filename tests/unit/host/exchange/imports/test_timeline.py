"""Which channel is which, one time line for all segments, and what lies at the ends."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from edgereply.errors import DataError, SettingError
from edgereply.exchange.imports.accept import Labels
from edgereply.exchange.imports.doubts import doubts_of, looks_virtual
from edgereply.exchange.imports.recording import Channel, Recording, Segment, Trace, joined
from edgereply.exchange.imports.timeline import Roles, roles_of, timeline

WIDTH = 500.0


def pulses(at: NDArray[np.float64] | list[float], low: bool = False) -> Trace:
    """A pulse of 500 ns at each time."""
    begins = np.asarray(at, np.float64)
    edges = np.sort(np.concatenate([begins, begins + WIDTH]))
    return Trace(edges, (np.arange(edges.size) % 2 == 0) != low)


def recording(
    *segments: dict[str, Trace], length_ns: int = 100_000, continuous: bool = False, start_ns: float = 0.0,
    header: str = "",
) -> Recording:  # fmt: skip
    channels = {name: Channel(name, resolution_ns=10.0) for name in segments[0]}
    made = [
        Segment(f"s{n}", start_ns + (n * 2.0 * length_ns if continuous else 0.0), length_ns, 100, traces)
        for n, traces in enumerate(segments)
    ]
    return Recording("oscilloscope CSV", {"a.csv": ""}, {}, channels, made, continuous, header)


STIMULUS = [10_000.0, 30_000.0, 50_000.0]
ANSWER = [11_000.0, 31_000.0, 51_000.0]


def test_the_channel_that_comes_first_is_the_stimulus() -> None:
    for names in (("a", "b"), ("b", "a")):
        found = roles_of(recording({"a": pulses(STIMULUS), "b": pulses(ANSWER)}), "", "")
        assert (found.stimulus, found.response, found.guessed) == ("a", "b", True)
        turned = recording({names[0]: pulses(ANSWER), names[1]: pulses(STIMULUS)})
        assert roles_of(turned, "", "").stimulus == names[1]


def test_the_other_channel_follows_from_one() -> None:
    three = recording({"x.a": pulses(STIMULUS), "x.still": pulses([]), "y.b": pulses(ANSWER)})
    found = roles_of(three, "b", "")
    assert (found.stimulus, found.response, found.guessed) == ("y.b", "x.a", False)
    assert roles_of(three, "", "b").stimulus == "x.a"


@pytest.mark.parametrize(
    ("stimulus", "response", "words"),
    [("c", "", "no channel 'c'"), ("a", "a", "same channel"), ("", "c", "no channel 'c'")],
)
def test_wrong_names_are_explained(stimulus: str, response: str, words: str) -> None:
    with pytest.raises(SettingError, match=words):
        roles_of(recording({"a": pulses(STIMULUS), "b": pulses(ANSWER)}), stimulus, response)


def test_three_that_change_must_be_named() -> None:
    three = recording({"a": pulses(STIMULUS), "b": pulses(ANSWER), "c": pulses(ANSWER)})
    with pytest.raises(SettingError, match="3 channels 3 change"):
        roles_of(three, "", "")
    with pytest.raises(SettingError, match="cannot be told"):
        roles_of(three, "a", "")


def test_lines_that_never_change_are_a_matter_of_the_probe() -> None:
    with pytest.raises(SettingError, match=r"2 channels 0 change.*is the signal connected"):
        roles_of(recording({"a": pulses([]), "b": pulses([])}), "", "")


def test_one_channel_is_not_enough() -> None:
    with pytest.raises(DataError, match="only one channel"):
        roles_of(recording({"a": pulses(STIMULUS)}), "", "")


@pytest.mark.parametrize("low", [False, True])
def test_reaction_times_survive(low: bool) -> None:
    found = timeline(
        recording({"a": pulses(STIMULUS, low), "b": pulses(ANSWER)}),
        Roles(stimulus="a", response="b", stimulus_low=low),
    )
    assert found.stimulus_ns.tolist() == STIMULUS
    assert found.rise_ns.tolist() == ANSWER
    assert found.fall_ns.tolist() == [at + WIDTH for at in ANSWER]
    assert found.window_ns == 50_000


def test_an_active_low_response_begins_with_its_fall() -> None:
    roles = Roles(stimulus="a", response="b", response_low=True)
    found = timeline(recording({"a": pulses(STIMULUS), "b": pulses(ANSWER, low=True)}), roles)
    assert found.rise_ns.tolist() == ANSWER


def test_segments_without_a_clock_are_set_apart_and_others_keep_theirs() -> None:
    traces = {"a": pulses([40_000.0]), "b": pulses([41_000.0])}
    roles = Roles(stimulus="a", response="b")
    apart = timeline(recording(traces, traces, traces), roles)
    assert apart.window_ns == 60_000
    assert (apart.rise_ns - apart.stimulus_ns).tolist() == [1_000] * 3
    assert np.diff(apart.stimulus_ns).min() > 100_000 + apart.window_ns
    real = timeline(recording(traces, traces, continuous=True, start_ns=-7e9), roles)
    assert real.stimulus_ns.tolist() == [40_000, 240_000]


def test_the_ends_of_the_recording_are_left_out() -> None:
    """An answer to a stimulus before the recording, and a stimulus whose answer may come after it."""
    traces = {"a": pulses([*STIMULUS, 97_000.0]), "b": pulses([500.0, *ANSWER, 98_000.0])}
    found = timeline(recording(traces), Roles(stimulus="a", response="b"), window_ns=20_000)
    assert found.stimulus_ns.tolist() == STIMULUS
    assert found.rise_ns.tolist() == ANSWER
    assert (found.late_stimuli, found.early_rises, found.late_rises) == (1, 1, 1)


def test_a_pulse_that_the_end_cuts_off_has_no_fall() -> None:
    traces = {"a": pulses([10_000.0]), "b": Trace(np.array([11_000.0]), np.array([True]))}
    found = timeline(recording(traces, traces), Roles(stimulus="a", response="b"))
    assert found.rise_ns.size == 2
    assert found.fall_ns.size == 0


@pytest.mark.parametrize("window_ns", [99_000, None])
def test_nothing_to_judge_is_explained(window_ns: int | None) -> None:
    traces = {"a": pulses([50_000.0] if window_ns else []), "b": pulses(ANSWER)}
    with pytest.raises(DataError, match="no stimulus"):
        timeline(recording(traces), Roles(stimulus="a", response="b"), window_ns)


@pytest.mark.parametrize("start_ns", [5_000.0, -5_000.0])
def test_files_of_one_channel_each_are_joined_on_their_common_time(start_ns: float) -> None:
    """The second file began 5 µs later or earlier by the trigger's clock and ends earlier."""
    first = recording({"V": pulses(STIMULUS)}, length_ns=100_000)
    second = recording({"V": pulses([at - start_ns for at in (6_000.0, *ANSWER)])}, length_ns=75_000, start_ns=start_ns)
    found = joined(first, second)
    assert list(found.channels) == ["V", "V (response)"]
    begin, end = max(0.0, start_ns), start_ns + 75_000.0
    assert [(s.start_ns, s.length_ns) for s in found.segments] == [(begin, end - begin)]
    line = timeline(found, Roles(stimulus="V", response="V (response)"), window_ns=10_000)
    assert line.stimulus_ns.tolist() == [at - begin for at in STIMULUS]
    assert (line.rise_ns - line.stimulus_ns).tolist() == [1_000] * 3
    assert line.early_rises == 1


def test_files_that_do_not_belong_together_are_refused() -> None:
    first, answer = recording({"V": pulses(STIMULUS)}), pulses(ANSWER)
    with pytest.raises(DataError, match="1 segments of the stimulus, 2"):
        joined(first, recording({"V": answer}, {"V": answer}))
    with pytest.raises(DataError, match="does not overlap"):
        joined(first, recording({"V": answer}, start_ns=1e9))


@pytest.mark.parametrize(
    ("header", "virtual"),
    [("date: today", False), ("version: Some Simulator 3", True), ("(invented)", True), ("VIRTUAL board", True)],
)
def test_a_file_that_says_it_is_not_real_is_believed(header: str, virtual: bool) -> None:
    assert looks_virtual(recording({"a": pulses(STIMULUS)}, header=header)) is virtual


def test_what_looks_upside_down_is_said() -> None:
    made = recording({"a": pulses(STIMULUS), "b": pulses(ANSWER, low=True)})
    roles = roles_of(made, "a", "b")
    said = doubts_of(made, roles, timeline(made, roles), False, Labels(clock_ppm=10.0))
    assert [doubt for doubt in said if "really active" in doubt] == [
        "b is high for 98 % of the time: is it really active high? --active-low-response says that pulses go low"
    ]
    right = roles_of(made, "a", "b", response_low=True)
    assert not any("really active" in doubt for doubt in doubts_of(made, right, timeline(made, right), False, Labels()))
