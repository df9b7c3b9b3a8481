"""Entry point: `python3 agent.pyz` serves a host on stdin and stdout; `--version` says the version."""

from __future__ import annotations

import sys


def main() -> int:
    """Run the agent.

    Returns:
        0 done, 2 wrong arguments, 3 trouble on the link, 128 + number after a signal.
    """
    arguments = sys.argv[1:]
    if sys.version_info < (3, 9):
        print(f"edgereply agent: needs Python 3.9 or later, this is {sys.version.split()[0]}", file=sys.stderr)
        return 2
    from . import __version__

    if arguments == ["--version"]:
        print(f"edgereply-agent {__version__}")
        return 0
    if arguments:
        print(
            "edgereply agent: takes no arguments but --version; it speaks frames on stdin and stdout", file=sys.stderr
        )
        return 2
    from .serving import serve_stdio

    return serve_stdio()


if __name__ == "__main__":
    sys.exit(main())
