"""The rig itself: what the harness adds to the emulator is needed and changes nothing else; ends and errors."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.conformance.rigs import RigSuite
from tests.rig.any_rig import RigError
from tests.rig.checks import measured
from tests.rig.client import STIMULUS, Record, values
from tests.rig.truth import WRAP
from tests.rp2040.build import HARNESS
from tests.rp2040.firmware import Rp2040
from tests.rp2040.rig import Responder, Rp2040Rig

pytestmark = pytest.mark.rig


class TestRp2040(Rp2040, RigSuite):
    pass


ANSWERS = Responder(delay_min=200, delay_max=110_000, width=7_001)


def run(*without: str) -> tuple[list[Record], list[tuple[int, str, int]]]:
    """One short run: records and edges, both counted from its beginning."""
    with Rp2040Rig(responder=ANSWERS, without=without) as rig:
        records = measured(rig, "PULS:PER 1 MS", "PULS:ARR:FLO 0.2 MS", "PULS:COUN 40")
        edges = rig.truth().edges
    start, first = records[0][1], edges[0].cycle
    # In the order of time: an answer's end and the next stimulus may be taken up together, or not.
    counted = sorted(((kind, (value - start) % WRAP) for kind, value in records[:-1]), key=lambda record: record[1])
    return counted, [(edge.cycle - first, edge.signal, edge.level) for edge in edges]


def test_skipped_time_is_as_if_it_had_been_stepped_through() -> None:
    """Every stamp and every edge, to the cycle; the program's own steps are all taken in the second run."""
    assert run() == run("skipping")


def test_without_the_synchroniser_the_first_stimulus_would_be_seen_a_tick_early() -> None:
    (first, _), (early, _) = run(), run("synchroniser")
    stamps, earlier = values(first, STIMULUS), values(early, STIMULUS)
    assert [after - before for after, before in zip(stamps, earlier, strict=True)] == [1] * 40


def test_a_missing_image_is_said(tmp_path: Path) -> None:
    with pytest.raises(RigError, match=r"pulse-source\.bin"), Rp2040Rig(folder=tmp_path):
        pass


def test_the_lock_file_pins_what_is_installed_and_names_no_host() -> None:
    text = (HARNESS / "package-lock.json").read_text()
    lock, wanted = json.loads(text), json.loads((HARNESS / "package.json").read_text())
    assert "://" not in text
    packages = {name: entry for name, entry in lock["packages"].items() if name}
    assert {name.removeprefix("node_modules/"): entry["version"] for name, entry in packages.items()} == wanted[
        "dependencies"
    ]
    assert all(entry["integrity"].startswith("sha512-") for entry in packages.values())
