// The ranked list. Importance is order, words and length; the list is one figure with one time axis.

import { computed, signal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import { Fleet } from "../figures/fleet";
import { loopPath } from "../api";
import { csvOf, saveAs } from "../csv";
import { DAY, byName, count, ms, smallPct } from "../format";
import { before, looked, sinceLook } from "../look";
import { When } from "../said";
import { unjudgedLoops } from "../frame";
import { type Entry, type Filter, entriesOf, filtered, leadFinding } from "../entries";
import { query, setParam } from "../route";
import { assessment, now, shutOut, trouble } from "../state";
import type { Assessment, Finding } from "../types";
import { KIND_NAMES, PURPOSE_NAMES, countWord, kindWords, plural, purposeWords } from "../words";
import { AxisHead } from "./axishead";
import { EntryRow } from "./entryrow";
import { FirstRun } from "./firstrun";

/** Rows made at first: more than a window shows; and at once as the reader comes near the last one. */
const FIRST = 20;
const PAGE = 60;
const MOST_ON_PAPER = 500;
const shown = signal(FIRST);
const entries = computed<Entry[]>(() => (assessment.value ? entriesOf(assessment.value) : []));
const filter = computed<Filter>(() => {
  const q = query.value;
  return { area: q.get("area") ?? "", kind: q.get("kind") ?? "", purpose: q.get("criticality") ?? "", find: q.get("find") ?? "" };
});
const ORDERS: Record<string, (a: Entry, b: Entry) => number> = {
  newest: (a, b) => ms(lead(b)?.onset) - ms(lead(a)?.onset),
  soonest: (a, b) => left(a) - left(b) || a.place - b.place,
  tag: (a, b) => byName(nameOf(a), nameOf(b)),
  area: (a, b) => byName(a.rows[0]?.area ?? "", b.rows[0]?.area ?? "") || a.place - b.place,
};
const lead = (e: Entry): Finding | undefined => (e.rows[0] ? leadFinding(e.rows[0], e.cause) : undefined);
const nameOf = (e: Entry): string => e.cause?.name ?? e.rows[0]?.tag ?? "";
/** When the tolerance is reached; what is lost already comes first, what has no date last. */
function left(e: Entry): number {
  const f = lead(e);
  if (!f || !e.lasting) return Number.MAX_VALUE;
  const at = ms(f.reaches_tolerance_at);
  return Number.isFinite(at) ? at : LOST.has(f.kind) ? 0 : Number.MAX_VALUE / 2;
}
const LOST: ReadonlySet<string> = new Set(["no-reply", "current-out-of-range", "fixed-current", "stuck-value"]);
const passing = computed(() => {
  const list = filtered(entries.value, filter.value);
  const order = ORDERS[query.value.get("order") ?? ""];
  return order ? list.sort(order) : list;
});

export function Attention() {
  const a = assessment.value;
  useEffect(() => {
    document.title = "Attention, Loopwitness";
    shown.value = FIRST;
    const onPaper = () => {
      shown.value = Math.max(shown.peek(), MOST_ON_PAPER);
    };
    addEventListener("keydown", keys);
    addEventListener("beforeprint", onPaper);
    return () => {
      removeEventListener("keydown", keys);
      removeEventListener("beforeprint", onPaper);
    };
  }, []);
  const list = entries.value;
  useEffect(() => {
    if (a !== null) looked(list, Date.now());
  }, [a, list]);
  if (a === null) return <Waiting />;
  return (
    <div class="att">
      <Lead a={a} />
      <Fleet />
      {(a.loops === 0 || a.readings === 0) && <FirstRun a={a} />}
      {a.attention.length > 0 && <List a={a} />}
    </div>
  );
}

export function Waiting() {
  return (
    <section class="lead" aria-live="polite">
      <h1 tabIndex={-1}>{trouble.value === null ? "Reading the newest result." : "There is no result to show yet."}</h1>
      {trouble.value !== null && (
        <p class="sub">
          {trouble.value} {shutOut.value ? <a href="/sign-in">Sign in</a> : "This page asks again every ten seconds."}
        </p>
      )}
    </section>
  );
}

function Lead({ a }: { a: Assessment }) {
  const all = entries.value;
  const lasting = all.filter((e) => e.lasting);
  const loops = new Set(lasting.flatMap((e) => e.rows.map((r) => r.tag))).size;
  const safety = new Set(lasting.flatMap((e) => e.rows.filter((r) => r.criticality === "safety").map((r) => r.tag))).size;
  const unjudged = unjudgedLoops();
  const partly = new Set(a.not_judged.filter((n) => n.what !== "all").map((n) => n.tag)).size;
  const quiet = Math.max(0, a.loops - a.attention.length - unjudged);
  const days = Math.floor((now.value - Date.parse(a.from ?? "")) / DAY);
  const folded = new Set(a.common_causes.flatMap((c) => c.tags)).size;
  const ended = all.length - lasting.length;
  let head: string;
  if (a.loops === 0) head = "No loops yet.";
  else if (a.readings === 0) head = `${countWord(a.loops, count)} ${plural(a.loops, "loop is", "loops are")} in the register, and no reading has come yet.`;
  else if (lasting.length === 0) head = ended === 0 ? "Nothing asks for attention." : "Nothing asks for attention now.";
  else {
    const matters = `${countWord(lasting.length, count)} ${plural(lasting.length, "matter", "matters")} in ${count(loops)} ${plural(loops, "loop", "loops")} ${plural(lasting.length, "asks", "ask")} for attention.`;
    head = safety > 0 ? `${matters} ${countWord(safety, count)} of the loops ${plural(safety, "is a safety loop", "are safety loops")}.` : matters;
  }
  return (
    <section class="lead">
      <h1 tabIndex={-1}>{head}</h1>
      {a.loops === 0 || a.readings === 0 ? (
        <p class="sub">Nothing is judged yet, and that says nothing about the plant.</p>
      ) : (
        <p class="sub">
          {count(quiet)} {plural(quiet, "loop was", "loops were")} watched{Number.isFinite(days) && days > 0 ? ` for ${count(days)} ${plural(days, "day", "days")}` : ""} and gave nothing.{" "}
          {unjudged > 0 ? `${countWord(unjudged, count)} cannot be judged at all, ` : ""}
          {unjudged > 0 ? count(partly) : countWord(partly, count)} {unjudged > 0 ? "only in part" : "can be judged only in part"}: <a href="/not-judged">which, and why</a>.
          {a.common_causes.length > 0 &&
            ` ${countWord(a.common_causes.length, count)} common ${plural(a.common_causes.length, "cause", "causes")} in the wiring or the device type ${plural(a.common_causes.length, "takes", "take")} in ${count(folded)} loops.`}
          {ended > 0 && ` ${countWord(ended, count)} ${plural(ended, "matter", "matters")} began and ended within the record; ${plural(ended, "it stands", "they stand")} in grey.`}
        </p>
      )}
      <SinceLook />
      {noAnalog(a) && (
        <p class="sub">There are readings but no analog input. Errors, status, restarts and stuck values are judged; the difference is not, for any loop. An input is added under [[analog]] in site.toml.</p>
      )}
      {a.loops > 0 && Number.isFinite(days) && days < 14 && (
        <p class="sub">
          This record is {count(days)} {plural(days, "day", "days")} old. Slow drift needs about 14: until then its dates are wide, and the slowest is not seen.
        </p>
      )}
      {a.rejected > 0 && (
        <p class="sub">
          {count(a.rejected)} {plural(a.rejected, "row was", "rows were")} rejected ({smallPct((100 * a.rejected) / (a.readings + a.rejected))} of what came); each stands with its reason in the store's folder <code>rejects</code>.
        </p>
      )}
    </section>
  );
}

/** Not one loop has a current at the input. */
function noAnalog(a: Assessment): boolean {
  const without = new Set(a.not_judged.filter((n) => n.why === "no analog source").map((n) => n.tag)).size;
  return a.readings > 0 && a.loops > 0 && without >= a.loops - new Set(a.not_judged.filter((n) => n.what === "all").map((n) => n.tag)).size && without > 0;
}

const NAMED = 4;

/** What is new to this reader: the list as it was at the last look against the list now. */
function SinceLook() {
  const look = before.value;
  if (!look) return null;
  const s = sinceLook(entries.value, look);
  const names = (list: readonly { key: string; tag: string | null; name: string }[]) => (
    <>
      {list.slice(0, NAMED).map((x, i) => (
        <>
          {i > 0 && (i === Math.min(NAMED, list.length) - 1 && list.length <= NAMED ? " and " : ", ")}
          {x.tag === null ? x.name : <a href={loopPath(x.tag)}>{x.name}</a>}
        </>
      ))}
      {list.length > NAMED && ` and ${count(list.length - NAMED)} more`}
    </>
  );
  const of = (e: Entry) => ({ key: e.key, tag: e.cause ? null : (e.rows[0]?.tag ?? null), name: nameOf(e) });
  const gone = s.ended.filter((key) => !key.includes(":"));
  return (
    <p class="sub since">
      <i>Since your last look,</i> <When t={look.at} />:{" "}
      {s.fresh.length === 0 && s.risen.length === 0 && s.ended.length === 0 && "nothing has changed on the list."}
      {s.fresh.length > 0 && (
        <>
          {names(s.fresh.map(of))} {plural(s.fresh.length, "is", "are")} new.{" "}
        </>
      )}
      {s.risen.slice(0, 2).map((r) => (
        <>
          {names([of(r.entry)])} rose from place {count(r.was)} to {count(r.entry.place)}.{" "}
        </>
      ))}
      {gone.length > 0 && (
        <>
          {names(gone.map((tag) => ({ key: tag, tag, name: tag })))} {plural(gone.length, "asks", "ask")} no more.
        </>
      )}
    </p>
  );
}

function saveSeen(list: readonly Entry[]): void {
  const rows = list.flatMap((e) => e.rows.map((r) => ({ e, r, f: leadFinding(r, e.cause) })));
  saveAs(
    "attention-seen.csv",
    csvOf(
      ["place", "tag", "service", "area", "criticality", "score", "kind", "cause", "since", "ended", "deviation_pct", "rate_pct_per_day", "reaches_tolerance_at", "common_cause", "why"],
      rows.map(({ e, r, f }) => [e.place, r.tag, r.service, r.area, r.criticality, r.score, f?.kind, f?.cause, f?.onset, f?.ended, f?.deviation_pct, f?.rate_pct_per_day, f?.reaches_tolerance_at, e.cause?.name, r.why]),
    ),
  );
}

function List({ a }: { a: Assessment }) {
  const rows = passing.value;
  const total = entries.value.length;
  const f = filter.value;
  return (
    <>
      <Filters a={a} />
      <section aria-label="What asks for attention" class="list">
        <AxisHead last="attention" line={`${count(rows.length)} of ${count(total)} ${plural(total, "entry", "entries")}`} />
        {rows.slice(0, shown.value).map((e) => (
          <EntryRow key={e.key} entry={e} />
        ))}
        {rows.length > shown.value && <More key={shown.value} left={rows.length - shown.value} />}
        {rows.length === 0 && (
          <p class="none">
            No entry fits {[f.find && `“${f.find}”`, f.area, f.kind && kindWords(f.kind), f.purpose && purposeWords(f.purpose)].filter(Boolean).join(", ")}. {count(total)} entries without the filter.
          </p>
        )}
      </section>
      <Key />
    </>
  );
}

function More({ left }: { left: number }) {
  const ref = useRef<HTMLParagraphElement>(null);
  useEffect(() => {
    const el = ref.current;
    if (!el) return undefined;
    const watch = new IntersectionObserver((seen) => seen.some((s) => s.isIntersecting) && (shown.value += PAGE), { rootMargin: "900px" });
    watch.observe(el);
    return () => watch.disconnect();
  }, []);
  return (
    <p class="more" ref={ref}>
      <button type="button" onClick={() => (shown.value += PAGE)}>
        Show the next {count(Math.min(PAGE, left))} of {count(left)}
      </button>
    </p>
  );
}

const open = signal(false);

function Filters({ a }: { a: Assessment }) {
  const f = filter.value;
  const areas = [...new Set(a.attention.map((r) => r.area).filter((x): x is string => !!x))].sort();
  const kinds = [...new Set([...KIND_NAMES, ...a.attention.flatMap((r) => r.findings.map((x) => x.kind))])];
  const present = new Set<string>(a.attention.flatMap((r) => r.findings.map((x) => x.kind)));
  const choose = (name: string) => (e: Event) => {
    shown.value = FIRST;
    setParam(name, (e.currentTarget as HTMLInputElement).value);
  };
  return (
    <form class={open.value ? "filt open" : "filt"} role="search" aria-label="Which entries" onSubmit={(e) => e.preventDefault()}>
      <label>
        Find
        <input id="find" type="search" value={f.find} placeholder="tag or word" onInput={choose("find")} />
      </label>
      <button type="button" class="fold-filter" aria-expanded={open.value} onClick={() => (open.value = !open.value)}>
        filter{f.area || f.kind || f.purpose ? " (set)" : ""}
      </button>
      <label class="sel">
        Area
        <select value={f.area} onChange={choose("area")}>
          <option value="">every area</option>
          {areas.map((x) => (
            <option key={x} value={x}>
              {x}
            </option>
          ))}
        </select>
      </label>
      <label class="sel">
        Kind
        <select value={f.kind} onChange={choose("kind")}>
          <option value="">every kind</option>
          {kinds.map((x) => (
            <option key={x} value={x} disabled={!present.has(x)}>
              {kindWords(x)}
            </option>
          ))}
        </select>
      </label>
      <label class="sel">
        For
        <select value={f.purpose} onChange={choose("criticality")}>
          <option value="">any purpose</option>
          {PURPOSE_NAMES.map((x) => (
            <option key={x} value={x}>
              {purposeWords(x)}
            </option>
          ))}
        </select>
      </label>
      <label class="sel">
        Order
        <select value={query.value.get("order") ?? ""} onChange={choose("order")}>
          <option value="">by attention</option>
          <option value="newest">newest first</option>
          <option value="soonest">least time left first</option>
          <option value="tag">by name</option>
          <option value="area">by area</option>
        </select>
      </label>
      <span class="as">
        <button type="button" onClick={() => saveSeen(passing.value)}>
          CSV
        </button>
        <a href="/api/v1/attention">JSON</a>
        <a href="/api/v1/reports" target="_blank" rel="noopener">
          print
        </a>
      </span>
    </form>
  );
}

function Key() {
  return (
    <div class="key">
      <span class="kp">
        <i class="k band" />
        tolerance, or what is usual for this loop
      </span>
      <span class="kp">
        <i class="k ons" />
        onset, with its interval
      </span>
      <span class="kp">
        <i class="k fan" />
        middle 80 % of samples; forecast, 80 %
      </span>
      <span class="kp">
        <i class="k hit" />
        when tolerance is reached
      </span>
      <span class="kp">
        <i class="k exc" />
        beyond the band
      </span>
      <br />
      The time axis and the height of a tolerance band are the same in every row. <a href="/glossary?find=attention#attention">Attention</a> = real × purpose × soon × lasting: how probable the finding is, what the loop is for, how soon or how much of the measurement is lost, and less once it has ended. Keys: / to find, j and k along the rows.
    </div>
  );
}

function keys(e: KeyboardEvent): void {
  const t = e.target;
  if (e.ctrlKey || e.metaKey || e.altKey || t instanceof HTMLInputElement || t instanceof HTMLSelectElement) return;
  if (e.key === "/") {
    e.preventDefault();
    document.getElementById("find")?.focus();
  } else if (e.key === "j" || e.key === "k") {
    const links = [...document.querySelectorAll<HTMLElement>(".row h2 .tag")];
    const here = links.findIndex((l) => l.closest(".row")?.contains(document.activeElement));
    const next = e.key === "j" ? here + 1 : Math.max(0, here - 1);
    links[next]?.focus();
  }
}
