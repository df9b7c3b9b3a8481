"""All commands in one place; each is imported when it is called, so that no command waits for the others."""

import importlib
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from edgereply import __version__

COMMANDS = {
    "demo": ("demo", "Measure a virtual reject gate in half a minute."),
    "inspect": ("inspect_board", "List chips, lines, routes and rights of a board."),
    "deploy": ("deploy", "Copy the agent to a board and start it."),
    "source": ("source", "Identify the pulse source; measure the fixture."),
    "wiring": ("wiring", "Show how to wire the bench and check the wires."),
    "measure": ("measure", "Measure one board by one route."),
    "sweep": ("sweep", "Measure many conditions in random order."),
    "compare": ("compare", "Hold routes, boards or finished runs together."),
    "explain": ("explain", "Say why answers were late."),
    "verdict": ("verdict", "Judge a deadline."),
    "report": ("report", "Write one page, a figure or a table."),
    "export": ("export", "Write runs as Parquet, CSV, NumPy or VCD."),
    "bundle": ("bundle", "Pack runs for publishing, or verify a bundle."),
    "import": ("import_", "Make a run of an instrument's recording."),
}
# What help calls the value of an option, where that is not the option's own name.
_TIMES = ("deadline", "dwell", "late_above", "window", "glitch", "interval", "resolution")
_NUMBERS = ("count", "seed", "order_seed", "rounds")
VALUES = dict.fromkeys(_TIMES, "TIME") | dict.fromkeys(_NUMBERS, "N") | dict.fromkeys(("exceed", "hysteresis"), "SHARE")
VALUES |= {
    "out": "DIRECTORY", "unpack": "DIRECTORY", "output": "FILE", "bench": "FILE", "power_log": "FILE",
    "response_file": "FILE", "ssh_config": "FILE", "fail_if": "RULE", "until": "RULE", "saturation": "RATES",
    "redact": "WORD", "keep": "KIND", "clock_ppm": "PPM", "fifo_priority": "PRIORITY", "runs": "RUN", "files": "FILE",
    "verify": "BUNDLE", "power_accuracy": "ACCURACY", "baseline": "RUN",
}  # fmt: skip
CHOICES = ("to", "what")  # help lists what there is to choose from
# rich draws help in colour and takes longer to import than all the rest.
_PLAIN: dict[str, Any] = {"add_completion": False, "rich_markup_mode": None, "pretty_exceptions_enable": False}


class Commands(TyperGroup):
    """The commands by name: a module of this package and a line of help each."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        self.commands: Any = dict.fromkeys(COMMANDS)  # for the hint after a misspelt name

    def list_commands(self, ctx: Any) -> list[str]:
        """Names, in the order in which a bench is used."""
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Import a command; None where there is no such name."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"edgereply.cli.{COMMANDS[cmd_name][0]}")
        alone = typer.Typer(**_PLAIN)
        alone.command(name=cmd_name)(module.command)
        command = typer.main.get_command(alone)
        for parameter in command.params:
            if parameter.name not in CHOICES and not getattr(parameter, "is_flag", False):
                parameter.metavar = VALUES.get(str(parameter.name)) or str(parameter.name).upper().replace("_", "-")
        return command

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """The list of commands, none of them imported."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, words) for name, (_, words) in COMMANDS.items()])


app = typer.Typer(
    name="edgereply",
    cls=Commands,
    help="How long does a board take to answer an input edge, how much does that vary, and can I rely on it?",
    no_args_is_help=True,
    **_PLAIN,
)


def _version(wanted: bool) -> None:
    if wanted:
        print(f"edgereply {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    pass
