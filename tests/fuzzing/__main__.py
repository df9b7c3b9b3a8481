"""`python -m tests.fuzzing --minutes 60`: each target for its share of the time, guided by what the input reaches.

Needs the package atheris (the extra `fuzz`). Prints how many inputs each target had, and what broke it; the inputs that
did are kept.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from tests.fuzzing.targets import TARGETS

SLOW_S = 20
MOST_MB = 2048
ONE = "tests.fuzzing.one"


@dataclass(frozen=True, slots=True)
class Share:
    """What came of one target."""

    target: str
    inputs: int
    peak_mb: int
    finding: str

    def line(self) -> str:
        """A row of the table."""
        return f"{self.target:16}{self.inputs:14,}{self.peak_mb:9,}  {self.finding or 'nothing found'}"


def fuzz(target: str, seconds: int, jobs_dir: Path) -> Share:
    """Run one target in a process of its own, which an endless loop or a crash of the interpreter may take down."""
    corpus, kept = jobs_dir / target, jobs_dir / "findings"
    kept.mkdir(exist_ok=True)
    command = [
        sys.executable, "-m", ONE, target, str(corpus), f"-max_total_time={seconds}", f"-timeout={SLOW_S}",
        f"-rss_limit_mb={MOST_MB}", "-print_final_stats=1", "-max_len=4096", f"-artifact_prefix={kept}/{target}-",
    ]  # fmt: skip
    try:
        done = subprocess.run(
            command, capture_output=True, text=True, errors="replace", timeout=4 * seconds + 600, check=False
        )
    except subprocess.TimeoutExpired:
        return Share(target, 0, 0, "did not end; perhaps the computer has no time for it")
    said = done.stdout + done.stderr
    inputs = re.search(r"stat::number_of_executed_units:\s*(\d+)", said)
    peak = re.search(r"stat::peak_rss_mb:\s*(\d+)", said)
    finding = ""
    if done.returncode != 0:
        error = re.search(r"^(?:[\w.]*(?:Error|Warning|Exception)\b.*|.*ERROR: libFuzzer.*)$", said, re.MULTILINE)
        finding = error[0] if error else said[-300:]
    return Share(target, int(inputs[1]) if inputs else 0, int(peak[1]) if peak else 0, finding)


def main() -> int:
    """Fuzz. Returns 0 when nothing was found, 1 when something was."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzzing", description=__doc__)
    parser.add_argument("--minutes", type=float, default=15.0, help="for all targets together")
    parser.add_argument("--only", choices=TARGETS, action="append", help="this target only; may be given again")
    parser.add_argument("--keep", type=Path, help="directory for corpora and findings; default a temporary one")
    options = parser.parse_args()
    names = options.only or list(TARGETS)
    place = options.keep or Path(tempfile.mkdtemp(prefix="fuzzing-"))
    place.mkdir(exist_ok=True)
    shares = []
    for name in names:
        shares.append(fuzz(name, max(1, round(options.minutes * 60 / len(names))), place))
        print(shares[-1].line(), file=sys.stderr, flush=True)
    print(f"{'target':16}{'inputs':>14}{'peak MB':>9}")
    print("\n".join(share.line() for share in shares))
    print(f"{sum(share.inputs for share in shares):,} inputs; corpora and findings in {place}")
    return 1 if any(share.finding for share in shares) else 0


if __name__ == "__main__":
    sys.exit(main())
