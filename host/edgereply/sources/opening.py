"""Opens the way to an instrument by how its port is written: a serial device, an address, a VISA resource."""

from __future__ import annotations

import re

from edgereply.errors import SettingError
from edgereply.sources.ports.base import Port
from edgereply.sources.ports.network import SocketPort
from edgereply.sources.ports.usbtmc import UsbtmcPort
from edgereply.sources.ports.visa import VisaPort
from edgereply.sources.serial_port import RFC2217, SerialPort

FORMS = (
    "a serial device, socket://host:5025, rfc2217://host:2217, /dev/usbtmc0 or a VISA resource such as "
    "TCPIP::host::INSTR"
)
_VISA = re.compile(r"(TCPIP|USB|GPIB|ASRL|PXI|VXI)\d*::?.*", re.IGNORECASE)
_USBTMC = re.compile(r"/dev/usbtmc\d+")
_SCHEME = re.compile(r"([A-Za-z][A-Za-z0-9+.-]*)://")


def open_port(port: str, baud: int) -> Port:
    """Open a port.

    Args:
        port: as the bench file has it.
        baud: bits a second, where it is a serial one.

    Raises:
        SettingError: it is written in a way that nothing here knows.
        SourceError: it cannot be opened.
    """
    scheme = _SCHEME.match(port)
    if scheme and scheme[1] == "socket":
        return SocketPort(port)
    if scheme and scheme[1] != RFC2217:
        raise SettingError(f"{scheme[1]}:// is no way to an instrument", where="source.port", remedy=f"give {FORMS}")
    if _USBTMC.fullmatch(port):
        return UsbtmcPort(port)
    if "::" in port and _VISA.fullmatch(port):
        return VisaPort(port, baud)
    return SerialPort(port, baud)


def open_stream(port: str, baud: int) -> Port:
    """Open a port whose bytes come whenever they are sent, as those of a source that reports while it runs.

    Raises:
        SettingError: it carries answers to queries only.
        SourceError: it cannot be opened.
    """
    if _USBTMC.fullmatch(port) or ("::" in port and _VISA.fullmatch(port)):
        raise SettingError(
            f"a source that reports while it runs cannot be on {port}", where="source.port",
            remedy="give a serial device, socket://host:port or rfc2217://host:port",
        )  # fmt: skip
    return open_port(port, baud)
