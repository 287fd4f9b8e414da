"""How many good tanks are proved, and each fault caught under its item: over protocols, senders, capacities, rates and seeds.

    python tests/benchmark/proof_scores.py --seeds 40 [--first 0] [--fault late] [--open] [--verbose]

tests/proofs.py makes the recordings; what is right about them is known from how they were made.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from proofs import FAULTS, KINDS, bench, proved

ANY = ("nmea2000", "rvc", "j1939")


def score(job: tuple[str, int, bool]) -> dict[str, object]:
    """One recording: which fault was put into it, and what was said."""
    fault, seed, closed = job
    protocols = FAULTS[fault][2] if fault in FAULTS else ANY
    protocol, kind = protocols[seed % len(protocols)], KINDS[seed // 3 % len(KINDS)]
    one = bench(seed, protocol, kind)
    if fault in FAULTS:
        one, frames = FAULTS[fault][0](one, np.random.default_rng([seed, 9]))
    else:
        frames = one.frames()
    with tempfile.TemporaryDirectory() as folder:
        marks = {
            kind: [text if closed else text.partition("/")[0] for text in texts] for kind, texts in one.marks.items()
        }
        proof = proved(one, frames, Path(folder), **marks).tanks[0]
    truth = one.rate_l_per_min
    rates = [m.rate_l_per_min for m in proof.movements if m.rate_l_per_min is not None]
    return {
        "fault": fault, "seed": seed, "protocol": protocol, "kind": kind, "verdict": proof.verdict,
        "results": {item.key: item.result for item in proof.items},
        "reasons": list(proof.reasons),
        "delay": (proof.item("delay").low, proof.item("delay").high, one.sender.delay_s + one.sender.lag_s),
        "rates": [(abs(rate[0]) / truth - 1, min(map(abs, rate[1:])) <= truth <= max(map(abs, rate[1:]))) for rate in rates],
    }  # fmt: skip


def main() -> None:
    """Score and print the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=30)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--fault", action="append")
    parser.add_argument("--verbose", action="store_true")
    parser.add_argument("--open", action="store_true", help="leave out when valves were closed")
    parser.add_argument("--workers", type=int, default=2)
    wanted = parser.parse_args()
    names = wanted.fault or ["", *FAULTS]
    names = ["" if name == "none" else name for name in names]
    jobs = [
        (name, seed, not wanted.open) for name in names for seed in range(wanted.first, wanted.first + wanted.seeds)
    ]
    with ProcessPoolExecutor(wanted.workers) as pool:
        found = list(pool.map(score, jobs, chunksize=4))
    by_fault: dict[str, list[dict]] = defaultdict(list)  # type: ignore[type-arg]
    for one in found:
        by_fault[str(one["fault"])].append(one)
    print(f"{'fault':20} {'item':11} {'n':>4} {'caught':>7} {'not proved':>11}  other items that were not ok")
    for name, ones in by_fault.items():
        item = FAULTS[name][1] if name else ""
        caught = sum(one["results"][item] in ("fail", "remark") for one in ones) if item else 0
        refused = sum(one["verdict"] == "not proved" for one in ones)
        others = Counter(
            key
            for one in ones
            for key, result in one["results"].items()
            if result in ("fail", "remark") and key != item
        )
        told = ", ".join(f"{key} {count}" for key, count in others.most_common())
        print(f"{name or '(good)':20} {item:11} {len(ones):4} {caught if item else '':>7} {refused:11}  {told}")
        if wanted.verbose:
            for one in ones:
                bad = one["results"].get(item) not in ("fail", "remark") if item else one["verdict"] != "proved"
                if bad:
                    print(
                        "   ", one["seed"], one["protocol"], one["kind"], one["verdict"], one["reasons"], one["delay"]
                    )
    good = by_fault.get("")
    if good:
        print("\ngood tanks by sender: proved, with remarks, not proved")
        for kind in KINDS:
            verdicts = Counter(str(one["verdict"]) for one in good if one["kind"] == kind)
            print(f"  {kind:8} {verdicts['proved']:4} {verdicts['proved with remarks']:4} {verdicts['not proved']:4}")
        rates = [rate for one in good for rate in one["rates"]]
        off = np.array([abs(rate[0]) for rate in rates])
        delays = [one["delay"] for one in good if one["delay"][0] is not None]
        inside = [low - 1.3 <= true <= high + 1.3 for low, high, true in delays]
        print(f"rates: off by {100 * np.median(off):.1f} % (median), {100 * np.quantile(off, 0.9):.1f} % (90th percentile); "
              f"in their interval {100 * np.mean([rate[1] for rate in rates]):.0f} %; n {len(rates)}")  # fmt: skip
        print(f"delay within its bounds (give or take the hand's 1.3 s): {100 * np.mean(inside):.0f} %; n {len(inside)}; "
              f"bounds apart {np.median([high - low for low, high, _ in delays]):.1f} s (median)")  # fmt: skip


if __name__ == "__main__":
    main()
