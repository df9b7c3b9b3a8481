"""All commands in one place; each is imported when it is called, so that no command waits for the others."""

import importlib
from collections.abc import Mapping, Sequence
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

from edgereply.errors import SettingError
from edgereply.version import TOOL
from edgereply.wording.screen import put

COMMANDS = {
    "demo": ("demo", "Measure a virtual reject gate in half a minute."),
    "init": ("setup.init", "Write a bench file or a sweep's plan by questions."),
    "inspect": ("inspect_board", "List chips, lines, routes and rights of a board."),
    "deploy": ("deploy", "Copy the agent to a board and start it."),
    "source": ("source", "Identify, flash or calibrate the pulse source; measure the fixture."),
    "wiring": ("wiring", "Show how to wire the bench and check the wires."),
    "measure": ("measure", "Measure one board by one route."),
    "sweep": ("sweep", "Measure many conditions in random order."),
    "compare": ("compare", "Compare routes, boards or finished runs."),
    "explain": ("explain", "Say why answers were late."),
    "verdict": ("verdict", "Say whether a deadline is kept."),
    "report": ("report", "Write one page, a figure or a table."),
    "export": ("export", "Write runs as Parquet, CSV, NumPy or VCD."),
    "bundle": ("bundle", "Pack runs for publishing, or verify a bundle."),
    "import": ("import_", "Make a run of an instrument's recording."),
    "schema": ("setup.schema", "Write the schema of bench and plan files."),
}
# rich draws help in colour and takes longer to import than all the rest.
_PLAIN: dict[str, Any] = {"rich_markup_mode": None, "pretty_exceptions_enable": False}
_HELP: dict[str, Any] = {"context_settings": {"help_option_names": ["-h", "--help"]}}
_PLAIN_GROUP: dict[str, Any] = {"rich_markup_mode": None, **_HELP}


# What the parser raises about a command line; the class that all of these share has no public name.
_UsageError: Any = typer.BadParameter.__mro__[1]


_PLAINER = {
    "Value error, ": "",
    "Input should be a valid integer, unable to parse string as an integer": "not a whole number",
    "Input should be a valid number, unable to parse string as a number": "not a number",
}


def _in_our_words(error: Any, path: str = "edgereply") -> SettingError:
    """What the parser has to say, as every other error is said."""
    said = str(error.format_message()).strip().rstrip(".")
    for theirs, ours in _PLAINER.items():
        said = said.replace(theirs, ours)
    where = path
    if error.ctx is not None:
        path, where = error.ctx.command_path, error.ctx.get_usage().removeprefix("Usage: ")
    return SettingError(said[:1].lower() + said[1:], where=where, remedy=f"'{path} --help' lists what there is")


def _examples(lines: Sequence[str]) -> str:
    """What stands at the foot of a command's help; the mark keeps its lines from being run together."""
    return "\n".join(["\b", "Example:" if len(lines) == 1 else "Examples:", *(f"  {line}" for line in lines)])


class Command(TyperCommand):
    """A command whose parser speaks as the rest of the program does."""

    def make_context(self, info_name: Any, *given: Any, **more: Any) -> Any:
        """Parse the command line.

        Raises:
            SettingError: it cannot be parsed.
        """
        try:
            return super().make_context(info_name, *given, **more)
        except _UsageError as error:
            raise _in_our_words(error, f"edgereply {info_name}") from error


class Commands(TyperGroup):
    """The commands by name: a module of a package and a line of help each.

    Args:
        table: name → module and help.
        package: where the modules are.
        default: the command that is meant when none is named; "" for none.
    """

    def __init__(
        self,
        *,
        table: Mapping[str, tuple[str, str]] = COMMANDS,
        package: str = "edgereply.cli",
        default: str = "",
        **settings: Any,
    ) -> None:
        super().__init__(**settings)
        self.table = table
        self._package = package
        self._default = default
        self.commands: Any = dict.fromkeys(table)  # for the hint after a misspelt name

    def make_context(self, *given: Any, **more: Any) -> Any:
        """Parse what stands before the command; `edgereply` alone shows its help."""
        try:
            return super().make_context(*given, **more)
        except _UsageError as error:
            if type(error).__name__ == "NoArgsIsHelpError":
                raise
            raise _in_our_words(error) from error

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """What stands before the command; where none is named, the default one is."""
        if self._default and (not args or (args[0].startswith("-") and args[0] not in ("-h", "--help"))):
            args = [self._default, *args]
        return super().parse_args(ctx, args)

    def resolve_command(self, ctx: Any, args: Any) -> Any:
        """The command by its name.

        Raises:
            SettingError: there is none of that name.
        """
        try:
            return super().resolve_command(ctx, args)
        except _UsageError as error:
            raise _in_our_words(error) from error

    def list_commands(self, ctx: Any) -> list[str]:
        """Names, in the order in which a bench is used."""
        return list(self.table)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Import a command, or the package of its subcommands; None where there is no such name."""
        if cmd_name not in self.table:
            return None
        module = importlib.import_module(f"{self._package}.{self.table[cmd_name][0]}")
        if hasattr(module, "SUBCOMMANDS"):
            return Commands(
                name=cmd_name, table=module.SUBCOMMANDS, package=module.__name__, default=module.DEFAULT,
                help=module.HELP, epilog=_examples(module.EXAMPLES), **_PLAIN_GROUP,
            )  # fmt: skip
        alone = typer.Typer(add_completion=False, **_PLAIN)
        alone.command(name=cmd_name, cls=Command, epilog=_examples(module.EXAMPLES), **_HELP)(module.command)
        return typer.main.get_command(alone)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """The list of commands, none of them imported."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, words) for name, (_, words) in self.table.items()])


app = typer.Typer(
    name="edgereply",
    cls=Commands,
    help="How long does a board take to answer an input edge, how much does that vary, and can I rely on it?",
    no_args_is_help=True,
    **_HELP,
    **_PLAIN,
)


def _version(wanted: bool) -> None:
    if wanted:
        put(TOOL)
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    pass
