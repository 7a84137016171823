// Fig. 2 of a loop's sheet: the twin trace with its cursor, its time that can be moved and narrowed, its sentence and its
// numbers as a table.

import { useEffect, useMemo, useState } from "preact/hooks";
import { since } from "../entries";
import { type Poll, Twin } from "../figures/twin";
import { DAY, HOUR, clock, count, day, instant, ma, ms, num, pct, rangeDecimals, signedPct, span, utc, ordinal, unitWords } from "../format";
import { query, setParams } from "../route";
import { differencePct, registeredMa } from "../scale";
import type { Finding, LoopEntry, Trace, Work } from "../types";
import { findingWords, plural } from "../words";

const RANGES: readonly (readonly [string, string, number])[] = [
  ["6h", "6 h", 6 * HOUR],
  ["7d", "7 d", 7 * DAY],
  ["30d", "30 d", 30 * DAY],
  ["60d", "60 d", 60 * DAY],
  ["1y", "1 y", 365 * DAY],
];
const SHORTEST = 10 * 60_000;
/** Up to this long the difference is drawn poll by poll. */
const FINE = 12 * HOUR;

export interface View {
  from: number;
  to: number;
  /** Name of the range; empty for a time of its own. */
  range: string;
  step: "1h" | "6h" | "1d";
  fine: boolean;
  record: number;
  /** The view ends with the record, and goes on with it. */
  live: boolean;
}

/** The time shown, from the address: `range`, or `from` and `to`. */
export function useView(record: number, now: number): View {
  const q = query.value;
  const whole = Math.max(record, 6 * HOUR);
  const [a, b] = [ms(q.get("from")), ms(q.get("to"))];
  if (Number.isFinite(a) && Number.isFinite(b) && b - a >= SHORTEST / 2) {
    const to = Math.min(b, now);
    return make(Math.max(now - whole, Math.min(a, to - SHORTEST)), to, "");
  }
  const fallback = record > 10 * DAY ? "30d" : record > 1.5 * DAY ? "7d" : "6h";
  const [key, , length] = RANGES.find(([k]) => k === (q.get("range") ?? fallback)) ?? RANGES[2] ?? ["30d", "30 d", 30 * DAY];
  // A record shorter than the range fills the figure.
  return make(record > 0 ? Math.max(now - length, Math.min(now - record, now - 6 * HOUR)) : now - length, now, key);

  function make(from: number, to: number, range: string): View {
    const length = to - from;
    return { from, to, range, step: length <= 10.5 * DAY ? "1h" : length <= 100 * DAY ? "6h" : "1d", fine: length <= FINE, record, live: range !== "" };
  }
}

function show(from: number, to: number, view: View, now: number): void {
  const whole = Math.max(view.record, 6 * HOUR);
  const length = Math.min(Math.max(to - from, SHORTEST), whole);
  const end = Math.min(now, Math.max(now - whole + length, to));
  const iso = (t: number) => new Date(t).toISOString().replace(/\.\d+Z$/, "Z");
  setParams({ range: "", from: iso(end - length), to: iso(end) });
}

interface FigureProps {
  loop: LoopEntry;
  polls: Poll[];
  trace: Trace | null;
  work: Work[];
  f: Finding | undefined;
  view: View;
  now: number;
  why: string;
}

export function Figure({ loop, polls, trace, work, f, view, now, why }: FigureProps) {
  const [at, setAt] = useState<number | null>(null);
  const { from, to } = view;
  const length = to - from;
  useEffect(() => {
    if (at !== null && (at < from || at > to)) setAt(null);
  }, [at, from, to]);
  const nearest = useMemo(() => {
    if (polls.length === 0) return -1;
    if (at === null) return polls.length - 1;
    return polls.reduce((best, q, i) => (Math.abs(q.t - at) < Math.abs((polls[best]?.t ?? 0) - at) ? i : best), 0);
  }, [polls, at]);
  const q = polls[nearest];
  const words = q ? cursorWords(loop, q, now) : "";
  const centre = at ?? (from + to) / 2;
  const moves: [string, string, () => void, boolean][] = [
    ["earlier", "earlier: show the time before", () => show(from - length / 2, to - length / 2, view, now), from <= now - view.record + 1000],
    ["later", "later: show the time after", () => show(from + length / 2, to + length / 2, view, now), to >= now - 1000],
    ["closer", "closer: show half of this time", () => show(centre - (centre - from) / 2, centre + (to - centre) / 2, view, now), length <= SHORTEST],
    ["wider", "wider: show twice this time", () => show(from - length / 2, to + length / 2, view, now), length >= view.record - 1000],
  ];
  const key = (e: KeyboardEvent): void => {
    const move = { "+": 2, "=": 2, "-": 3, "[": 0, "]": 1 }[e.key];
    const chosen = move === undefined ? undefined : moves[move];
    if (!chosen || chosen[3] || e.ctrlKey || e.metaKey || e.altKey) return;
    e.preventDefault();
    chosen[2]();
  };
  return (
    <section class="big" aria-label="Twin trace" onKeyDown={key}>
      <p class="read">
        {q ? <Cursor loop={loop} q={q} now={now} /> : <span>{why || "No reading in this time."}</span>}
        <span class="rng">
          Show
          {RANGES.filter((_, i) => i === 0 || view.record > (RANGES[i - 1]?.[2] ?? 0)).map(([k, name]) => (
            <a
              key={k}
              href={`?range=${k}`}
              aria-current={k === view.range ? "true" : undefined}
              onClick={(e) => {
                e.preventDefault();
                setAt(null);
                setParams({ range: k, from: "", to: "" });
              }}
            >
              {name}
            </a>
          ))}
        </span>
        <span class="rng moves">
          {moves.map(([name, label, act, off]) => (
            <button key={name} type="button" aria-label={label} disabled={off} onClick={act}>
              {name}
            </button>
          ))}
        </span>
      </p>
      <Twin loop={loop} polls={polls} trace={trace} work={work} fine={view.fine} finding={f} from={from} to={to} now={now} cursor={at === null ? null : (q?.t ?? null)} onCursor={setAt} onView={(a, b) => show(a, b, view, now)} />
      {polls.length > 1 && (
        <input class="walk" type="range" min={0} max={polls.length - 1} step={1} value={nearest} aria-label="Reading at the cursor" aria-valuetext={words} onInput={(e) => setAt(polls[Number(e.currentTarget.value)]?.t ?? null)} />
      )}
      <figcaption>
        <b>Fig. 2</b>
        {caption(loop, trace, f, from, to)} <span class="wide">Drag across the figure to see a stretch of it; with Shift to move; keys + − [ ]. </span>
        <a href={`/api/v1/loops/${encodeURIComponent(loop.tag)}/trace.svg?from=${new Date(from).toISOString()}&to=${new Date(to).toISOString()}`} target="_blank" rel="noopener">
          The same as a picture (SVG)
        </a>
      </figcaption>
      <Numbers trace={trace} from={from} now={to} />
    </section>
  );
}

function cursorWords(loop: LoopEntry, q: Poll, to: number): string {
  const d = differencePct(loop, q.pv, q.analog);
  return `${instant(q.t, to)}: digital ${q.pv === null ? "none" : `${num(q.pv, rangeDecimals(loop.lrv, loop.urv))} ${unitWords(loop.pv_unit)}`}, at the input ${q.analog === null ? "none" : ma(q.analog, 3)}, difference ${d === null ? "not known" : signedPct(d)}`;
}

function Cursor({ loop, q, now: to }: { loop: LoopEntry; q: Poll; now: number }) {
  const d = loop.multidrop ? null : differencePct(loop, q.pv, q.analog);
  const f = registeredMa(loop, q.pv);
  return (
    <>
      <b title={utc(q.t)}>
        {day(q.t, to)} {clock(q.t, true)}
      </b>
      <span>digital {q.pv === null ? (q.replied ? "not available" : "no reply") : `${num(q.pv, rangeDecimals(loop.lrv, loop.urv))}\u202f${unitWords(loop.pv_unit)}`}</span>
      {f !== null && <span>registered {ma(f, 3)}</span>}
      {q.reported !== null && <span>reported {ma(q.reported, 3)}</span>}
      <span>at the input {q.analog === null ? "not known" : ma(q.analog, 3)}</span>
      {d !== null && <span class="dv">difference {signedPct(d)}</span>}
    </>
  );
}

function caption(loop: LoopEntry, trace: Trace | null, f: Finding | undefined, from: number, to: number): string {
  const c = trace?.columns;
  if (!c) return "The difference is being read.";
  const inside = c.time.map((t, i) => [t + (trace?.step_s ?? 0) * 1000 > from && t < to, c.difference_pct[i] ?? null] as const).filter((x) => x[0]);
  const values = inside.map((x) => x[1]).filter((v): v is number => v !== null);
  if (values.length === 0) return "There is no stretch in which both copies were seen, so nothing can be said about their difference.";
  const outside = values.filter((v) => Math.abs(v) > loop.tolerance_pct).length;
  const parts = [`Mean differences run from ${signedPct(Math.min(...values))} to ${signedPct(Math.max(...values))}; ${outside === 0 ? "none lies" : `${count(outside)} of ${count(values.length)} ${plural(outside, "lies", "lie")}`} beyond the tolerance of ${pct(loop.tolerance_pct)}.`];
  if (f) parts.push(`${findingWords(f).replace(/^./, (x) => x.toUpperCase())}, since ${since(f, to)}${f.ended ? `, ended ${instant(ms(f.ended), to)}` : ""}.`);
  parts.push("Gaps stay gaps.");
  return parts.join(" ");
}

const MOST_LINES = 120;

function Numbers({ trace, from, now: to }: { trace: Trace | null; from: number; now: number }) {
  const [open, setOpen] = useState(false);
  if (!trace) return null;
  const c = trace.columns;
  const index = c.time.map((_, i) => i).filter((i) => (c.time[i] ?? 0) + trace.step_s * 1000 > from && (c.time[i] ?? 0) < to);
  const every = Math.max(1, Math.ceil(index.length / MOST_LINES));
  return (
    <details onToggle={(e) => setOpen((e.currentTarget as HTMLDetailsElement).open)}>
      <summary>
        the numbers of Fig. 2, by {trace.step_s >= 86_400 ? "day" : span(trace.step_s * 1000).replace("60\u202fmin", "hour")}
        {every > 1 ? `, every ${ordinal(every)}` : ""}
      </summary>
      {open && (
        <div class="scroll" tabIndex={0} role="region" aria-label="The numbers of Fig. 2">
          <table>
            <thead>
              <tr>
                <th scope="col">from</th>
                <th scope="col" class="r">difference, %</th>
                <th scope="col" class="r">middle 80 %</th>
                <th scope="col" class="r">failed, %</th>
                <th scope="col" class="r">replies</th>
                <th scope="col" class="r">status bits</th>
              </tr>
            </thead>
            <tbody>
              {index
                .filter((_, n) => n % every === 0)
                .map((i) => (
                  <tr key={i}>
                    <td>{instant(c.time[i] ?? Number.NaN, to)}</td>
                    <td class="r">{num(c.difference_pct[i], 3)}</td>
                    <td class="r">
                      {num(c.difference_low_pct[i], 3)} to {num(c.difference_high_pct[i], 3)}
                    </td>
                    <td class="r">{num(c.failed_share[i] == null ? null : 100 * (c.failed_share[i] ?? 0), 1)}</td>
                    <td class="r">{num(c.replies[i], 0)}</td>
                    <td class="r">0x{(c.device_status[i] ?? 0).toString(16).padStart(2, "0").toUpperCase()}</td>
                  </tr>
                ))}
            </tbody>
          </table>
        </div>
      )}
    </details>
  );
}
