// The ranked list. Importance is order, words and length; the list is one figure with one time axis.

import { computed, signal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import { Fleet } from "../figures/fleet";
import { DAY, count, day, pct } from "../format";
import { unjudgedLoops } from "../frame";
import { type Entry, type Filter, entriesOf, filtered } from "../entries";
import { query, setParam } from "../route";
import { assessment, axisFrom, now, trouble } from "../state";
import type { Assessment } from "../types";
import { KIND_NAMES, PURPOSE_NAMES, countWord, kindWords, plural, purposeWords } from "../words";
import { EntryRow } from "./entryrow";

const PAGE = 200;
const shown = signal(PAGE);
const entries = computed<Entry[]>(() => (assessment.value ? entriesOf(assessment.value) : []));
const filter = computed<Filter>(() => {
  const q = query.value;
  return { area: q.get("area") ?? "", kind: q.get("kind") ?? "", purpose: q.get("criticality") ?? "", find: q.get("find") ?? "" };
});
const passing = computed(() => filtered(entries.value, filter.value));

export function Attention() {
  const a = assessment.value;
  useEffect(() => {
    document.title = "Attention, Loopwitness";
    shown.value = PAGE;
    addEventListener("keydown", keys);
    return () => removeEventListener("keydown", keys);
  }, []);
  if (a === null) return <Waiting />;
  return (
    <div class="att">
      <Lead a={a} />
      <Fleet />
      {a.attention.length > 0 && <List a={a} />}
    </div>
  );
}

export function Waiting() {
  return (
    <section class="lead" aria-live="polite">
      <h1 tabIndex={-1}>{trouble.value === null ? "Reading the newest result." : "There is no result to show yet."}</h1>
      {trouble.value !== null && <p class="sub">{trouble.value} This page asks again every ten seconds.</p>}
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
      {a.loops === 0 ? (
        <p class="sub">
          Give the program a register (<code>loops.csv</code>) or a gateway address; the first judgement needs about five days of running.
        </p>
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
      {a.loops > 0 && Number.isFinite(days) && days < 14 && (
        <p class="sub">
          This record is {count(days)} {plural(days, "day", "days")} old. Slow drift needs about 14: until then its dates are wide, and the slowest is not seen.
        </p>
      )}
      {a.rejected > 0 && (
        <p class="sub">
          {count(a.rejected)} {plural(a.rejected, "row was", "rows were")} rejected ({pct((100 * a.rejected) / (a.readings + a.rejected), 2)} of what came); each stands with its reason in the store's folder <code>rejects</code>.
        </p>
      )}
    </section>
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
        <AxisHead line={`${count(rows.length)} of ${count(total)} ${plural(total, "entry", "entries")}`} />
        {rows.slice(0, shown.value).map((e) => (
          <EntryRow key={e.key} entry={e} />
        ))}
        {rows.length > shown.value && (
          <p class="more">
            <button type="button" onClick={() => (shown.value += PAGE)}>
              Show the next {count(Math.min(PAGE, rows.length - shown.value))} of {count(rows.length - shown.value)}
            </button>
          </p>
        )}
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

/** Marks of the shared axis: about five dates of the record, now, and where the drawn time ends. */
export function axisTicks(from: number, to: number): { x: number; text: string }[] {
  const days = (to - from) / DAY;
  const step = [1, 2, 7, 14, 28].find((s) => days / s <= 6) ?? 28;
  const out: { x: number; text: string }[] = [];
  for (let t = to - step * DAY; t >= from + 0.04 * (to - from); t -= step * DAY) {
    if ((to - t) / (to - from) > 0.12) out.push({ x: (200 / 3) * ((t - from) / (to - from)), text: day(t, to) });
  }
  return out;
}

function AxisHead({ line }: { line: string }) {
  const from = axisFrom.value;
  const to = now.value;
  const ahead = (to - from) / 2 / DAY;
  return (
    <div class="axh">
      <span class="rk" />
      <span class="tx">{line}</span>
      <span class="fg">
        <span class="bx">
          {axisTicks(from, to).map((t) => (
            <span key={t.text} style={{ left: `${t.x}%` }}>
              {t.text}
            </span>
          ))}
          <span class="now" style={{ left: "66.667%" }}>
            now
          </span>
          <span class="nx">{ahead >= 1 ? `${count(Math.floor(ahead))} ${plural(Math.floor(ahead), "day", "days")} on` : "12 h on"}</span>
        </span>
      </span>
      <span class="at">attention</span>
    </div>
  );
}

const open = signal(false);

function Filters({ a }: { a: Assessment }) {
  const f = filter.value;
  const areas = [...new Set(a.attention.map((r) => r.area).filter((x): x is string => !!x))].sort();
  const kinds = [...new Set([...KIND_NAMES, ...a.attention.flatMap((r) => r.findings.map((x) => x.kind))])];
  const present = new Set(a.attention.flatMap((r) => r.findings.map((x) => x.kind)));
  const choose = (name: string) => (e: Event) => {
    shown.value = PAGE;
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
      <span class="as">
        <a href="/api/v1/attention">JSON</a>
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
      The time axis and the height of a tolerance band are the same in every row. Attention = real × purpose × soon × lasting: how probable the finding is, what the loop is for, how soon or how much of the measurement is lost, and less once it has ended. Keys: / to find, j and k along the rows.
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
