"""What an assessment found of a fleet's truth: definitions in one place, figures out.

A finding is *found* when its kind is the fault's (or names the same thing), it overlaps the fault in time, and its
onset is not earlier than 20 % of the record before the true one. It is *neutral* when it is a true consequence of a
fault on the same loop, or a reported benign event; *early* when only its onset is wrong; else *false*.
Rates are per 1,000 loop-months of 30.44 days. The truth never reaches the program that is judged.
"""

import datetime
import json
import math
import statistics
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import Optional

HOUR = 3600.0
DAY = 86400.0
EARLIEST = 0.2       # share of the record by which an onset may come too early
DRIFT = "analog-digital-drift"
KINDS = (
    DRIFT, "stuck-value", "rising-errors", "no-reply", "fixed-current", "current-out-of-range",
    "noise-change", "device-status", "status-chatter", "restarts", "configuration-change", "peer-disagreement",
)

# A broken wire takes current and replies away together: either name is right.
SAME = {("no-reply", "current-lost"): {"current-out-of-range"}}

# What else is true on a loop that has the fault. The most specific entry counts: (kind, signal), (kind, cause),
# (kind, "current-lost"), then (kind, None).
CONSEQUENCES = {
    (DRIFT, None): {"peer-disagreement"},
    (DRIFT, "supply-limited"): {"peer-disagreement", "noise-change"},
    (DRIFT, "intermittent"): {"peer-disagreement", "noise-change"},
    (DRIFT, "scaling"): {"peer-disagreement", "noise-change", "configuration-change", "device-status"},
    ("stuck-value", "digital"): {DRIFT, "noise-change", "peer-disagreement"},
    ("stuck-value", "analog"): {DRIFT, "noise-change", "peer-disagreement", "fixed-current"},
    ("stuck-value", "both"): {"noise-change", "peer-disagreement", "fixed-current"},
    ("rising-errors", None): {"no-reply"},
    ("no-reply", None): {"rising-errors"},
    ("no-reply", "current-lost"): {"rising-errors", "stuck-value", "noise-change", "peer-disagreement"},
    ("fixed-current", None): {DRIFT, "stuck-value", "device-status", "noise-change", "peer-disagreement"},
    ("current-out-of-range", None): {DRIFT, "stuck-value", "device-status", "noise-change", "peer-disagreement"},
    ("noise-change", "rise"): {"peer-disagreement"},
    ("noise-change", "collapse"): {"stuck-value", "peer-disagreement"},
    ("device-status", "failure"): {"no-reply"},
    ("status-chatter", None): {"device-status"},
    ("restarts", None): {"device-status", "status-chatter", "rising-errors", "no-reply"},
    ("configuration-change", None): {"device-status"},
}
for level in ("failure-low", "failure-high"):
    CONSEQUENCES["current-out-of-range", level] = CONSEQUENCES["current-out-of-range", None] | {"fixed-current"}

# Benign event -> kinds that may be reported of it; True: only when marked as ended.
BENIGN = {
    "planned-maintenance": {"configuration-change": False, "fixed-current": True, "device-status": True},
    "overrange": {"current-out-of-range": True, "device-status": True},
    "cold-start-once": {"device-status": True},
    "more-status-always": {"device-status": False},
    "reboot": {"no-reply": True},
}

PURPOSE = {"safety": 3.0, "control": 2.0, "indication": 1.0}
GRAVITY = {"fixed-current": 0.9, "noise-change": 0.5, "status-chatter": 0.3, "restarts": 0.45, "configuration-change": 0.3}
STUCK = {"both": 0.9, "analog": 0.95, "digital": 0.6}
STATUS = {"failure": 0.85, "function-check": 0.5, "out-of-specification": 0.45, "maintenance-required": 0.35}


def seconds(text):
    """Seconds since 1970 of an RFC 3339 time; None stays None."""
    if text is None:
        return None
    text = text.replace("Z", "+00:00")
    whole, dot, rest = text.partition(".")
    if dot:
        digits = rest[: len(rest) - len(rest.lstrip("0123456789"))]
        text = f"{whole}.{digits[:6]:0<6}{rest[len(digits):]}"
    return datetime.datetime.fromisoformat(text).timestamp()


def specific(table, f):
    """The most specific entry of a table for a fault of the truth."""
    for what in (f.get("signal"), f.get("cause"), "current-lost" if f.get("current_lost") else None):
        if what is not None and (f["kind"], what) in table:
            return table[f["kind"], what]
    return table.get((f["kind"], None), set())


@dataclass
class Fault:
    truth: dict
    start: float
    stop: float
    ended: bool
    hit: Optional["Finding"] = None

    def __post_init__(self):
        self.kind = self.truth["kind"]
        self.names = {self.kind} | specific(SAME, self.truth)
        self.consequences = specific(CONSEQUENCES, self.truth)

    def gravity(self):
        """0..1, how badly the measurement or its witness is lost, however easy it is to see."""
        t = self.truth
        if self.kind == DRIFT:
            times = abs(t.get("deviation_pct_worst") or t.get("magnitude") or 0.0) / t["tolerance_pct"]
            return min(1.0, 0.15 + 0.25 * times if times < 1 else 0.4 + 0.12 * (times - 1))
        if self.kind == "stuck-value":
            return STUCK[t["signal"]]
        if self.kind == "current-out-of-range":
            return 1.0 if t["cause"].startswith("failure") else 0.7
        if self.kind == "rising-errors":
            return min(0.6, 0.15 + 1.2 * (t.get("final_share") or 0.05))
        if self.kind == "no-reply":
            return 0.95 if t.get("current_lost") else 0.6
        if self.kind == "device-status":
            return STATUS.get(t["cause"], 0.4)
        if self.kind == "peer-disagreement":
            return min(1.0, 0.3 + 0.12 * abs(t["magnitude"]))
        return GRAVITY[self.kind]


@dataclass
class Finding:
    said: dict
    tag: str
    onset: float
    low: float
    ended: Optional[float]
    verdict: str = ""

    def __post_init__(self):
        self.kind = self.said["kind"]


@dataclass
class Score:
    """Counts and figures of one fleet."""
    name: str
    months: float
    faults: Counter = field(default_factory=Counter)      # (what, which) -> faults
    found: Counter = field(default_factory=Counter)
    false: Counter = field(default_factory=Counter)       # kind -> findings
    onset_error_h: dict = field(default_factory=lambda: defaultdict(list))
    figures: dict = field(default_factory=dict)           # name -> number or None
    missed: list = field(default_factory=list)
    false_list: list = field(default_factory=list)
    common: list = field(default_factory=list)
    problems: list = field(default_factory=list)

    def recall(self, what, which):
        n = self.faults[what, which]
        return self.found[what, which] / n if n else None


class Judge:
    """One truth against one result."""

    def __init__(self, truth, result):
        self.truth, self.result = truth, result
        self.start, self.end = seconds(truth["from"]), seconds(truth["to"])
        said_to = seconds(result.get("to"))
        # Assessed at an earlier time: only what had begun by then counts.
        self.early_look = said_to is not None and said_to < self.end - 6 * HOUR
        if self.early_look:
            self.end = said_to
        self.record = self.end - self.start
        self.faults = [self.fault(f) for f in truth["faults"] if not f.get("undetectable") and seconds(f["onset"]) < self.end]
        self.by_tag = defaultdict(list)
        for f in self.faults:
            self.by_tag[f.truth["tag"]].append(f)
        self.traceless = {f["tag"] for f in truth["faults"] if f.get("undetectable")}
        self.benign = defaultdict(list)
        for b in truth.get("benign", []):
            self.benign[b["tag"]].append((b["what"], seconds(b["from"]), seconds(b["to"])))
        for e in truth.get("events", []):
            for tag in e.get("tags", []):
                self.benign[tag].append((e["what"], seconds(e["from"]), seconds(e["to"])))

    def fault(self, f):
        start, stop = seconds(f["onset"]), seconds(f["end"])
        stop_in_record = self.end if stop is None else min(stop, self.end)
        if f["kind"] == "configuration-change":
            stop_in_record = max(stop_in_record, start + DAY)
        return Fault(f, start, stop_in_record, stop is not None and stop <= self.end)

    def findings(self, score):
        out, order = [], []
        last = math.inf
        for place, entry in enumerate(self.result.get("attention", []), 1):
            tag = entry["tag"]
            if entry.get("rank", place) != place:
                score.problems.append(f"rank {entry['rank']} at place {place}")
            if entry.get("score", 0.0) > last + 1e-9:
                score.problems.append(f"score rises at place {place}")
            last = entry.get("score", last)
            if tag in order:
                score.problems.append(f"{tag} twice")
                continue
            order.append(tag)
            if not entry.get("findings"):
                score.problems.append(f"{tag} without a finding")
            for said in entry.get("findings", []):
                if said.get("kind") not in KINDS:
                    score.problems.append(f"{tag}: kind {said.get('kind')}")
                    continue
                onset = seconds(said.get("onset")) or self.start
                low = min(seconds(said.get("onset_low")) or onset, onset)
                out.append(Finding(said, tag, onset, low, seconds(said.get("ended"))))
        return out, order

    def fits(self, fault, kinds, finding, any_onset=False):
        last = self.end if finding.ended is None else finding.ended
        return (
            finding.kind in kinds
            and finding.low <= fault.stop + HOUR
            and last >= fault.start
            and (any_onset or finding.onset >= fault.start - EARLIEST * self.record)
        )

    def explained_by_benign(self, finding):
        last = self.end if finding.ended is None else finding.ended
        for what, start, stop in self.benign[finding.tag]:
            must_end = BENIGN.get(what, {}).get(finding.kind)
            if must_end is None:
                continue
            near = (
                finding.low <= stop + 2 * HOUR and last >= start - 600
                and start - DAY <= finding.onset <= stop + DAY
            )
            if near and (not must_end or finding.ended is not None or stop > self.end - DAY):
                return True
        return False

    def verdict(self, finding):
        faults = self.by_tag[finding.tag]
        if any(self.fits(f, f.names, finding) for f in faults):
            return "found"
        if any(self.fits(f, f.consequences, finding) for f in faults):
            return "neutral"
        if finding.tag in self.traceless and finding.kind == DRIFT:
            return "neutral"
        if any(self.fits(f, f.names, finding, any_onset=True) for f in faults):
            return "early"
        return "neutral" if self.explained_by_benign(finding) else "false"

    def best(self, fault, findings):
        """The finding that names the fault best: right kind, right cause or signal, nearest onset."""
        fitting = [x for x in findings if self.fits(fault, fault.names, x)]
        word = {DRIFT: "cause", "stuck-value": "signal"}.get(fault.kind)

        def order(x):
            wrong_word = word is not None and x.said.get(word) != fault.truth[word]
            return (x.kind != fault.kind, wrong_word, abs(x.onset - fault.start))

        return min(fitting, key=order, default=None)

    def judge(self, name):
        s = Score(name, self.truth["loops"] * self.record / DAY / 30.44)
        findings, order = self.findings(s)
        per_tag = defaultdict(list)
        for x in findings:
            x.verdict = self.verdict(x)
            per_tag[x.tag].append(x)
            if x.verdict == "false":
                s.false[x.kind] += 1
                keep = ("kind", "cause", "signal", "onset", "ended", "deviation_pct", "confidence")
                s.false_list.append({"tag": x.tag, **{k: x.said.get(k) for k in keep}})
        for f in self.faults:
            f.hit = self.best(f, per_tag[f.truth["tag"]])
            groups = [("all", ""), ("kind", f.kind), ("variant", f.truth["variant"])]
            if f.truth.get("cause"):
                groups.append(("cause", f"{f.kind} / {f.truth['cause']}"))
            if f.truth.get("signal"):
                groups.append(("signal", f.truth["signal"]))
            if f.kind == DRIFT:
                times = abs(f.truth.get("deviation_pct_worst") or f.truth.get("magnitude") or 0.0) / f.truth["tolerance_pct"]
                groups.append(("size", "below 0.7" if times < 0.7 else "0.7 to 1.5" if times < 1.5 else "above 1.5"))
            for g in groups:
                s.faults[g] += 1
                s.found[g] += f.hit is not None
            if f.hit:
                s.onset_error_h[f.kind].append(abs(f.hit.onset - f.start) / HOUR)
            else:
                keep = ("id", "tag", "kind", "variant", "cause", "signal", "onset", "end", "magnitude", "tolerance_pct", "deviation_pct_end")
                s.missed.append({k: f.truth.get(k) for k in keep})
        fig = s.figures
        fig["recall"] = s.recall("all", "")
        kinds = [r for k in KINDS if (r := s.recall("kind", k)) is not None]
        fig["recall, mean over kinds"] = statistics.mean(kinds) if kinds else None
        fig["false findings / 1,000 loop-months"] = 1000 * sum(s.false.values()) / s.months
        fig["onset too early"] = sum(x.verdict == "early" for x in findings)
        faulty = {t for t, v in self.by_tag.items() if v}
        fig["loops with only false findings"] = sum(
            t not in faulty and any(x.verdict == "false" for x in per_tag[t]) for t in order
        )
        k = len(faulty)
        fig["precision at k"] = sum(t in faulty for t in order[:k]) / k if k else None
        fig["NDCG"] = self.ndcg(order)
        self.drifts(fig)
        stuck = [f for f in self.faults if f.kind == "stuck-value" and f.hit]
        fig["stuck signal right"] = (
            sum(f.hit.said.get("signal") == f.truth["signal"] for f in stuck) / len(stuck) if stuck else None
        )
        errors = [e for v in s.onset_error_h.values() for e in v]
        fig["onset error, median h"] = statistics.median(errors) if errors else None
        self.forecasts(fig)
        self.commons(s)
        return s

    def ndcg(self, order):
        gain = defaultdict(float)
        for f in self.faults:
            over = f.stop < self.end and f.kind != "configuration-change"   # what is over can wait
            worth = (0.5 if over else 1.0) * f.gravity() * PURPOSE.get(f.truth["criticality"], 1.0)
            tag = f.truth["tag"]
            gain[tag] = max(gain[tag], worth)
        ideal = sum(g / math.log2(i + 2) for i, g in enumerate(sorted(gain.values(), reverse=True)))
        got = sum(gain.get(t, 0.0) / math.log2(i + 2) for i, t in enumerate(order))
        return got / ideal if ideal else None

    def drifts(self, fig):
        hit = [f for f in self.faults if f.kind == DRIFT and f.hit]
        fig["drift cause right"] = (
            sum(f.hit.said.get("cause") == f.truth["cause"] for f in hit) / len(hit) if hit else None
        )
        sizes = []
        for f in hit:
            said = f.hit.said.get("deviation_pct")
            true = [x for x in (f.truth.get("deviation_pct_end"), f.truth.get("deviation_pct_worst")) if x is not None]
            if said is not None and true and not self.early_look:
                sizes.append(min(abs(abs(said) - abs(x)) for x in true))
        fig["drift size error, median % of span"] = statistics.median(sizes) if sizes else None

    def forecasts(self, fig):
        """Of the drifts that will cross the tolerance within three records: date given, and inside the interval."""
        due = given = inside = inside_offset = 0
        widths = []
        for f in self.faults:
            t = f.truth
            if f.kind != DRIFT or t["profile"] == "step" or f.ended or not f.hit:
                continue
            alone = [seconds(t[k]) for k in ("reaches_tolerance_at", "reaches_tolerance_at_operating_point") if t.get(k)]
            if not alone or not self.end < max(alone) < self.end + 3 * self.record:
                continue
            due += 1
            low, high = (seconds(f.hit.said.get(k)) for k in ("reaches_tolerance_low", "reaches_tolerance_high"))
            if low is None and high is None:
                continue
            given += 1
            low, high = -math.inf if low is None else low, math.inf if high is None else high

            def covers(dates):
                return any(low <= d <= high for d in dates) or (min(dates) <= self.end and low <= self.end)

            # With the error that the loop had before the fault; the two dates differ where that is not small.
            total = [seconds(t[k]) for k in ("reaches_tolerance_with_standing_offset_at",
                                             "reaches_tolerance_with_standing_offset_at_operating_point") if t.get(k)]
            inside += covers(alone)
            inside_offset += covers(total or alone)
            if math.isfinite(low) and math.isfinite(high):
                widths.append((high - low) / DAY)
        fig["forecasts due"], fig["forecasts given"] = due, given
        fig["forecasts inside, fault alone"] = inside
        fig["forecasts inside, with standing offset"] = inside_offset
        fig["forecast width, median days"] = statistics.median(widths) if widths else None

    def commons(self, s):
        true = [c for c in self.truth.get("common_causes", []) if seconds(c["onset"]) < self.end]
        said = self.result.get("common_causes") or []
        used, results = set(), Counter()
        for c in true:
            want = set(c["tags"])
            kinds = {c["kind"]}.union(*(f.names | f.consequences for f in self.faults if f.truth.get("common") == c["id"]))
            best = "missed"
            for n, p in enumerate(said):
                got = set(p.get("tags", []))
                both = len(want & got)
                if p.get("kind") not in kinds or not both:
                    continue
                same_name = p.get("name") == c["name"] or c["scope"] == "device_revision"
                if p.get("scope") == c["scope"] and same_name and both >= max(2, 0.4 * len(want)):
                    best = "exact"
                    used.add(n)
                elif both / len(want | got) >= 0.5:
                    best = "exact" if best == "exact" else "other scope"
                    used.add(n)
                elif both / len(got) >= 0.6:
                    used.add(n)                # nested in a true one: redundant, not false
            results[best] += 1
            s.common.append({"scope": c["scope"], "name": c["name"], "kind": c["kind"], "result": best})
        fig = s.figures
        fig["common causes"] = len(true)
        fig["common causes exact"] = results["exact"]
        fig["common causes, other scope"] = results["other scope"]
        fig["common causes false"] = len(said) - len(used)
        s.common += [
            {**{k: p.get(k) for k in ("scope", "name", "kind", "affected", "members", "p_value")}, "result": "false"}
            for n, p in enumerate(said) if n not in used
        ]


def score(truth_path, result_path, name=""):
    """Score of two JSON files."""
    with open(truth_path, encoding="utf-8") as t, open(result_path, encoding="utf-8") as r:
        truth, result = json.load(t), json.load(r)
    return Judge(truth, result).judge(name)
