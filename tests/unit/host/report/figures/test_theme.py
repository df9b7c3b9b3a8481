import pytest

from edgereply.report.figures.theme import DARK, DASHES, LIGHT, MARKERS, RUN_NAMES, style_sheet_variables, swap_table
from tests.browser.contrast import contrast, luminance

TEXT = [(ink, ground) for ink in ("ink", "quiet", "accent", "good", "bad") for ground in ("page", "panel")]
TEXT += [("bad", "badpanel"), ("stamp", "stamppanel"), ("deadline", "panel")]
MARKS = [*RUN_NAMES, "late", "missed", "deadline", "envelope", "density0", "density1", "density2", "density3"]


def test_contrast_is_that_of_published_examples() -> None:
    # WCAG 2.2 defines 21:1 for black on white; WebAIM "Contrast and Color Accessibility": #777 on white is 4.48:1.
    assert contrast("#000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777", "#fff") == pytest.approx(4.48, abs=0.005)
    assert contrast("rgb(119, 119, 119)", "#fff") == contrast("#fff", "#777777")


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_text_and_marks_stand_out(palette: dict[str, str]) -> None:
    weak = {pair: contrast(palette[pair[0]], palette[pair[1]]) for pair in TEXT}
    assert {pair: ratio for pair, ratio in weak.items() if ratio < 4.5} == {}
    weak_marks = {mark: contrast(palette[mark], palette["panel"]) for mark in MARKS}
    assert {mark: ratio for mark, ratio in weak_marks.items() if ratio < 3.0} == {}


def test_every_colour_has_one_purpose_so_that_it_can_be_swapped() -> None:
    assert set(LIGHT) == set(DARK)
    assert len(set(LIGHT.values())) == len(LIGHT)
    assert swap_table()[LIGHT["late"]] == DARK["late"]


@pytest.mark.parametrize(("palette", "direction"), [(LIGHT, -1), (DARK, 1)], ids=["light", "dark"])
def test_more_pulses_in_a_cell_are_further_from_the_background(palette: dict[str, str], direction: int) -> None:
    steps = [luminance(palette[f"density{i}"]) for i in range(4)]
    assert steps == sorted(steps, reverse=direction < 0)


def test_runs_differ_without_colour() -> None:
    assert len(set(DASHES)) == len(set(MARKERS)) == len(RUN_NAMES)


def test_palette_becomes_custom_properties() -> None:
    assert style_sheet_variables({"ink": "#123456", "rule": "#fff"}) == "  --ink: #123456;\n  --rule: #fff;"
