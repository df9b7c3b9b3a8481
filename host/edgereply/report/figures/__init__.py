"""Arrays into figures: the only package that knows plotly.

Figures are drawn in the light palette of `theme`. Every trace says in `meta` which run it belongs to, so that the
page can hide a run; `meta.controls` of a figure lists the axes a reader may switch between linear and logarithmic.
"""

from edgereply.report.figures.canvas import library
from edgereply.report.figures.cycle import fold
from edgereply.report.figures.distribution import distribution, tail
from edgereply.report.figures.pulse import persistence
from edgereply.report.figures.quantiles import quantiles
from edgereply.report.figures.rates import sweep_curves
from edgereply.report.figures.segments import segments
from edgereply.report.figures.timeline import over_time

__all__ = [
    "distribution", "fold", "library", "over_time", "persistence", "quantiles", "segments", "sweep_curves", "tail",
]  # fmt: skip
