"""`python -m tests.mutation guards` and `python -m tests.mutation --seed 1 --each 12`: see the package's head."""

from __future__ import annotations

import argparse
import sys

from tests.mutation import guards, score


def main() -> int:
    """Returns 0 when every guard is missed, or every folder reaches the bar; 1 otherwise."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("what", nargs="?", choices=("score", "guards"), default="score")
    parser.add_argument("--only", action="append", default=[], help="guards of this name, or folders; may be repeated")
    parser.add_argument("--seed", type=int, default=1, help="of the changes")
    parser.add_argument("--each", type=int, default=12, help="changes in each folder")
    parser.add_argument("--bar", type=float, default=0.92, help="share of changes that must be noticed in each folder")
    options = parser.parse_args()
    if options.what == "guards":
        wanted = [guard for guard in guards.read_guards() if not options.only or guard.name in options.only]
        problems = guards.check(wanted)
        print(f"{len(wanted) - len(problems)} of {len(wanted)} guards are missed when they are gone")
        for guard, verdict in problems:
            print(f"NOT MISSED: {guard.name} ({guard.file}), {guard.test}: {verdict}")
        return 1 if problems else 0
    found = score.measure(options.seed, options.each, options.only)
    print("\n".join(score.table(found, options.bar)))
    return 0 if score.reaches(found, options.bar) else 1


if __name__ == "__main__":
    sys.exit(main())
