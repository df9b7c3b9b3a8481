"""What every pulse source must do. A source joins by subclassing the suite and saying how to open it."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import replace
from typing import ClassVar

import numpy as np
import pytest

from edgereply.errors import SettingError, SourceError
from edgereply.sources.arrivals import intervals
from edgereply.sources.base import Pattern, PulseSource, SourceBatch, StimulusPlan
from edgereply.sources.limits import REST_NS
from edgereply.storage.stamps import FALL, OVERLAP_NS, RISE, STIMULUS


class PulseSourceSuite:
    """Tests any source. Nothing here asserts how fast the computer is.

    Attributes:
        kind: name in the table of sources.
        plan: a plan the source does quickly.
        patterns: arrival patterns it has.
        pairs: whether it sends pairs.
        exact_ns: how far stimuli may lie from their due times; None for a source that is only as
            punctual as the computer it runs on.
        patience_s: how long a run of ``plan`` may take; a deadline, not an expectation.
        endless: more stimuli than are waited for.
        abort_within_s: aborts are tried at random moments up to so long after the start.
        times_falls: whether a source that captures also stamps when an answer ends.
        tells_level: whether a source that captures knows the level of its input.
    """

    kind: ClassVar[str]
    plan: ClassVar[StimulusPlan] = StimulusPlan(period_ns=2_000_000, floor_ns=500_000, spread_ns=1_000_000, count=40)
    patterns: ClassVar[tuple[Pattern, ...]] = ("periodic", "uniform", "exponential")
    pairs: ClassVar[bool] = False
    exact_ns: ClassVar[int | None] = None
    patience_s: ClassVar[float] = 60.0
    abort_within_s: ClassVar[float] = 0.15
    endless: ClassVar[int] = 40_000
    times_falls: ClassVar[bool] = True
    tells_level: ClassVar[bool] = True

    def opened(self) -> AbstractContextManager[PulseSource]:
        """Open the source; whatever it needs is gone afterwards."""
        raise NotImplementedError

    def answered(self, source: PulseSource) -> AbstractContextManager[None]:
        """While entered, each stimulus is answered by one pulse well before the next stimulus can come."""
        raise NotImplementedError

    @pytest.fixture
    def source(self) -> Iterator[PulseSource]:
        with self.opened() as source:
            yield source

    def batches(self, source: PulseSource) -> list[SourceBatch]:
        """Read a run to its end."""
        return read_to_end(source, self.patience_s)

    def run(self, source: PulseSource, plan: StimulusPlan) -> tuple[StimulusPlan, SourceBatch]:
        """Do a whole run; returns the plan as it took effect and everything in one batch, sorted."""
        effect = source.arm(plan)
        source.start()
        return effect, joined(self.batches(source))

    def test_identity(self, source: PulseSource) -> None:
        identity = source.identity
        assert identity.kind == self.kind
        assert identity.model
        assert identity.tick_hz >= 1
        assert identity.tolerance_ppm >= 0

    def test_the_plan_takes_effect_to_a_tick(self, source: PulseSource) -> None:
        tick_ns = -(-1_000_000_000 // source.identity.tick_hz)
        for pattern in self.patterns:
            plan = replace(self.plan, pattern=pattern, period_ns=self.plan.period_ns + 37, seed=4_294_967_295)
            effect = source.arm(plan)
            for name in ("period_ns", "width_ns", "floor_ns", "spread_ns"):
                assert abs(getattr(effect, name) - getattr(plan, name)) <= tick_ns
            assert (effect.pattern, effect.count, effect.seed) == (pattern, plan.count, plan.seed)

    def test_arming_emits_nothing(self, source: PulseSource) -> None:
        source.arm(self.plan)
        assert source.read(0.05) is None

    def test_a_run_has_every_stimulus_and_ends_once(self, source: PulseSource) -> None:
        source.arm(self.plan)
        source.start()
        batches = self.batches(source)
        assert [batch.done for batch in batches] == [False] * (len(batches) - 1) + [True]
        assert sum(int((batch.kind == STIMULUS).sum()) for batch in batches) == self.plan.count
        assert sum(batch.lost for batch in batches) == 0
        assert source.read(0.0) is None

    def test_batches_are_what_they_promise(self, source: PulseSource) -> None:
        source.arm(self.plan)
        source.start()
        latest_ns = None
        for batch in self.batches(source):
            assert batch.kind.dtype == np.uint8
            assert batch.at_ns.dtype == np.int64
            assert batch.kind.shape == batch.at_ns.shape
            assert set(batch.kind.tolist()) <= {1, 2, 3, 4}
            assert (np.diff(batch.at_ns) >= 0).all()
            if latest_ns is not None and len(batch.at_ns):
                assert batch.at_ns[0] > latest_ns - OVERLAP_NS
            if len(batch.at_ns):
                latest_ns = int(batch.at_ns[-1])

    @pytest.mark.parametrize("pattern", ["periodic", "uniform", "exponential"])
    def test_stimuli_come_when_the_plan_says(self, source: PulseSource, pattern: Pattern) -> None:
        if pattern not in self.patterns:
            with pytest.raises(SettingError):
                source.arm(replace(self.plan, pattern=pattern))
            return
        plan, batch = self.run(source, replace(self.plan, pattern=pattern))
        at_ns = batch.at_ns[batch.kind == STIMULUS]
        gaps_ns = np.diff(at_ns)
        tick_hz = source.identity.tick_hz
        assert gaps_ns.min() >= plan.width_ns + 20_000 - 2 * 1_000_000_000 // tick_hz
        if self.exact_ns is not None:
            ticks = intervals(plan, tick_hz, plan.count)[1:]
            due_ns = np.cumsum(ticks) * 1_000_000_000 // tick_hz
            assert np.abs(at_ns[1:] - at_ns[0] - due_ns).max() <= self.exact_ns

    def test_pairs_are_a_gap_apart_and_a_rest_from_the_next(self, source: PulseSource) -> None:
        wanted = replace(self.plan, pattern="pairs", width_ns=50_000)
        if not self.pairs:
            with pytest.raises(SettingError, match="pairs"):
                source.arm(wanted)
            return
        with pytest.raises(SettingError, match=r"apart.*to .*half|apart.*source's shortest"):
            source.arm(replace(wanted, shortest_gap_ns=1))
        plan, batch = self.run(source, wanted)
        assert 0 < plan.shortest_gap_ns < plan.longest_gap_ns <= plan.period_ns // 2, "the source says its own"
        at_ns = batch.at_ns[batch.kind == STIMULUS]
        assert len(at_ns) == plan.count
        tick_hz = source.identity.tick_hz
        planned_ns = intervals(plan, tick_hz, plan.count)[1:] * 1_000_000_000 // tick_hz
        late_ns = np.diff(at_ns) - planned_ns
        assert late_ns.min() >= -2 - 2 * 1_000_000_000 // tick_hz, "late as a program may be, but never early"
        if self.exact_ns is not None:
            assert late_ns.max() <= self.exact_ns

    def test_an_aborted_run_ends_and_another_follows(self, source: PulseSource) -> None:
        source.arm(replace(self.plan, count=self.endless))
        source.start()
        found: list[SourceBatch] = []
        end = time.monotonic() + self.patience_s
        while not any((batch.kind == STIMULUS).any() for batch in found) and time.monotonic() < end:
            batch = source.read(1.0)
            found += [batch] if batch is not None else []
        source.abort()
        found += self.batches(source)
        assert 1 <= sum(int((batch.kind == STIMULUS).sum()) for batch in found) < self.endless
        _, whole = self.run(source, self.plan)
        assert (whole.kind == STIMULUS).sum() == self.plan.count

    def test_abort_right_behind_a_start(self, source: PulseSource) -> None:
        """The source may not even have heard of the run; it ends all the same, and so does the next one."""
        for _ in range(3):
            source.arm(replace(self.plan, count=self.endless))
            source.start()
            source.abort()
            batch = joined(self.batches(source))
            assert (batch.kind == STIMULUS).sum() < self.endless

    @pytest.mark.parametrize("seed", range(6))
    def test_abort_at_a_random_moment(self, source: PulseSource, seed: int) -> None:
        rng = random.Random(seed)
        source.abort()
        source.arm(self.plan)
        source.abort()
        source.arm(self.plan)
        source.start()
        time.sleep(rng.random() * self.abort_within_s)
        source.abort()
        if rng.random() < 0.5:
            batch = joined(self.batches(source))
            assert (batch.kind == STIMULUS).sum() <= self.plan.count
        # Otherwise the rest of the run is still unread, and arming must cope.
        _, whole = self.run(source, self.plan)
        assert (whole.kind == STIMULUS).sum() == self.plan.count
        source.abort()
        assert source.read(0.0) is None

    @pytest.mark.parametrize(
        "change",
        [{"period_ns": 1_000}, {"width_ns": 1}, {"width_ns": 60_000_000_000}, {"period_ns": 3_600_000_000_000}],
    )
    def test_a_plan_beyond_the_source_is_refused(self, source: PulseSource, change: dict[str, int]) -> None:
        with pytest.raises(SettingError):
            source.arm(replace(self.plan, **change))  # type: ignore[arg-type]
        with pytest.raises(SourceError):
            source.start()
        _, batch = self.run(source, self.plan)
        assert (batch.kind == STIMULUS).sum() == self.plan.count

    def test_a_stimulus_that_leaves_no_rest_is_refused(self, source: PulseSource) -> None:
        plan = replace(self.plan, pattern="periodic", width_ns=self.plan.period_ns - REST_NS + 1)
        with pytest.raises(SettingError):
            source.arm(plan)

    def test_starting_needs_arming_each_time(self, source: PulseSource) -> None:
        with pytest.raises(SourceError):
            source.start()
        self.run(source, self.plan)
        with pytest.raises(SourceError):
            source.start()

    def test_level(self, source: PulseSource) -> None:
        if not self.tells_level:
            assert source.level() is None
            return
        assert source.level() in ((0, 1) if source.identity.captures else (0, 1, None))

    def test_closing_twice_and_in_the_middle(self) -> None:
        with self.opened() as source:
            source.arm(replace(self.plan, count=self.endless))
            source.start()
            source.close()
            source.close()

    def test_answers_follow_their_stimuli(self, source: PulseSource) -> None:
        if not source.identity.captures:
            _, batch = self.run(source, self.plan)
            assert set(batch.kind.tolist()) == {STIMULUS}
            return
        plan = replace(self.plan, pattern="periodic")
        with self.answered(source):
            _, batch = self.run(source, plan)
        assert (batch.kind == RISE).sum() == plan.count
        assert (batch.kind == FALL).sum() == (plan.count if self.times_falls else 0)
        for kind, later in ((STIMULUS, RISE), (RISE, FALL))[: 1 + self.times_falls]:
            assert (batch.at_ns[batch.kind == later] > batch.at_ns[batch.kind == kind]).all()


def read_to_end(source: PulseSource, patience_s: float = 60.0) -> list[SourceBatch]:
    """All batches of a run that has been started."""
    found = []
    end = time.monotonic() + patience_s
    while time.monotonic() < end:
        batch = source.read(1.0)
        if batch is not None:
            found.append(batch)
            if batch.done:
                return found
    raise TimeoutError(f"the run did not end within {patience_s} s")


def whole_run(source: PulseSource, plan: StimulusPlan, patience_s: float = 60.0) -> SourceBatch:
    """A run of a plan from arming to its end, as one batch."""
    source.arm(plan)
    source.start()
    return joined(read_to_end(source, patience_s))


def joined(batches: list[SourceBatch]) -> SourceBatch:
    """All batches of a run as one, sorted by time."""
    at_ns = np.concatenate([batch.at_ns for batch in batches])
    order = np.argsort(at_ns, kind="stable")
    return SourceBatch(
        kind=np.concatenate([batch.kind for batch in batches])[order],
        at_ns=at_ns[order],
        lost=sum(batch.lost for batch in batches),
        done=batches[-1].done,
    )
