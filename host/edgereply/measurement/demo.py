"""The demo's directory: a bench file, and the benches measured from it."""

import tomllib
from dataclasses import dataclass
from pathlib import Path

from edgereply.config.overrides import override
from edgereply.config.settings import Bench
from edgereply.errors import SettingError

WAITS = ("block", "spin")


@dataclass(frozen=True, slots=True)
class DemoDirectory:
    """Where the demo writes, and what it measures."""

    root: Path
    bench_file: Path
    runs: Path
    benches: dict[str, Bench]


def prepare(root: Path, bench_text: str) -> DemoDirectory:
    """Make the demo's directory and its bench file.

    Raises:
        SettingError: the directory holds something, cannot be made, or the bench text is wrong (a dwell that is no
            time).
    """
    bench_file = root / "bench.toml"
    data = tomllib.loads(bench_text)
    benches = {
        wait: override(data, str(bench_file), board="", on_board={"wait": wait}, realtime={}, stimulus={}, top={})
        for wait in WAITS
    }
    try:
        if root.exists() and any(root.iterdir()):
            raise SettingError(
                "the directory is not empty", where=str(root), remedy="remove it or choose another with --out"
            )
        root.mkdir(parents=True, exist_ok=True)
        bench_file.write_text(bench_text, encoding="utf-8")
    except OSError as error:
        raise SettingError(
            f"the directory cannot be used: {error.strerror}", where=str(root), remedy="choose another with --out"
        ) from error
    return DemoDirectory(root, bench_file, root / "runs", benches)
