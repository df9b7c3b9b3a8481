"""The page in a real browser: offline, from a file."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from edgereply.report.document import write_page
from edgereply.report.material import load_material
from tests.browser.chromium import Browser, browser
from tests.browser.contrast import contrast
from tests.fakes.made_runs import ticking_board
from tests.fakes.saved_runs import save_run as save_joined
from tests.fakes.told_runs import save_run, save_sweep
from tests.unit.host.report.runs import HOSTILE, usual

pytestmark = pytest.mark.browser

FIGURES = ["distribution", "tail", "over-time", "persistence", "segments"]
# Every element that shows text of its own, with its colour and what lies behind it.
TEXT_COLOURS = """(() => {
  const found = {};
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!walker.currentNode.textContent.trim() || element.closest("script, style, noscript, option")) continue;
    if (!element.checkVisibility() || element.closest(".unseen, .skip, .modebar")) continue;
    const style = getComputedStyle(element);
    const inside = element.closest("svg.main-svg");
    let behind = inside ? inside.parentElement : element;
    let ground = "";
    for (; behind; behind = behind.parentElement) {
      ground = getComputedStyle(behind).backgroundColor;
      if (ground !== "rgba(0, 0, 0, 0)" && ground !== "transparent") break;
    }
    const ink = element.namespaceURI.endsWith("svg") ? style.fill : style.color;
    found[`${ink} on ${ground}`] = [ink, ground, element.textContent.trim().slice(0, 40)];
  }
  return Object.values(found);
})()"""


@pytest.fixture(scope="module")
def window(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with browser(tmp_path_factory.mktemp("profile")) as opened:
        yield opened


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("one") / "report.html"
    write_page([usual(count=20_000)], path)
    return path


@pytest.fixture(scope="module")
def sweep(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sweep beside a run with a period: every figure and every table there is."""
    root = tmp_path_factory.mktemp("sweep")
    runs = [save_sweep(root / "night"), save_run(root / "tick", *ticking_board(10_000, 3))]
    material = load_material(runs, 10_000, lambda line: None)
    write_page(material.views, root / "report.html", material.comparison, material.title)
    return root / "report.html"


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight runs: more than are shown at first."""
    root = tmp_path_factory.mktemp("many")
    runs = [save_joined(root / f"gate-{n}", 600, seed=n, holes=(7,)) for n in range(8)]
    material = load_material([root / record.run_id.removeprefix("id-") for record in runs], None, lambda line: None)
    views = [replace(view, segments={name: view.segments[name] for name in ("wake_delay", "set_time")})
             for view in material.views]  # fmt: skip
    write_page(views, root / "report.html", material.comparison, material.title)
    return root / "report.html"


@pytest.fixture(scope="module")
def several(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("several") / "report.html"
    views = [
        usual(title=HOSTILE, environment={HOSTILE: HOSTILE}, wiring=[(HOSTILE, HOSTILE)]),
        usual(count=1000, seed=2, title="Second", virtual=False, evidence="loop-back", deadline_ns=None),
        usual(seed=3, title="Third"),
    ]
    write_page(views, path)
    return path


def axis(window: Browser, key: str, letter: str = "x") -> tuple[str, list[float]]:
    found = window.ask(
        f"(({{type, range}}) => [type, range])(document.getElementById('{key}')._fullLayout.{letter}axis)"
    )
    return found[0], found[1]


def test_it_loads_offline_without_complaint(window: Browser, one: Path) -> None:
    window.open(one)
    assert window.ask("[...document.querySelectorAll('.drawing')].map(d => d.id)") == FIGURES
    # Each drawing holds marks of its own, not just axes.
    for key in FIGURES:
        assert window.ask(f"document.querySelectorAll('#{key} :is(.trace path, .heatmaplayer image)').length") > 0, key
    assert window.ask("performance.getEntriesByType('resource').map(r => r.name)") == []
    assert window.complaints() == []


def test_a_sweep_shows_curves_folds_and_who_differs(window: Browser, sweep: Path) -> None:
    window.open(sweep)
    drawn = window.ask("[...document.querySelectorAll('.drawing')].map(d => d.id)")
    assert drawn == ["quantiles", "rates", *FIGURES[:-1], "fold-4"]
    for key in ("quantiles", "rates", "fold-4"):
        assert window.ask(f"document.querySelectorAll('#{key} :is(.trace path, .heatmaplayer image)').length") > 0, key
    assert axis(window, "rates")[0] == "log"
    window.click(".controls[data-for='rates'] [data-axis='x']")
    window.until(lambda: axis(window, "rates")[0] == "linear", "a linear rate")
    marks = window.ask("[...document.querySelectorAll('.comparison tbody td:last-child')].map(t => t.textContent)")
    assert marks[0] == "–"
    assert all(mark.startswith("≠ ") for mark in marks[1:])
    # Every link of the contents leads somewhere.
    assert window.ask("[...document.querySelectorAll('nav a')].every(a => document.querySelector(a.hash))")
    assert window.ask("[...document.querySelectorAll('table caption')].every(c => c.textContent.includes('virtual'))")
    assert window.complaints() == []


def test_the_policy_stops_a_script_that_is_not_ours(window: Browser, one: Path) -> None:
    window.open(one)
    window.driver.execute_script(
        "const s = document.createElement('script'); s.textContent = 'window.pwned = 1'; document.body.append(s);"
    )
    assert window.ask("window.pwned ?? null") is None
    assert any("Content Security Policy" in line for line in window.complaints())


def test_a_hostile_name_is_text_in_the_page_and_in_the_drawings(window: Browser, several: Path) -> None:
    window.open(several)
    assert window.ask("window.pwned ?? null") is None
    assert window.ask("document.querySelectorAll('main img, #distribution a[href], bdi > *').length") == 0
    assert "</script><script>window.pwned=1</script>" in window.ask("document.querySelector('.verdict h3').textContent")
    labels = window.ask("[...document.querySelectorAll('#distribution .legendtext')].map(t => t.textContent)")
    assert labels[0].startswith("A (virtual · joined): </script><script>window.pwned=1</script")
    assert labels[1] == "B (loop-back): Second"
    assert window.complaints() == []


def test_buttons_switch_axes_and_zoom(window: Browser, one: Path) -> None:
    window.open(one)
    log_time = ".controls[data-for='tail'] [data-axis='x']"
    assert axis(window, "tail")[0] == "log"
    assert window.ask("document.querySelector(arguments[0]).getAttribute('aria-pressed')", log_time) == "true"
    window.click(log_time)
    window.until(lambda: axis(window, "tail")[0] == "linear", "a linear axis")
    assert window.ask("document.querySelector(arguments[0]).getAttribute('aria-pressed')", log_time) == "false"

    _, before = axis(window, "persistence")
    window.click(".controls[data-for='persistence'] [data-zoom='in']")
    window.until(lambda: axis(window, "persistence")[1][0] > before[0], "a narrower range")
    window.click(".controls[data-for='persistence'] [data-zoom='all']")
    # The slowest answers took 2.5 ms, far beyond where the figure opens.
    window.until(lambda: axis(window, "persistence")[1][1] > 2500 > before[1], "the whole range")
    assert window.complaints() == []


@pytest.mark.parametrize(
    ("key", "moved"),
    [
        ("ArrowRight", lambda old, new: new[0] > old[0] and new[1] > old[1]),
        ("ArrowLeft", lambda old, new: new[0] < old[0] and new[1] < old[1]),
        ("+", lambda old, new: new[0] > old[0] and new[1] < old[1]),
        ("-", lambda old, new: new[0] < old[0] and new[1] > old[1]),
    ],
)
def test_keys_move_a_focused_figure(window: Browser, one: Path, key: str, moved: object) -> None:
    window.open(one)
    assert window.ask("document.getElementById('over-time').tabIndex") == 0
    _, before = axis(window, "over-time")
    window.key("#over-time", key)
    assert callable(moved)
    window.until(lambda: bool(moved(before, axis(window, "over-time")[1])), f"{key} to move the figure")
    window.key("#over-time", "0")
    window.until(lambda: axis(window, "over-time")[1] == pytest.approx(before), "0 to show the whole range")


def test_a_run_can_be_taken_out_of_the_figures(window: Browser, several: Path) -> None:
    window.open(several)
    lines = "document.querySelectorAll('#distribution .scatterlayer .trace').length"
    before = window.ask(lines)
    window.click("#shown input[value='1']")
    window.until(lambda: window.ask(lines) == before - 1, "one line fewer")
    window.click("#shown input[value='1']")
    window.until(lambda: window.ask(lines) == before, "all lines again")


def test_many_runs_fit_a_laptop_and_take_no_room_while_they_are_not_shown(window: Browser, many: Path) -> None:
    window.open(many, width=1366)
    assert window.ask("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    table = "document.querySelector('table.comparison').parentElement"
    assert window.ask(f"{table}.scrollWidth") <= window.ask(f"{table}.clientWidth"), "all columns are seen"
    # The library writes labels from the bottom up.
    rows = "[...document.querySelectorAll('#segments .ytick text')].map(t => t.textContent).reverse()"
    height = "document.getElementById(arguments[0]).offsetHeight"
    before = [window.ask(height, key) for key in ("distribution", "segments")]
    assert [row[-1] for row in window.ask(rows)] == list("ABCDEF") * 2
    window.click("#shown input[value='7']")
    window.until(lambda: [row[-1] for row in window.ask(rows)] == list("ABCDEFH") * 2, "a row of H in each segment")
    after = [window.ask(height, key) for key in ("distribution", "segments")]
    assert all(new > old for old, new in zip(before, after, strict=True))
    window.click("#shown input[value='7']")
    window.until(lambda: [window.ask(height, key) for key in ("distribution", "segments")] == before, "no room for H")
    assert window.complaints() == []


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("which", ["several", "sweep"])
def test_text_can_be_read(window: Browser, request: pytest.FixtureRequest, which: str, dark: bool) -> None:
    window.open(request.getfixturevalue(which), dark=dark)
    window.driver.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    pairs = window.ask(TEXT_COLOURS)
    assert len(pairs) >= 8
    weak = {words: contrast(ink, ground) for ink, ground, words in pairs if contrast(ink, ground) < 4.5}
    assert weak == {}
    assert contrast("#000", pairs[0][1]) < 2.0 if dark else contrast("#fff", pairs[0][1]) < 1.2


def test_the_reader_may_choose_the_colours(window: Browser, one: Path) -> None:
    window.open(one)
    ground = "getComputedStyle(document.querySelector('#tail .main-svg')).backgroundColor"
    light = window.ask(ground)
    choose = "const t = document.getElementById('theme'); t.value = arguments[0]; t.dispatchEvent(new Event('change'));"
    window.driver.execute_script(choose, "dark")
    window.until(lambda: bool(window.ask(ground) != light), "a dark drawing")
    window.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    window.driver.execute_script("dispatchEvent(new Event('beforeprint'))")
    window.until(lambda: bool(window.ask(ground) == light), "a light drawing on paper")
    paper = window.ask("getComputedStyle(document.body).backgroundColor")
    assert contrast("#fff", paper) < 1.2
    assert window.ask("getComputedStyle(document.querySelector('.controls')).display") == "none"
    window.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    window.driver.execute_script("dispatchEvent(new Event('afterprint'))")
    window.until(lambda: bool(window.ask(ground) != light), "a dark drawing again")


@pytest.mark.parametrize("width", [360, 1200])
def test_no_part_of_the_page_is_wider_than_the_window(window: Browser, several: Path, sweep: Path, width: int) -> None:
    window.open(sweep, width=width)
    assert window.ask("document.documentElement.scrollWidth") <= width
    window.open(several, width=width)
    assert window.ask("innerWidth") == width
    assert window.ask("document.documentElement.scrollWidth") <= width


def test_on_paper_no_column_of_the_comparison_is_cut_off(window: Browser, sweep: Path) -> None:
    window.open(sweep, 790)  # A4 with 1 cm on either side
    window.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    edge = window.ask("Math.max(...[...document.querySelectorAll('.comparison *')].map("
                      "cell => cell.getBoundingClientRect().right))")  # fmt: skip
    window.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert 0 < edge <= 790


def test_on_a_narrow_page_titles_of_panels_stay_off_the_scale_of_counts(window: Browser, sweep: Path) -> None:
    window.open(sweep, 390)
    boxes = window.ask("""[...document.querySelectorAll('.drawing:has(.colorbar)')].map(d => [
        Math.max(0, ...[...d.querySelectorAll('.annotation-text')].map(t => t.getBoundingClientRect().right)),
        d.querySelector('.colorbar').getBoundingClientRect().left])""")
    titled = [(title, scale) for title, scale in boxes if title]
    assert titled
    for title, scale in titled:
        assert title <= scale + 2


def test_screen_readers_get_names_and_tables(window: Browser, one: Path) -> None:
    window.open(one)
    tree = window.driver.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
    named = [(n["role"]["value"], n.get("name", {}).get("value", "")) for n in tree if not n.get("ignored")]
    images = [name for role, name in named if role in ("image", "img")]
    assert len([name for name in images if len(name) > 40]) >= len(FIGURES)
    assert all(name for role, name in named if role in ("button", "combobox", "checkbox", "table"))
    figures_with_tables = window.ask(
        "[...document.querySelectorAll('figure')].filter(f => f.querySelector('table caption')).length"
    )
    assert figures_with_tables == len(FIGURES)
    assert len({name for role, name in named if role == "heading"}) >= 8


def test_everything_can_be_reached_by_the_tab_key(window: Browser, one: Path) -> None:
    window.open(one)
    wanted = window.ask("document.querySelectorAll('.controls button, .drawing, #theme, nav a, .skip').length")
    reached = set()
    for _ in range(wanted * 3):
        window.key("", "Tab")
        reached.add(
            window.ask(
                "(e => e.id || e.hash || [e.closest('[data-for]')?.dataset.for, e.textContent.trim()].join(' '))"
                "(document.activeElement)"
            )
        )
    for key in FIGURES:
        assert {key, f"{key} Zoom in", f"{key} Whole range", f"#{key}-heading"} <= reached
    assert {"theme", "#main", "tail ✓ Logarithmic time"} & reached >= {"theme", "#main"}
