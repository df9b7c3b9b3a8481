"""`edgereply export` as it is typed."""

from pathlib import Path

import pyarrow.parquet as pq
from tests.fakes.saved_runs import save_run
from tests.integration.commands import Workplace, explained


def test_export_says_what_it_wrote(place: Workplace) -> None:
    save_run(place.root / "run")
    done = place.run("export", "run", "--to", "parquet", "--json")
    assert done.code == 0, done.err
    document = done.document
    assert document["file"] == "edgereply-pairs.parquet"
    assert document["rows"] == 60
    assert document["runs"] == [
        {"run": "run", "rows": 60, "evidence": "joined", "virtual": True, "state": "complete"}
    ]  # fmt: skip
    table = pq.read_table(place.root / document["file"])
    assert table.column_names == document["columns"]
    assert (place.root / document["file"]).stat().st_size == document["bytes"]
    assert "VIRTUAL: 60 rows of 1 run" in done.err
    explained(place.run("export", "run", "--to", "parquet"), 2, "nothing is overwritten")


def test_what_cannot_be_exported_is_explained(place: Workplace) -> None:
    save_run(place.root / "run", 3, holes=())
    (place.root / "run/stamps/part-00000.parquet").write_bytes(b"")
    explained(place.run("export", "run", "--to", "csv"), 2, "altered or truncated")
    explained(place.run("export", "absent", "--to", "csv"), 2, "not a run directory")
    explained(place.run("export", "run", "--to", "vcd", "-o", "no/t.vcd"), 3, "cannot be written")
    assert place.run("export", "run", "--to", "xlsx").code == 2
    assert sorted(path.name for path in Path(place.root).glob("*.csv")) == []


def test_a_run_that_was_cut_off_is_exported_and_said_so(place: Workplace) -> None:
    save_run(place.root / "run", finish=False)
    done = place.run("export", "run", "--to", "csv", "-o", "t.csv")
    assert done.code == 0, done.err
    assert "run is not complete" in done.err
    # The last stimuli had not been written yet.
    committed = pq.read_table(place.root / "run/stamps").num_rows
    assert len((place.root / "t.csv").read_text().splitlines()) == 1 + committed
