"""`edgereply source`: its subcommands by name, a module of this package each; without one it identifies."""

SUBCOMMANDS = {
    "identify": ("identify", "Say who is on the port."),
    "null": ("null", "Measure what the fixture itself adds."),
    "flash": ("flash", "Put the pulse source's firmware onto a chip."),
    "calibrate": ("calibrate", "Compare the source's clock with a better one."),
}
DEFAULT = "identify"
HELP = "Identify the pulse source, flash it, calibrate its clock, measure the fixture."
EXAMPLES = ("edgereply source", "edgereply source flash", "edgereply source null")
