"""The relation of two clocks that stamp the same pulses, and how it is followed along a run.

The offset of one clock from the other is hours at most and changes slowly: a constant rate of some ten parts per
million, and a wander about it with temperature and with time synchronisation. It is followed from one pair of stamps
that belong together, outwards: a straight line is fitted to what is near, tells where the next stamps must be, and is
fitted again. Each line is a robust regression, so that one late, lost or added stamp is an outlier and no step: first
Cauchy weights with a prior for the rate, then, block by block, one step of Huber's location estimate.

Sources: P. J. Huber, Robust Statistics (1981), ch. 3 and 7; P. J. Rousseeuw and A. M. Leroy, Robust Regression and
Outlier Detection (1987), ch. 2 and 4.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats, Int64s

# Pulses whose mean residual is one knot of the clock: 128 bring a jitter of 20 us down to 2 us, and at 200 pulses a
# second a wander of 10 ppm a minute has moved by less than 0.1 us within one.
BLOCK = 128
# Pulses looked at in one step; longer steps are cheaper, and are taken where the line foretells to `WELL` standard
# deviations, shorter ones where it misses by `BADLY`; beyond 12 they would find nothing.
# Of a longer step than `ENOUGH`, so many pulses evenly spread are enough.
SHORTEST, ENOUGH, LONGEST = 256, 8192, 1 << 17
SHORT = 64  # where the offset is looked for again
WELL, BADLY = 0.5, 3.0
# The first line is fitted to so many pulses on either side of the pair it grows from.
GROWN = 512
# Knots that give the rate with which the next step is foretold.
RECENT = 8
NORMAL_90 = 1.6449  # 90 % of a normal distribution lie within so many standard deviations
MAD_TO_SIGMA = 1.4826
# How fast a clock's rate is taken to wander where nothing is matched for a while.
WANDER = 5e-6
FAR = 2**62
STRIDE = 16


@dataclass(frozen=True, slots=True)
class Clock:
    """Piecewise linear offset between two clocks.

    Attributes:
        at_ns: shape (k,), float64, rising: source time less `source_ns`; the first and last lie far outside.
        offset_ns: shape (k,), float64: board less source, less `base_ns`, at those times.
        source_ns, base_ns: taken away from the times so that float64 holds them exactly.
        sigma_ns: standard deviation of the bulk of the residuals.
    """

    at_ns: Floats
    offset_ns: Floats
    source_ns: int
    base_ns: int
    sigma_ns: float

    def to_board(self, source_ns: Int64s) -> Int64s:
        """Where a source time is on the board's clock; both int64 ns."""
        ahead = np.interp(source_ns - self.source_ns, self.at_ns, self.offset_ns)
        return np.asarray(source_ns + (np.rint(ahead).astype(np.int64) + self.base_ns), np.int64)

    def to_source(self, board_ns: Int64s) -> Int64s:
        """Where a board's time is on the source's clock; both int64 ns."""
        local = board_ns - (self.source_ns + self.base_ns)
        ahead = np.interp(local, self.at_ns + self.offset_ns, self.offset_ns)
        return np.asarray(board_ns - (np.rint(ahead).astype(np.int64) + self.base_ns), np.int64)

    def rate(self) -> tuple[float, float]:
        """Offset at the first knot less the base, and the mean rate of the board's clock less one."""
        inner = slice(1, -1) if len(self.at_ns) > 3 else slice(None)
        at, offset = self.at_ns[inner], self.offset_ns[inner]
        return float(offset[0]), float((offset[-1] - offset[0]) / max(1.0, at[-1] - at[0]))


@dataclass(frozen=True, slots=True)
class Line:
    """Offset less a base near one time: `level` at `at_ns`, and its slope; `slope_sd` is how well that is known."""

    at_ns: float
    level_ns: float
    slope: float
    slope_sd: float
    sigma_ns: float

    def offset(self, at_ns: Floats) -> Floats:
        """The offset at those times."""
        return np.asarray(self.level_ns + self.slope * (at_ns - self.at_ns), np.float64)


@dataclass(frozen=True, slots=True)
class Grown:
    """A line through the pulses around one pair.

    Attributes:
        line: of the offset less `base_ns`, times less `source_ns`.
        first, last: the stimuli it was fitted to, half open.
    """

    line: Line
    source_ns: int
    base_ns: int
    first: int
    last: int


def foretold(stimulus: Int64s, grown: Grown) -> Int64s:
    """Where the stimuli that a line was grown over should be on the board's clock."""
    part = stimulus[grown.first : grown.last]
    at = (part - grown.source_ns).astype(np.float64)
    return np.asarray(part + (grown.base_ns + np.rint(grown.line.offset(at)).astype(np.int64)), np.int64)


def padded(times: Int64s) -> Int64s:
    """Times between two on either side that are further than any distance between stamps."""
    far = np.array([FAR], np.int64)
    return np.concatenate((-far, -far, times, far, far))


def first_from(times: Int64s, wanted: Int64s) -> Int64s:
    """`numpy.searchsorted(times, wanted)` for two trains that go side by side, both int64 and sorted.

    Every so many are searched, and those between are taken to follow one by one; where they do not, they are searched
    as well.
    """
    if wanted.size < 4 * STRIDE:
        return np.asarray(np.searchsorted(times, wanted))
    low, high = np.searchsorted(times, (wanted[0], wanted[-1])).tolist()
    among = np.concatenate(([-FAR], times[low:high], [FAR]))
    begin = np.searchsorted(times[low:high], wanted[::STRIDE])
    place = (begin[:, None] + np.arange(STRIDE)).reshape(-1)[: wanted.size]
    np.minimum(place, high - low, out=place)
    astray = np.flatnonzero((among[place] >= wanted) | (among[1:][place] < wanted))
    place[astray] = np.searchsorted(times[low:high], wanted[astray])
    place += low
    return place


def nearest(target: Int64s, times: Int64s) -> tuple[Int64s, Int64s, Int64s]:
    """Nearest time to each target.

    Args:
        target: shape (n,), int64, sorted; some thousands at a time, so that what a step leaves behind is still in the
            cache.
        times: shape (m,), int64, sorted.

    Returns:
        Its index, time less target, and the distance of the second nearest.
    """
    low, high = np.searchsorted(times, (target[0], target[-1])).tolist()
    low, high = max(0, low - 2), min(times.size, high + 2)
    # In the padded times the one at or after the target stands two places later.
    among = padded(times[low:high])
    right = first_from(times[low:high], target)
    before, after = target - among[1:][right], among[2:][right] - target
    closer = before <= after
    further = np.where(closer, target - among[right], among[3:][right] - target)
    second = np.minimum(further, np.where(closer, after, before))
    return low + right - closer, np.where(closer, -before, after), second


def spread(residual: Floats) -> float:
    """Standard deviation of the residuals' bulk, at least 1 ns.

    Kernels stamp in modes: more than half of the edges to a few ns, others microseconds later. The median alone would
    call those outliers; the 90 % quantile sees them, and a few lost or added edges do not reach it.
    """
    if not residual.size:
        return 1.0
    # Sorted once: of some hundred values the library's quantiles cost twenty times as much.
    distance = np.sort(np.abs(residual - middle(residual)))
    usual, most = distance[distance.size // 2], distance[int(0.9 * (distance.size - 1))]
    return max(MAD_TO_SIGMA * float(usual), float(most) / NORMAL_90, 1.0)


def middle(values: Floats) -> float:
    """The upper median; 0 of nothing."""
    return float(np.partition(values, values.size // 2)[values.size // 2]) if values.size else 0.0


def grow(stimulus: Int64s, edge: Int64s, pair: tuple[int, int], tolerance_ns: float, drift: float) -> Grown:
    """Fit a line to ever more pulses around a pair, twice as many each time.

    Args:
        stimulus, edge: both trains, int64 ns, sorted.
        pair: index of a stimulus and of the edge that may be the same pulse.
        tolerance_ns: how far stamps may be off a true line.
        drift: bound on the clocks' relative rate, as a fraction; half of it is the prior's standard deviation.
    """
    source, base = int(stimulus[pair[0]]), int(edge[pair[1]] - stimulus[pair[0]])
    line, width = Line(0.0, 0.0, 0.0, drift / 2, tolerance_ns / 4), tolerance_ns
    count = 4
    while True:
        first, last = max(0, pair[0] - count), min(stimulus.size, pair[0] + count + 1)
        at = (stimulus[first:last] - source).astype(np.float64)
        slack = width + 2 * line.slope_sd * np.abs(at - line.at_ns)
        target = stimulus[first:last] + (base + np.rint(line.offset(at)).astype(np.int64))
        _, residual, second = nearest(target, edge)
        good = (np.abs(residual) <= slack) & (second > slack)
        if np.count_nonzero(good) >= 3:
            line = _fitted(at[good], line.offset(at[good]) + residual[good], line, drift)
            width = min(tolerance_ns, max(8 * line.sigma_ns, 16.0))
        if count >= GROWN or (first == 0 and last == stimulus.size):
            break
        count *= 2
    return Grown(line, source, base, first, last)


def _fitted(at: Floats, offset: Floats, start: Line, drift: float) -> Line:
    """Regression with Cauchy weights and a prior for the slope (Huber 1981, 7.8: reweighted least squares)."""
    line = start
    for _ in range(3):
        left = offset - line.offset(at)
        sigma = spread(left)
        weight = 1.0 / (1.0 + ((left - middle(left)) / (2 * sigma)) ** 2)
        total = float(weight.sum())
        centre, level = float(weight @ at) / total, float(weight @ offset) / total
        away = at - centre
        precision = float(weight @ away**2) / sigma**2 + (2 / drift) ** 2
        slope = float((weight * away) @ (offset - level)) / sigma**2 / precision
        line = Line(centre, level, slope, precision**-0.5, sigma)
    return line


def follow(stimulus: Int64s, edge: Int64s, grown: Grown) -> Clock:
    """Follow the offset from where a line was grown to both ends of the run."""
    ahead = _extended(stimulus, edge, grown, grown.first)
    begin = min(stimulus.size, grown.first + BLOCK)
    early = int(np.searchsorted(edge, stimulus[begin - 1] + grown.base_ns + 10**9))
    line = Line(-grown.line.at_ns, -grown.line.level_ns, *_shape(grown.line))
    mirrored = Grown(line, -grown.source_ns, -grown.base_ns, 0, 0)
    behind = _extended(-stimulus[:begin][::-1], -edge[:early][::-1], mirrored, begin - grown.first)
    at = np.concatenate((-behind[0][::-1], ahead[0]))
    offset = np.concatenate((-behind[1][::-1], ahead[1]))
    if not at.size:
        at, offset = np.array([grown.line.at_ns]), np.array([grown.line.level_ns])
    return _clock(at, offset, grown, ahead[2])


def _shape(line: Line) -> tuple[float, float, float]:
    return line.slope, line.slope_sd, line.sigma_ns


def _clock(at: Floats, offset: Floats, grown: Grown, sigma: float) -> Clock:
    """Knots, and one far outside on either side with the rate there; a short run is one straight line."""
    if at.size < 3:
        line, far = grown.line, 1e16
        ends = np.array([line.at_ns - far, line.at_ns + far])
        return Clock(ends, line.offset(ends), grown.source_ns, grown.base_ns, line.sigma_ns)
    reach = min(RECENT, at.size - 1)
    first = (offset[reach] - offset[0]) / (at[reach] - at[0])
    last = (offset[-1] - offset[-1 - reach]) / (at[-1] - at[-1 - reach])
    far = 1e16
    return Clock(
        np.concatenate(([at[0] - far], at, [at[-1] + far])),
        np.concatenate(([offset[0] - far * first], offset, [offset[-1] + far * last])),
        grown.source_ns,
        grown.base_ns,
        sigma,
    )


def _extended(stimulus: Int64s, edge: Int64s, grown: Grown, first: int) -> tuple[Floats, Floats, float]:
    """Knots from stimulus number `first` to the end, and the spread of the residuals."""
    line, sigma, size = grown.line, grown.line.sigma_ns, SHORTEST
    knots: list[Floats] = []
    levels: list[Floats] = []
    recent = (np.empty(0), np.empty(0))
    spreads: list[float] = []
    seen_to, lost = line.at_ns, False
    while first < stimulus.size:
        part = slice(first, min(first + size, stimulus.size), max(1, size // ENOUGH))
        at = (stimulus[part] - grown.source_ns).astype(np.float64)
        if pause := _first_pause(at, sigma):
            part = slice(first, first + pause * part.step, part.step)
            at = at[:pause]
        # With the time since anything was matched the line knows less.
        doubt = float(max(0.0, at[-1] - max(seen_to, line.at_ns))) * WANDER * (1.0 if recent[0].size else 0.0)
        residual, good = _matched(stimulus[part], at, edge, line, grown.base_ns, 12 * sigma + doubt)
        if np.count_nonzero(good) < min(8, at.size) or np.count_nonzero(good) < 0.2 * at.size:
            moved = _found_again(stimulus[part], at, edge, line, grown.base_ns, sigma, doubt)
            if moved is None:
                # After a pause the rate may be another one: over a short step that matters less.
                lost, again = True, not lost and at.size > SHORT
                first, size = (first, SHORT) if again else (part.stop, max(size // 2, SHORTEST))
                continue
            line = Line(line.at_ns, line.level_ns + moved, *_shape(line))
            residual, good = _matched(stimulus[part], at, edge, line, grown.base_ns, 12 * sigma)
        when, shift, left = _blocks(at, residual, good, sigma)
        lost = False
        if when.size:
            knots.append(when)
            levels.append(line.offset(when) + shift)
            recent = tuple(np.concatenate(pair)[-RECENT:] for pair in zip(recent, (knots[-1], levels[-1]), strict=True))  # type: ignore[assignment]
            spreads.append(spread(left))
            sigma = float(np.clip(spreads[-1], sigma / 2, 2 * sigma))
            seen_to = float(when[-1])
            missed_by = abs(float(shift[-1])) / sigma
            if missed_by < WELL:
                size = min(2 * size, LONGEST)
            elif missed_by > BADLY:
                size = max(size // 2, SHORTEST)
            if recent[0].size >= 4:
                away = recent[0] - recent[0].mean()
                slope = float(away @ recent[1]) / float(away @ away)
                level = float(recent[1].mean() + slope * away[-1])
                line = Line(float(recent[0][-1]), level, slope, line.slope_sd, sigma)
        first = part.stop
    none = np.empty(0)
    typical = float(np.median(spreads)) if spreads else sigma
    return np.concatenate([none, *knots]), np.concatenate([none, *levels]), typical


def _first_pause(at: Floats, sigma: float) -> int:
    """Where a step is to end, since the clock may wander away in the pause that follows; 0 where there is none."""
    gaps = np.diff(at)
    most = max(6 * sigma, 6_000.0) / WANDER
    if not gaps.size or gaps.max() <= most:
        return 0
    long = np.flatnonzero(gaps > max(most, 20 * middle(gaps)))
    return int(long[0]) + 1 if long.size else 0


def _matched(
    stimulus: Int64s, at: Floats, edge: Int64s, line: Line, base_ns: int, width: float
) -> tuple[Floats, Bools]:
    target = stimulus + (base_ns + np.rint(line.offset(at)).astype(np.int64))
    _, residual, second = nearest(target, edge)
    return residual.astype(np.float64), (np.abs(residual) <= width) & (second > width)


def _found_again(
    stimulus: Int64s, at: Floats, edge: Int64s, line: Line, base_ns: int, sigma: float, doubt: float
) -> float | None:
    """The shift at which most of a step's stimuli have an edge, if one stands out; None else."""
    reach = int(12 * sigma + 4 * doubt)
    target = stimulus + (base_ns + np.rint(line.offset(at)).astype(np.int64))
    start, stop = np.searchsorted(edge, target - reach), np.searchsorted(edge, target + reach, side="right")
    count = np.minimum(stop - start, 8)
    owner = np.repeat(np.arange(target.size), count)
    index = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count) + start[owner]
    shift = np.sort(edge[index] - target[owner])
    if shift.size < 8:
        return None
    held = np.searchsorted(shift, shift + int(6 * sigma), side="right") - np.arange(shift.size)
    best = int(held.argmax())
    apart = np.abs(shift - shift[best]) > 6 * sigma
    rival = int(held[apart].max(initial=0))
    if held[best] < max(8, 0.3 * target.size) or held[best] < 2 * rival:
        return None
    return float(np.median(shift[best : best + int(held[best])]))


def _blocks(at: Floats, residual: Floats, good: Bools, sigma: float) -> tuple[Floats, Floats, Floats]:
    """Mean time and robust mean residual of each block, and the good residuals about those."""
    count = max(1, at.size // BLOCK)
    cuts = np.arange(count + 1) * at.size // count
    starts = cuts[:-1]
    number = np.add.reduceat(good, starts, dtype=np.int64)
    held = np.maximum(number, 1)
    owner = np.repeat(np.arange(count), np.diff(cuts))
    shift = np.full(count, middle(residual[good]))
    for width in (6.0, 2.0, 2.0):
        clipped = np.clip(residual - shift[owner], -width * sigma, width * sigma)
        shift = shift + np.add.reduceat(np.where(good, clipped, 0.0), starts) / held
    when = np.add.reduceat(np.where(good, at, 0.0), starts) / held
    enough = number >= min(16, max(3, at.size // 4))
    left = (residual - shift[owner])[good]
    some = left[:: max(1, left.size // 1024)]
    return when[enough], shift[enough], some
