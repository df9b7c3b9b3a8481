"""`python -m tests.fuzzing.one TARGET CORPUS OPTION…`: one target until the time is over or something breaks."""

from __future__ import annotations

import sys
import warnings
from pathlib import Path


def main() -> None:
    """Fuzz one target; does not return."""
    import atheris

    name, corpus = sys.argv[1], Path(sys.argv[2])
    # Only our own modules guide the search: the packages below are large and slow down everything.
    with atheris.instrument_imports(include=["edgereply", "edgereply_agent", "edgereply_protocol", "tomllib"]):
        from tests.fuzzing.seeds import seeds
        from tests.fuzzing.targets import TARGETS
    corpus.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(seeds().get(name, [b""])):
        (corpus / f"seed-{number}").write_bytes(seed)
    warnings.simplefilter("error")
    atheris.Setup([sys.argv[0], *sys.argv[3:], str(corpus)], TARGETS[name])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
