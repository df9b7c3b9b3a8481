"""`edgereply bundle`: runs as one archive for others, and the check of one."""

import tempfile
from pathlib import Path
from typing import Annotated, Any

import typer

from edgereply.cli.common import JsonOption, leave, put_json, say
from edgereply.errors import SAYS_NO
from edgereply.wording.folding import tell

EXAMPLES = (
    "edgereply bundle runs/first --preview",
    "edgereply bundle runs/first -o first.zip",
    "edgereply bundle --verify first.zip",
)


def command(
    runs: Annotated[
        list[Path] | None, typer.Argument(help="Run directories, or one series directory.", metavar="RUN")
    ] = None,
    output: Annotated[Path, typer.Option("-o", "--output", help="The new archive.", metavar="FILE")] = Path(
        "edgereply-bundle.zip"
    ),
    preview: Annotated[
        bool, typer.Option("--preview", help="List what would go in and what would be redacted; write nothing.")
    ] = False,
    keep: Annotated[
        list[str] | None,
        typer.Option(
            help="Leave names in: a kind (host, user, serial, address, path) or one placeholder (host-1).",
            metavar="KIND",
        ),
    ] = None,
    redact: Annotated[
        list[str] | None, typer.Option(help="Take this word out too, such as a customer's name.", metavar="WORD")
    ] = None,
    verify: Annotated[
        Path | None,
        typer.Option(help="Instead: compute this bundle's summaries again from its raw stamps.", metavar="BUNDLE"),
    ] = None,
    unpack: Annotated[
        Path | None,
        typer.Option(help="With --verify: keep what was unpacked, in a new directory.", metavar="DIRECTORY"),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Pack runs for publishing, names redacted; or verify such a bundle (exit code 1 where it does not match)."""
    from edgereply.errors import SettingError

    if verify is not None:
        if runs or preview or keep or redact:
            raise SettingError("a bundle is verified as it is", where="--verify", remedy="give no runs with it")
        _verify(verify, unpack, as_json)
        return
    if not runs or unpack is not None:
        raise SettingError("nothing to bundle", where="RUN", remedy="give runs or a series, or --verify with a bundle")
    _bundle(runs, output, preview, keep or [], redact or [], as_json)


def _bundle(paths: list[Path], output: Path, preview: bool, keep: list[str], words: list[str], as_json: bool) -> None:
    from edgereply.cli.arguments import expect_runs
    from edgereply.exchange.bundle.bundle_text import bundle_document, bundle_lines
    from edgereply.exchange.bundle.collect import collect
    from edgereply.exchange.bundle.pack import stage, write_archive
    from edgereply.exchange.bundle.redact import Redactor
    from edgereply.exchange.export.target import check_new

    expect_runs(paths)
    if not preview:
        check_new(output)
    redactor = Redactor(keep, words)
    chosen = collect(paths, redactor)
    with tempfile.TemporaryDirectory(prefix="edgereply-") as place:
        staged = stage(chosen, redactor, Path(place), say)
        if not preview:
            write_archive(staged, output)
        target = None if preview else output
        if as_json:
            put_json(bundle_document(staged, chosen, redactor, target))
        else:
            for line in bundle_lines(staged, chosen, redactor):
                tell(line)
    if preview:
        say("nothing was written; without --preview this goes into the archive")
    else:
        say(f"bundle written to {output}; others check it by: edgereply bundle --verify {output}")


def _verify(archive: Path, unpack: Path | None, as_json: bool) -> None:
    from edgereply.exchange.bundle.bundle_text import check_lines
    from edgereply.exchange.bundle.check import verify

    with _place(unpack) as place:
        check = verify(archive, place, say)
    if as_json:
        put_json(check.as_dict())
    else:
        for line in check_lines(check):
            tell(line)
    if unpack is not None:
        say(f"unpacked into {unpack}; the runs are in {unpack / 'runs'}")
    if not check.matches:
        leave(SAYS_NO)


def _place(unpack: Path | None) -> Any:
    import contextlib

    from edgereply.errors import SettingError

    if unpack is None:
        return _as_path()
    try:
        unpack.mkdir(mode=0o700)
    except OSError as error:
        raise SettingError(
            f"the directory cannot be made: {error.strerror}", where=str(unpack), remedy="name a new one with --unpack"
        ) from error
    return contextlib.nullcontext(unpack)


def _as_path() -> Any:
    import contextlib

    @contextlib.contextmanager
    def place() -> Any:
        with tempfile.TemporaryDirectory(prefix="edgereply-") as name:
            yield Path(name)

    return place()
