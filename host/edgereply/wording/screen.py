"""The gate: the one place from which text reaches a terminal, a pipe or a log.

Much of what is printed was said by somebody else: a board, a source, a file. A terminal obeys control characters, so
text that holds them could recolour or erase what stands above it, set the clipboard, or answer as if it were typed
(ECMA-48; C1 codes act in 8-bit form too). Direction controls make a line read otherwise than it is (Unicode Technical
Report 36, 3.2). Nobody has to remember to escape: what leaves by here cannot act, and `tests/test_one_gate.py` holds
that nothing leaves by another way. Names are shortened and shown with `numbers.clean` before, where room is scarce.
"""

import re
import sys
from typing import TextIO

# Cc without tab and line feed, Cf, Cs, Zl and Zp of the Unicode character database, and what shows nothing.
_ACTS = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\xad\u0600-\u0605\u061c\u06dd\u070f\u0890\u0891\u08e2\u115f\u1160\u17b4\u17b5\u180e"
    "\u200b-\u200f\u2028-\u202e\u2060-\u206f\u3164\ud800-\udfff\ufeff\uffa0\ufff0-\ufffb"
    "\U000110bd\U000110cd\U00013430-\U0001343f\U0001bca0-\U0001bca3\U0001d173-\U0001d17a\U000e0000-\U000e0fff]"
)


def escaped(text: str) -> str:
    """Text in which nothing acts on a terminal, whoever it is from.

    Returns:
        The same with control, direction and invisible characters written out, such as "\\x1b"; tabs and line feeds
        stay.
    """
    return _ACTS.sub(lambda found: _written(found[0]), text)


def one_line(text: str) -> str:
    """As `escaped`, and on one line: a message from outside cannot pretend to be the next one."""
    return escaped(re.sub(r"\r\n|[\n\t\v\f]", " ", text))


def put(text: str = "", error: bool = False, end: str = "\n") -> None:
    """Print to stdout, or to stderr.

    Args:
        text: may have several lines.
        error: to stderr, at once.
    """
    print(escaped(text) + end, end="", file=_stream(error), flush=error)


def put_document(text: str) -> None:
    """Print a JSON document to stdout; inside its strings, where alone they can stand, acting characters are escaped.

    Args:
        text: JSON.
    """
    print(_ACTS.sub(lambda found: _in_json(found[0]), text), file=_stream(False))


def ask(question: str) -> bool:
    """Put a question on the terminal; True only where the answer is yes."""
    put(f"{one_line(question)} [y/N] ", error=True, end="")
    return sys.stdin.readline().strip().lower() in ("y", "yes")


def put_traceback(error: BaseException) -> None:
    """A fault of the program itself, for whoever mends it."""
    import traceback

    put("".join(traceback.format_exception(error)), error=True, end="")


def _stream(error: bool) -> TextIO:
    return sys.stderr if error else sys.stdout


def _written(character: str) -> str:
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def _in_json(character: str) -> str:
    # JSON has no escapes of its own for what lies beyond 16 bits (RFC 8259, 7): pairs of surrogates.
    units = character.encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{int.from_bytes(units[at : at + 2], 'big'):04x}" for at in range(0, len(units), 2))
