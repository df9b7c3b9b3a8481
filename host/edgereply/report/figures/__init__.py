"""Arrays into figures: described once (`drawing`), drawn for the page (`page_drawing`) and into files (`pictures`)."""

from edgereply.report.figures.boards import boards
from edgereply.report.figures.cycle import fold
from edgereply.report.figures.distribution import distribution, tail
from edgereply.report.figures.gaps import gaps
from edgereply.report.figures.hold_ups import hold_ups
from edgereply.report.figures.pulse import persistence
from edgereply.report.figures.quantiles import quantiles
from edgereply.report.figures.rates import sweep_curves
from edgereply.report.figures.segments import segments
from edgereply.report.figures.timeline import over_time

__all__ = [
    "boards", "distribution", "fold", "gaps", "hold_ups", "over_time", "persistence", "quantiles", "segments",
    "sweep_curves",
    "tail",
]  # fmt: skip
