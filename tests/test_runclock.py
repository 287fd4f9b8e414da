"""The clock of a run: what is moved, what is left, and that all ends where the true time says.

The oracle is the true time itself: a simulated computer whose clock is off by a known amount, in a world where each reading's
true time is known. The store is a plain list, moved reading by reading.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from canlevel.runclock import PLAUSIBLE_US, Correction, Mark, RunClock

SECOND, HOUR, DAY = 1_000_000, 3_600_000_000, 86_400_000_000
NOON = 1_777_636_800 * SECOND  # 2026-05-01 12:00
BOOT = 12 * SECOND  # 1970-01-01 00:00:12: what a computer without a battery clock shows


@dataclass
class Reading:
    """true_us: when it was taken. host_us: its stamp. stored_us: where it stands now. settled: its time was known once."""

    true_us: int
    host_us: int
    stored_us: int
    settled: bool = False


@dataclass
class World:
    """A computer whose clock is ahead of the true time by ahead_us, and the store of one run on it."""

    ahead_us: int
    synchronised: bool | None = False
    newest_us: int | None = None
    true_us: int = NOON
    readings: list[Reading] = field(default_factory=list)
    turned_back: set[int] = field(default_factory=set)  # numbers of readings before which the axis went back

    def __post_init__(self) -> None:
        self.clock = RunClock(self.host_us, newest_us=self.newest_us, synchronised=self.synchronised)
        self.moves: list[Correction] = []

    @property
    def host_us(self) -> int:
        return self.true_us + self.ahead_us

    def read(self, n: int = 1, every_us: int = 2_500_000) -> None:
        for _ in range(n):
            self.true_us += every_us
            stamp = self.host_us
            self.readings.append(Reading(self.true_us, stamp, stamp + self.clock.shift_us, not self.clock.doubtful))

    def set(self, ahead_us: int, synchronised: bool | None = False) -> Correction | None:
        self.true_us += 1000
        at_us, by_us = self.host_us, ahead_us - self.ahead_us
        self.ahead_us = ahead_us
        return self.happens(self.clock.set_by(by_us, at_us, synchronised))

    def synchronise(self) -> Correction | None:
        return self.happens(self.clock.synchronised_now(self.host_us))

    def tell(self, off_us: int = 0, times: int = 3, source: int = 7) -> Correction | None:
        found = None
        for _ in range(times):
            self.true_us += SECOND
            found = self.happens(self.clock.told(self.true_us + off_us, self.host_us, source)) or found
        return found

    def happens(self, move: Correction | None) -> Correction | None:
        if move is not None:
            self.moves.append(move)
            assert self.clock.jump_us == move.by_us
            moved = [i for i, one in enumerate(self.readings) if move.from_us <= one.stored_us <= move.to_us]
            for i in moved:
                assert not self.readings[i].settled, "a reading whose time was known was moved"
                self.readings[i].stored_us += move.by_us
            if move.by_us < 0:
                self.turned_back.add(moved[0] if moved else len(self.readings))  # behind readings that stay
        elif self.clock.jump_us < 0:
            self.turned_back.add(len(self.readings))
        if not self.clock.doubtful:
            for reading in self.readings:
                reading.settled = True
        return move

    def off_us(self) -> list[int]:
        return [reading.stored_us - reading.true_us for reading in self.readings]


def test_a_computer_without_a_battery_clock_is_set_by_the_network() -> None:
    world = World(BOOT - NOON)
    world.read(100)
    move = world.set(0, synchronised=True)
    assert move is not None
    assert move.by_us == NOON - BOOT
    world.read(10)
    assert world.off_us() == [0] * 110
    (mark,) = world.clock.marks(world.host_us)
    assert mark.shift_s == (NOON - BOOT) / SECOND
    assert "1970" in mark.why


def test_the_bus_tells_the_time_and_then_the_network_does() -> None:
    world = World(BOOT - NOON)
    world.read(100)
    assert world.tell() is not None
    world.read(100)
    assert world.clock.shift_us == NOON - BOOT
    assert world.set(0, synchronised=True) is None  # nothing is moved twice
    assert world.clock.shift_us == 0
    world.read(100)
    assert world.off_us() == [0] * 300


def test_a_bus_that_was_wrong_is_mended_by_the_network() -> None:
    world = World(BOOT - NOON)
    world.read(10)
    world.tell(off_us=2 * HOUR)
    world.read(10)
    world.set(0, synchronised=True)
    assert world.off_us() == [0] * 20


def test_a_bus_in_the_past_is_not_believed() -> None:
    world = World(0)  # not synchronised, but right
    assert world.tell(off_us=-1024 * 7 * DAY) is None  # a receiver that lost count of its weeks
    assert world.clock.doubtful


@pytest.mark.parametrize("off_us", [0, 9 * SECOND, -9 * SECOND])
def test_a_bus_that_agrees_confirms(off_us: int) -> None:
    world = World(0)
    world.read(3)
    world.tell(off_us)
    assert not world.clock.doubtful
    assert world.set(HOUR, synchronised=True) is None  # whatever comes, they stay
    assert world.off_us() == [0, 0, 0]


def test_the_bus_is_believed_from_the_third_time_on_and_only_if_it_is_steady() -> None:
    world = World(-HOUR)
    assert world.tell(times=2) is None
    assert world.tell(off_us=5 * SECOND, times=2) is None  # it jumped: counted anew
    assert world.tell(off_us=5 * SECOND, times=1) is not None


def test_devices_that_disagree_are_not_believed() -> None:
    world = World(-HOUR)
    world.tell(times=2, source=7)
    world.tell(off_us=20 * 365 * DAY, times=2, source=8)
    first, second = world.tell(times=1, source=7), world.tell(off_us=20 * 365 * DAY, times=1, source=8)
    assert first is not None  # the other one had not told it thrice yet
    assert second is None
    assert "none is believed" in world.clock.notes[-1]


def test_a_clock_that_is_synchronised_is_not_moved_by_the_bus() -> None:
    world = World(0, synchronised=True)
    assert world.tell(off_us=HOUR) is None
    assert world.clock.notes == []
    assert world.clock.marks(world.host_us) == []


def test_small_steps_leave_the_stamps_alone() -> None:
    world = World(0)
    world.read(10)
    assert world.set(-3 * SECOND) is None
    world.read(10)
    assert [reading.stored_us == reading.host_us for reading in world.readings] == [True] * 20
    assert world.clock.jump_us == -3 * SECOND
    assert "drift" in world.clock.notes[-1]


def test_small_steps_that_add_up_are_not_drift() -> None:
    world = World(-30 * SECOND)
    world.read(2)
    for ahead_s in (-21, -12, -3, 0):
        world.set(ahead_s * SECOND)
        world.read(2)
    assert max(map(abs, world.off_us())) <= 12 * SECOND


def test_drift_over_months_explains_more() -> None:
    world = World(0)
    world.read(1)
    world.true_us += 100 * DAY  # 100 ppm of that are 14 minutes
    assert world.set(-10 * 60 * SECOND) is None


def test_a_known_time_stays_and_a_wrong_setting_is_not_followed() -> None:
    world = World(0, synchronised=True)
    world.read(10)
    world.set(-2 * HOUR, synchronised=False)  # somebody errs
    world.read(10)
    assert world.off_us() == [0] * 20
    world.set(0, synchronised=True)
    world.read(10)
    assert world.off_us() == [0] * 30
    assert world.moves == []


def test_a_time_service_that_steps_back_is_followed() -> None:
    world = World(0, synchronised=True)
    world.read(10)
    world.set(-2 * HOUR, synchronised=True)
    world.read(1)
    assert world.readings[-1].stored_us == world.readings[-1].host_us
    assert world.clock.jump_us == -2 * HOUR
    assert any("two times" in mark.why for mark in world.clock.marks(world.host_us))


def test_a_service_that_sets_first_and_says_so_later() -> None:
    """Some services set the clock by settimeofday, after which the kernel says for a while that it is not synchronised."""
    world = World(0, synchronised=True)
    world.read(10)
    world.set(-2 * HOUR, synchronised=False)
    world.read(10)
    world.synchronise()
    assert [reading.stored_us == reading.host_us for reading in world.readings] == [True] * 20


def test_a_year_that_cannot_be_is_not_followed() -> None:
    for synchronised in (True, False, None):
        world = World(0, synchronised=synchronised)
        world.read(10)
        assert world.set(BOOT - NOON, synchronised=False) is None
        world.read(10)
        assert world.clock.doubtful
        world.set(0, synchronised=True)
        world.read(10)
        assert world.off_us() == [0] * 30


def test_a_clock_behind_the_store_is_in_doubt() -> None:
    behind = World(-DAY, synchronised=None, newest_us=NOON)
    assert "the store holds readings of 2026-05-01 12:00:00" in behind.clock.notes[0]
    assert not World(-DAY, synchronised=True, newest_us=NOON).clock.doubtful  # then the store holds a wrong time
    assert not World(0, synchronised=None, newest_us=NOON).clock.doubtful
    assert World(PLAUSIBLE_US - 1 - NOON, synchronised=True).clock.doubtful


AHEAD = st.one_of(
    st.integers(-3 * HOUR, 3 * HOUR),
    st.integers(-20 * SECOND, 20 * SECOND),
    st.sampled_from([0, BOOT - NOON, 400 * DAY, -DAY, 1, -1, 10 * SECOND, 10 * SECOND + 1]),
)
READS = st.tuples(st.just("read"), st.integers(1, 5), st.sampled_from([SECOND, 2_500_000, 60 * SECOND]))


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(AHEAD, st.lists(st.one_of(READS, st.tuples(st.just("set"), AHEAD)), max_size=12))
def test_in_the_end_every_reading_in_doubt_stands_at_its_true_time(
    ahead_us: int, steps: list[tuple[object, ...]]
) -> None:
    """Whatever the clock is set to by hand before a time service sets it right; small steps leave what drift explains."""
    world = World(ahead_us)
    for what, *values in steps:
        getattr(world, str(what))(*values)
    world.set(0, synchronised=True)
    exact = not any("drift" in note for note in world.clock.notes)
    world.read(2)
    assert not world.clock.doubtful
    # The run so far is as long as its own clock says, small steps included.
    explained_us = 0 if exact else 10 * SECOND + (world.true_us - NOON + 15 * SECOND) // 10_000
    assert all(abs(off) <= explained_us for off in world.off_us())
    assert world.off_us()[-2:] == [0, 0]


EVENTS = st.one_of(
    READS,
    st.tuples(st.just("set"), AHEAD, st.sampled_from([True, False, None])),
    st.tuples(st.just("synchronise")),
    st.tuples(
        st.just("tell"),
        st.sampled_from([0, 300_000, -300_000, -1024 * 7 * DAY, HOUR]),
        st.integers(1, 4),
        st.sampled_from([7, 7, 8]),
    ),
)


@settings(max_examples=1500, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    AHEAD,
    st.sampled_from([True, False, None]),
    st.sampled_from([None, NOON, NOON + 10 * DAY]),
    st.lists(EVENTS, max_size=20),
)
def test_laws(
    ahead_us: int, synchronised: bool | None, newest_us: int | None, events: list[tuple[object, ...]]
) -> None:
    """A time once known is never moved (World looks), order is kept but where the axis is said to go back, marks tell all."""
    world = World(ahead_us, synchronised, newest_us)
    for what, *values in events:
        before_us = world.host_us + world.clock.shift_us
        true_us = world.true_us
        getattr(world, str(what))(*values)
        if what in ("set", "synchronise"):
            after_us = world.host_us + world.clock.shift_us
            assert after_us - before_us == world.clock.jump_us + world.true_us - true_us
    for i, (one, other) in enumerate(zip(world.readings, world.readings[1:], strict=False), 1):
        assert other.stored_us >= one.stored_us or i in world.turned_back
    marks = world.clock.marks(world.host_us)
    for reading in world.readings:
        moved_us = reading.stored_us - reading.host_us
        if moved_us:
            assert any(holds(mark, reading) and mark.shift_s == moved_us / SECOND for mark in marks)
        elif not reading.settled:
            assert any(holds(mark, reading) for mark in marks)


def holds(mark: Mark, reading: Reading) -> bool:
    return mark.from_us <= reading.stored_us <= mark.to_us
