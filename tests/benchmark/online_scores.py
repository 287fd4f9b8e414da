"""How well rates are known at the time of each reading: `python tests/benchmark/online_scores.py`.

Simulated tank-days of tank_days.py go through OnlineRates as a listener hears them. Readings at rest and under way are scored
apart, by where the vehicle is at the time. The truth at a reading is the net rate at that moment, of flows and leak.

- in flow: of readings within a true flow, those whose interval holds the true rate; "settled" once the flow is older than the
  deadline below.
- at rest: the same for readings between flows, with half the median width of the interval, and those that claim a flow (an
  interval without zero) although none has run for a minute; "stirred" are those with a rate that is not zero.
- reacts: of true flows that begin from rest (none for a minute before) and last beyond their deadline, those of which the rate
  has the right sign by then. The deadline is the later of two: a true step has flowed, or ten periods have passed; the
  sender's own lag or delay is added, which nobody sees through. "certain": the interval has no zero any more.
- told: the same of those flows that the readings can tell at all: the best detector there is for so many readings, the
  likelihood ratio of a ramp from a known level, seen through the sender's own lag, from a known time on, reaches TELLING
  standard deviations by the deadline (3.2, as rarely as once in hours of rest, and 1.3 for a power of nine in ten).
  can tell: how many those are.
- after: the median time from the beginning to the right sign, over the deadline; infinite where it never came.
- error: median relative error of the rate in settled readings.
- long: in flow of readings in flows that are older than five deadlines; width: half the interval there, over the rate, median.
- ends: of flows followed by a minute of rest, those whose interval holds zero again by a deadline of the same kind.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from dataclasses import dataclass, field, fields

import numpy as np
from flow_scores import SEEDS, least_volume_l
from numpy.typing import NDArray
from tank_days import SENDER_KINDS, TankDay, TrueFlow, tank_days

from canlevel.derivation.online import OnlineRates
from canlevel.roster import Roster, TankEntry
from canlevel.tables import column, times_us

__all__ = ["OnlineScores", "deadline_s", "score_online"]

Floats = NDArray[np.float64]

REST_S = 60.0
PERIODS = 10
LONG_DEADLINES = 5
TELLING = 4.5


@dataclass(slots=True)
class OnlineScores:
    """Counts of readings and flows; scores of several days can be added."""

    in_flow: int = 0
    in_flow_held: int = 0
    settled: int = 0
    settled_held: int = 0
    resting: int = 0
    resting_held: int = 0
    claimed: int = 0  # at rest, and said to be in a flow
    stirred: int = 0  # at rest, with a rate that is not zero
    begun: int = 0  # flows asked for
    right_sign: int = 0
    tellable: int = 0
    told: int = 0
    long: int = 0
    long_held: int = 0
    certain: int = 0
    ended: int = 0
    ended_told: int = 0
    after: list[float] = field(default_factory=list)
    errors: list[float] = field(default_factory=list)
    widths: list[float] = field(default_factory=list)
    long_widths: list[float] = field(default_factory=list)

    def __add__(self, other: OnlineScores) -> OnlineScores:
        return OnlineScores(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(OnlineScores)))


def deadline_s(day: TankDay, flow: TrueFlow) -> float:
    """Seconds within which a flow that begins is to be told: a true step or ten periods, and what the sender lags behind."""
    step_s = 60 * day.step_l / abs(flow.rate_l_per_min)
    return max(step_s, PERIODS * day.sender.period_s) + day.sender.lag_s + day.sender.delay_s


def best_z(day: TankDay, flow: TrueFlow, at_s: Floats, end_s: float) -> float:
    """Standard deviations by which the flow has left the level before it at end_s, in all readings until then together."""
    since = at_s[slice(*np.searchsorted(at_s, [flow.start_s, end_s]))] - flow.start_s - day.sender.delay_s
    seen = np.maximum(since, 0.0)
    if day.sender.lag_s > 0:
        seen = seen - day.sender.lag_s * (1 - np.exp(-seen / day.sender.lag_s))
    pct_per_s = abs(flow.rate_l_per_min) / 60 / day.capacity_l * 100
    return float(pct_per_s * np.sqrt((seen * seen).sum()) / np.hypot(day.noise_pct, day.step_pct / 12**0.5))


def score_online(days: Iterable[TankDay]) -> dict[bool, OnlineScores]:
    """Scores of readings and flows while the vehicle stands (False) and while it moves (True)."""
    totals = {False: OnlineScores(), True: OnlineScores()}
    for day in days:
        for moving, scores in _day_scores(day).items():
            totals[moving] += scores
    return totals


def _day_scores(day: TankDay) -> dict[bool, OnlineScores]:
    entry = TankEntry(day.fluid, day.fluid, 0, capacity_l=day.capacity_l, shape=day.shape)
    stated = OnlineRates(Roster(tanks=(entry,))).add(day.readings)
    at_s = (times_us(stated) - day.origin_us) / 1e6
    rate, low, high = (column(stated, name) for name in ("rate_l_per_min", "rate_low", "rate_high"))
    # Before a sender has moved, and where it sends no level, nothing is stated.
    known = ~np.isnan(low) & ~np.isnan(high)
    true = np.full(len(at_s), -day.leak_l_per_h / 60)
    since, settled, flowing = np.full(len(at_s), np.inf), np.zeros(len(at_s), np.bool_), np.zeros(len(at_s), np.bool_)
    moving, long = np.zeros(len(at_s), np.bool_), np.zeros(len(at_s), np.bool_)
    for begin, end in day.restless:
        moving |= (at_s >= begin) & (at_s < end)
    for flow in day.flows:
        rows = slice(*np.searchsorted(at_s, [flow.start_s, flow.end_s]))
        true[rows], flowing[rows], since[rows] = flow.rate_l_per_min, True, 0.0
        settled[rows] = at_s[rows] > flow.start_s + deadline_s(day, flow)
        long[rows] = at_s[rows] > flow.start_s + LONG_DEADLINES * deadline_s(day, flow)
        after = slice(*np.searchsorted(at_s, [flow.end_s, flow.end_s + REST_S]))
        since[after] = np.minimum(since[after], at_s[after] - flow.end_s)
    held = known & (low <= true) & (true <= high)
    scores = {}
    for way in (False, True):
        here = known & (moving == way)
        rests, sure = here & ~flowing, here & settled
        one = scores[way] = OnlineScores(
            in_flow=int(np.count_nonzero(here & flowing)),
            in_flow_held=int(np.count_nonzero(held & here & flowing)),
            settled=int(np.count_nonzero(sure)),
            settled_held=int(np.count_nonzero(held & sure)),
            resting=int(np.count_nonzero(rests)),
            resting_held=int(np.count_nonzero(held & rests)),
            claimed=int(np.count_nonzero(rests & np.isinf(since) & ((low > 0) | (high < 0)))),
            stirred=int(np.count_nonzero(rests & np.isinf(since) & (rate != 0))),
            long=int(np.count_nonzero(here & long)),
            long_held=int(np.count_nonzero(held & here & long)),
            long_widths=((high - low)[here & long] / 2 / np.abs(true[here & long])).tolist(),
            errors=(np.abs(rate[sure] - true[sure]) / np.abs(true[sure])).tolist(),
            widths=((high - low)[rests] / 2).tolist(),
        )
        for number, flow in enumerate(day.flows):
            if bool(moving[min(int(np.searchsorted(at_s, flow.start_s)), len(at_s) - 1)]) is way:
                _begins(day, number, at_s, known, rate, low, high, one)
    return scores


def _begins(
    day: TankDay,
    number: int,
    at_s: Floats,
    known: NDArray[np.bool_],
    rate: Floats,
    low: Floats,
    high: Floats,
    scores: OnlineScores,
) -> None:
    """Count whether the begin and the end of one flow were told in time."""
    flow, deadline = day.flows[number], deadline_s(day, day.flows[number])
    way = np.sign(flow.rate_l_per_min)
    pause = max((other.end_s for other in day.flows[:number]), default=-np.inf)
    following = min((other.start_s for other in day.flows[number + 1 :]), default=np.inf)
    rows = slice(*np.searchsorted(at_s, [flow.start_s, flow.end_s]))

    def heard(begin: float, end: float) -> bool:
        return not any(first < end and last > begin for first, last in day.gaps)

    asked = flow.volume_l >= least_volume_l(day) and flow.end_s - flow.start_s > deadline
    if asked and flow.start_s - pause > REST_S and heard(flow.start_s - REST_S, flow.end_s):
        told = at_s[rows][known[rows] & (np.sign(rate[rows]) == way)]
        sure = at_s[rows][known[rows] & (np.where(way > 0, low[rows], -high[rows]) > 0)]
        scores.begun += 1
        in_time = bool(len(told) and told[0] <= flow.start_s + deadline)
        tellable = best_z(day, flow, at_s, flow.start_s + deadline) > TELLING
        scores.right_sign += in_time
        scores.tellable += tellable
        scores.told += tellable and in_time
        scores.certain += bool(len(sure) and sure[0] <= flow.start_s + deadline)
        scores.after.append((float(told[0]) - flow.start_s) / deadline if len(told) else np.inf)
    if asked and following - flow.end_s > max(REST_S, 2 * deadline) and heard(flow.start_s, flow.end_s + 2 * deadline):
        row = int(np.searchsorted(at_s, flow.end_s + deadline))
        if row < len(at_s):
            scores.ended += 1
            scores.ended_told += bool(low[row] <= 0 <= high[row])


def _part(count: float, of: float) -> str:
    return f"{count / of:.3f}" if of else "-"


def _middle(values: list[float], times: float = 1.0) -> str:
    return f"{times * float(np.median(values)):.2f}" if values else "-"


COLUMNS = {
    "in flow": lambda s: _part(s.in_flow_held, s.in_flow),
    "settled": lambda s: _part(s.settled_held, s.settled),
    "error": lambda s: _middle(s.errors),
    "long": lambda s: _part(s.long_held, s.long),
    "width": lambda s: _middle(s.long_widths),
    "at rest": lambda s: _part(s.resting_held, s.resting),
    "+- L/min": lambda s: _middle(s.widths),
    "claimed": lambda s: _part(s.claimed, s.resting),
    "stirred": lambda s: _part(s.stirred, s.resting),
    "flows": lambda s: f"{s.begun}",
    "reacts": lambda s: _part(s.right_sign, s.begun),
    "can tell": lambda s: f"{s.tellable}",
    "told": lambda s: _part(s.told, s.tellable),
    "certain": lambda s: _part(s.certain, s.begun),
    "after": lambda s: _middle(s.after),
    "ends": lambda s: _part(s.ended_told, s.ended),
}


def main() -> None:
    """Print one row for each kind of sender, at rest and under way."""
    parser = argparse.ArgumentParser(description="How well rates are known at the time of each reading.")
    parser.add_argument("--days", type=int, default=180)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seeds", choices=SEEDS, default="train")
    arguments = parser.parse_args()
    first, world = SEEDS[arguments.seeds]
    seed = first + 10_000 * arguments.seed
    print(f"{arguments.days} days, {arguments.seeds}, seeds from {seed}\n")
    rows: dict[tuple[bool, str], OnlineScores] = {}
    for day in tank_days(arguments.days, seed, world=world):
        for moving, scores in score_online([day]).items():
            for kind in (day.sender.kind, "all"):
                rows[moving, kind] = rows.get((moving, kind), OnlineScores()) + scores
    print(f"{'':<22}" + "".join(f"{name:>9}" for name in COLUMNS))
    for moving, word in ((False, "at rest"), (True, "under way")):
        for kind in (*SENDER_KINDS, "all"):
            if (moving, kind) in rows:
                cells = "".join(f"{cell(rows[moving, kind]):>9}" for cell in COLUMNS.values())
                print(f"{word + ', ' + kind:<22}{cells}")


if __name__ == "__main__":
    main()
