"""Which commands a pulse source obeys while a run is on."""

from __future__ import annotations

from edgereply.sources.simulator.grammar import CommandError, spellings

# Obeyed at once, even past a command that waits for the run's end.
URGENT = frozenset([*spellings("ABORt"), "*RST", "*CLS"])
# Answered with a block, an empty one where they fail.
READS = frozenset([*spellings("READ?"), *spellings("FETCh?")])
_STARTS = frozenset([*spellings("READ?"), *spellings("INITiate[:IMMediate]")])
_ALLOWED = frozenset(
    spelling
    for pattern in ("*OPC?", "*ESR?", "*STB?", "*IDN?", "FETCh?", "SYSTem:ERRor[:NEXT]?", "[SENSe:]DIGital:DATA?")
    for spelling in spellings(pattern)
)


def check_in_run(header: str, streaming: bool) -> None:
    """Refuse what has to wait for the end of the run.

    Args:
        header: of a known command.
        streaming: whether a ``READ?`` is being answered.

    Raises:
        CommandError: -213 it would start another run, -284 it is not for now.
    """
    if header in URGENT:
        return
    if header in _STARTS:
        raise CommandError(-213)
    if streaming or header not in _ALLOWED:
        raise CommandError(-284)
