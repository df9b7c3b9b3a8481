"""Finding out whether a pulse source is on a serial line, and which."""

from __future__ import annotations

from typing import NoReturn

from edgereply.errors import SourceError
from edgereply.sources import scpi
from edgereply.sources.base import SourceIdentity
from edgereply.sources.dialogue import ANSWER_S, Dialogue
from edgereply.system.deadline import Deadline

MODEL_PREFIX = "pulse source "
_ATTEMPT_S = 0.5
_QUIET_S = 0.08
_HEARD = 240


def identify(dialogue: Dialogue, kind: str, deadline: Deadline) -> SourceIdentity:
    """Ask who is there until it answers; a run left over from before is ended.

    Args:
        dialogue: with the line.
        kind: name in the table of sources.
        deadline: of the first answer; opening the port may have reset the source, and it boots first.

    Returns:
        What it says it is.

    Raises:
        SourceError: nothing answers, or something else does.
    """
    port = dialogue.port
    heard = begun = b""
    found: scpi.Identification | None = None
    while found is None and not deadline.expired():
        port.send(scpi.DEVICE_CLEAR + b"\n" + scpi.message("*IDN?"))
        attempt = Deadline(min(_ATTEMPT_S, deadline.remaining_s()))
        # Whatever talks without end is asked again, and not listened to for ever.
        while found is None and not attempt.expired() and (line := port.receive_line(attempt)) is not None:
            heard = (heard + line)[-_HEARD:]
            # A busy computer may find half an answer at the end of one attempt and the rest in the next.
            begun = (begun + line)[-_HEARD:]
            found = _recognise(begun, port.name)
            begun = b"" if begun.endswith(b"\n") else begun
    if found is None:
        if heard.strip():
            _something_else(heard, port.name)
        raise dialogue.silent("does not answer")
    port.drain(_QUIET_S, Deadline(ANSWER_S))
    return SourceIdentity(
        kind=kind,
        model=found.model.removeprefix(MODEL_PREFIX),
        serial=found.serial,
        firmware=found.firmware,
        tick_hz=dialogue.number("ROSC:FREQ?", least=1),
        tolerance_ppm=float(dialogue.number("ROSC:TOL?")),
        captures=True,
        virtual="virtual" in found.model,
    )


def _recognise(line: bytes, where: str) -> scpi.Identification | None:
    try:
        found = scpi.parse_identification(scpi.parse_line(line))
    except scpi.ScpiError:
        return None
    if found.maker == "edgereply" and found.model.startswith(MODEL_PREFIX):
        return found
    if line.endswith(b"\n"):
        _something_else(line, where)
    return None


def _something_else(heard: bytes, where: str) -> NoReturn:
    raise SourceError(
        f"what answers here is not a pulse source; it said {scpi.printable(heard.strip())!r}",
        where,
        "name another port, or load the pulse source's firmware",
    )
