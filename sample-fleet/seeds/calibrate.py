"""Tails of every test in healthy running, where its statistic lies under faults, and whether confidence keeps its word.

    python3 sample-fleet/seeds/calibrate.py tails        writes analytics/detect/src/limits/tails.rs
    python3 sample-fleet/seeds/calibrate.py reliability  writes docs/calibration.md and docs/calibration.svg

`tails` learns from the healthy fleets with seeds of 4001 on and the fleets of fleets.toml; `reliability` judges on others
(seeds of 5001 on, and fleets.toml with 2000 added to each seed). Every fleet is assessed at a budget so loose that all
that was looked at comes out. Results are kept in the work folder; `--kept` uses them as they are.
"""

import argparse
import json
import math
import statistics
import tomllib
from collections import defaultdict
from pathlib import Path

import run
import scoring

ROOT = run.ROOT
LOOSE = 1e9
# Healthy fleets: (poll period, days, loops).
FIT = [(600, 45, 200), (300, 45, 160), (600, 60, 200), (120, 30, 100), (300, 30, 200), (600, 30, 200)]
CHECK = [(600, 45, 240), (300, 45, 200), (600, 60, 240), (120, 30, 120), (300, 30, 240), (600, 45, 240), (600, 60, 240), (300, 45, 200)]

# Name, statistic, level from which the tail is taken, factor by which the fitted tail is stretched, usual threshold where
# healthy running shows fewer than five exceedances, share of the budget of false findings.
# Stretching: our healthy fleets have only the effects that somebody thought of; on plants simulated by others the tails of
# drift and noise were up to twice as long, those of error counts nearly alike.
TESTS = [
    ("drift, lasting change", "likelihood ratio over the scatter of day means", 8.5, 1.9, 24.0, 0.24),
    ("drift, change that ended", "likelihood ratio over the scatter of day means", 17.5, 1.3, 50.0, 0.05),
    ("drift, standing mismatch", "times what the tolerance allows", 0.6, 1.0, 1.0, 0.05),
    ("intermittent, hours apart", "summed z of the runs of hours", 8.0, 1.0, 24.0, 0.03),
    ("intermittent, samples apart", "likelihood ratio of clumps of excursions", 8.0, 1.0, 24.0, 0.03),
    ("intermittent, loops together", "summed z of the runs of the pooled chart", 12.0, 1.0, 30.0, 0.03),
    ("supply-limited", "hours at the ceiling", 2.0, 1.0, 4.0, 0.04),
    ("scaling, reported current", "hours with the reported current apart", 3.0, 1.0, 6.0, 0.02),
    ("rising errors, own", "likelihood ratio over the dispersion", 9.0, 1.0, 26.0, 0.20),
    ("rising errors, group", "likelihood ratio over the dispersion", 20.0, 1.5, 60.0, 0.04),
    ("noise change", "likelihood ratio over the scatter of blocks", 10.5, 1.5, 40.0, 0.10),
    ("stuck, with witness", "hours in which the witness moved", 2.0, 1.0, 3.0, 0.03),
    ("stuck, without witness", "active hours over what the loop's own rests ask", 0.6, 1.0, 1.0, 0.03),
    ("no reply", "times 2 h and 8 polls", 0.6, 1.0, 1.0, 0.02),
    ("out of range, failure", "times half an hour, or 2 samples at the end", 0.6, 1.0, 1.0, 0.02),
    ("out of range, saturated", "times 3 h", 0.6, 1.0, 1.0, 0.02),
    ("device status", "times 2 h held", 0.6, 1.0, 1.0, 0.02),
    ("status chatter", "times 6 rises in 48 h", 0.6, 1.0, 1.0, 0.01),
    ("restarts", "times 3 cold starts in 48 h", 0.6, 1.0, 1.0, 0.01),
    ("peer disagreement", "times 6 scatters and 0.4 % of span", 0.6, 1.0, 1.0, 0.01),
]

RUST_HEAD = '''//! Tails of every test's statistic in healthy running, and where it lies under faults.
//!
//! Written by `sample-fleet/seeds/calibrate.py tails`; not edited by hand.

/// Version of the constants below.
pub const TAILS_VERSION: u32 = 1;

/// Healthy loop-months behind them.
pub const HEALTHY_MONTHS: f64 = {months:.1f};

/// One test: its statistic in healthy running and under faults.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tail {{
    pub name: &'static str,
    pub statistic: &'static str,
    /// Level above which the tail was taken, and how often in 1,000 loop-months it was exceeded.
    pub from: f64,
    pub per_1000: f64,
    /// Excess over `from` that divides the rate by e.
    pub scale: f64,
    /// Healthy exceedances behind it; below five the rate is an upper bound (rule of three) and the threshold at the
    /// usual budget is the engineer's.
    pub exceedances: u32,
    /// Share of the budget of false findings.
    pub share: f64,
    /// Share of all faults, mean and standard deviation of the logarithm of the statistic under them.
    pub fault_share: f64,
    pub fault_log_mean: f64,
    pub fault_log_sd: f64,
}}

#[allow(clippy::approx_constant, reason = "measured figures that may lie near a constant by chance")]
pub const TAILS: [Tail; {n}] = [
'''


def fleets(which):
    """(folder, options) of every fleet."""
    with open(run.HERE / "fleets.toml", "rb") as f:
        seeds = tomllib.load(f)["fleet"]
    first, sizes, added = (4001, FIT, 0) if which == "tails" else (5001, CHECK, 2000)
    for i, (period, days, loops) in enumerate(sizes):
        yield {"name": f"{which}-healthy-{i}", "profile": "healthy", "seed": first + i, "loops": loops, "days": days, "period_s": period}
    for f in seeds:
        if f["profile"] != "healthy":
            yield {**f, "name": f"{which}-{f['name']}", "seed": f["seed"] + added}


def results(which, a):
    """Truth and loose result of every fleet, assessed where that is not done."""
    config = a.work / "loose.toml"
    a.work.mkdir(parents=True, exist_ok=True)
    config.write_text(f'[site]\nname = "calibration"\nstore = "store"\n\n[assessment]\nfalse_findings_per_1000_loop_months = {LOOSE:.0f}\n')
    for f in fleets(which):
        folder = a.work / f["name"]
        result = folder / "loose.json"
        if not (a.kept and result.exists()):
            run.write_fleet(a.writer.resolve(), f, folder)
            store = folder / "store"
            run.shutil.rmtree(store, ignore_errors=True)
            run.run([a.bin.resolve(), "import", folder / "site", "--store", store])
            result.write_text(run.run([a.bin.resolve(), "assess", "--store", store, "--config", config, "--format", "json"]))
            run.shutil.rmtree(store, ignore_errors=True)
        yield folder / "truth.json", result


def judged(which, a):
    """Loop-months of sound loops, and of every judged finding (test, statistic, real, finding, fault)."""
    months, out, faults = 0.0, [], defaultdict(int)
    for truth, result in results(which, a):
        with open(truth, encoding="utf-8") as t, open(result, encoding="utf-8") as r:
            judge = scoring.Judge(json.load(t), json.load(r))
        s = judge.judge("")
        faulty = {t for t, v in judge.by_tag.items() if v}
        months += s.months * (1 - len(faulty) / judge.truth["loops"])
        found, _ = judge.findings(s)
        seen = set()
        for x in found:
            evidence = x.said.get("evidence", {})
            if "test" not in evidence:
                continue
            verdict = judge.verdict(x)
            fault = next((f for f in judge.faults if f.hit and f.truth["tag"] == x.tag and f.hit.said["id"] == x.said["id"]), None)
            if verdict == "false" and x.tag not in faulty:
                # One a loop and test, the strongest: a threshold is held against that.
                out.append((evidence["test"], evidence["statistic"], False, x, None, (str(result), x.tag)))
            elif fault is not None and id(fault) not in seen:
                seen.add(id(fault))
                faults[evidence["test"]] += 1
                out.append((evidence["test"], evidence["statistic"], True, x, fault, None))
    return months, out


def tails(a):
    months, all_ = judged("tails", a)
    text = RUST_HEAD.format(months=months, n=len(TESTS))
    reals = sum(1 for o in all_ if o[2])
    shares = {}
    for name, *_ in TESTS:
        shares[name] = (sum(1 for o in all_ if o[0] == name and o[2]) + 1) / (reals + len(TESTS))
    for name, statistic, level, stretch, usual, share in TESTS:
        strongest = {}
        for o in all_:
            if o[0] == name and not o[2] and o[1] >= level:
                strongest[o[5]] = max(o[1], strongest.get(o[5], 0.0))
        over = sorted(strongest.values())
        n = len(over)
        if n >= 5:
            rate = 1000 * n / months
            scale = stretch * (statistics.mean(over) - level)
        else:
            rate = 1000 * max(3, n) / months
            scale = (usual - level) / math.log(rate / share)
        logs = [math.log(max(o[1], 1e-9)) for o in all_ if o[0] == name and o[2]]
        mean = statistics.median(logs) if logs else math.log(3 * usual)
        sd = max(0.5, statistics.stdev(logs)) if len(logs) > 4 else 1.0
        # A fault that has just begun stands at the threshold, however large the older ones of our records are.
        sd = max(sd, (mean - math.log(level + scale * math.log(rate / share))) / 1.5)
        text += f'''    Tail {{
        name: "{name}",
        statistic: "{statistic}",
        from: {level!r},
        per_1000: {rate:.4f},
        scale: {scale:.5f},
        exceedances: {n},
        share: {share!r},
        fault_share: {shares[name]:.9f},
        fault_log_mean: {mean:.4f},
        fault_log_sd: {sd:.4f},
    }},
'''
        print(f"{name}: {n} exceedances, {rate:.1f} in 1,000 loop-months, scale {scale:.2f}, threshold {level + scale * math.log(rate / share):.2f}, faults {len(logs)}")
    (ROOT / "analytics/detect/src/limits/tails.rs").write_text(text + "];\n")


def constants():
    """The constants as the program has them."""
    text = (ROOT / "analytics/detect/src/limits/tails.rs").read_text()
    out = {}
    for part in text.split("    Tail {")[1:]:
        fields = dict(line.strip().rstrip(",").split(": ", 1) for line in part.splitlines() if ": " in line)
        out[fields["name"].strip('"')] = {k: float(v) for k, v in fields.items() if k not in ("name", "statistic")}
    return out


def confidence(t, statistic, prior):
    """As `Tail::confidence`."""
    z = min(0.0, (math.log(statistic) - t["fault_log_mean"]) / t["fault_log_sd"])
    real = math.exp(-z * z / 2) / (t["fault_log_sd"] * math.sqrt(2 * math.pi)) / min(statistic, math.exp(t["fault_log_mean"]))
    real *= prior * t["fault_share"]
    chance = t["per_1000"] * math.exp(-(statistic - t["from"]) / t["scale"]) / t["scale"]
    return min(max(real / (real + chance), 0.001), 0.9999)


BINS = [(0.0, 0.05), (0.05, 0.2), (0.2, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 0.9), (0.9, 0.97), (0.97, 0.995), (0.995, 1.01)]


def reliability(a):
    which = "tails" if a.learnt else "reliability"
    months, all_ = judged(which, a)
    known = constants()
    all_ = [o for o in all_ if o[1] >= known[o[0]]["from"]]
    # Faults by test weigh as the prior's shares say; false findings as they came on sound loops.
    by_test = defaultdict(int)
    for o in all_:
        by_test[o[0]] += o[2]
    lines = [
        "# Does confidence keep its word?",
        "",
        f"Written by `python3 sample-fleet/seeds/calibrate.py reliability{' --learnt' if a.learnt else ''}`, assessed at a budget so loose that every test's whole known tail comes out.",
        "**In-sample: these are the fleets that the constants were learnt from.** Without `--learnt` the program takes others." if a.learnt else "These are not the fleets that the constants were learnt from.",
        f"False findings are those on sound loops ({months:.0f} loop-months); real ones are weighted to the prior, test by test, because our fleets have far more faults than a plant.",
        "All fleets are simulated by this repository; on a real plant the figures will be others.",
        "",
    ]
    curves = {}
    for prior in (5.0, 50.0):
        lines += [f"## At {prior:.0f} faults in 1,000 loop-months", "", "| confidence | findings (real, false) | mean confidence | share real |", "| --- | ---: | ---: | ---: |"]
        curve, values, brier, weight_all = [], set(), 0.0, 0.0
        for low, high in BINS:
            real = false = said = 0.0
            n_real = n_false = 0
            for test, statistic, is_real, *_ in all_:
                c = confidence(known[test], statistic, prior)
                values.add(round(c, 4))
                if not low <= c < high:
                    continue
                weight = prior * known[test]["fault_share"] / by_test[test] if is_real else 1000 / months
                said += weight * c
                brier += weight * (c - is_real) ** 2
                weight_all += weight
                if is_real:
                    real, n_real = real + weight, n_real + 1
                else:
                    false, n_false = false + weight, n_false + 1
            if n_real + n_false:
                mean, share = said / (real + false), real / (real + false)
                curve.append((mean, share, n_real + n_false))
                lines.append(f"| {low:.3g} to {min(high, 1):.3g} | {n_real}, {n_false} | {mean:.3f} | {share:.3f} |")
        lines += ["", f"{len(values)} different values; Brier score {brier / weight_all:.4f}.", ""]
        curves[prior] = curve
    lines += ["![reliability](calibration.svg)", "", *onsets(all_)]
    (ROOT / "docs/calibration.md").write_text("\n".join(lines) + "\n")
    (ROOT / "docs/calibration.svg").write_text(diagram(curves))


def onsets(all_):
    lines = ["## Do onset intervals hold the onset?", "", "Interval from `onset_low` to `onset_high`, nominally 80 % and widened by the step of the blocks; within an hour counts as inside.", "",
             "| finding | faults | inside | median width h |", "| --- | ---: | ---: | ---: |"]
    groups = defaultdict(list)
    for test, _, is_real, x, fault, _ in all_:
        if is_real and fault.truth["onset"] != fault.truth.get("from"):
            low, high = scoring.seconds(x.said["onset_low"]), scoring.seconds(x.said["onset_high"])
            inside = low - scoring.HOUR <= fault.start <= high + scoring.HOUR
            name = test + (", " + x.said["evidence"].get("shape", "") if test.startswith("drift") else "")
            groups[name].append((inside, (high - low) / scoring.HOUR))
    for name, v in sorted(groups.items()):
        lines.append(f"| {name} | {len(v)} | {sum(i for i, _ in v) / len(v):.2f} | {statistics.median(w for _, w in v):.1f} |")
    everything = [v for g in groups.values() for v in g]
    lines.append(f"| all | {len(everything)} | {sum(i for i, _ in everything) / len(everything):.2f} | {statistics.median(w for _, w in everything):.1f} |")
    return lines


def diagram(curves):
    """Reliability diagram: diagonal, one line a prior."""
    at = lambda v: 40 + 320 * v  # noqa: E731
    out = ['<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 400 400" font-family="sans-serif" font-size="12">',
           '<rect width="400" height="400" fill="#fff"/>', '<path d="M40 360H360M40 360V40" stroke="#444" fill="none"/>',
           '<path d="M40 360L360 40" stroke="#999" stroke-dasharray="4 4"/>']
    for v in (0, 0.5, 1):
        out.append(f'<text x="{at(v):.0f}" y="376" text-anchor="middle">{v:g}</text><text x="32" y="{404 - at(v):.0f}" text-anchor="end">{v:g}</text>')
    out.append('<text x="200" y="394" text-anchor="middle">confidence said</text><text x="14" y="200" text-anchor="middle" transform="rotate(-90 14 200)">share real</text>')
    for (prior, curve), colour, y in zip(curves.items(), ("#0b5", "#05b"), (60, 78)):
        points = " ".join(f"{at(m):.1f},{400 - at(s):.1f}" for m, s, _ in curve)
        out.append(f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="2"/>')
        out += [f'<circle cx="{at(m):.1f}" cy="{400 - at(s):.1f}" r="3" fill="{colour}"/>' for m, s, _ in curve]
        out.append(f'<text x="52" y="{y}" fill="{colour}">{prior:.0f} faults in 1,000 loop-months</text>')
    return "\n".join(out) + "\n</svg>\n"


def main():
    args = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    args.add_argument("what", choices=("tails", "reliability"))
    args.add_argument("--bin", type=Path, default=ROOT / "target/debug/loopwitness")
    args.add_argument("--writer", type=Path, default=ROOT / "target/debug/examples/write_site")
    args.add_argument("--work", type=Path, default=ROOT / "target/calibration")
    args.add_argument("--kept", action="store_true", help="uses results that the work folder holds")
    args.add_argument("--learnt", action="store_true", help="reliability on the fleets that the constants were learnt from")
    a = args.parse_args()
    {"tails": tails, "reliability": reliability}[a.what](a)


if __name__ == "__main__":
    main()
