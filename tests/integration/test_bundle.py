"""`edgereply bundle` as it is typed."""

import json
import zipfile

from tests.fakes.saved_runs import save_run
from tests.integration.commands import Workplace, explained


def test_preview_bundle_verify_and_use_what_was_unpacked(place: Workplace) -> None:
    board = {"host": "reject-gate-3", "route": "chardev", "wait": "block"}
    save_run(place.root / "run", requested={"board": board}, title="Line 3 of Acme", created="2026-01-02")
    done = place.run("bundle", "run", "--preview")
    assert done.code == 0, done.err
    assert "host-1  in place of 'reject-gate-3', 1 place" in done.out
    assert "title: Line 3 of Acme" in done.out
    assert not list(place.root.glob("*.zip"))

    done = place.run("bundle", "run", "-o", "x.zip", "--redact", "Acme", "--json")
    assert done.code == 0, done.err
    values = {found["value"]: found["placeholder"] for found in done.document["redactions"]}
    assert values == {"reject-gate-3": "host-1", "Acme": "word-1"}
    with zipfile.ZipFile(place.root / "x.zip") as archive:
        assert json.loads(archive.read("runs/run/run.json"))["title"] == "Line 3 of word-1"

    done = place.run("bundle", "--verify", "x.zip", "--unpack", "out", "--json")
    assert done.code == 0, done.err
    assert done.document["matches"] is True
    assert done.document["runs"][0]["stimuli"] == 60
    explained(place.run("bundle", "--verify", "x.zip", "--unpack", "out"), 2, "directory cannot be made")
    assert place.run("explain", "out/runs/run").code == 0


def test_what_does_not_match_ends_with_1_and_what_is_no_bundle_with_2(place: Workplace) -> None:
    save_run(place.root / "run", 20, holes=())
    assert place.run("bundle", "run", "-o", "x.zip").code == 0
    with zipfile.ZipFile(place.root / "x.zip") as old, zipfile.ZipFile(place.root / "y.zip", "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name) + (b" " if name == "README.txt" else b""))
    done = place.run("bundle", "--verify", "y.zip")
    assert done.code == 1, done.err
    assert "WRONG  README.txt: altered" in done.out
    assert "It does not match." in done.out
    with zipfile.ZipFile(place.root / "z.zip", "w") as archive:
        archive.writestr("../evil", "x")
    explained(place.run("bundle", "--verify", "z.zip"), 2, "a name that no bundle has")
    assert not (place.root.parent / "evil").exists()
    explained(place.run("bundle", "--verify", "absent.zip"), 2, "cannot be read")
    explained(place.run("bundle"), 2, "nothing to bundle")
    explained(place.run("bundle", "run", "-o", "x.zip"), 2, "nothing is overwritten")
    explained(place.run("bundle", "run", "-o", "w.zip", "--keep", "hosts"), 2, "no kind of name")
