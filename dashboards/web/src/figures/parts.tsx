// Fig. 1: where the two copies part. One line through digital value, registered, reported and measured current;
// solid while digital, dots once analog; it steps down where the copies part.

import { clock, count, day, ma, num, rangeDecimals, signedPct, unitWords } from "../format";
import { registeredMa } from "../scale";
import type { LoopEntry } from "../types";
import { useWidth } from "./width";

export interface Point {
  t: number;
  pv: number | null;
  reported: number | null;
  analog: number | null;
}

/** Means over complete readings: one reading alone shows mostly that the two are sampled at different instants. */
export interface Means extends Point {
  registered: number | null;
  /** Readings averaged; 1 = a single one. */
  n: number;
}

const mean = (v: (number | null)[]): number | null => {
  const known = v.filter((x): x is number => x !== null);
  return known.length === 0 ? null : known.reduce((a, b) => a + b, 0) / known.length;
};

/** Means of the complete readings since `from`; without any, the newest reading that has the most. */
export function meansOf(loop: LoopEntry, polls: readonly Point[], from: number): Means | null {
  const both = polls.filter((q) => q.t >= from && q.pv !== null && q.analog !== null);
  const whole = both.filter((q) => q.reported !== null);
  // Averages of different sets of readings must not be subtracted.
  const used = whole.length >= both.length / 2 && whole.length > 0 ? whole : both.map((q) => ({ ...q, reported: null }));
  const newest = used[used.length - 1];
  if (newest) {
    const at = (get: (q: Point) => number | null) => mean(used.map(get));
    return { t: newest.t, pv: at((q) => q.pv), registered: at((q) => registeredMa(loop, q.pv)), reported: at((q) => q.reported), analog: at((q) => q.analog), n: used.length };
  }
  const last = polls.findLast((q) => q.pv !== null && q.analog !== null) ?? polls.findLast((q) => q.pv !== null);
  return last ? { ...last, registered: registeredMa(loop, last.pv), n: 1 } : null;
}

interface Props {
  loop: LoopEntry;
  at: Means;
  now: number;
  /** % of span, of a drift found on this loop: half of it is where its stretch shows. */
  driftPct: number | null;
  /** Time that the means stand for, in words. */
  span: string;
}

const pctOf = (a: number | null, b: number | null): number | null => (a === null || b === null ? null : (100 * (a - b)) / 16);

export function Parts({ loop, at, now, driftPct, span }: Props) {
  const [ref, width] = useWidth<HTMLElement>();
  const { registered } = at;
  const first = pctOf(at.reported, registered);
  const second = pctOf(at.analog, at.reported);
  const whole = pctOf(at.analog, registered);
  const tol = driftPct === null ? loop.tolerance_pct : Math.min(loop.tolerance_pct, Math.abs(driftPct) / 2);
  const off = (v: number | null): boolean => v !== null && Math.abs(v) > tol;
  const w = Math.min(width, 560);
  // Four names must stand beside each other at phone width too.
  const x = [2, w * (w < 420 ? 0.37 : 0.3), w * (w < 420 ? 0.64 : 0.6), w - 2] as const;
  const y0 = 44;
  const y1 = off(first) ? y0 + 10 : y0;
  const y2 = off(second) ? y1 + 10 : y1;
  const yEnd = at.reported === null ? (off(whole) ? y0 + 10 : y0) : y2;
  const base = 74;
  const heads: [number, string, string, "start" | "middle" | "end"][] = [
    [x[0], "digital value", at.pv === null ? "not known" : `${num(at.pv, rangeDecimals(loop.lrv, loop.urv))}\u202f${unitWords(loop.pv_unit)}`, "start"],
    [x[1], "registered", registered === null ? "not known" : ma(registered), "middle"],
    [x[2], "reported", at.reported === null ? "not read" : ma(at.reported), "middle"],
    [x[3], "at the input", at.analog === null ? "not known" : ma(at.analog), "end"],
  ];
  const saidWhere = at.analog === null ? "no current at the input is known" : off(second) ? "they part after the device has set its current" : off(first) ? "they part before the output: range, transfer function or a held output" : off(whole) ? "they part between registered and measured current" : at.n > 1 ? "the means agree within the tolerance" : "they agree within the tolerance";
  return (
    <figure class="parts" ref={ref}>
      {w > 0 && (
        <svg class="fig" width={w} height="116" viewBox={`0 0 ${w} 116`} role="img" aria-label={`Where the two copies part: ${heads.map(([, n, v]) => `${n} ${v}`).join(", ")}; ${saidWhere}`}>
          {heads.map(([hx, name, value, anchor]) => (
            <g key={name}>
              <text class="t" x={hx} y="12" text-anchor={anchor}>
                {name}
              </text>
              <text class="t b" x={hx} y="27" text-anchor={anchor}>
                {value}
              </text>
            </g>
          ))}
          <path class="dig2" d={`M${x[0]} ${y0 - 6}v12M${x[0]} ${y0}H${x[1]}M${x[1]} ${y0 - 6}v12`} />
          {at.reported !== null ? (
            <>
              <path class="dig2" d={`M${x[1]} ${y0}H${x[1] + w * 0.1}L${x[1] + w * 0.14} ${y1}H${x[2]}M${x[2]} ${y1 - 6}v12`} />
              <Bracket from={x[1] + 2} to={x[2] - 3} y={base} value={first} here={off(first)} words={w < 440 ? "range" : "range and transfer"} />
              <Dotted from={x[2]} to={x[3]} y0={y1} y1={y2} known={at.analog !== null} />
              <Bracket from={x[2] + 3} to={x[3]} y={base} value={second} here={off(second)} words={w < 440 ? "output to card" : "output, wiring, supply, card"} />
            </>
          ) : (
            <>
              <Dotted from={x[1]} to={x[3]} y0={y0} y1={yEnd} known={at.analog !== null} />
              <Bracket from={x[1] + 2} to={x[3]} y={base} value={whole} here={off(whole)} words="device output, wiring, supply, card" />
            </>
          )}
          {at.analog !== null && <path class="dig2" d={`M${x[3]} ${yEnd - 6}v12`} />}
        </svg>
      )}
      <figcaption>
        <b>Fig. 1</b>Where the two copies part: {saidWhere}. {at.n > 1 ? `Means of ${count(at.n)} readings of the newest ${span}.` : `One reading, the last that came: ${day(at.t, now)} ${clock(at.t, true)}.`}
      </figcaption>
    </figure>
  );
}

function Dotted({ from, to, y0, y1, known }: { from: number; to: number; y0: number; y1: number; known: boolean }) {
  if (!known) return <path class="void" d={`M${from} ${y0}H${to}`} />;
  const n = Math.max(2, Math.floor((to - from) / 6));
  const dots = Array.from({ length: n }, (_, i) => {
    const f = (i + 0.5) / n;
    const s = Math.min(1, Math.max(0, (f - 0.25) / 0.3));
    return `M${(from + f * (to - from)).toFixed(1)} ${(y0 + s * (y1 - y0)).toFixed(1)}h0`;
  });
  return <path class="dots" d={dots.join("")} />;
}

function Bracket({ from, to, y, value, here, words }: { from: number; to: number; y: number; value: number | null; here: boolean; words: string }) {
  const mid = (from + to) / 2;
  return (
    <>
      <path class={here ? "brk here" : "brk"} d={`M${from} ${y - 6}V${y}H${to}V${y - 6}`} />
      <text class={here ? "t val" : "t b"} x={mid} y={y + 17} text-anchor="middle">
        {value === null ? "not known" : signedPct(value)}
      </text>
      <text class="t" x={mid} y={y + 33} text-anchor="middle">
        {words}
      </text>
    </>
  );
}
