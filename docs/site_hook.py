"""Links from docs/ to the rest of the repository: Markdown pages there join the site, other files are named only."""

from __future__ import annotations

import posixpath
import re
from pathlib import Path
from typing import Any

from mkdocs.structure.files import File, Files

ROOT = Path(__file__).parents[1]
_LINK = re.compile(r"(?<!!)\[([^\]]+)\]\((?!https?:|#)([^)#\s]+)(#[^)]*)?\)")


def _where(file: File) -> str:
    """A page's path in the repository."""
    return Path(str(file.abs_src_path)).relative_to(ROOT).as_posix()


def _target(page: str, link: str) -> str:
    """The Markdown page in the repository that a link leads to, or "" where it leads to another kind of file."""
    path = posixpath.normpath(posixpath.join(posixpath.dirname(page), link))
    if (ROOT / path).is_dir():
        path = posixpath.join(path, "README.md")
    return path if path.endswith(".md") and (ROOT / path).is_file() else ""


def _uri(path: str) -> str:
    """Where a page of the repository is in the site."""
    return "index.md" if path == "README.md" else path.removeprefix("docs/")


def on_files(files: Files, config: Any) -> Files:
    """Take in the pages outside docs/ that pages of the site point to, and those that they point to."""
    open_pages = list(files.documentation_pages())
    while open_pages:
        page = open_pages.pop()
        for _, link, _ in _LINK.findall(Path(str(page.abs_src_path)).read_text(encoding="utf-8")):
            path = _target(_where(page), link)
            if path and files.get_file_from_path(_uri(path)) is None:
                found = File.generated(config, _uri(path), abs_src_path=str(ROOT / path))
                files.append(found)
                open_pages.append(found)
    return files


def on_page_markdown(markdown: str, page: Any, **_: Any) -> str:
    """Point links into the site; what is no page there keeps its words and loses the link."""

    def link(match: re.Match[str]) -> str:
        words, target, anchor = match[1], match[2], match[3] or ""
        path = _target(_where(page.file), target)
        if not path:
            return words
        own = posixpath.dirname(page.file.src_uri)
        return f"[{words}]({posixpath.relpath(_uri(path), own or '.')}{anchor})"

    return _LINK.sub(link, markdown)
