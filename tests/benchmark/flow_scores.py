"""How well flows are found: `python tests/benchmark/flow_scores.py`, and `score` for whoever tries a method.

A flow counts when it moves at least 2 L and two true steps of its sender; smaller ones are a bonus that nobody is asked for.
A detection and a true flow are partners if they are of one kind and share more than half of the shorter one's time, both
widened by ten seconds at each side; each has one partner at most. Beyond that:
- true flows of one kind that touch may have one partner together; the rate is then held against their mean by volume;
- true flows of which more than half lies in gaps between readings are not asked for;
- a detection without a partner is false, unless small flows, hidden flows and a leak explain at least half of its volume;
- one that is too small to count may be a partner; without one it is not false but stray, and counted apart.
Errors of a start or end are taken only where there are readings around it.

Ordinary methods stand beside ours for comparison: differences of a running median, rolling least squares, the derivative
of Savitzky and Golay (1964), and changes of the rate by ruptures' kernel method, which has to be installed.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.optimize import linear_sum_assignment
from scipy.signal import savgol_filter
from tank_days import ROUGH, SENDER_KINDS, TEST, TRAIN, WIRE_STEP_PCT, TankDay, TrueFlow, tank_days

from canlevel.derivation.flows import derive_flows
from canlevel.derivation.series import series_of
from canlevel.roster import PRISMATIC
from canlevel.tables import FLOWS

__all__ = ["METHODS", "Scores", "bound", "least_volume_l", "score"]

SMALLEST_L, SMALLEST_STEPS = 2.0, 2.0
WIDENED_S = 10.0
TOUCHING_S = 1.0
HALF = 0.5
ONE_STEP = 1.5  # a detection of up to so many steps is one of a single step
COARSE_STEP_PCT = 1.0
PLATEAU_S = 600.0  # readings before and after a ramp that the bound counts
EDGE_INFORMATION = 1.806  # integral of phi^2 / (Phi (1 - Phi)) for the normal distribution, by numerical integration
SEEDS = {"train": (1_000, TRAIN), "test": (9_000_000, TEST), "rough": (19_000_000, ROUGH)}

Detect = Callable[[pa.Table], pa.Table]


@dataclass(frozen=True, slots=True)
class Detection:
    """A row of FLOWS in seconds since a day's origin."""

    kind: str
    start_s: float
    end_s: float
    volume_l: float
    rate: float
    rate_low: float
    rate_high: float
    rise_pct: float


@dataclass(slots=True)
class Scores:
    """Counts and errors over some days; scores of several days can be added."""

    days: int = 0
    readings: int = 0
    seconds: float = 0.0  # of processor time, which other work on the machine disturbs less
    asked: int = 0  # true flows that count and can be seen
    found: int = 0
    right: int = 0  # detections with a partner
    false: int = 0
    stray: int = 0  # like false ones, but too small to count
    jointly: int = 0  # found with another flow in one detection
    rate_errors: list[float] = field(default_factory=list)  # relative
    volume_errors: list[float] = field(default_factory=list)  # relative
    start_errors_s: list[float] = field(default_factory=list)
    end_errors_s: list[float] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    widths: list[float] = field(default_factory=list)  # of the interval, relative to the rate
    bound_ratios: list[float] = field(default_factory=list)
    single_right: int = 0
    single_false: int = 0

    def __add__(self, other: Scores) -> Scores:
        return Scores(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(Scores)))

    @property
    def precision(self) -> float:
        return _part(self.right, self.right + self.false)

    @property
    def recall(self) -> float:
        return _part(self.found, self.asked)

    @property
    def f1(self) -> float:
        both = self.precision + self.recall
        return 2 * self.precision * self.recall / both if both else float("nan") if both != both else 0.0

    @property
    def false_a_day(self) -> float:
        return _part(self.false, self.days)

    @property
    def seconds_a_million(self) -> float:
        return _part(self.seconds * 1e6, self.readings)


def least_volume_l(day: TankDay) -> float:
    """The smallest flow that is asked for."""
    return max(SMALLEST_L, SMALLEST_STEPS * day.step_l)


def score(days: Iterable[TankDay], detect: Detect) -> Scores:
    """What `detect`, from READINGS to FLOWS, makes of some days."""
    total = Scores()
    for day in days:
        began = time.process_time()
        flows = detect(day.readings)
        lasted = time.process_time() - began
        one = _day_score(day, detections_of(flows, day))
        one.days, one.readings, one.seconds = 1, len(day.readings), lasted
        total += one
    return total


def detections_of(flows: pa.Table, day: TankDay) -> list[Detection]:
    """FLOWS as detections of one day; those without litres cannot be held against the truth and are an error."""
    found = []
    for row in flows.to_pylist():
        start, end = (row[name].timestamp() - day.origin_us / 1e6 for name in ("start", "end"))
        low, high = (np.nan if row[name] is None else row[name] for name in ("rate_low", "rate_high"))
        rise = (row["end_level_pct"] or 0) - (row["start_level_pct"] or 0)
        found.append(Detection(row["kind"], start, end, row["volume_l"], row["rate_l_per_min"], low, high, rise))
    return found


def _day_score(day: TankDay, detections: list[Detection]) -> Scores:
    least = least_volume_l(day)
    scores = Scores()
    hidden = [_in_spans(flow.start_s, flow.end_s, day.gaps) > HALF * (flow.end_s - flow.start_s) for flow in day.flows]
    asked = [flow.volume_l >= least and not unseen for flow, unseen in zip(day.flows, hidden, strict=True)]
    partner = _partners(day.flows, asked, detections)
    scores.asked, scores.found = sum(asked), len(partner)
    shares = {which: [i] for i, which in partner.items()}
    for group in _touching(day.flows):
        for i in group:
            near = [(which, k) for k in group if (which := partner.get(k)) is not None]
            if i in partner:
                continue
            for which in dict.fromkeys(which for which, _ in near):
                d, flow = detections[which], day.flows[i]
                # Who has no partner of its own belongs to the neighbour's, if that covers it.
                if _shared_s(d, flow, 0.0) > HALF * (flow.end_s - flow.start_s):
                    shares[which].append(i)
                    if asked[i]:
                        scores.found += 1
                        scores.jointly += 1
                    break
    for which, members in shares.items():
        d = detections[which]
        scores.right += 1
        _measure(scores, day, d, [day.flows[i] for i in sorted(members)])
    for which, d in enumerate(detections):
        if which not in shares and not _explained(day, d, asked):
            scores.false += d.volume_l >= least
            scores.stray += d.volume_l < least
        if day.step_pct >= COARSE_STEP_PCT and abs(d.rise_pct) <= ONE_STEP * day.step_pct:
            real = any(flow.kind == d.kind and _shared_s(d, flow, WIDENED_S) > 0 for flow in day.flows)
            scores.single_right += real
            scores.single_false += not real
    return scores


def _partners(flows: list[TrueFlow], asked: list[bool], detections: list[Detection]) -> dict[int, int]:
    """For true flows that are asked for, the detection that is its partner: the pairs that share the most time in all."""
    gain = np.zeros((len(flows), len(detections)))
    for i, flow in enumerate(flows):
        if asked[i]:
            for which, d in enumerate(detections):
                shorter = min(flow.end_s - flow.start_s, d.end_s - d.start_s) + 2 * WIDENED_S
                shared = _shared_s(d, flow, WIDENED_S)
                if d.kind == flow.kind and shared > HALF * shorter:
                    # Every pair is worth more than any time: as many partners as can be, then the best ones.
                    longer = max(flow.end_s - flow.start_s, d.end_s - d.start_s) + 2 * WIDENED_S
                    gain[i, which] = 10 + shared / longer
    rows, columns = linear_sum_assignment(-gain)
    return {int(i): int(which) for i, which in zip(rows, columns, strict=True) if gain[i, which] > 0}


def _touching(flows: list[TrueFlow]) -> list[list[int]]:
    """Groups of flows of one kind, each of which begins where the one before ends."""
    groups: list[list[int]] = []
    for i, flow in enumerate(flows):
        last = flows[i - 1] if i else None
        if last is not None and flow.kind == last.kind and flow.start_s - last.end_s < TOUCHING_S:
            groups[-1].append(i)
        else:
            groups.append([i])
    return groups


def _explained(day: TankDay, d: Detection, asked: list[bool]) -> bool:
    """Whether flows nobody asked for, and a leak, explain half of a detection."""
    litres = 0.0
    for flow, counts in zip(day.flows, asked, strict=True):
        if not counts and flow.kind == d.kind and _shared_s(d, flow, WIDENED_S) > 0:
            litres += flow.volume_l
    if d.kind == "drain":
        litres += day.leak_l_per_h * (d.end_s - d.start_s) / 3600
    return litres >= HALF * d.volume_l


def _measure(scores: Scores, day: TankDay, d: Detection, flows: list[TrueFlow]) -> None:
    volume = sum(flow.volume_l for flow in flows)
    rate = sum(flow.volume_l * flow.rate_l_per_min for flow in flows) / volume
    error = abs(d.rate - rate) / abs(rate)
    scores.rate_errors.append(error)
    scores.volume_errors.append(abs(d.volume_l - volume) / volume)
    for at, true, errors in (
        (d.start_s, flows[0].start_s, scores.start_errors_s),
        (d.end_s, flows[-1].end_s, scores.end_errors_s),
    ):
        if not _in_spans(true - WIDENED_S, true + WIDENED_S, day.gaps):
            errors.append(abs(at - true))
    if not np.isnan(d.rate_low):
        scores.covered.append(bool(d.rate_low <= rate <= d.rate_high))
        scores.widths.append((d.rate_high - d.rate_low) / abs(rate))
    if len(flows) == 1:
        least = bound(day, flows[0])
        if least is not None:
            scores.bound_ratios.append(error * abs(rate) / least)


def bound(day: TankDay, flow: TrueFlow) -> float | None:
    """The smallest standard deviation, L/min, with which this flow's rate can be told. None: not a ramp by itself, at rest.

    The bound of Cramer (1946) and Rao (1945) for a ramp of unknown level, rate, start and end, with the readings there are.
    Noise of at least a third of a step: one reading tells of the level what gaussian noise of its size leaves, the step
    counting as noise of step / root 12. Less noise: a level is known where it crosses from step to step. A crossing without
    noise lies anywhere between two readings (variance period^2 / 12); with noise, the readings near the edge tell together
    1.806 / (noise rate period) of its level, the integral of Fisher's information of one reading over all levels, taken as
    the mean over where readings fall (van Trees 1968). Both variances are added. This is no bound in the strict sense, as
    what lies evenly between two readings is not gaussian. An estimate on the bound has a median error of 0.67 of it.
    """
    before, after = flow.start_s - PLATEAU_S, flow.end_s + PLATEAU_S
    if day.shape.kind != PRISMATIC or _in_spans(flow.start_s - 60, flow.end_s + 60, day.restless + day.gaps):
        return None
    others = [other for other in day.flows if other is not flow]
    before = max([before, *(o.end_s for o in others if o.end_s <= flow.start_s)])
    after = min([after, *(o.start_s for o in others if o.start_s >= flow.end_s)])
    sender = day.sender
    period_min, noise_l, step_l = sender.period_s / 60, day.noise_pct * day.capacity_l / 100, day.step_l
    rate = abs(flow.rate_l_per_min)
    if 3 * day.noise_pct < day.step_pct:
        crossings = int(flow.volume_l / step_l)
        if crossings < 2:
            return None
        jitter_min = np.sqrt(period_min**2 / 12 + noise_l * period_min / rate / EDGE_INFORMATION)
        spread_l = step_l * np.sqrt(crossings * (crossings**2 - 1) / 12)
        return float(rate**2 * jitter_min / spread_l)
    at = np.arange(before, after, sender.period_s) / 60
    start, end = flow.start_s / 60, flow.end_s / 60
    inside, beyond = (at >= start) & (at < end), at >= end
    if inside.sum() < 2 or (at < start).sum() < 2 or beyond.sum() < 2:
        return None
    signed = flow.rate_l_per_min
    slopes = np.stack(
        [
            np.ones(len(at)),
            np.where(inside, at - start, 0) + np.where(beyond, end - start, 0),  # by the rate
            np.where(inside | beyond, -signed, 0),  # by the start
            np.where(beyond, signed, 0),  # by the end
        ]
    )
    finest_l = max(WIRE_STEP_PCT, day.step_pct) * day.capacity_l / 100
    variance = noise_l**2 + finest_l**2 / 12
    # Laplacian noise tells twice as much of its place as gaussian noise of the same variance.
    variance /= 2 if sender.noise_law == "laplace" else 1
    return float(np.sqrt(np.linalg.pinv(slopes @ slopes.T / variance)[1, 1]))


def _shared_s(d: Detection, flow: TrueFlow, widened_s: float) -> float:
    return min(d.end_s, flow.end_s) - max(d.start_s, flow.start_s) + 2 * widened_s


def _in_spans(begin: float, end: float, spans: list[tuple[float, float]]) -> float:
    """Seconds of a time that lie in some spans."""
    return sum(max(0.0, min(end, last) - max(begin, first)) for first, last in spans)


def _part(count: float, of: float) -> float:
    return count / of if of else float("nan")


# ---- ordinary methods ----

EVEN_S = 5.0  # readings are laid on a grid before filters that want one
MEDIAN_S, DIFFERENCE_S = 45.0, 60.0
LEAST_SQUARES_S = 600.0
SAVGOL_S = 120.0
SLOWEST_L_PER_MIN = 0.5
NOISE_TIMES = 5.0


def by_difference(readings: pa.Table) -> pa.Table:
    """Differences of a running median over a minute, where they exceed the usual noise and a step."""

    def rate(grid_l: NDArray[np.float64]) -> NDArray[np.float64]:
        calm = median_filter(grid_l, int(MEDIAN_S / EVEN_S) | 1, mode="nearest")
        half = int(DIFFERENCE_S / EVEN_S / 2)
        padded = np.pad(calm, half, mode="edge")
        return np.asarray((padded[2 * half :] - padded[: -2 * half]) / (DIFFERENCE_S / 60))

    return _by_threshold(readings, rate, DIFFERENCE_S)


def by_least_squares(readings: pa.Table) -> pa.Table:
    """The slope of a straight line through ten minutes around each reading."""

    def rate(grid_l: NDArray[np.float64]) -> NDArray[np.float64]:
        half = int(LEAST_SQUARES_S / EVEN_S / 2)
        weights = np.arange(-half, half + 1) * (EVEN_S / 60)
        weights /= weights @ weights
        return np.convolve(np.pad(grid_l, half, mode="edge"), weights[::-1], "valid")

    return _by_threshold(readings, rate, LEAST_SQUARES_S)


def by_savgol(readings: pa.Table) -> pa.Table:
    """The derivative of a parabola through two minutes around each reading (Savitzky and Golay 1964)."""

    def rate(grid_l: NDArray[np.float64]) -> NDArray[np.float64]:
        width = int(SAVGOL_S / EVEN_S) | 1
        return np.asarray(savgol_filter(grid_l, width, 2, deriv=1, delta=EVEN_S / 60))

    return _by_threshold(readings, rate, SAVGOL_S)


def by_ruptures(readings: pa.Table) -> pa.Table:
    """Changes of the mean rate by ruptures' kernel method (Truong, Oudre and Vayatis 2020), of differences of the median."""
    import ruptures  # type: ignore[import-untyped]

    def rate(grid_l: NDArray[np.float64]) -> NDArray[np.float64]:
        calm = median_filter(grid_l, int(MEDIAN_S / EVEN_S) | 1, mode="nearest")
        coarse = calm[:: int(20 / EVEN_S)]
        changes = np.diff(coarse)
        usual = max(float(np.std(changes[np.abs(changes) <= np.quantile(np.abs(changes), 0.95)])), 1e-3)
        penalty = 3 * np.log(len(changes)) * usual**2 * 2
        ends = ruptures.KernelCPD(kernel="linear", min_size=2).fit(changes[:, None]).predict(pen=penalty)
        out = np.zeros(len(changes))
        for begin, end in zip([0, *ends[:-1]], ends, strict=True):
            out[begin:end] = changes[begin:end].mean() * 3
        return np.resize(np.repeat(out, int(20 / EVEN_S)), len(grid_l))

    return _by_threshold(readings, rate, 40.0)


def _by_threshold(
    readings: pa.Table, rate_of: Callable[[NDArray[np.float64]], NDArray[np.float64]], window_s: float
) -> pa.Table:
    """Flows where a rate is larger than the slowest and than the noise; volumes from the level before and after."""
    rows: list[dict[str, Any]] = []
    for series in series_of(readings):
        grid = np.arange(series.seconds[0], series.seconds[-1], EVEN_S)
        litres = series.volume_l
        calm = median_filter(litres, 3, mode="nearest")
        grid_l = np.interp(grid, series.seconds, calm)
        if len(grid) < 2 * LEAST_SQUARES_S / EVEN_S:
            continue
        rate = rate_of(grid_l)
        steps = np.abs(np.diff(litres))
        step_l = float(np.quantile(steps[steps > 1e-9], 0.2)) if (steps > 1e-9).any() else 0.0
        noise = 1.4826 * float(np.median(np.abs(rate - np.median(rate))))
        # A single step is spread over the window: what is no more than that is no flow.
        least = max(SLOWEST_L_PER_MIN, NOISE_TIMES * noise, 0.6 * step_l * 60 / window_s)
        sign = np.where(np.abs(rate) > least, np.sign(rate), 0)
        edges = np.flatnonzero(np.diff(sign)) + 1
        for begin, end in zip([0, *edges.tolist()], [*edges.tolist(), len(sign)], strict=True):
            if sign[begin] == 0 or end - begin < 2:
                continue
            around = max(int(window_s / EVEN_S / 4), 3)
            before = grid_l[max(begin - around, 0) : begin + 1]
            after = grid_l[end - 1 : end + around]
            volume = (float(np.median(after)) - float(np.median(before))) * sign[begin]
            if volume < max(1.0, 1.5 * step_l):
                continue
            inner = slice(begin, end)
            peak = float(np.median(rate[inner][np.abs(rate[inner]) >= np.quantile(np.abs(rate[inner]), 0.6)]))
            # A window smears the edges: the flow is as long as its volume takes at its rate.
            half_s = min(60 * volume / abs(peak), (end - begin) * EVEN_S + window_s) / 2
            middle = (grid[begin] + grid[end - 1]) / 2
            start, until = (series.origin_us + int(1e6 * at) for at in (middle - half_s, middle + half_s))
            levels = np.interp([grid[begin], grid[end - 1]], series.seconds, series.level_pct)
            rows.append(
                {"tank": series.tank, "source_address": series.source_address, "kind": "fill" if peak > 0 else "drain",
                 "start": start, "end": until, "start_level_pct": float(levels[0]), "end_level_pct": float(levels[1]),
                 "volume_l": volume, "rate_l_per_min": peak}
            )  # fmt: skip
    rows.sort(key=lambda row: row["start"])
    return pa.Table.from_pylist(rows, schema=FLOWS)


METHODS: dict[str, Detect] = {
    "ours": derive_flows,
    "difference": by_difference,
    "least-squares": by_least_squares,
    "savgol": by_savgol,
    "ruptures": by_ruptures,
}


# ---- the command ----

COLUMNS: tuple[tuple[str, Callable[[Scores], str]], ...] = (
    ("days", lambda s: f"{s.days}"),
    ("flows", lambda s: f"{s.asked}"),
    ("prec", lambda s: f"{s.precision:.3f}"),
    ("recall", lambda s: f"{s.recall:.3f}"),
    ("F1", lambda s: f"{s.f1:.3f}"),
    ("joint", lambda s: f"{s.jointly}"),
    ("false/day", lambda s: f"{s.false_a_day:.2f}"),
    ("stray/day", lambda s: f"{_part(s.stray, s.days):.2f}"),
    ("rate err", lambda s: _middle_and_90(s.rate_errors, 100, "%")),
    ("volume err", lambda s: _middle_and_90(s.volume_errors, 100, "%")),
    ("start err", lambda s: _middle_and_90(s.start_errors_s, 1, "s")),
    ("end err", lambda s: _middle_and_90(s.end_errors_s, 1, "s")),
    ("cover", lambda s: f"{np.mean(s.covered):.3f}" if s.covered else "-"),
    ("width", lambda s: f"{100 * np.median(s.widths):.1f} %" if s.widths else "-"),
    ("/bound", lambda s: f"{np.median(s.bound_ratios):.2f}" if s.bound_ratios else "-"),
    ("single", lambda s: f"{s.single_right}/{s.single_right + s.single_false}"),
    ("s/1e6", lambda s: f"{s.seconds_a_million:.2f}"),
)


def _middle_and_90(errors: list[float], times: float, unit: str) -> str:
    if not errors:
        return "-"
    middle, ninety = np.quantile(errors, [0.5, 0.9]) * times
    return f"{middle:.1f}/{ninety:.1f} {unit}"


def _print_table(name: str, rows: dict[str, Scores]) -> None:
    table = [[name, *(head for head, _ in COLUMNS)]]
    table += [[label, *(cell(scores) for _, cell in COLUMNS)] for label, scores in rows.items()]
    widths = [max(len(row[i]) for row in table) for i in range(len(table[0]))]
    for row in table:
        print("  ".join([row[0].ljust(widths[0]), *(c.rjust(w) for c, w in zip(row[1:], widths[1:], strict=True))]))
    print()


def main() -> None:
    """Draw the days once, hand them to each method, and print one table for each."""
    parser = argparse.ArgumentParser(description="Scores of flow detection on simulated tank-days.")
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seeds", choices=SEEDS, default="train")
    parser.add_argument("--method", choices=[*METHODS, "all"], default="ours")
    parser.add_argument("--sender", choices=SENDER_KINDS)
    arguments = parser.parse_args()
    first, world = SEEDS[arguments.seeds]
    seed = first + 10_000 * arguments.seed
    methods = list(METHODS) if arguments.method == "all" else [arguments.method]
    print(f"{arguments.days} days, {arguments.seeds}, seeds from {seed}; error columns: median/90th percentile\n")
    by_row: dict[str, dict[tuple[str, bool], Scores]] = {method: {} for method in methods}
    for day in tank_days(arguments.days, seed, world=world, kind=arguments.sender):
        for method in methods:
            rows, key = by_row[method], (day.sender.kind, day.driving)
            rows[key] = rows.get(key, Scores()) + score([day], METHODS[method])
    for method, rows in by_row.items():
        table: dict[str, Scores] = {}
        for driving, word in ((False, "still"), (True, "driving")):
            for kind in SENDER_KINDS:
                if (kind, driving) in rows:
                    table[f"{word}, {kind}"] = rows[kind, driving]
            table[f"{word}, all"] = sum((s for (_, moved), s in rows.items() if moved is driving), Scores())
        table["all"] = sum(rows.values(), Scores())
        _print_table(method, table)


if __name__ == "__main__":
    main()
