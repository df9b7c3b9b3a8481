"""What host and agent say to each other: bytes in, messages out, no I/O.

Standard library only, Python 3.9 and later. This module is the whole public interface.
"""

from .blocks import COLUMNS, MAX_ROWS, NO_STAMP, Block, Layout, decode_block, encode_block
from .connection import Connection
from .errors import LocalError, ProtocolError, RemoteError, VersionMismatch
from .framing import MARKER, MAX_PAYLOAD, OVERHEAD, Frame, FrameReader, encode_frame
from .messages import (
    MESSAGES,
    Bye,
    Configure,
    Configured,
    Fault,
    Hello,
    Inspect,
    Inspection,
    Json,
    Message,
    Ping,
    Pong,
    Probe,
    Probed,
    Progress,
    Stamps,
    Start,
    Started,
    Stop,
    Stopped,
    decode_message,
    encode_message,
)
from .routes import ROUTES, RouteRow
from .state import TRANSITIONS, Role, State, after
from .version import HISTORY, NEWEST, OLDEST, negotiate

__all__ = [
    "COLUMNS",
    "HISTORY",
    "MARKER",
    "MAX_PAYLOAD",
    "MAX_ROWS",
    "MESSAGES",
    "NEWEST",
    "NO_STAMP",
    "OLDEST",
    "OVERHEAD",
    "ROUTES",
    "TRANSITIONS",
    "Block",
    "Bye",
    "Configure",
    "Configured",
    "Connection",
    "Fault",
    "Frame",
    "FrameReader",
    "Hello",
    "Inspect",
    "Inspection",
    "Json",
    "Layout",
    "LocalError",
    "Message",
    "Ping",
    "Pong",
    "Probe",
    "Probed",
    "Progress",
    "ProtocolError",
    "RemoteError",
    "Role",
    "RouteRow",
    "Stamps",
    "Start",
    "Started",
    "State",
    "Stop",
    "Stopped",
    "VersionMismatch",
    "after",
    "decode_block",
    "decode_message",
    "encode_block",
    "encode_frame",
    "encode_message",
    "negotiate",
]  # fmt: skip
