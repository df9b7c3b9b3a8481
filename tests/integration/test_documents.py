"""README and docs/ say what is so: their commands run on the virtual bench or hold against the real command line."""

from __future__ import annotations

import ast
import importlib.util
import json
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
import typer
from tests.fakes.saved_runs import save_run
from tests.integration.commands import Workplace, bench_text
from tests.integration.documents import PAGES, ROOT, blocks, spans

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.cli.app import COMMANDS, app
from edgereply.config.bench_file import parse_bench
from edgereply.config.plan_file import load_plan
from edgereply.report.tables.sweep_table import HEADINGS
from edgereply.storage.run_reader import RunReader

DOCS = [page for page in PAGES if page.parent.name == "docs"]
RUN = [page for page in PAGES if any(block.run for block in blocks(page))]
# What a page shows of a bench file, where it has no source of its own, is a part of one like this.
WHOLE: dict[str, Any] = {
    "board": {"gate": {"host": "gate", "input": "EYE_IN", "output": "REJECT_OUT"}},
    "source": {"kind": "reference", "port": "/dev/ttyUSB0"},
}
# Long options are made short here: what is tested is that the command does what the page says, not the board.
SHORT = {"--count": "60", "--dwell": "1s", "--rounds": "6"}
# The measurement may say no on a busy computer.
MAY_SAY_NO = {"verdict", "compare", "measure"}
# Pages that explain or list, and show no command to type.
NO_COMMANDS = {"commands", "index", "matching", "python"}


def parse(arguments: list[str]) -> None:
    """Check a command's name and options by the parser itself, and go no further."""
    group: Any = typer.main.get_command(app)
    context = group.make_context("edgereply", list(arguments[:1]), resilient_parsing=False)
    name, command, rest = group.resolve_command(context, list(arguments))
    made = command.make_context(name, rest)
    if hasattr(command, "table"):  # it has subcommands, and one of them is meant
        name, under, rest = command.resolve_command(made, [*made._protected_args, *made.args])
        under.make_context(name, rest)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_every_command_shown_is_one_the_program_takes(page: Path) -> None:
    shown = [command for block in blocks(page) for command in block.commands()]
    inline = [command for command in spans(page) if len(command) > 1]
    assert shown or inline or page.stem in NO_COMMANDS
    for command in shown + inline:
        try:
            parse(command)
        except Exception as error:
            detail = getattr(error, "message", error)
            pytest.fail(f"{page.name}: edgereply {' '.join(command)}: {detail}")
    for command in spans(page):
        assert command[0] in COMMANDS, command


@pytest.mark.parametrize("command", [["measur"], ["measure", "--cuont", "3"], ["export", "run"], ["verdict"]])
def test_a_command_that_is_none_is_seen(command: list[str]) -> None:
    with pytest.raises(Exception, match=r"(?i)no such|missing|'measur'"):
        parse(command)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_every_file_shown_is_read_as_what_it_is(page: Path, tmp_path: Path) -> None:
    for block in blocks(page):
        if block.language == "toml":
            data = tomllib.loads(block.text)
            if "axes" in data:
                path = tmp_path / "plan.toml"
                path.write_text(block.text)
                load_plan(path)
            else:
                parse_bench(data if "source" in data else laid_over(WHOLE, data), page.name)
        elif block.language == "python":
            ast.parse(block.text)


def laid_over(base: dict[str, Any], part: dict[str, Any]) -> dict[str, Any]:
    """A bench with a part of one laid over, table by table."""
    both = {key: laid_over(base[key], part[key]) for key in base.keys() & part.keys() if isinstance(base[key], dict)}
    return base | part | both


@pytest.mark.parametrize("page", DOCS, ids=lambda page: page.stem)
def test_what_a_page_points_to_is_there(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert (page.parent / target).exists(), target
    assert re.search(r"qualified\s+(engineer|people)", text), "a page of advice defers to those who decide"


def script(path: str) -> Any:
    """A script of docs/ as a module."""
    spec = importlib.util.spec_from_file_location(Path(path).stem, ROOT / path)
    assert spec is not None
    assert spec.loader is not None
    found = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(found)
    return found


def test_the_page_of_commands_is_what_the_program_says() -> None:
    """`python docs/write_commands.py` writes it."""
    assert (ROOT / "docs/commands.md").read_text(encoding="utf-8") == script("docs/write_commands.py").page()


def test_output_that_pages_show_is_what_the_commands_print(tmp_path: Path) -> None:
    """`python docs/write_examples.py` writes it, from runs made from seeds."""
    examples = script("docs/write_examples.py")
    examples.make_runs(tmp_path)
    pages = examples.written(tmp_path)
    assert pages == {page: page.read_text(encoding="utf-8") for page in pages}
    named = re.findall(r"<!-- shown: ([\w-]+) -->", "".join(pages.values()))
    assert sorted(named) == sorted(examples.SHOWN)


# What is measured, so that nobody can print it again: a page of its own, and three blocks by their first words.
MEASURED = {"$ edgereply sweep night.toml --out runs/again", "$ edgereply sweep sat.toml", "condition        blocks"}


def test_no_output_is_shown_that_nothing_holds_to_today() -> None:
    unheld = []
    for page in DOCS:
        held = re.findall(r"<!-- shown: [\w-]+ -->\n```\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL)
        unheld += [block.text for block in blocks(page) if not block.language and block.text not in held
                   if page.stem not in ("reading-the-numbers", "responder-cost")]  # fmt: skip
    assert len(unheld) == len(MEASURED)
    assert all(any(text.startswith(first) for first in MEASURED) for text in unheld), unheld


def test_the_table_of_unlike_boards_has_the_columns_of_today() -> None:
    """`python -m tests.mixed_series --page` measures and writes it."""
    text = (ROOT / "docs/sweeps.md").read_text(encoding="utf-8")
    head, _, *lines = re.findall(r"mixed series: begin -->\n```\n(.*?)```", text, re.DOTALL)[0].splitlines()
    assert re.split(r"\s{2,}", head.strip()) == ["condition", *HEADINGS[1:], "measured by"]
    assert len(lines) == 4
    assert all("VIRTUAL · " in line for line in lines)
    assert {line.rsplit(" · ")[-1].strip() for line in lines} <= {"source only", "source and board"}
    cells = [cell for line in lines for cell in re.split(r"\s{2,}", line.strip())]
    known = r"\d[\d,./]*( \([\d.]+ %\))?|[\d.]+ [nµm]?s( \[[\d.]+ [nµm]?s( to [\d.]+ [nµm]?s)?\]| \(rough\))?"
    odd = [cell for cell in cells if not re.fullmatch(known, cell)]
    assert all(re.fullmatch(r"\w+|VIRTUAL · .*|needs [\d,]+ answers", cell) for cell in odd), odd


def test_the_pictures_show_the_screens_of_today(demo: Path) -> None:
    """`python docs/pictures/make.py` makes them; what the screens are made of is held against what they were then."""
    make = script("docs/pictures/make.py")
    pictured = json.loads((ROOT / "docs/pictures/words.json").read_text(encoding="utf-8"))
    assert pictured["page"] == make.page_words(demo / "report.html")
    assert len(pictured["page"]) > 5
    said = [make.screen(command, demo.parent) for command in make.SHOWN]
    assert set(pictured["terminal"]) == {word for text in said for word in make.terminal_words(text)}
    assert {"best", "typical", "worst", "deadline"} <= set(pictured["terminal"])
    assert (ROOT / "docs/gallery.md").read_text(encoding="utf-8") == make.gallery()
    assert all((ROOT / f"docs/pictures/{name}.png").read_bytes().startswith(b"\x89PNG") for name in make.GALLERY)


def test_the_readme_fits_on_a_few_screens_and_shows_pictures() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 150
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", text)
    assert len(pictures) >= 2
    assert all((ROOT / picture).is_file() for picture in pictures)


def test_the_site_is_built_and_all_its_links_lead_somewhere(tmp_path: Path) -> None:
    """Every warning of the builder is an error; the site loads nothing from elsewhere."""
    command = [sys.executable, "-m", "mkdocs", "build", "--strict", "--quiet", "--site-dir", str(tmp_path / "site")]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stdout + done.stderr
    pages = list((tmp_path / "site").rglob("*.html"))
    assert len(pages) > len(DOCS)
    for page in pages:
        fetched = re.findall(
            r"""<(?:script|link|img)[^>]+(?:src|href)=["']?(https?:[^"' >]+)""", page.read_text("utf-8")
        )
        assert fetched == [], page


def test_the_drawings_are_what_their_script_draws(tmp_path: Path) -> None:
    shutil.copy(ROOT / "docs/drawings/draw.py", tmp_path)
    subprocess.run([sys.executable, str(tmp_path / "draw.py")], check=True, timeout=60)
    drawn = {path.name: path.read_bytes() for path in tmp_path.glob("*.svg")}
    assert drawn == {path.name: path.read_bytes() for path in (ROOT / "docs/drawings").glob("*.svg")}
    assert len(drawn) == 4
    for content in drawn.values():
        root = ElementTree.fromstring(content)
        assert root[0].tag.endswith("title")
        assert root[1].tag.endswith("desc")


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the demo leaves, made once and short."""
    root = tmp_path_factory.mktemp("demo")
    place = Workplace(root)
    done = place.run("demo", "--dwell", "1s")
    assert done.code == 0, done.err
    place.nothing_left()
    return root / "edgereply-demo"


@pytest.mark.parametrize("page", RUN, ids=lambda page: page.stem)
def test_what_a_page_runs_runs(page: Path, place: Workplace, demo: Path) -> None:
    """In order, in one directory, with the demo done and a virtual bench as bench.toml."""
    shutil.copytree(demo, place.root / "edgereply-demo")
    place.write(bench_text(rate="200/s", floor="2ms", count=60))
    for block in blocks(page):
        if (
            block.language == "toml"
            and (name := re.match(r"# ([\w-]+\.toml)\n", block.text))
            and "[axes]" in block.text
        ):
            place.write(block.text, name[1])
        for command in block.commands() if block.run else []:
            if command[0] != "demo":
                run(place, command)


def run(place: Workplace, command: list[str]) -> None:
    arguments = list(command)
    for index, word in enumerate(command[:-1]):
        arguments[index + 1] = SHORT.get(word, command[index + 1])
    if command[0] == "measure" and "--count" not in command and "--dwell" not in command:
        arguments += ["--count", SHORT["--count"]]
    done = place.run(*arguments)
    assert done.code == 0 or (done.code == 1 and command[0] in MAY_SAY_NO), f"{' '.join(command)}: {done.err}"


ANSWERS = {
    "duckdb": "import json; print(json.dumps(duckdb.sql(answers).fetchall()))",
    "dask": "import json; print(json.dumps([[run, *map(int, row)] for run, *row in"
    " answers.compute().sort_index()[[('stimulus_ns', 'count'), ('reaction_ns', 'count'), ('late', 'sum'),"
    " ('reaction_ns', 'max')]].itertuples()]))",
}


@pytest.mark.parametrize("engine", ANSWERS)
def test_a_directory_of_runs_is_asked_as_it_stands(engine: str, tmp_path: Path) -> None:
    """By the page's own lines, against numpy on the raw stamps; stamps beyond 2 ** 53 ns must stay exact."""
    (code,) = (b.text for b in blocks(ROOT / "docs/data.md") if b.language == "python" and f"import {engine}" in b.text)
    expected = []
    for number, place in enumerate(("runs/a", "runs/b", "runs/night/r01-block"), 1):
        save_run(tmp_path / place, 40 + number, seed=number, start_ns=10**17)
        source = RunReader(tmp_path / place).source()
        there = (source.stimulus_ns != NO_STAMP) & (source.rise_ns != NO_STAMP)
        reaction = (source.rise_ns - source.stimulus_ns)[there]
        stimuli = int((source.stimulus_ns != NO_STAMP).sum())
        late = int((reaction > 2_000_000).sum())
        assert late
        expected.append([Path(place).name, stimuli, len(reaction), late, int(reaction.max())])
    command = [sys.executable, "-c", f"{code}\n{ANSWERS[engine]}"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout.splitlines()[-1]) == expected
