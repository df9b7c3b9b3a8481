"""Names that tell who and where, taken out of a run's record: the same name gets the same placeholder everywhere."""

import getpass
import ipaddress
import re
import socket
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

from pydantic import BaseModel

from edgereply.config import settings
from edgereply.errors import SettingError
from edgereply.storage.run_record import Part, RunRecord, SourceRecord
from edgereply.storage.series_record import BlockRecord, SeriesRecord

Kind = Literal["host", "user", "serial", "address", "path", "word"]
KINDS: tuple[str, ...] = get_args(Kind)
LEAST_LENGTH = 3

# Keys of records whose value is such a name, and those whose value is a word of ours or made by us.
_BY_KEY: tuple[tuple[Kind, re.Pattern[str]], ...] = (
    ("host", re.compile(r"(?:.*_)?(?:host|hostname|nodename|fqdn)")),
    ("user", re.compile(r"(?:.*_)?(?:user|username|login|owner)")),
    ("serial", re.compile(r".*(?:serial|uuid|machine_id|iccid|imei).*")),
    ("address", re.compile(r"(?:.*_)?(?:mac|address|url)")),
    ("path", re.compile(r"(?:.*_)?(?:path|directory|config|port|python|bench)")),
)
_OURS = {
    "format", "tool", "run_id", "created", "finished", "evidence", "state", "sha256", "file", "kind", "responder",
    "route", "wait", "collection", "link", "pattern", "bias", "task", "event_clock", "captures",
}  # fmt: skip
_MODELS: tuple[type[BaseModel], ...] = (
    RunRecord, Part, SourceRecord, SeriesRecord, BlockRecord, settings.Bench, settings.Board, settings.Source,
    settings.Stimulus, settings.Line, settings.Realtime,
)  # fmt: skip
_FIELDS = _OURS.union(*(model.model_fields for model in _MODELS))
_SYSTEM = re.compile(r"/dev/(?:gpiochip\d+|tty[A-Za-z]+\d*|pts/\d+|cpu_dma_latency|null)|/(?:proc|sys)(?:/.*)?")
_RATE = re.compile(r"[\d.]+/s")
_TOKEN = re.compile(r"(?:[^\s'\"]|'[^']*'|\"[^\"]*\")+")
_COMMON_USERS = {"root", "user", "admin"}


@dataclass(frozen=True, slots=True)
class Redaction:
    """One name: what stands for it, its kind, the name (never in the archive), how often, and whether it was kept."""

    placeholder: str
    kind: str
    value: str
    places: int
    kept: bool


class Redactor:
    """Learns names from records, then replaces them, and whatever looks like one, everywhere. Not thread-safe."""

    def __init__(self, keep: Iterable[str] = (), words: Iterable[str] = (), local: bool = True) -> None:
        """
        Args:
            keep: kinds (`host`) or single placeholders (`host-1`) to leave as they are.
            words: further words to take out.
            local: take out the names of this computer and its user too.

        Raises:
            SettingError: no such kind.
        """
        self._keep = set(keep)
        for name in self._keep:
            if re.fullmatch(rf"(?:{'|'.join(KINDS)})(?:-\d+)?", name) is None:
                raise SettingError(
                    f"{name!r} is no kind of name", where="--keep", remedy=f"one of {', '.join(KINDS)}, or host-1"
                )
        self._names: dict[str, Kind] = {}
        self._issued: dict[str, str] = {}
        self._places: Counter[str] = Counter()
        self._numbers: Counter[str] = Counter()
        self._known: re.Pattern[str] | None = None
        for word in words:
            self._learn("word", word)
        if local:
            self._learn_local()

    def learn(self, document: Any, key: str = "") -> None:
        """Take in the names of a record (JSON-ready), by their keys."""
        if isinstance(document, dict):
            for name, value in document.items():
                self.learn(value, str(name).lower())
        elif isinstance(document, list):
            for value in document:
                self.learn(value, key)
        elif isinstance(document, str) and document and (kind := _kind_of(key, document)):
            if kind == "host" and "@" in document:
                user, _, host = document.rpartition("@")
                self._learn("user", user)
                self._learn("host", host)
            else:
                self._learn(kind, document)

    def document(self, document: Any, key: str = "") -> Any:
        """A record without these names; numbers and words of ours stay as they are."""
        if isinstance(document, dict):
            return {
                name if name in _FIELDS else self.text(str(name)): self.document(value, str(name).lower())
                for name, value in document.items()
            }
        if isinstance(document, list):
            return [self.document(value, key) for value in document]
        if not isinstance(document, str) or key in _OURS:
            return document
        if document in self._names and (len(document) < LEAST_LENGTH or _kind_of(key, document)):
            return self._replace(self._names[document], document)
        return self.text(_TOKEN.sub(self._relative, document) if key == "repeat" else document)

    def text(self, text: str) -> str:
        """A text without these names."""
        if self._known is None:
            names = sorted((n for n in self._names if len(n) >= LEAST_LENGTH), key=len, reverse=True)
            joined = "|".join(map(re.escape, names)) or r"(?!)"
            self._known = re.compile(rf"(?<![A-Za-z0-9])(?:{joined})(?![A-Za-z0-9])")
        text = self._known.sub(lambda found: self._replace(self._names[found[0]], found[0]), text)
        for pattern, replace in _PATTERNS:
            text = pattern.sub(lambda found, replace=replace: replace(self, found), text)  # type: ignore[misc]
        return text

    @property
    def redactions(self) -> list[Redaction]:
        """What was found so far in at least one place."""
        return [
            Redaction(holder, self._names[value], value, self._places[value], self._kept(self._names[value], holder))
            for value, holder in self._issued.items()
        ]

    def _kept(self, kind: str, placeholder: str) -> bool:
        return kind in self._keep or placeholder in self._keep

    def _learn(self, kind: Kind, value: str) -> None:
        if value not in self._names:
            self._names[value] = kind
            self._known = None

    def _replace(self, kind: Kind, value: str) -> str:
        if value in self._issued.values():
            return value
        self._learn(kind, value)
        kind = self._names[value]
        if value not in self._issued:
            self._numbers[kind] += 1
            self._issued[value] = f"{kind}-{self._numbers[kind]}"
        self._places[value] += 1
        return value if self._kept(kind, self._issued[value]) else self._issued[value]

    def _relative(self, token: re.Match[str]) -> str:
        """In a command line every word with a separator is a path, but for a rate."""
        word = token[0].strip("'\"")
        is_path = ("/" in word or "\\" in word) and not all(map(_RATE.fullmatch, word.replace(" to ", " ").split()))
        return self._replace("path", word) if is_path and not _SYSTEM.fullmatch(word) else token[0]

    def _learn_local(self) -> None:
        with_domain = socket.gethostname()
        for host in (with_domain, with_domain.partition(".")[0]):
            if len(host) >= LEAST_LENGTH and host != "localhost":
                self._learn("host", host)
        try:
            user = getpass.getuser()
        except (KeyError, OSError, ImportError, AttributeError):  # none is set, and no list of users is there
            user = ""
        if len(user) >= LEAST_LENGTH and user not in _COMMON_USERS:
            self._learn("user", user)
        home = str(Path.home())
        if len(home) > 1:
            self._learn("path", home)


def _kind_of(key: str, value: str) -> Kind | None:
    for kind, pattern in _BY_KEY:
        if pattern.fullmatch(key):
            plain = kind == "path" and (not re.search(r"[/\\]", value) or _SYSTEM.fullmatch(value))
            return None if plain else kind
    return None


def _path(redactor: Redactor, found: re.Match[str]) -> str:
    path = found[0].rstrip(".,;:")
    if _SYSTEM.fullmatch(path):
        return found[0]
    return redactor._replace("path", path) + found[0][len(path) :]


def _account(redactor: Redactor, found: re.Match[str]) -> str:
    return f"{redactor._replace('user', found[1])}@{redactor._replace('host', found[2])}"


def _address(redactor: Redactor, found: re.Match[str]) -> str:
    try:
        ipaddress.ip_address(found[0].partition("%")[0])
    except ValueError:
        return found[0]
    return redactor._replace("address", found[0])


def _as(kind: Kind) -> Callable[[Redactor, re.Match[str]], str]:
    return lambda redactor, found: redactor._replace(kind, found[0])


_PATTERNS: tuple[tuple[re.Pattern[str], Callable[[Redactor, re.Match[str]], str]], ...] = (
    (re.compile(r"\b[a-z][a-z0-9+.-]+://[^\s'\"<>]+"), _as("address")),
    (re.compile(r"\b([A-Za-z_][\w.-]*)@([A-Za-z0-9][\w-]*(?:\.[\w-]+)*)"), _account),
    (re.compile(r"(?<=')~?/[^'\n]+(?=')|(?<=\")~?/[^\"\n]+(?=\")"), _path),
    (re.compile(r"(?<![\w.:/~)\]-])~?/[\w.@%+,:=~-]{2,}(?:/[\w.@%+,:=~-]+)*/?|(?<![\w/])~/[\w./-]*"), _path),
    (re.compile(r"\b[A-Za-z]:\\[^\s'\"]+"), _path),
    (re.compile(r"\b(?:[0-9A-Fa-f]{2}[:-]){5}[0-9A-Fa-f]{2}\b"), _as("address")),
    (re.compile(r"\b[0-9A-Fa-f]{8}-(?:[0-9A-Fa-f]{4}-){3}[0-9A-Fa-f]{12}\b"), _as("serial")),
    (re.compile(r"(?<![\w.:])[0-9A-Fa-f]*:[0-9A-Fa-f:.]*:[0-9A-Fa-f.]*(?:%\w+)?"), _address),
    (re.compile(r"(?<![\w.])\d{1,3}(?:\.\d{1,3}){3}(?![\w.])"), _address),
)
