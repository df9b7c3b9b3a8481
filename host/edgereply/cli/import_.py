"""`edgereply import`: edges that another instrument or a simulator recorded become a run."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from edgereply.cli.common import JsonOption, put_json, say
from edgereply.wording.folding import tell

EXAMPLES = ("edgereply import recording.csv", "edgereply import recording.csv --accept --out runs/scope")


def command(
    files: Annotated[
        list[Path],
        typer.Argument(
            help="CSV or VCD (also gzip), NumPy, Parquet, WAV, session archives: in order of time, or a channel each.",
            metavar="FILE",
        ),
    ],
    response_file: Annotated[
        list[Path] | None, typer.Option(help="Files that hold the response, one for each of FILES.", metavar="FILE")
    ] = None,
    stimulus: Annotated[
        str, typer.Option(help="Channel of the stimulus; of two the earlier one if not given.", metavar="STIMULUS")
    ] = "",
    response: Annotated[str, typer.Option(help="Channel of the response.", metavar="RESPONSE")] = "",
    active_low_stimulus: Annotated[
        bool | None, typer.Option("--active-low-stimulus/--active-high-stimulus", help="Its pulses go low, or high.")
    ] = None,
    active_low_response: Annotated[
        bool | None, typer.Option("--active-low-response/--active-high-response", help="Its pulses go low, or high.")
    ] = None,
    levels: Annotated[
        list[str] | None, typer.Option(help="Low and high in volts by hand, such as 'CH1=0,3.3'.", metavar="LEVELS")
    ] = None,
    hysteresis: Annotated[
        float, typer.Option(help="About the 50 % level, ± this part of the amplitude.", metavar="SHARE")
    ] = 0.1,
    glitch: Annotated[
        str | None, typer.Option(help="Take out levels shorter than this, such as 200ns.", metavar="TIME")
    ] = None,
    interval: Annotated[
        str | None, typer.Option(help="Between samples, in place of what the file says: 1us or 2MHz.", metavar="TIME")
    ] = None,
    time_file: Annotated[
        list[Path] | None,
        typer.Option(
            help="File with the times of FILES, where they stand apart; one or one each.", metavar="TIME-FILE"
        ),
    ] = None,
    resolution: Annotated[
        str | None,
        typer.Option(help="Of the sampling behind a VCD or a list of changes, such as 42ns or 24MHz.", metavar="TIME"),
    ] = None,
    clock_ppm: Annotated[
        float | None, typer.Option(help="Sample clock's tolerance; 100 if not given.", metavar="PPM")
    ] = None,
    window: Annotated[
        str | None,
        typer.Option(
            help="Answers come within this: the resolution or more; 100ms at most if not given.", metavar="TIME"
        ),
    ] = None,
    deadline: Annotated[
        str | None, typer.Option(help="Answers later than this are late, such as 2ms.", metavar="TIME")
    ] = None,
    board: Annotated[str, typer.Option(help="What answered.", metavar="BOARD")] = "board",
    instrument: Annotated[str, typer.Option(help="What recorded it, for the record.", metavar="INSTRUMENT")] = "",
    virtual: Annotated[
        bool | None, typer.Option("--virtual/--no-virtual", help="Whether it comes from no real board.")
    ] = None,
    preview: Annotated[bool, typer.Option("--preview", help="Only show what was found; so it is without it.")] = False,
    accept: Annotated[bool, typer.Option("--accept", help="Write the run.")] = False,
    out: Annotated[Path | None, typer.Option(help="Run directory to make with --accept.", metavar="DIRECTORY")] = None,
    as_json: JsonOption = False,
) -> None:
    """Show what a recording holds; with --accept make it a run (grade: imported) that all other commands read."""
    from edgereply.cli.import_options import ReadingProgress, interval_option, labels_of, positive_option, settings_of
    from edgereply.errors import HostError, SettingError
    from edgereply.exchange.imports.import_files import Wanted, look, read
    from edgereply.exchange.imports.preview import recording_document, recording_lines
    from edgereply.exchange.imports.timeline import known_names

    if preview and accept:
        raise SettingError("--preview writes nothing, --accept does", where="import", remedy="give one of them")
    if out is not None and not accept:
        raise SettingError("nothing is written without --accept", where="--out", remedy="add --accept")
    settings = settings_of(hysteresis, glitch, interval, levels or [])
    labels = labels_of(board, virtual, clock_ppm, deadline, instrument)
    window_ns = positive_option(window, "--window")
    grain = None if resolution is None else interval_option(resolution, "--resolution")
    recording = read(files, response_file or [], settings, grain, ReadingProgress(), time_file or [])
    wanted = Wanted(stimulus, response, active_low_stimulus, active_low_response)
    known_names(recording, stimulus, response)
    try:
        found = look(recording, wanted, labels, settings, window_ns)
    except HostError as problem:
        # What the file holds is what a person needs to see to answer.
        if as_json:
            nothing = {"found": None, "accepted": False, "run": None, "problem": str(problem)}
            put_json({**recording_document(recording), **nothing})
        else:
            for line in recording_lines(recording):
                tell(line)
        raise
    run = None
    if accept:
        from edgereply.config.overrides import typed_command

        run = out or Path("runs") / f"imported-{files[0].stem}"
        found.accept(run, typed_command(sys.argv))
    if as_json:
        put_json({**found.document(), "accepted": accept, "run": None if run is None else str(run)})
    else:
        for line in found.lines():
            tell(line)
    if run is None:
        say("nothing was written; add --accept to make it a run")
    else:
        say(f"run written to {run}")
        say(f"next: edgereply report {run} -o report.html")
