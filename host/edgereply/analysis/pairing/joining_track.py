"""Follow the offset between two clocks along a run, and give each stimulus its edge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s, Places
from edgereply.analysis.arrays.chunks import chunkwise
from edgereply.analysis.pairing.joining_lag import Chain

BLOCK = 128
PASSES = 4
# A pass that matches as many and leaves as much of their spread would find the same again.
SETTLED = 0.99
CHUNK = 1 << 15
# So many residuals tell their spread to a thousandth.
MOST_SPREAD = 1 << 20
MAD_TO_SIGMA = 1.4826
NORMAL_90 = 1.6449  # 90 % of a normal distribution lie within so many standard deviations


@dataclass(frozen=True, slots=True)
class Track:
    """Piecewise linear offset (board minus source), relative to `base_ns`, and the spread around it."""

    at_ns: Floats
    offset_ns: Floats
    base_ns: int
    sigma_ns: float

    def predict(self, source_ns: Int64s) -> Floats:
        """Where each stimulus should be on the board's clock, less `base_ns` and the source time."""
        at, offset = self.at_ns, self.offset_ns
        if not source_ns.size:
            return np.empty(0)
        ends = source_ns.min(), source_ns.max()
        # Of a long track only the knots about these stimuli: they stay in the processor's cache.
        near = slice(max(int(np.searchsorted(at, ends[0], "right")) - 1, 0), int(np.searchsorted(at, ends[1])) + 1)
        inside = np.interp(source_ns, at[near], offset[near])
        if at.size < 2:
            return np.asarray(inside, dtype=np.float64)
        reach = min(8, at.size - 1)
        first = (offset[reach] - offset[0]) / (at[reach] - at[0])
        last = (offset[-1] - offset[-1 - reach]) / (at[-1] - at[-1 - reach])
        if ends[0] < at[0] or ends[1] > at[-1]:
            inside += np.minimum(source_ns - at[0], 0) * first + np.maximum(source_ns - at[-1], 0) * last
        return np.asarray(inside, dtype=np.float64)


def nearest(target: Int64s, padded: Int64s) -> tuple[Int64s, Int64s, Int64s]:
    """Nearest edge to each target.

    Args:
        target: some thousands at a time, so that what a step leaves behind is still in the processor's cache.
        padded: the edges, from `padded_edges`.

    Returns:
        Its index, edge minus target, and the distance to the second nearest edge.
    """
    # In the padded edges the one at or after the target stands two places later.
    right = np.searchsorted(padded[2:-2], target, side="left")
    before, after = target - padded[right + 1], padded[right + 2] - target
    closer = before <= after
    further = np.where(closer, target - padded[right], padded[right + 3] - target)
    second = np.minimum(further, np.where(closer, after, before))
    return right - closer, np.where(closer, -before, after), second


def padded_edges(edge: Int64s) -> Int64s:
    """Edges between two on either side that are further than any distance between stamps."""
    far = np.array([2**62], np.int64)
    return np.concatenate((-far, -far, edge, far, far))


def _near_residuals(
    stimulus: Int64s, edge: Int64s, track: Track, width: float, into: tuple[Int64s, Int64s, Floats]
) -> tuple[Int64s, Int64s, Floats]:
    """Stimuli with an edge within the width of the prediction: which, how far off it is, and the prediction.

    The results are the first places of the arrays `into`, each as long as the stimuli.
    """
    padded = padded_edges(edge)
    rows, errors, predictions = into

    def near(part: slice) -> int:
        source = stimulus[part]
        predicted = track.predict(source)
        target = source + track.base_ns + predicted.astype(np.int64)
        right = np.searchsorted(edge, target, side="left")
        before, after = target - padded[right + 1], padded[right + 2] - target
        residual = np.where(before <= after, -before, after)
        close = np.flatnonzero(np.abs(residual) <= width)
        found = slice(part.start, part.start + close.size)
        np.add(close, part.start, out=rows[found])
        errors[found] = residual[close]
        predictions[found] = predicted[close]
        return int(close.size)

    filled = 0
    for number, count in enumerate(chunkwise(near, stimulus.size, CHUNK)):
        if filled < number * CHUNK:
            for column in into:
                column[filled : filled + count] = column[number * CHUNK : number * CHUNK + count]
        filled += count
    return rows[:filled], errors[:filled], predictions[:filled]


def _block_medians(values: Int64s, cuts: Int64s) -> Floats:
    """Median of each block between cuts; blocks of one length are taken together."""
    lengths = np.diff(cuts)
    medians = np.empty(lengths.size)
    for length in np.unique(lengths).tolist():
        alike = np.flatnonzero(lengths == length)

        def take(part: slice, alike: Places = alike, length: int = length) -> None:
            some = alike[part]
            medians[some] = np.median(values[cuts[some][:, None] + np.arange(length)], axis=1)

        chunkwise(take, alike.size, max(1, CHUNK // length))
    return medians


def follow(stimulus: Int64s, edge: Int64s, chain: Chain, max_drift_ppm: float) -> Track:
    """Sharpen the chain: match the nearest edges, move the offset by block medians, repeat."""
    base = int(np.median(chain.offset_ns))
    at, offset = _smooth(chain, base)
    mean = (int(stimulus[-1]) - int(stimulus[0])) / (stimulus.size - 1)
    spacing = (int(stimulus[-1]) - int(stimulus[0])) / max(1, chain.at_ns.size)
    width = min(4 * chain.tolerance_ns + 0.2 * max_drift_ppm * 1e-6 * spacing, mean / 4)
    track = Track(at, offset, base, width)
    rows, errors = (np.empty(stimulus.size, np.int64) for _ in range(2))
    predictions = np.empty(stimulus.size)
    matched = 0
    for _ in range(PASSES):
        close, error, seen = _near_residuals(stimulus, edge, track, width, (rows, errors, predictions))
        if close.size < 3:
            return track
        source = stimulus if close.size == stimulus.size else stimulus[close]
        seen += error
        blocks = max(1, close.size // BLOCK)
        cuts = np.linspace(0, close.size, blocks + 1).astype(np.int64)
        if blocks == 1:
            at, offset = _line(source, seen)
        else:
            where = source[(cuts[:-1] + cuts[1:]) // 2]
            at, offset = where.astype(np.float64), track.predict(where) + _block_medians(error, cuts)
        some = slice(None, None, -(-source.size // MOST_SPREAD))
        sigma = _spread(edge_residuals(source[some], seen[some], Track(at, offset, base, width)))
        width = min(width, max(12 * sigma, 100.0))
        settled = close.size == matched and sigma > SETTLED * track.sigma_ns
        matched, track = close.size, Track(at, offset, base, sigma)
        if settled:
            break
    return track


def _spread(left: Floats) -> float:
    """Standard deviation of the residuals' bulk, at least 1 ns; the residuals are overwritten.

    Kernels stamp in modes: more than half of the edges to a few ns, others microseconds later. The median alone would
    call those strays; the 90 % quantile sees them, and a few lost or extra edges do not reach it.
    """
    left -= np.median(left, overwrite_input=True)
    middle, most = np.quantile(np.abs(left, out=left), (0.5, 0.9), overwrite_input=True)
    return max(MAD_TO_SIGMA * float(middle), float(most) / NORMAL_90, 1.0)


def edge_residuals(source: Int64s, offset: Floats, track: Track) -> Floats:
    """Observed offset (less the base) minus the track's."""
    left = np.empty(source.size)

    def subtract(part: slice) -> None:
        np.subtract(offset[part], track.predict(source[part]), out=left[part])

    chunkwise(subtract, source.size, CHUNK)
    return left


def _smooth(chain: Chain, base: int) -> tuple[Floats, Floats]:
    """The chain's knots without strays: those far from the median of their neighbours."""
    at, unique = np.unique(chain.at_ns, return_index=True)
    offset = (chain.offset_ns[unique] - base).astype(np.float64)
    time = at.astype(np.float64)
    if at.size < 5:
        return time, offset
    slope = float(np.median((offset[4:] - offset[:-4]) / (time[4:] - time[:-4])))
    flat = offset - slope * (time - time[0])
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(flat, 2, mode="edge"), 5)
    typical = np.median(windows, axis=1)
    stray = np.abs(flat - typical) > 4 * chain.tolerance_ns
    return time[~stray], offset[~stray]


def _line(at: Int64s, offset: Floats) -> tuple[Floats, Floats]:
    """A robust straight line (median of slopes over half the range), as two knots."""
    time = (at - at[0]).astype(np.float64)
    half = max(1, at.size // 2)
    rise = (offset[half:] - offset[:-half]) / np.maximum(time[half:] - time[:-half], 1.0)
    slope = float(np.median(rise))
    start = float(np.median(offset - slope * time))
    end = max(float(time[-1]), 1.0)
    return np.array([float(at[0]), float(at[0]) + end]), np.array([start, start + slope * end])
