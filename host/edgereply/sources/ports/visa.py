"""An instrument by its VISA resource name, such as `TCPIP::host::INSTR`: by pyvisa, which the extra `visa` installs.

pyvisa takes a vendor's VISA library where one is installed and pyvisa-py otherwise; the environment variable
PYVISA_LIBRARY chooses, as its own documentation says.
"""

from __future__ import annotations

import contextlib
import warnings
from typing import Any, ClassVar

from edgereply.errors import SourceError
from edgereply.sources.ports.base import Port
from edgereply.system.deadline import Deadline

OPEN_MS = 5_000
WRITE_MS = 2_000
INSTALL = "install it: pip install 'edgereply[visa]'"
_SHORTEST_MS = 1


def resources() -> tuple[str, ...]:
    """Names of the VISA resources there are; none without pyvisa, without a library, or where it fails."""
    try:
        import pyvisa
    except ImportError:
        return ()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # libraries warn of parts of theirs that are not installed
        try:
            manager = pyvisa.ResourceManager()
            try:
                return tuple(sorted(manager.list_resources("?*")))
            finally:
                manager.close()
        except (pyvisa.errors.Error, OSError, ValueError):
            return ()


class VisaPort(Port):
    """A message-based resource.

    Args:
        port: its VISA resource name.
        baud: bits a second where it is a serial one.

    Raises:
        SourceError: pyvisa is not installed, there is no such resource, or it cannot be opened.
    """

    streams: ClassVar[bool] = False

    def __init__(self, port: str, baud: int) -> None:
        super().__init__()
        self.name = port
        try:
            import pyvisa
        except ImportError as error:
            raise SourceError("a VISA resource needs pyvisa", port, INSTALL) from error
        self._trouble = (pyvisa.errors.Error, OSError, ValueError)
        self._closed = False
        try:
            self._manager: Any = pyvisa.ResourceManager()
        except self._trouble as error:
            raise SourceError(f"no VISA library can be used ({_words(error)})", port, INSTALL) from error
        try:
            self._resource: Any = self._manager.open_resource(port, open_timeout=OPEN_MS)
            self._set_up(baud)
        except (*self._trouble, AttributeError, KeyError) as error:
            self._let_go()
            raise SourceError(
                f"this VISA resource cannot be opened ({_words(error)})", port,
                "check power, cable and address; close what else uses it",
            ) from error  # fmt: skip

    def send(self, data: bytes) -> None:
        """Send one message; see `Port.send`."""
        try:
            self._resource.timeout = WRITE_MS
            self._resource.write_raw(data)
        except self._trouble as error:
            raise self._failed("took no message", error) from error

    def clear(self) -> None:
        """Clear the device, as IEEE 488.2 has it; a resource that has no such thing keeps what it had."""
        self._pending.clear()
        with contextlib.suppress(*self._trouble, NotImplementedError, AttributeError):
            self._resource.clear()

    def close(self) -> None:
        """Let the resource go."""
        if not self._closed:
            self._closed = True
            with contextlib.suppress(*self._trouble):
                self._resource.close()
            self._let_go()

    def _receive(self, deadline: Deadline) -> bytes:
        import pyvisa

        try:
            self._resource.timeout = max(_SHORTEST_MS, int(deadline.remaining_s() * 1e3))
            data = self._resource.read_raw()
        except pyvisa.errors.VisaIOError as error:
            if error.error_code == pyvisa.constants.StatusCode.error_timeout:
                return b""
            raise self._failed("does not answer", error) from error
        except self._trouble as error:
            raise self._failed("does not answer", error) from error
        # A message may end by a line of the interface instead of a line feed.
        return bytes(data) if not data or data.endswith(b"\n") else bytes(data) + b"\n"

    def _set_up(self, baud: int) -> None:
        """Messages end by a line feed where nothing else ends them: on sockets and serial lines."""
        if self.name.upper().startswith("ASRL"):
            self._resource.baud_rate = baud
        if self.name.upper().startswith("ASRL") or self.name.upper().endswith("::SOCKET"):
            self._resource.read_termination = "\n"

    def _let_go(self) -> None:
        with contextlib.suppress(*self._trouble):
            self._manager.close()

    def _failed(self, what: str, error: BaseException) -> SourceError:
        return SourceError(
            f"the instrument {what} ({_words(error)})", self.name, "check power and cable, then start again"
        )


def _words(error: BaseException) -> str:
    """What another library says, as a part of our sentence."""
    return " ".join(str(error).split()).rstrip(".")[:160] or type(error).__name__
