"""Writes the fleets of fleets.toml, has a loopwitness binary import and assess them, and scores what it found.

    python3 sample-fleet/seeds/run.py --bin target/debug/loopwitness [--only NAME[,NAME]] [--table FILE] [--details]

Fleets are kept in the work folder and written again only when their options or the writer changed; stores are made anew.
"""

import argparse
import hashlib
import json
import shutil
import statistics
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import scoring

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
# How `worst` is taken: the lowest of these, the highest of the others.
HIGH_IS_GOOD = {
    "recall", "recall, mean over kinds", "precision at k", "NDCG", "drift cause right", "stuck signal right",
}
SHOWN = (
    "recall", "recall, mean over kinds", "precision at k", "NDCG", "false findings / 1,000 loop-months",
    "loops with only false findings", "onset too early", "onset error, median h", "drift cause right",
    "stuck signal right", "drift size error, median % of span", "common causes false", "forecast width, median days",
)


def run(command):
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode != 0:
        sys.exit(f"{' '.join(map(str, command))}\nfailed with code {done.returncode}: {done.stderr.strip()[-2000:]}")
    return done.stdout


def write_fleet(writer, fleet, folder):
    """Writes the fleet unless the folder holds it already."""
    options = []
    for key, value in fleet.items():
        if key != "name" and value is not False:
            flag = {"period_s": "period"}.get(key, key)
            options += [f"--{flag}"] if value is True else [f"--{flag}", str(value)]
    stamp = json.dumps([options, hashlib.sha256(writer.read_bytes()).hexdigest()])
    mark = folder / "written"
    if mark.exists() and mark.read_text() == stamp:
        return
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    run([writer, folder, *options])
    mark.write_text(stamp)


def assess(binary, folder):
    """Result of a fresh import and assessment, and the seconds that both took."""
    store = folder / "store"
    shutil.rmtree(store, ignore_errors=True)
    began = time.monotonic()
    run([binary, "import", folder / "site", "--store", store])
    imported = time.monotonic()
    text = run([binary, "assess", "--store", store, "--format", "json"])
    done = time.monotonic()
    shutil.rmtree(store, ignore_errors=True)
    result = folder / "result.json"
    result.write_text(text)
    return result, imported - began, done - imported


def number(x, digits=2):
    if x is None:
        return "-"
    return str(x) if isinstance(x, int) else f"{x:.{digits}f}"


def share(part, whole):
    return f"{part}/{whole}" if whole else "-"


def by_fleet(scores):
    lines = [
        "| fleet | faults | recall | kinds | P@k | NDCG | false / 1,000 lm | onset h | cause | signal | common exact (false) | forecast given, inside alone / with offset |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for s in scores:
        f = s.figures
        lines.append(
            f"| {s.name} | {s.faults['all', '']} | {number(f['recall'])} | {number(f['recall, mean over kinds'])} | "
            f"{number(f['precision at k'])} | {number(f['NDCG'])} | {number(f['false findings / 1,000 loop-months'], 1)} | "
            f"{number(f['onset error, median h'], 1)} | {number(f['drift cause right'])} | {number(f['stuck signal right'])} | "
            f"{share(f['common causes exact'], f['common causes'])} ({f['common causes false']}) | "
            f"{share(f['forecasts given'], f['forecasts due'])}, {f['forecasts inside, fault alone']} / {f['forecasts inside, with standing offset']} |"
        )
    return lines


def mean_and_worst(scores):
    lines = ["| figure | mean | worst | worst fleet | fleets |", "| --- | ---: | ---: | --- | ---: |"]
    for name in SHOWN:
        have = [(s.figures[name], s.name) for s in scores if s.figures.get(name) is not None]
        if not have:
            continue
        worst = (min if name in HIGH_IS_GOOD else max)(have)
        digits = 1 if "1,000" in name or name.endswith(("h", "days")) else 3
        lines.append(f"| {name} | {number(float(statistics.mean(v for v, _ in have)), digits)} | {number(worst[0], digits)} | {worst[1]} | {len(have)} |")
    return lines


def recalls(scores, what, title):
    """Recall of each kind, cause, signal ..: over all faults, and in the worst fleet that has at least two of them."""
    names = list(scoring.KINDS) if what == "kind" else sorted({k[1] for s in scores for k in s.faults if k[0] == what})
    lines = [f"| {title} | faults | found | recall | worst | worst fleet |" + (" onset h | false |" if what == "kind" else "")]
    lines.append("| --- | ---: | ---: | ---: | ---: | --- |" + (" ---: | ---: |" if what == "kind" else ""))
    for n in names:
        faults, found = (sum(c[what, n] for c in cs) for cs in ([s.faults for s in scores], [s.found for s in scores]))
        have = [(s.recall(what, n), s.name) for s in scores if s.faults[what, n] >= 2]
        worst = min(have, default=(None, "-"))
        line = f"| {n} | {faults} | {found} | {number(found / faults if faults else None)} | {number(worst[0])} | {worst[1]} |"
        if what == "kind":
            errors = [e for s in scores for e in s.onset_error_h[n]]
            line += f" {number(statistics.median(errors) if errors else None, 1)} | {sum(s.false[n] for s in scores)} |"
        if faults or (what == "kind" and any(s.false[n] for s in scores)):
            lines.append(line)
    return lines


def totals(scores):
    add = lambda name: sum(s.figures[name] for s in scores)  # noqa: E731
    months = sum(s.months for s in scores)
    false = sum(sum(s.false.values()) for s in scores)
    return [
        f"- {len(scores)} fleets, {months:.0f} loop-months, {sum(s.faults['all', ''] for s in scores)} faults.",
        f"- False findings over all: {false}, {1000 * false / months:.1f} per 1,000 loop-months.",
        f"- Common causes: {add('common causes exact')} exact and {add('common causes, other scope')} under another scope of {add('common causes')}; {add('common causes false')} false.",
        f"- Forecasts: {add('forecasts given')} given of {add('forecasts due')} due; inside the 80 % interval: "
        f"{add('forecasts inside, fault alone')} by the fault alone, {add('forecasts inside, with standing offset')} with the standing offset.",
    ]


def report(scores, command):
    lines = [
        "# The detectors on our own fleets",
        "",
        f"Written by `{command}`; definitions are in `sample-fleet/seeds/scoring.py`, the fleets in `sample-fleet/seeds/fleets.toml`.",
        "All fleets are simulated by this repository's sample fleet. They are no proof for any real plant: the share of faulty loops is far",
        "above a real one, and the simulation has only the effects that somebody thought of.",
        "",
        *totals(scores),
        "",
        "## Mean and worst over the fleets",
        "",
        *mean_and_worst(scores),
        "",
        "## By kind",
        "",
        *recalls(scores, "kind", "kind"),
        "",
        "## By cause",
        "",
        *recalls(scores, "cause", "cause"),
        "",
        "## Stuck values by signal",
        "",
        *recalls(scores, "signal", "signal"),
        "",
        "## Drift by its worst deviation over the tolerance",
        "",
        *recalls(scores, "size", "size"),
        "",
        "## By variant",
        "",
        *recalls(scores, "variant", "variant"),
        "",
        "## By fleet",
        "",
        *by_fleet(scores),
    ]
    return "\n".join(lines) + "\n"


def main():
    args = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    args.add_argument("--bin", type=Path, default=ROOT / "target/debug/loopwitness", help="the binary that is judged")
    args.add_argument("--writer", type=Path, default=ROOT / "target/debug/examples/write_site", help="writes the fleets")
    args.add_argument("--fleets", type=Path, default=HERE / "fleets.toml")
    args.add_argument("--work", type=Path, default=ROOT / "target/seeds", help="folder for fleets and results")
    args.add_argument("--only", help="names of fleets, or beginnings of names, with commas")
    args.add_argument("--table", type=Path, help="writes the tables here")
    args.add_argument("--details", action="store_true", help="prints what was missed and what is false, by fleet")
    a = args.parse_args()
    with open(a.fleets, "rb") as f:
        fleets = tomllib.load(f)["fleet"]
    if a.only:
        fleets = [f for f in fleets if f["name"].startswith(tuple(a.only.split(",")))]
    if not fleets:
        sys.exit("no fleet of that name")
    scores = []
    for f in fleets:
        began = time.monotonic()
        folder = a.work / f["name"]
        write_fleet(a.writer.resolve(), f, folder)
        written = time.monotonic() - began
        result, import_s, assess_s = assess(a.bin.resolve(), folder)
        s = scoring.score(folder / "truth.json", result, f["name"])
        scores.append(s)
        fig = s.figures
        print(
            f"{s.name}: write {written:.0f} s, import {import_s:.0f} s, assess {assess_s:.0f} s; recall {number(fig['recall'])} "
            f"of {s.faults['all', '']}, false {sum(s.false.values())} ({number(fig['false findings / 1,000 loop-months'], 1)}), "
            f"P@k {number(fig['precision at k'])}, common {fig['common causes exact']}/{fig['common causes']}",
            file=sys.stderr, flush=True,
        )
        for p in s.problems:
            print(f"  problem with the result: {p}", file=sys.stderr)
        details = {"missed": s.missed, "false": s.false_list, "common_causes": s.common, "figures": fig}
        (folder / "score.json").write_text(json.dumps(details, indent=1))
        if a.details:
            for m in s.missed:
                print("  missed " + " ".join(f"{k}={v}" for k, v in m.items() if v is not None))
            for x in s.false_list:
                print("  false " + " ".join(f"{k}={v}" for k, v in x.items() if v is not None))
            for c in s.common:
                print("  common " + " ".join(f"{k}={v}" for k, v in c.items() if v is not None))
    text = report(scores, "make seeds")
    if a.table:
        a.table.write_text(text)
    else:
        print(text)


if __name__ == "__main__":
    main()
