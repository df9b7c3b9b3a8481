"""`report` and `compare` as they are typed: endings, the table for a slide, bundles in place of runs."""

import csv
import io
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest
from tests.fakes.made_runs import random_stimuli
from tests.fakes.told_runs import save_run, save_sweep
from tests.integration.commands import Workplace, explained

ANSWERS = 400


@pytest.fixture
def gate(place: Workplace) -> Path:
    stimulus = random_stimuli(ANSWERS, 1)
    return save_run(place.root / "gate", stimulus, 40_000 + np.arange(ANSWERS))


def bundled(place: Workplace, *names: str, output: str) -> None:
    done = place.run("bundle", *names, "-o", output)
    assert done.code == 0, done.err


def test_an_unknown_ending_is_refused_before_anything_is_evaluated(place: Workplace, gate: Path) -> None:
    explained(place.run("report", "gate", "-o", "x.docx"), 2, "'docx'", ".html")
    explained(place.run("report", "gate", "-o", "page"), 2, "needs an ending", ".html")
    explained(place.run("report", "gate", "-o", "x.svg"), 2, "'svg'", "--figure")
    explained(place.run("report", "gate", "-o", "x.csv"), 2, "'csv'", "--table")
    explained(place.run("report", "gate", "--figure", "boards", "-o", "x.docx"), 2, "'docx'", ".svg, .png or .pdf")
    assert not list(place.root.glob("x.*"))
    assert not (place.root / "page").exists()


def test_pictures_after_a_plain_install_with_no_browser_in_reach(place: Workplace, gate: Path) -> None:
    for name in ("boards.png", "boards.svg", "boards.pdf", "dark.png"):
        dark = ["--dark"] if name.startswith("dark") else []
        done = place.run("report", "gate", "--figure", "boards", "-o", name, "--size", "640x360", *dark)
        assert done.code == 0, done.err
    light, night = ((place.root / name).read_bytes() for name in ("boards.png", "dark.png"))
    assert struct.unpack(">II", light[16:24]) == (640, 360)
    assert light != night


def test_the_table_for_a_slide(place: Workplace, gate: Path) -> None:
    save_sweep(place.root / "night")
    done = place.run("report", "gate", "night", "--table", "boards")
    assert done.code == 0, done.err
    lines = [line for line in done.out.splitlines() if line.startswith("|")]
    assert len(lines) == 2 + 5
    assert "| A: " in lines[2]
    assert "| 2 ms: kept |" in lines[2]
    done = place.run("report", "gate", "--table", "boards", "-o", "boards.csv")
    assert done.code == 0, done.err
    [row] = csv.DictReader(io.StringIO((place.root / "boards.csv").read_text("utf-8")))
    assert (row["best_ns"], row["worst_ns"], row["missed"], row["verdict"]) == ("40000", "40399", "0", "pass")
    for ending in ("html", "tex", "md", "json"):
        assert place.run("report", "gate", "--table", "boards", "-o", f"boards.{ending}").code == 0
        assert "40" in (place.root / f"boards.{ending}").read_text("utf-8")


def test_bundles_in_place_of_runs_keep_their_names_and_give_the_same_numbers(place: Workplace, gate: Path) -> None:
    slow = save_run(place.root / "slow", random_stimuli(ANSWERS, 2), 60_000 + np.arange(ANSWERS))
    bundled(place, "gate", output="gate.zip")
    direct = place.run("report", "gate", "slow", "--json", "-o", "a.html")
    packed = place.run("report", "gate.zip", "slow", "--json", "-o", "b.html")
    assert (direct.code, packed.code) == (0, 0), packed.err
    first, second = direct.document["runs"], packed.document["runs"]
    assert [run["places"] for run in second] == [["gate.zip/gate"], [str(slow.name)]]
    assert [run["reaction"] for run in first] == [run["reaction"] for run in second]
    page = (place.root / "b.html").read_text("utf-8")
    assert "edgereply-" not in page.replace("edgereply-bundle", ""), "no name of where it was unpacked"

    done = place.run("compare", "gate.zip", "slow", "--json")
    assert done.code == 0, done.err
    assert [run["name"] for run in done.document["runs"]] == ["gate.zip/gate", "slow"]
    told = place.run("compare", "gate.zip", "slow")
    assert "gate.zip/gate" in told.out


def test_a_bundle_of_a_series_is_its_conditions(place: Workplace) -> None:
    save_sweep(place.root / "night")
    bundled(place, "night", output="tuesday.zip")
    done = place.run("report", "tuesday.zip", "--table", "boards")
    assert done.code == 0, done.err
    assert [line.split("|")[1].strip() for line in done.out.splitlines() if line.startswith("| ")][2:] == [
        "A: block-200\\_per\\_s", "B: block-500\\_per\\_s", "C: spin-200\\_per\\_s", "D: spin-500\\_per\\_s",
    ]  # fmt: skip


def test_a_bundle_that_is_not_what_it_says_is_refused(place: Workplace, gate: Path) -> None:
    bundled(place, "gate", output="gate.zip")
    with zipfile.ZipFile(place.root / "gate.zip") as old, zipfile.ZipFile(place.root / "bent.zip", "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name) + (b" " if name == "README.txt" else b""))
    for command in (("report", "bent.zip"), ("compare", "bent.zip", "gate")):
        explained(place.run(*command), 2, "not what it says", "bundle --verify bent.zip")
    assert not (place.root / "report.html").exists()
    (place.root / "letter.txt").write_text("mine")
    explained(place.run("report", "letter.txt"), 2, "letter.txt")
