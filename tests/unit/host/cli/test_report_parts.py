"""A figure that runs do not have: the ones they have are named."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from edgereply.cli.report_parts import write_figure
from edgereply.errors import SettingError
from edgereply.report.material import load_material
from tests.fakes.made_runs import random_stimuli
from tests.fakes.told_runs import save_run


def test_a_figure_that_these_runs_lack_names_those_they_have(tmp_path: Path) -> None:
    run = save_run(tmp_path / "run", random_stimuli(500, 1), 100_000 + np.random.default_rng(1).integers(0, 9000, 500))
    material = load_material([run], None, lambda line: None)
    with pytest.raises(SettingError, match="no figure 'rates'") as caught:
        write_figure(material, "rates", tmp_path / "rates.svg")
    named = caught.value.remedy.removeprefix("they have: ").split(", ")
    assert {"distribution", "tail", "over-time"} <= set(named)
    assert not {"rates", "fold"} & set(named)
    assert not (tmp_path / "rates.svg").exists()
