"""`make bench`: what the program costs, each figure beside what else could be done with the same data on the same machine.

    python3 tests/bench/run.py [--quick] [--only assess,import] [--table docs/performance.md]

Times on a shared machine are noise, so every figure is a ratio of processor times taken in one run, in turns (A, B, A), best
of five; nothing fails by time. Data and the other engines (requirements.txt) stay in target/bench. Linux only.
"""

import argparse
import json
import os
import platform
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
DEBUG = ROOT / "target/debug"
WORK = ROOT / "target/bench"
PYTHON = WORK / "venv/bin/python"
# What hour blocks are made of (analytics/assess/src/day.rs).
COLUMNS = "time,tag,pv,sv,reported_ma,analog_ma,response_code,device_status,extended_status,exchanges,comm_errors,config_changes"
ONE_THREAD = {"POLARS_MAX_THREADS": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


def die(command, text):
    sys.exit(f"{' '.join(map(str, command))}\nfailed: {text.strip()[-2000:]}")


def said(command, env=None):
    """The JSON objects that a command prints, one a line."""
    done = subprocess.run(list(map(str, command)), capture_output=True, text=True, env={**os.environ, **(env or {})})
    if done.returncode != 0:
        die(command, done.stderr)
    return [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]


def cost(command, processors=None):
    """Processor seconds, wall seconds and peak MiB of a command, on so many processors."""
    command = list(map(str, command))
    allowed = sorted(os.sched_getaffinity(0))
    began = time.perf_counter()
    pid = os.fork()
    if pid == 0:
        if processors:
            os.sched_setaffinity(0, set(allowed[-processors:]))
        null = os.open(os.devnull, os.O_WRONLY)
        for handle in (1, 2):
            os.dup2(null, handle)
        os.execv(command[0], command)
    _, status, used = os.wait4(pid, 0)
    if status != 0:
        die(command, f"status {status}")
    return {
        "cpu_s": used.ru_utime + used.ru_stime,
        "wall_s": time.perf_counter() - began,
        "mib": used.ru_maxrss / 1024,
    }


def best(runs, what="cpu_s"):
    return min(r[what] for r in runs)


class Table:
    def __init__(self):
        self.rows = []

    def add(self, what, ours, beside, ratio, bar, met):
        self.rows.append((what, ours, beside, ratio, bar, {True: "yes", False: "**no**", None: ""}[met]))
        print(" | ".join(map(str, self.rows[-1])), flush=True)

    def text(self):
        head = ("figure", "ours", "beside it", "ratio", "bar", "met")
        lines = [head, ("---",) * len(head), *self.rows]
        return "\n".join("| " + " | ".join(map(str, r)) + " |" for r in lines)


def site(name, **options):
    """A simulated site and the store of it, made once."""
    folder = WORK / name
    store = folder / "store"
    if not store.exists():
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        flags = [str(x) for k, v in options.items() for x in (f"--{k}", v)]
        subprocess.run([DEBUG / "examples/write_site", folder, *flags], check=True, capture_output=True)
        fresh_store(folder, folder / "new")
        (folder / "new").rename(store)
    return folder, store


def fresh_store(folder, to):
    shutil.rmtree(to, ignore_errors=True)
    return cost([DEBUG / "loopwitness", "import", folder / "site", "--store", to])


def assess_command(store, *more):
    return [DEBUG / "loopwitness", "assess", "--store", store, "--format", "json", *more]


def assess(table, quick, rounds):
    folder, store = site("week", loops=200 if quick else 1000, days=2 if quick else 7, period=60)
    ours, scan, script = [], [], []
    for _ in range(rounds):
        ours.append(cost(assess_command(store), 1))
        scan += said([PYTHON, HERE / "scan.py", store / "history/*.parquet", COLUMNS], ONE_THREAD)
        script += said([PYTHON, HERE / "script.py", store, folder / "site/loops.csv"], ONE_THREAD)
        ours.append(cost(assess_command(store), 1))
    rows = scan[0]["rows"]
    a, b, c = best(ours), best(scan), best(script)
    size = f"{rows / 1e6:.1f} M readings"
    table.add(f"full assessment, {size}, processor time", f"{a:.2f} s", f"engine sums the columns: {b:.2f} s", f"{a / b:.2f}", "at most 2.0", a / b <= 2)
    table.add("the same against a script (polars, scipy)", f"{a:.2f} s", f"{c:.2f} s", f"1/{c / a:.1f}", "at most 1/12", a / c <= 1 / 12)
    table.add("of these, the script against the engine's sums", "", f"{c:.2f} s to {b:.2f} s", f"{c / b:.1f}", "", None)
    one, two = best([cost(assess_command(store), 1) for _ in range(rounds)], "wall_s"), []
    for _ in range(rounds):
        two.append(cost(assess_command(store), 2))
        one = min(one, cost(assess_command(store), 1)["wall_s"])
    both = best(two, "wall_s")
    table.add("two processors against one, wall time", f"{both:.2f} s", f"{one:.2f} s", f"{one / both:.2f}", "at least 1.7", one / both >= 1.7)
    _, small = site("small", loops=20 if quick else 100, days=2 if quick else 7, period=60)
    config = WORK / "memory.toml"
    config.write_text('[site]\nname = "Bench works"\nstore = "small/store"\n\n[limits]\nassessment_memory = "4M"\n')
    # Less than either has, so that what is held is a setting and not the number of loops.
    def memory(store):
        return best([cost(assess_command(store, "--config", config), 2) for _ in range(rounds)], "mib")

    few, many = memory(small), memory(store)
    table.add(f"peak memory, {size}, blocks in memory 4 MiB", f"{many:.0f} MiB", f"a tenth of the loops: {few:.0f} MiB", f"{many / few:.2f}", "128 MiB, 1.10", many <= 128 and many / few <= 1.1)
    free = cost(assess_command(store), 2)["mib"]
    table.add("the same with the default for blocks (1 GiB)", f"{free:.0f} MiB", "", "", "128 MiB", free <= 128)


def importing(table, quick, rounds):
    folder, store = site("week", loops=200 if quick else 1000, days=2 if quick else 7, period=60)
    ours, scan = [], []
    columns = COLUMNS.replace("extended_status", "extended_status,pv_status,analog_time")
    for _ in range(rounds):
        ours.append(fresh_store(folder, WORK / "imported"))
        scan += said([PYTHON, HERE / "scan.py", folder / "site/readings/*.parquet", columns], ONE_THREAD)
    shutil.rmtree(WORK / "imported", ignore_errors=True)
    a, b, rows = best(ours), best(scan), scan[0]["rows"]
    rate = rows / a / 1e6
    table.add("import from Parquet", f"{rate:.2f} M rows a processor second", f"engine sums the columns: {rows / b / 1e6:.1f} M", f"{a / b:.1f}", "at least 2 M rows/s", rate >= 2)
    wall = rows / best(ours, "wall_s") / 1e6
    table.add("the same, wall time, two processors shared", f"{wall:.2f} M rows/s", "", "", "at least 2 M rows/s", wall >= 2)


def sizes(table, quick, rounds):
    _, store = site("week", loops=200 if quick else 1000, days=2 if quick else 7, period=60)
    (s,) = said([PYTHON, HERE / "sizes.py", store, WORK / "plain"])
    table.add("bytes a reading, day files", f"{s['files']:.2f}", f"plain Parquet with zstd: {s['plain']:.2f}", f"{s['files'] / s['plain']:.2f}", "at most 11", s["files"] <= 11)
    table.add("the same against the entropy of the signals", f"{s['files']:.2f}", f"{s['entropy']:.2f}", f"{s['files'] / s['entropy']:.2f}", "at most 1.4", s["files"] / s["entropy"] <= 1.4)
    for name, (size, least) in sorted(s["columns"].items(), key=lambda c: -c[1][0])[:6]:
        table.add(f"of these `{name}`", f"{size:.2f}", f"entropy {least:.2f}", "", "", None)


def compact(table, quick, rounds):
    """A copy of the week's store, its finished days written in the compact layout."""
    _, store = site("week", loops=200 if quick else 1000, days=2 if quick else 7, period=60)
    (s,) = said([PYTHON, HERE / "sizes.py", store, WORK / "plain"])
    copy = WORK / "compact"
    shutil.rmtree(copy, ignore_errors=True)
    shutil.copytree(store, copy)
    speed, size = said([DEBUG / "examples/bench", "compact", copy])
    shutil.rmtree(copy)
    table.add("bytes a reading, compact layout", f"{size['after']:.2f}", f"day files: {size['before']:.2f}", f"{size['after'] / size['before']:.2f}", "at most 6.5", size["after"] <= 6.5)
    table.add("the same against the entropy of the signals", f"{size['after']:.2f}", f"{s['entropy']:.2f}", f"{size['after'] / s['entropy']:.2f}", "at most 1.4", size["after"] <= 1.4 * s["entropy"])
    table.add("written in the compact layout", f"{speed['done'] / speed['cpu_s'] / 1e6:.2f} M rows a processor second", "", "", "", None)


def codec(table, quick, rounds):
    runs = said([DEBUG / "examples/bench", "codec", *(["quick"] if quick else [])])
    each = {n: min(r["cpu_s"] / r["done"] for r in runs if r["name"] == n) for n in {r["name"] for r in runs}}
    least = each["check byte only"]
    for name, bar in (("decode", 10), ("encode", None)):
        rate = 1e-6 / each[name]
        table.add(f"frames {name}d on one core", f"{rate:.0f} M/s", f"adding up the check byte: {1e-6 / least:.0f} M/s", f"{each[name] / least:.1f}", f"at least {bar} M/s" if bar else "", rate >= bar if bar else None)
    for name in ("decode", "encode"):
        few, many = (allocations(name, n) for n in (1_000, 5_000))
        table.add(f"allocations in 4,000 frames {name}d", many - few, "", "", 0, many == few)


def allocations(kernel, times):
    """Calls of the allocator in a whole run, as valgrind counts them."""
    if not shutil.which("valgrind"):
        sys.exit("valgrind is missing: install it")
    command = ["valgrind", str(DEBUG / "examples/bench"), "kernel", kernel, str(times)]
    text = subprocess.run(command, capture_output=True, text=True, check=True).stderr
    line = next(x for x in text.splitlines() if "total heap usage" in x)
    return int(line.split("usage:")[1].split("allocs")[0].strip().replace(",", ""))


def landing(table, quick, rounds):
    scratch = WORK / "landing"
    shutil.rmtree(scratch, ignore_errors=True)
    scratch.mkdir(parents=True)
    runs = said([DEBUG / "examples/bench", "landing", scratch, *(["quick"] if quick else [])])
    shutil.rmtree(scratch)
    for what, label in (("cpu_s", "processor time"), ("wall_s", "wall time")):
        rate = {n: max(r["done"] / max(r[what], 1e-9) for r in runs if r["name"] == n) / 1e6 for n in ("landing", "sqlite rows")}
        a, b = rate["landing"], rate["sqlite rows"]
        table.add(f"landing, durable, 10,000 a batch, {label}", f"{a:.2f} M rows/s", f"rows into SQLite: {b:.2f} M rows/s", f"{a / b:.2f}", "at least 2", a / b >= 2)
    wait = min(r["wall_s"] for r in runs if r["name"].startswith("longest"))
    table.add("longest wait until accepted", f"{1000 * wait:.0f} ms", "", "", "at most 1 s", wait <= 1)


def history(table, quick, rounds):
    days = (3, 7, 14) if quick else (7, 90, 365)
    _, store = site("year", loops=20 if quick else 100, days=days[-1] + 2, period=900)
    runs = said([DEBUG / "examples/bench_engine", "days", store, *days])
    first = runs[0]["cpu_s"]
    for r in runs:
        ratio = r["cpu_s"] / max(first, 1e-9)
        table.add(f"one new day after {r['history_days']} days of history, processor time", f"{1000 * r['cpu_s']:.0f} ms", f"after {runs[0]['history_days']}: {1000 * first:.0f} ms", f"{ratio:.2f}", "at most 1.10", ratio <= 1.1)
    runs_of_minutes = said([DEBUG / "examples/bench_engine", "minutes", store, *days])
    first = runs_of_minutes[0]["cpu_s"]
    for r in runs_of_minutes:
        ratio = r["cpu_s"] / max(first, 1e-9)
        table.add(f"a new minute after {r['history_days']} days, statistics beside it, processor time", f"{1000 * r['cpu_s']:.1f} ms", f"after {runs_of_minutes[0]['history_days']}: {1000 * first:.1f} ms", f"{ratio:.2f}", "at most 1.10", ratio <= 1.1)
    state = runs[-1]["state_bytes_a_loop"] / 1024
    table.add(f"blocks kept a loop, {days[-1]} days, on disk where memory is full", f"{state:.0f} KiB", "", "", "at most 32 KiB", state <= 32)


def minute(table, quick, rounds):
    for loops, days in ((500, 2),) if quick else ((1000, 2), (10000, 2), (10000, 30)):
        folder, store = site(f"loops-{loops}-{days}", loops=loops, days=days, period=600 if days < 10 else 1800)
        # The run adds to the store.
        copy = WORK / "minute"
        shutil.rmtree(copy, ignore_errors=True)
        shutil.copytree(store, copy)
        runs = said([DEBUG / "examples/bench_engine", "minute", copy])
        shutil.rmtree(copy)
        wall = best(runs, "wall_s")
        table.add(f"one new minute of {runs[0]['loops']} loops with {days} days until the findings are there", f"{best(runs):.2f} s of processor", f"of these landing {best(runs, 'landing_cpu_s'):.2f} s", "", "", None)
        table.add("the same, wall time", f"{wall:.2f} s", "", "", "at most 2 s at 1,000 readings/s", wall <= 2)
        anew = [r for r in runs if r["statistics_anew"]]
        if anew:
            table.add("the statistics made anew beside it", f"{best(anew, 'settled_cpu_s'):.2f} s of processor", f"{best(anew, 'settled_wall_s'):.2f} s of wall time", "", "", None)


def collector(table, quick, rounds):
    """The service on simulated gateways, all on this machine: 10,000 devices of 250 gateways, each read every 10 s."""
    gateways, minutes = (4, 1.2) if quick else (250, 5)
    command = [DEBUG / "examples/chaos", "--calm", "--gateways", gateways, "--devices", 40, "--modems", 20, "--poll", 10, "--minutes", minutes]
    done = subprocess.run(list(map(str, command)), capture_output=True, text=True)
    if done.returncode != 0:
        die(command, done.stderr)

    def number(pattern):
        found = re.search(pattern, done.stdout)
        return float(found.group(1)) if found else float("nan")

    what = f"collector, {gateways} gateways x 40 devices, 10 s"
    made, planned = number(r"([\d.]+) made over the last minute"), number(r"([\d.]+) fast reads a second planned")
    on_time, core = number(r"([\d.]+) % at most 1.1 periods"), number(r"processor ([\d.]+) % of one core")
    mib = number(r"peak ([\d.]+) MiB")
    table.add(f"{what}: reads a second", f"{made:.0f}", f"planned: {planned:.0f}", f"{made / planned:.3f}", "", None)
    table.add("rows on time (within 1.1 periods)", f"{on_time:.2f} %", "", "", "at least 99.5 %", on_time >= 99.5)
    table.add("share of a core, collection and assessment", f"{core:.1f} %", "", "", "under 30 %", core < 30)
    table.add("peak memory", f"{mib:.0f} MiB", "", "", "under 200 MiB", mib < 200)
    wait = number(r"from reading to result: median [\d.]+ s, 99 % ([\d.]+) s")
    usual = number(r"from reading to result: median ([\d.]+)")
    table.add(f"from reading to result at {made:.0f} readings/s, 99 %", f"{wait:.1f} s", f"median {usual:.1f} s", "", "at most 2 s", wait <= 2)


PARTS = {"assess": assess, "import": importing, "sizes": sizes, "compact": compact, "codec": codec, "landing": landing, "history": history, "minute": minute, "collector": collector}


def machine():
    model = next((x.split(":", 1)[1].strip() for x in open("/proc/cpuinfo") if x.startswith("model name")), platform.machine())
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return f"{len(os.sched_getaffinity(0))} processors ({model}), {memory:.0f} GiB, Linux {platform.release()}"


def engines():
    """The other engines, in an environment of their own, made anew when the pinned versions change."""
    wanted, mark = HERE / "requirements.txt", WORK / "venv/requirements.txt"
    if mark.exists() and mark.read_text() == wanted.read_text():
        return
    shutil.rmtree(WORK / "venv", ignore_errors=True)
    subprocess.run([sys.executable, "-m", "venv", WORK / "venv"], check=True)
    subprocess.run([PYTHON, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--requirement", wanted], check=True)
    shutil.copy(wanted, mark)


def main():
    args = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    args.add_argument("--quick", action="store_true", help="little data, one round: does everything still run?")
    args.add_argument("--only", help="parts, by commas: " + ", ".join(PARTS))
    args.add_argument("--table", type=Path, help="document whose table is written anew")
    args = args.parse_args()
    global WORK, PYTHON
    WORK.mkdir(parents=True, exist_ok=True)
    engines()
    if args.quick:
        # Its own small data.
        WORK = WORK / "quick"
        WORK.mkdir(exist_ok=True)
    table = Table()
    load = os.getloadavg()
    began = time.strftime("%Y-%m-%d")
    for name in args.only.split(",") if args.only else PARTS:
        PARTS[name](table, args.quick, 1 if args.quick else 5)
    now = os.getloadavg()
    note = f"{began}, {machine()}; load {load[0]:.1f} at the begin, {now[0]:.1f} at the end."
    print("\n" + note + "\n\n" + table.text())
    if args.table and not args.quick:
        begin, end = "<!-- figures: make bench -->\n", "<!-- end of figures -->"
        text = args.table.read_text()
        head, rest = text.split(begin, 1)
        tail = rest.split(end, 1)[1]
        args.table.write_text(f"{head}{begin}\n{note}\n\n{table.text()}\n\n{end}{tail}")


if __name__ == "__main__":
    main()
