"""`python -m tests.campaign --faults 500 --seed 1`: that many faults that struck, and what came of them."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tests.campaign.faults import FAULTS
from tests.campaign.stage import Campaign


def main() -> int:
    """Run a campaign. Returns 0 when nothing was lost, 1 when something was."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaign", description=__doc__)
    parser.add_argument("--faults", type=int, default=500, help="how many faults have to strike")
    parser.add_argument("--minutes", type=float, default=1440.0, help="begin no scene after so long")
    parser.add_argument("--seed", type=int, default=1, help="of kinds, moments and details")
    parser.add_argument("--jobs", type=int, default=2, help="scenes at a time")
    parser.add_argument("--only", choices=FAULTS, action="append", help="this kind only; may be given again")
    parser.add_argument("--keep", type=Path, help="keep the directories of scenes with complaints there")
    options = parser.parse_args()
    campaign = Campaign(options.seed, options.only or list(FAULTS), options.keep, progress=True)
    campaign.run(options.faults, options.jobs, options.minutes * 60)
    print(campaign.table())
    for scene in campaign.complaints:
        print(scene)
    return 1 if campaign.complaints else 0


if __name__ == "__main__":
    sys.exit(main())
