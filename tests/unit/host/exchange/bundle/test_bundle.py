"""Bundles made, and checked by what is in them."""

import hashlib
import json
import shutil
import zipfile
from pathlib import Path
from typing import Any

import pytest

from edgereply.errors import DataError, SettingError
from edgereply.exchange.bundle import pack
from edgereply.exchange.bundle.check import Check, differences, verify
from edgereply.exchange.bundle.collect import collect
from edgereply.exchange.bundle.manifest import Manifest
from edgereply.exchange.bundle.pack import stage, write_archive
from edgereply.exchange.bundle.redact import Redactor
from edgereply.exchange.bundle.unpack import Limits
from edgereply.storage.run_reader import RunReader
from edgereply.storage.series_record import SeriesRecord, plan_blocks, save_series
from tests.fakes.saved_runs import save_run

SECRETS = ("reject-gate-3", "A1B2C3", "joanna", "10.1.2.3", "/srv/joanna/bench.toml")


def quiet(_: str) -> None:
    pass


def secret_run(directory: Path, **changes: Any) -> None:
    source = {"kind": "reference", "model": "pulse source", "serial": "A1B2C3", "plan": {"width_ns": 50_000}}
    board = {
        "host": "joanna@reject-gate-3",
        "route": "chardev",
        "wait": "block",
        "input": {"chip": "", "line": "EYE_IN"},
    }
    values: dict[str, Any] = {
        "context": {"power_mw": 2100},
        "source": source, "requested": {"board": board}, "repeat": ["edgereply measure --bench /srv/joanna/bench.toml"],
        "warnings": ["reject-gate-3 (10.1.2.3) is warm"], "environment_before": {"hostname": "reject-gate-3"},
    }  # fmt: skip
    save_run(directory, **values | changes)
    (directory / "notes.txt").write_text("call joanna")


def bundle(output: Path, *paths: Path, keep: tuple[str, ...] = ()) -> Path:
    redactor = Redactor(keep, local=False)
    root = output.with_suffix(".stage")
    root.mkdir()
    write_archive(stage(collect(paths, redactor), redactor, root, quiet), output)
    shutil.rmtree(root)
    return output


def check(archive: Path) -> Check:
    place = archive.with_suffix(".place")
    place.mkdir()
    try:
        return verify(archive, place, quiet)
    finally:
        shutil.rmtree(place)


def altered(archive: Path, name: str, change: Any, relist: bool = False) -> Path:
    """A copy with one file changed; with `relist` its checksums in manifest and record are made to agree."""
    output = archive.with_name(f"altered-{archive.name}")
    with zipfile.ZipFile(archive) as old:
        files = {member: old.read(member) for member in old.namelist()}
    files[name] = change(files.get(name))
    if relist:
        manifest = json.loads(files["manifest.json"])
        for entry in manifest["files"]:
            if entry["name"] == name:
                entry["bytes"], entry["sha256"] = len(files[name]), hashlib.sha256(files[name]).hexdigest()
        files["manifest.json"] = json.dumps(manifest).encode()
    with zipfile.ZipFile(output, "w") as new:
        for member, data in files.items():
            if data is not None:
                new.writestr(member, data)
    return output


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("bundle")
    secret_run(place / "run")
    return bundle(place / "x.zip", place / "run")


def test_a_bundle_holds_the_raw_stamps_and_nothing_that_names_anybody(made: Path) -> None:
    with zipfile.ZipFile(made) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    assert set(files) == {
        "manifest.json", "README.txt", "report.html", "runs/run/run.json",
        *(f"runs/run/{part.relative_to(made.parent / 'run')}" for part in made.parent.glob("run/*/part-*.parquet")),
    }  # fmt: skip
    for name, data in files.items():
        for secret in SECRETS:
            assert secret.encode() not in data, f"{secret} in {name}"
    original = made.parent / "run/stamps/part-00000.parquet"
    assert files["runs/run/stamps/part-00000.parquet"] == original.read_bytes()
    record = json.loads(files["runs/run/run.json"])
    assert record["requested"]["board"]["host"] == "user-1@host-1"
    assert record["requested"]["board"]["input"]["line"] == "EYE_IN"
    assert b"host-1" in files["report.html"]
    assert b"was not judged" not in files["report.html"]
    manifest = json.loads(files["manifest.json"])
    assert {entry["name"]: entry["sha256"] for entry in manifest["files"]} == {
        name: hashlib.sha256(data).hexdigest() for name, data in files.items() if name != "manifest.json"
    }


def test_the_same_run_gives_the_same_bytes(made: Path, tmp_path: Path) -> None:
    again = bundle(tmp_path / "y.zip", made.parent / "run")
    assert again.read_bytes() == made.read_bytes()


def test_a_bundle_as_it_was_made_matches(made: Path) -> None:
    found = check(made)
    assert found.matches, found
    assert found.runs[0].stimuli == 60
    assert (found.runs[0].evidence, found.runs[0].virtual) == ("joined", True)
    assert found.sha256 == hashlib.sha256(made.read_bytes()).hexdigest()


def test_an_altered_file_does_not_match(made: Path) -> None:
    found = check(altered(made, "report.html", lambda data: data + b" "))
    assert not found.matches
    assert found.wrong == ("report.html: altered since the bundle was made",)
    assert not found.runs[0].differences


def test_a_file_more_or_less_does_not_match(made: Path) -> None:
    more = check(altered(made, "runs/run/context.jsonl", lambda _: b"{}\n"))
    assert more.wrong == ("runs/run/context.jsonl: not in the manifest",)
    assert not more.matches
    fewer = check(altered(made, "README.txt", lambda _: None))
    assert fewer.wrong == ("README.txt: missing",)
    assert not fewer.matches


def test_a_figure_made_better_is_found_though_every_checksum_is_right(made: Path) -> None:
    def better(data: bytes) -> bytes:
        record = json.loads(data)
        record["summary"]["reaction"]["max_ns"] -= 1
        record["summary"]["missed"] = 0
        return json.dumps(record).encode()

    found = check(altered(made, "runs/run/run.json", better, relist=True))
    assert not found.wrong
    assert not found.matches
    words = " ".join(found.runs[0].differences)
    assert "missed: recorded 0, computed 2" in words
    assert "reaction.max_ns: recorded" in words


@pytest.mark.parametrize(
    "change",
    [
        lambda record: record.update(summary={}),
        lambda record: record["summary"].pop("reaction"),
        lambda record: record.update(deadline_ns=10),
        lambda record: record["summary"].update(invented=1),
        lambda record: record["parts"].pop(),
        lambda record: record["summary"]["context"].update(power_mw=1),
    ],
)
def test_a_record_that_says_less_or_other_does_not_match(made: Path, change: Any) -> None:
    def edit(data: bytes) -> bytes:
        record = json.loads(data)
        change(record)
        return json.dumps(record).encode()

    found = check(altered(made, "runs/run/run.json", edit, relist=True))
    assert not found.wrong
    assert found.runs[0].differences
    assert not found.matches


def test_a_bundle_without_a_run_does_not_match(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "x.zip", "w") as archive:
        archive.writestr("manifest.json", Manifest(tool="t", files=[]).model_dump_json())
    found = check(tmp_path / "x.zip")
    assert not found.matches
    assert (found.wrong, found.runs) == ((), ())


def test_stamps_swapped_for_others_are_found(made: Path, tmp_path: Path) -> None:
    other = (made.parent / "run/stamps/part-00001.parquet").read_bytes()
    found = check(altered(made, "runs/run/stamps/part-00000.parquet", lambda _: other, relist=True))
    assert not found.wrong
    assert "altered or truncated" in found.runs[0].differences[0]


def test_what_is_kept_is_kept(made: Path, tmp_path: Path) -> None:
    archive = bundle(tmp_path / "k.zip", made.parent / "run", keep=("host",))
    with zipfile.ZipFile(archive) as opened:
        record = json.loads(opened.read("runs/run/run.json"))
        assert json.loads(opened.read("manifest.json"))["kept"] == ["host"]
    assert record["requested"]["board"]["host"] == "user-1@reject-gate-3"
    assert check(archive).matches


def test_a_series_goes_in_whole_and_comes_out_as_one(tmp_path: Path) -> None:
    blocks = plan_blocks(["block", "spin"], 1, 1, 1)
    for block in blocks:
        block.state = "complete"
        secret_run(tmp_path / "s" / block.run, count=20, holes=())
    secret_run(tmp_path / "s" / f"{blocks[0].run}-warm-up", count=5, holes=())
    series = SeriesRecord(
        tool="t", created="", board="gate", order_seed=1, conditions={"block": {}, "spin": {}}, blocks=blocks,
        bench={"board": {"gate": {"host": "reject-gate-3"}}}, plan={"bench": "/srv/joanna/bench.toml"},
    )  # fmt: skip
    save_series(tmp_path / "s", series)
    archive = bundle(tmp_path / "s.zip", tmp_path / "s")
    found = check(archive)
    assert found.matches, found
    assert len(found.runs) == 3
    with zipfile.ZipFile(archive) as opened:
        text = opened.read("runs/series.json").decode()
    assert not [secret for secret in SECRETS if secret in text]
    assert [block["run"] for block in json.loads(text)["blocks"]] == [block.run for block in blocks]


def test_a_run_that_was_cut_off_gets_its_summary_and_a_note(tmp_path: Path) -> None:
    save_run(tmp_path / "run", finish=False)
    archive = bundle(tmp_path / "x.zip", tmp_path / "run")
    assert check(archive).matches
    with zipfile.ZipFile(archive) as opened:
        assert "cut off" in json.loads(opened.read("manifest.json"))["notes"][0]
        assert json.loads(opened.read("runs/run/run.json"))["state"] == "running"
    assert RunReader(tmp_path / "run").record.summary == {}


def test_runs_of_the_same_name_stay_apart(tmp_path: Path) -> None:
    for place in ("a/run", "b/run", "c/a b"):
        save_run(tmp_path / place, 5, holes=())
    chosen = collect([tmp_path / place for place in ("a/run", "b/run", "c/a b")], Redactor(local=False))
    assert list(chosen.runs) == ["run", "run-002", "run-003"]


def test_what_is_no_run_is_told(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(DataError, match="not a run"):
        collect([tmp_path / "empty"], Redactor(local=False))


def test_links_and_other_files_stay_behind(tmp_path: Path) -> None:
    secret_run(tmp_path / "run", count=5, holes=())
    (tmp_path / "run/link").symlink_to("/etc/passwd")
    chosen = collect([tmp_path / "run"], Redactor(local=False))
    assert [path.name for path in chosen.left_out] == ["link", "notes.txt"]


def test_nothing_is_overwritten(made: Path) -> None:
    with pytest.raises(SettingError, match="nothing is overwritten"):
        bundle(made, made.parent / "run")


def test_differences_are_exact_for_whole_numbers_and_to_nine_digits_for_means() -> None:
    assert differences({"a": 1, "m": 0.1}, {"a": 1, "m": 0.1 + 1e-12, "new": 2}) == []
    assert differences({"a": 1}, {"a": 2}) == ["a: recorded 1, computed 2"]
    assert differences({"m": 0.1}, {"m": 0.1001})
    assert differences({"a": {"b": [1, 2]}}, {"a": {"b": [1, 3]}}) == ["a.b[1]: recorded 2, computed 3"]
    assert differences({"a": 1}, {"a": None})
    assert differences({"a": True}, {"a": 1})
    assert differences({"gone": 1}, {}) == ["gone: recorded, not computed"]


@pytest.mark.parametrize(("limit", "most"), [("MOST_ROWS", 10), ("MOST_BYTES", 100), ("MOST_COLUMNS", 2)])
def test_a_part_larger_than_any_run_writes_is_not_read(
    made: Path, monkeypatch: pytest.MonkeyPatch, limit: str, most: int
) -> None:
    monkeypatch.setattr(f"edgereply.storage.parquet_parts.{limit}", most)
    found = check(made)
    assert "larger than any run writes" in found.runs[0].differences[0]
    assert not found.matches


def test_what_was_only_watched_goes_along(tmp_path: Path) -> None:
    save_run(tmp_path / "run", observed=True)
    checked = check(bundle(tmp_path / "b.zip", tmp_path / "run"))
    assert checked.matches
    with zipfile.ZipFile(tmp_path / "b.zip") as archive:
        names = {name for name in archive.namelist() if "/observed/" in name}
        record = json.loads(archive.read("runs/run/run.json"))
    assert names == {f"runs/run/observed/part-0000{n}.parquet" for n in (0, 1)}
    assert record["evidence"] == "joined"
    assert set(record["summary"]["segments"]) == {"inside", "outside"}


def test_a_run_whose_parts_grew(tmp_path: Path) -> None:
    """Finished, and cut off in the middle of a commit: what was half written stays behind."""
    save_run(tmp_path / "run", parts=3, part_rows=30)
    save_run(tmp_path / "cut", parts=3, part_rows=30, finish=False)
    (tmp_path / "cut/board/.part-00001.parquet.partial").write_bytes(
        (tmp_path / "cut/board/part-00001.parquet").read_bytes()
    )
    checked = check(bundle(tmp_path / "b.zip", tmp_path / "run", tmp_path / "cut"))
    assert checked.matches
    assert [run.stimuli for run in checked.runs] == [58, 60]
    with zipfile.ZipFile(tmp_path / "b.zip") as archive:
        names = [name for name in archive.namelist() if "part-" in name]
    assert names == [
        f"runs/{run}/{folder}/part-0000{number}.parquet"
        for run in ("cut", "run") for folder in ("board", "stamps") for number in (0, 1)
    ]  # fmt: skip


def test_more_parts_than_are_read_back_are_refused_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    save_run(tmp_path / "few", parts=1)
    save_run(tmp_path / "many", parts=5)
    names = zipfile.ZipFile(bundle(tmp_path / "b.zip", tmp_path / "few", tmp_path / "many")).namelist()
    limits = Limits(files=len(names) - 1)
    monkeypatch.setattr(pack, "LIMITS", limits)
    with pytest.raises(SettingError, match="fewer runs") as caught:
        bundle(tmp_path / "c.zip", tmp_path / "few", tmp_path / "many")
    assert str(tmp_path / "many") in str(caught.value)
    assert not list((tmp_path / "c.stage").iterdir())
