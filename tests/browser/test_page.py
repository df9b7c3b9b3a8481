"""The page in a real browser: offline, from a file."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from edgereply.report.document import write_page
from edgereply.report.material import load_material
from tests.browser.chromium import Browser, browser
from tests.browser.contrast import contrast
from tests.browser.page_rules import findings
from tests.fakes.made_runs import ticking_board
from tests.fakes.saved_runs import save_run as save_joined
from tests.fakes.told_runs import save_run, save_sweep
from tests.unit.host.report.runs import HOSTILE, usual

pytestmark = pytest.mark.browser

FIGURES = ["distribution", "persistence", "over-time", "segments", "tail"]
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
    const bar = element.closest(".bartext") && element.closest(".point").querySelector("path");
    let behind = inside ? inside.parentElement : element;
    let ground = "";
    for (; behind; behind = behind.parentElement) {
      ground = getComputedStyle(behind).backgroundColor;
      if (ground !== "rgba(0, 0, 0, 0)" && ground !== "transparent") break;
    }
    if (bar) ground = getComputedStyle(bar).fill;
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
    # The library runs though it is packed in the page, and nothing was asked of any network.
    assert window.ask("performance.getEntriesByType('resource').map(r => r.name)") == []
    assert window.complaints() == []


def test_a_sweep_shows_curves_folds_and_who_differs(window: Browser, sweep: Path) -> None:
    window.open(sweep)
    drawn = window.ask("[...document.querySelectorAll('.drawing')].map(d => d.id)")
    assert drawn == [*(key for key in FIGURES if key != "segments"), "quantiles", "rates", "fold-4"]
    for key in ("quantiles", "rates", "fold-4"):
        assert window.ask(f"document.querySelectorAll('#{key} :is(.trace path, .heatmaplayer image)').length") > 0, key
    assert axis(window, "rates")[0] == "log"
    window.click(".controls[data-for='rates'] [data-axis='x']")
    window.until(lambda: axis(window, "rates")[0] == "linear", "a linear rate")
    # Only what was varied on purpose differs: a sentence says so, no column repeats it.
    assert "Compared: wait and rate. Also different: nothing." in window.ask(
        "document.querySelector('#comparison').parentElement.textContent"
    )
    heads = window.ask("[...document.querySelectorAll('.comparison thead th')].map(t => t.textContent)")
    assert "like for like" not in heads
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
    assert window.ask("document.querySelectorAll('main img, #tail a[href], bdi > *').length") == 0
    assert "</script><script>window.pwned=1</script>" in window.ask(
        "document.querySelector('.bar-row:not(.bar-limits) .bar-name').textContent"
    )
    labels = window.ask("[...document.querySelectorAll('#tail .legendtext')].map(t => t.textContent)")
    assert labels[0].startswith("A </script><script>window.pwned=1</script")
    assert labels[1] == "B Second"
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
    window.until(lambda: axis(window, "persistence")[1] == pytest.approx(before), "the whole range")
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
    lines = "document.querySelectorAll('#tail .scatterlayer .trace').length"
    before = window.ask(lines)
    window.click("#shown input[value='1']")
    window.until(lambda: window.ask(lines) == before - 3, "a curve and its limits fewer")
    window.click("#shown input[value='1']")
    window.until(lambda: window.ask(lines) == before, "all lines again")


def test_many_runs_fit_a_laptop_and_take_no_room_while_they_are_not_shown(window: Browser, many: Path) -> None:
    window.open(many, width=1366)
    assert window.ask("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    table = "document.querySelector('table.comparison').parentElement"
    assert window.ask(f"{table}.scrollWidth") <= window.ask(f"{table}.clientWidth"), "all columns are seen"
    # Every run has its row in the stacked bars, whether it is ticked or not.
    rows = "[...document.querySelectorAll('#segments .{} text')].map(t => t.textContent.trim()[0]).sort().join('')"
    assert [window.ask(rows.format(name)) for name in ("ytick", "y3tick")] == ["ABCDEFGH"] * 2
    key = "[...document.querySelectorAll('#tail .legendtext')].map(t => t.textContent.trim()[0]).join('')"
    height = "document.getElementById('tail').offsetHeight"
    before = window.ask(height)
    assert window.ask(key) == "ABCDEF"
    window.click("#shown input[value='7']")
    window.until(lambda: bool(window.ask(key) == "ABCDEFH"), "H in the key")
    assert window.ask(height) >= before
    window.click("#shown input[value='7']")
    window.until(lambda: bool(window.ask(key) == "ABCDEF" and window.ask(height) == before), "no room for H")
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
        assert {key, f"#{key}-heading"} <= reached
        if key != "segments":
            assert {f"{key} Zoom in", f"{key} Whole range"} <= reached
    assert {"theme", "#main", "tail ✓ Log time"} & reached >= {"theme", "#main"}


# Ends of what a reader sees without scrolling: the verdict, the bars, and the table's first rows.
FIRST = """(() => {
  const box = (selector) => {
    const found = document.querySelector(selector).getBoundingClientRect();
    return [found.left, found.top, found.right, found.bottom];
  };
  return { headline: box(".headline"), bars: box(".bars"), table: box(".boards"),
           row: box(".boards tbody tr"), plot: box(".plot") };
})()"""


@pytest.mark.parametrize(("width", "height"), [(1440, 900), (768, 1024), (390, 844)])
@pytest.mark.parametrize("which", ["one", "sweep"])
def test_the_first_screen_has_verdict_bars_and_table(
    window: Browser, request: pytest.FixtureRequest, which: str, width: int, height: int
) -> None:
    window.open(request.getfixturevalue(which), width=width, height=height)
    found = window.ask(FIRST)
    for part in ("headline", "bars", "row"):
        left, top, right, bottom = found[part]
        assert 0 <= top < bottom <= height, part
        assert left >= 0
        if part != "row":
            assert right <= width, part
    # In this order, none over another.
    assert found["headline"][3] <= found["bars"][1]
    assert found["bars"][3] <= found["table"][1]
    if which == "one":
        assert found["table"][3] <= height
        assert found["plot"][1] <= 1.3 * height, "the first large figure follows at once"


def test_bars_lie_where_their_numbers_say(window: Browser, one: Path) -> None:
    window.open(one, width=1440)
    left, right, mark, limit, low, high = window.ask(
        """(() => {
          const x = (selector, side) => document.querySelector(selector).getBoundingClientRect()[side];
          const middle = (selector) => (x(selector, "left") + x(selector, "right")) / 2;
          return [x(".bar", "left"), x(".bar", "right"), middle(".dot"), x(".limit", "left"),
                  x(".bar-track:has(.bar)", "left"), x(".bar-track:has(.bar)", "right")];
        })()"""
    )
    view = usual(count=20_000)
    best, worst = int(view.answers().min()), int(view.answers().max())
    # Equal ratios are equal lengths; a pixel or two for borders.
    per_factor = (right - left) / np.log(worst / best)
    assert limit == pytest.approx(left + per_factor * np.log(2_000_000 / best), abs=3)
    assert mark == pytest.approx(left + per_factor * np.log(view.summary["reaction"]["median_ns"] / best), abs=3)
    assert low < left < right < high


@pytest.mark.parametrize(("width", "dark"), [(1440, False), (390, True)], ids=["laptop", "telephone"])
@pytest.mark.parametrize("which", ["one", "sweep", "several"])
def test_nothing_keeps_anybody_from_reading_it(
    window: Browser, request: pytest.FixtureRequest, which: str, width: int, dark: bool
) -> None:
    window.open(request.getfixturevalue(which), width=width, dark=dark)
    window.driver.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert findings(window) == []


def test_the_rules_see_what_they_are_for(window: Browser, one: Path) -> None:
    window.open(one)
    window.driver.execute_script("document.querySelector('#theme').closest('label').replaceWith("
                                 "document.querySelector('#theme'))")  # fmt: skip
    assert any("select-name" in line for line in findings(window))


def test_without_the_library_the_page_says_so(window: Browser, one: Path, tmp_path: Path) -> None:
    page = one.read_text("utf-8")
    start = page.index('id="library">') + len('id="library">')
    broken = tmp_path / "broken.html"
    broken.write_text(page[:start] + "AAAA" + page[start + 4 :], "utf-8")
    window.open(broken, drawn="no")
    assert window.ask("document.getElementById('undrawn').checkVisibility()")
    assert window.ask("document.querySelector('.boards tbody td').textContent").endswith("µs")


@pytest.mark.parametrize("which", ["one", "sweep", "several", "many"])
def test_a_page_is_small(request: pytest.FixtureRequest, which: str) -> None:
    assert request.getfixturevalue(which).stat().st_size <= 1_600_000
