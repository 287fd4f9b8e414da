"""The host's clock when it is set, stamps from before and after, and the rhythm of a bus. The clocks are made by hand."""

from __future__ import annotations

import itertools
import time

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from canlevel.capture import hostclock
from canlevel.capture.hostclock import HostClock, Stamps
from canlevel.capture.lasting import Rhythm, spoken
from canlevel.tables import UNKNOWN_TIME_US

BEGAN_US = 1_777_622_400_000_000  # 2026-05-01T08:00:00Z
SECOND_US = 1_000_000


class Clocks:
    """A machine: since it was started, and what its wall clock says."""

    def __init__(self) -> None:
        self.boot = 1_000 * SECOND_US
        self.setting = BEGAN_US

    @property
    def wall(self) -> int:
        return self.setting + self.boot


@pytest.fixture
def clocks(monkeypatch: pytest.MonkeyPatch) -> Clocks:
    return replaced(monkeypatch)


def replaced(monkeypatch: pytest.MonkeyPatch) -> Clocks:
    made = Clocks()
    monkeypatch.setattr(hostclock, "wall_us", lambda: made.wall)
    monkeypatch.setattr(hostclock, "boot_us", lambda: made.boot)
    return made


def test_the_clocks_are_the_systems() -> None:
    assert abs(hostclock.wall_us() - time.time() * 1e6) < 60e6
    before = hostclock.boot_us()
    assert 0 <= hostclock.boot_us() - before < 60e6


def test_a_step_is_told_once_with_its_size(clocks: Clocks) -> None:
    clock = HostClock()
    assert (clock.has_stepped(), clock.step_us()) == (False, 0)
    clocks.setting += 3 * SECOND_US
    assert clock.has_stepped()
    assert clock.step_us() == 3 * SECOND_US
    assert (clock.has_stepped(), clock.step_us()) == (False, 0)
    clocks.setting -= 10 * SECOND_US
    assert clock.step_us() == -10 * SECOND_US


def test_sleep_and_slow_corrections_are_no_steps(clocks: Clocks) -> None:
    """A sleep moves both clocks on. A correction of 500 parts in a million is the most that adjtimex(2) makes."""
    clock = HostClock()
    clocks.boot += 8 * 3600 * SECOND_US
    assert not clock.has_stepped()
    for _ in range(10_000):
        clocks.boot += SECOND_US
        clocks.setting += 500
        assert not clock.has_stepped()
    assert clock.step_us() == 0


@given(
    settings=st.lists(
        st.one_of(
            st.integers(-50 * SECOND_US, 50 * SECOND_US),
            st.integers(-(10**15), 10**15),
            st.sampled_from([0, 1_600_000, -1_600_000, 3_300_000, -BEGAN_US // 2]),
        ),
        min_size=1,
        max_size=3,
    ),
    lags_us=st.lists(st.integers(0, 400_000), min_size=1, max_size=10),
)
def test_every_stamp_ends_on_one_setting(settings: list[int], lags_us: list[int]) -> None:
    """Law: on which setting frames were stamped, and when they were handed over, does not change the times that are told.

    Frames a second apart, received up to 0.4 s after they were stamped, the clock set in between to settings that lie 1.5 s or
    more apart, always while a frame is on the way. All are handed over at the end, and once at the first step.
    """
    settings = [0, *settings]
    assume(min(abs(a - b) for a, b in itertools.combinations(settings, 2)) > 1_500_000)
    with pytest.MonkeyPatch.context() as patch:
        clocks = replaced(patch)
        clock = HostClock()
        stamps = Stamps(clock)
        stamped, received, true_us = [], [], []
        for before, after in itertools.pairwise([*settings, None]):
            assert before is not None
            for lag_us in [*lags_us, 450_000]:
                clocks.boot += SECOND_US
                stamped.append(clocks.wall)
                received.append(clocks.boot + lag_us)
                true_us.append(BEGAN_US + settings[-1] + clocks.boot)
            if after is None:
                break
            clocks.boot += 100_000
            clocks.setting += after - before
            assert clock.step_us() == after - before
            if before == 0:
                time_us, earlier = stamps.settle(np.array(stamped), np.array(received), after)
                assert time_us.tolist() == stamped
                assert earlier.all()
            stamps.shift(after - before)
        time_us, earlier = stamps.settle(np.array(stamped), np.array(received))
        assert not earlier.any()
        assert time_us.tolist() == true_us


def test_the_stamps_of_another_host_are_left_alone(clocks: Clocks) -> None:
    """A bus on the network is stamped by its server, whose clock may be wrong and is not ours to mend."""
    clock = HostClock()
    stamps = Stamps(clock)
    theirs = np.array([clocks.wall - 3600 * SECOND_US, clocks.wall + 120 * SECOND_US])
    received = np.array([clocks.boot] * 2)
    assert stamps.settle(theirs, received)[0].tolist() == theirs.tolist()
    clocks.setting += 86_400 * SECOND_US
    told = clock.step_us()
    assert stamps.settle(theirs, received, told)[0].tolist() == theirs.tolist()
    assert stamps.settle(theirs, received)[0].tolist() == theirs.tolist()


def test_a_host_that_starts_in_1970_is_believed_until_its_clock_is_set(clocks: Clocks) -> None:
    """Times before 1990 are otherwise those of adapters that count from their own start; these here are the host's."""
    clocks.setting = 35 * SECOND_US - clocks.boot
    clock = HostClock()
    stamps = Stamps(clock)
    stamped, received = np.array([clocks.wall]), np.array([clocks.boot + 40_000])
    assert stamps.settle(stamped, received)[0].tolist() == [35 * SECOND_US]
    clocks.setting += BEGAN_US
    told = clock.step_us()
    before, earlier = stamps.settle(stamped, received, told)
    assert (before.tolist(), earlier.tolist()) == ([35 * SECOND_US], [True])
    stamps.shift(told)
    assert stamps.settle(stamped, received)[0].tolist() == [BEGAN_US + 35 * SECOND_US]


def test_an_adapter_that_counts_from_its_own_start_keeps_its_spacing(clocks: Clocks) -> None:
    stamps = Stamps(HostClock())
    own = np.array([5_000_000, 7_500_000, 10_000_000])
    received = np.array([clocks.boot + lag_us for lag_us in (100, 300, 200)])
    time_us, _ = stamps.settle(own, received)
    assert time_us.tolist() == [clocks.wall + 100, clocks.wall + 2_500_100, clocks.wall + 5_000_100]


def test_an_adapter_whose_count_begins_anew_is_dated_anew(clocks: Clocks) -> None:
    """A count of 32 bits in microseconds does after 71.6 minutes, and one that drifts is a minute off some day."""
    stamps = Stamps(HostClock())
    own = np.array([2**32 - 500_000, 500_000, 1_500_000, UNKNOWN_TIME_US])
    received = clocks.boot + np.array([0, 1, 2, 3]) * SECOND_US
    time_us, _ = stamps.settle(own, received)
    assert time_us.tolist() == [clocks.wall + seconds * SECOND_US for seconds in range(4)]


# ---- the rhythm of a bus


def heard_at(rhythm: Rhythm, moments: np.ndarray) -> None:
    for moment in moments.tolist():
        rhythm.heard(moment)


def test_the_usual_gap_is_known_after_a_minute() -> None:
    rhythm = Rhythm()
    heard_at(rhythm, np.arange(0, 59, 0.5))
    assert rhythm.gap_s is None
    heard_at(rhythm, np.arange(59, 121, 0.5))
    assert rhythm.gap_s == 0.5


def test_one_night_does_not_make_a_bus_patient() -> None:
    rhythm = Rhythm()
    heard_at(rhythm, np.arange(0, 130, 0.5))
    heard_at(rhythm, 130 + 8 * 3600 + np.arange(0, 130, 0.5))
    assert rhythm.gap_s == 0.5


def test_a_bus_that_speaks_seldom_is_waited_for() -> None:
    rhythm = Rhythm()
    heard_at(rhythm, np.arange(0, 600, 45.0))
    assert rhythm.gap_s == 45.0


def test_an_outage_of_ours_is_no_gap_of_the_bus() -> None:
    rhythm = Rhythm()
    for hour in range(20):
        heard_at(rhythm, hour * 3600 + np.arange(0, 70, 0.5))
        rhythm.interrupt()
    assert rhythm.gap_s == 0.5


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.04, "0.0 s"),
        (119.9, "119.9 s"),
        (120, "2.0 min"),
        (7200, "2.0 h"),
        (-3 * 86400, "3.0 days"),
        (1.75e9, "55.5 years"),
    ],
)
def test_durations_are_told_in_the_unit_that_suits_them(seconds: float, words: str) -> None:
    assert spoken(seconds * 1e6) == words
