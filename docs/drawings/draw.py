"""The wiring drawings of these pages, written beside this file.

python docs/drawings/draw.py
"""

from html import escape
from pathlib import Path

INK, PAPER, SIGNAL, GROUND, WARN = "#1b1f24", "#ffffff", "#0b5cad", "#3f4650", "#8a1f11"
WIDTH, LEFT, RIGHT, BOX = 760, 40, 560, 160
STYLE = (
    f"text{{font:14px system-ui,sans-serif;fill:{INK}}}.h{{font-weight:600;font-size:15px}}.s{{font-size:12px}}"
    f".w{{fill:{WARN};font-weight:600}}path,rect{{fill:none;stroke-width:2}}"
)


def text(x: float, y: float, words: str, kind: str = "", anchor: str = "start") -> str:
    """Words at a place."""
    return f'<text x="{x:g}" y="{y:g}" class="{kind}" text-anchor="{anchor}">{escape(words)}</text>'


def box(x: float, y: float, height: float, title: str, under: str) -> str:
    """A thing with pins."""
    return (
        f'<rect x="{x}" y="{y}" width="{BOX}" height="{height}" rx="6" stroke="{INK}"/>'
        + text(x + BOX / 2, y + 24, title, "h", "middle")
        + text(x + BOX / 2, y + 42, under, "s", "middle")
    )


def pin(x: float, y: float, name: str, left_of_box: bool) -> str:
    """A pin's name inside its box."""
    return text(x + (-10 if left_of_box else 10), y + 5, name, "s", "end" if left_of_box else "start")


def resistor(x: float, y: float, value: str, colour: str = SIGNAL) -> str:
    """A resistor in a level wire, 60 wide, its value above."""
    body = f'<rect x="{x}" y="{y - 7}" width="60" height="14" fill="{PAPER}" style="fill:{PAPER}" stroke="{colour}"/>'
    return body + text(x + 30, y - 13, value, "s", "middle")


def wire(y: float, number: int, words: str, *, to_right: bool, value: str = "1 kΩ") -> str:
    """A signal wire between both boxes: its number, its resistor, its arrow."""
    start, end = LEFT + BOX, RIGHT
    tip = end if to_right else start
    back = tip - 10 if to_right else tip + 10
    arrow = f'<path d="M{back} {y - 5}L{tip} {y}L{back} {y + 5}" stroke="{SIGNAL}"/>'
    line = f'<path d="M{start} {y}H{end}" stroke="{SIGNAL}"/>'
    return (
        line
        + arrow
        + resistor(start + 70, y, value)
        + text(start + 14, y - 8, str(number), "h")
        + (text(end - 14, y - 8, words, "s", "end"))
    )


def ground(y: float) -> str:
    """The ground wire."""
    line = f'<path d="M{LEFT + BOX} {y}H{RIGHT}" stroke="{GROUND}" style="stroke-width:3"/>'
    return line + text(LEFT + BOX + 14, y - 8, "1", "h") + text(LEFT + BOX + 30, y - 8, "before any other wire", "s")


def down(x: float, y: float, until: float, value: str) -> str:
    """A resistor from a wire to ground."""
    return (
        f'<path d="M{x} {y}V{until}" stroke="{SIGNAL}"/><circle cx="{x}" cy="{y}" r="3.5" fill="{SIGNAL}"/>'
        f'<circle cx="{x}" cy="{until}" r="3.5" fill="{GROUND}"/>'
        f'<rect x="{x - 7}" y="{y + 8}" width="14" height="40" style="fill:{PAPER}" stroke="{SIGNAL}"/>'
        + text(x + 14, y + 33, value, "s")
    )


def page(name: str, title: str, description: str, height: int, *parts: str) -> tuple[str, str]:
    """A whole drawing; the title and description are for those who cannot see it."""
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" '
        f'role="img" aria-labelledby="t d"><title id="t">{escape(title)}</title>'
        f'<desc id="d">{escape(description)}</desc>'
        f"<style>{STYLE}</style>"
        f'<rect width="{WIDTH}" height="{height}" style="fill:{PAPER}" stroke="none"/>'
    )
    return name, head + "\n".join(parts) + "</svg>\n"


def drawings() -> dict[str, str]:
    """All drawings by file name."""
    source, board = "Pulse source", "Board under test"
    loop = page(
        "loop-back.svg",
        "Loop-back wiring with a 5 V source and a 3.3 V board",
        "Ground to ground. Stimulus through 1 kilo-ohm to the board's input, with 2 kilo-ohms from there to ground. "
        "Board's output through 1 kilo-ohm to the source's capture input.",
        330,
        box(LEFT, 40, 230, source, "5 V logic"), box(RIGHT, 40, 230, board, "3.3 V logic"),
        pin(LEFT + BOX, 110, "stimulus", True), pin(RIGHT, 110, "input", False),
        pin(LEFT + BOX, 165, "capture", True), pin(RIGHT, 165, "output", False),
        pin(LEFT + BOX, 245, "GND", True), pin(RIGHT, 245, "GND", False),
        wire(110, 2, "", to_right=True), wire(165, 3, "", to_right=False), ground(245),
        down(RIGHT - 70, 110, 245, "2 kΩ"),
        text(LEFT, 300, "5 V × 2 / (1 + 2) = 3.3 V at the input. Measure it before the board is connected.", "w"),
        text(LEFT, 320, "From a 3.3 V source: 10 kΩ in place of the 2 kΩ. Connect in the order of the numbers.", "s"),
    )  # fmt: skip
    stimulus_only = page(
        "stimulus-only.svg",
        "A source that only sends stimuli",
        "Ground to ground. Stimulus through 1 kilo-ohm to the board's input, 10 kilo-ohms from there to ground.",
        290,
        box(LEFT, 40, 170, "Generator", "or serial adapter"), box(RIGHT, 40, 170, board, "stamps by itself"),
        pin(LEFT + BOX, 110, "output", True), pin(RIGHT, 110, "input", False),
        pin(LEFT + BOX, 185, "GND", True), pin(RIGHT, 185, "GND", False),
        wire(110, 2, "", to_right=True), ground(185), down(RIGHT - 70, 110, 185, "10 kΩ"),
        text(LEFT, 240, "Set the generator to the board's logic level and into a high load BEFORE connecting.", "w"),
        text(LEFT, 260, "Never RS-232 levels (±3 V to ±15 V): they destroy the input.", "w"),
    )  # fmt: skip
    itself = page(
        "self.svg",
        "A board that is its own source",
        "On one board: stimulus line through 1 kilo-ohm to input, output through 1 kilo-ohm to capture line.",
        250,
        box(LEFT, 40, 150, "Board, as source", "spare lines"), box(RIGHT, 40, 150, "The same board", "as answerer"),
        pin(LEFT + BOX, 110, "stimulus line", True), pin(RIGHT, 110, "input", False),
        pin(LEFT + BOX, 160, "capture line", True), pin(RIGHT, 160, "output", False),
        f'<path d="M{LEFT + BOX} 110H{RIGHT}M{LEFT + BOX} 160H{RIGHT}" stroke="{SIGNAL}"/>',
        resistor(LEFT + BOX + 150, 110, "1 kΩ"), resistor(LEFT + BOX + 150, 160, "1 kΩ"),
        text(LEFT, 225, "Two outputs meet if a line is named wrongly: the resistors are what saves them.", "w"),
    )  # fmt: skip
    jumper = page(
        "null.svg",
        "Null measurement",
        "The source's stimulus through 1 kilo-ohm to its own capture input. No board is connected.",
        190,
        box(LEFT, 40, 120, source, "no board connected"),
        pin(LEFT + BOX, 105, "stimulus", True), pin(LEFT + BOX, 140, "capture", True),
        f'<path d="M{LEFT + BOX} 105H{RIGHT - 150}V140H{LEFT + BOX}" stroke="{SIGNAL}"/>',
        resistor(LEFT + BOX + 70, 105, "1 kΩ"),
        text(RIGHT - 130, 127, "one jumper, nothing else", "s"),
    )  # fmt: skip
    return dict((loop, stimulus_only, itself, jumper))


if __name__ == "__main__":
    for name, content in drawings().items():
        (Path(__file__).parent / name).write_text(content, encoding="utf-8")
