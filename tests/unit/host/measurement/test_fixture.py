from pathlib import Path

import numpy as np
import pytest

from edgereply.errors import DataError, SettingError, SourceError
from edgereply.measurement.fixture import fixture_path, load_fixture, measure_fixture, save_fixture
from tests.fakes.made_runs import random_stimuli
from tests.fakes.scripted_source import ScriptedSource, batch


def jumpered(delays: list[int], captures: bool = True) -> ScriptedSource:
    stimuli = random_stimuli(len(delays), 4)
    edges = [(1, int(at)) for at in stimuli] + [(2, int(at) + d) for at, d in zip(stimuli, delays, strict=True) if d]
    edges.sort(key=lambda edge: edge[1])
    return ScriptedSource([batch(edges[:300]), None, batch(edges[300:], done=True)], captures)


def test_the_delay_and_its_budget_are_kept_beside_the_bench_file(tmp_path: Path) -> None:
    delays = [62 if n % 2 else 125 for n in range(1000)]
    source = jumpered(delays)
    record = measure_fixture(source)
    assert (record.count, record.missed) == (1000, 0)
    assert record.delay_ns == np.mean(delays)
    assert (record.shortest_ns, record.longest_ns, record.tick_ns) == (62, 125, 62.5)
    # JCGM 100:2008, 4.3.7: a difference of two stamps of 62.5 ns resolution.
    assert record.budget["resolution_ns"] == pytest.approx(25.516, abs=5e-4)
    path = fixture_path(tmp_path / "bench.toml")
    save_fixture(path, record)
    assert path.name == "bench.fixture.json"
    assert load_fixture(path, source.identity) == record
    assert "not subtracted" in record.sentence()


def test_a_missing_jumper_is_told(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="0 of 1000 stimuli came back"):
        measure_fixture(jumpered([0] * 1000))


def test_a_source_that_cannot_capture_is_refused() -> None:
    with pytest.raises(SettingError, match="does not capture"):
        measure_fixture(jumpered([62] * 10, captures=False))


def test_another_sources_null_measurement_is_not_used(tmp_path: Path) -> None:
    source = jumpered([62] * 500)
    save_fixture(tmp_path / "f.json", measure_fixture(source).model_copy(update={"serial": "other"}))
    assert load_fixture(tmp_path / "f.json", source.identity) is None
    assert load_fixture(tmp_path / "none.json", source.identity) is None


@pytest.mark.parametrize("text", ["", "[]", '{"format": 2}'])
def test_a_damaged_null_measurement_is_named(tmp_path: Path, text: str) -> None:
    (tmp_path / "f.json").write_text(text)
    with pytest.raises(DataError, match=r"f\.json"):
        load_fixture(tmp_path / "f.json", jumpered([62]).identity)
