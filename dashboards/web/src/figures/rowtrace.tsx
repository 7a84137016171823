// The small trace of a row. All rows share the time axis and the height of the band, so that the eye compares
// rows without reading. Drawn in 900 x 78 units stretched to the cell: two thirds record, one third to come.

import type { Quantity } from "../entries";
import { DAY, ms } from "../format";
import { quantile } from "../scale";
import type { Finding, Trace } from "../types";
import { STATUS_BITS } from "../words";

const W = 900;
export const NOW = 600;
const MID = 39;
const HALF = 13;

export interface Axis {
  from: number;
  now: number;
}
/** Time to 0..600 for the record; the time to come is drawn at the same scale, as far as it fits. */
export const xOf = (axis: Axis, t: number): number => (NOW * (t - axis.from)) / (axis.now - axis.from);

export interface Series {
  t: number[];
  v: (number | null)[];
  low?: (number | null)[];
  high?: (number | null)[];
  step: number;
}

export function pick(trace: Trace, quantity: Quantity): Series {
  const c = trace.columns;
  const base = { t: c.time, step: trace.step_s * 1000 };
  if (quantity === "failed") return { ...base, v: c.failed_share.map((x) => (x === null ? null : 100 * x)) };
  if (quantity === "scatter") return { ...base, v: c.scatter_pct };
  return { ...base, v: c.difference_pct, low: c.difference_low_pct, high: c.difference_high_pct };
}

/** What is usual: the middle 80 % before the onset; null with fewer than four values. */
export function usual(s: Series, onset: number): [number, number] | null {
  const before = s.v.filter((v, i): v is number => v !== null && (s.t[i] ?? 0) + s.step <= onset);
  return before.length < 4 ? null : [quantile(before, 0.1), quantile(before, 0.9)];
}

/** Runs of neighbouring bins that have a value. */
export function runs(s: Series): number[][] {
  const out: number[][] = [];
  let run: number[] = [];
  s.v.forEach((v, i) => {
    const gap = run.length > 0 && (s.t[i] ?? 0) - (s.t[run[run.length - 1] ?? 0] ?? 0) > 1.5 * s.step;
    if ((v === null || gap) && run.length > 0) {
      out.push(run);
      run = [];
    }
    if (v !== null) run.push(i);
  });
  if (run.length > 0) out.push(run);
  return out;
}

const f1 = (v: number): string => v.toFixed(1);

function lines(s: Series, x: (t: number) => number, y: (v: number) => number): string {
  return runs(s)
    .map((run) => {
      const points = run.map((i) => `${f1(x((s.t[i] ?? 0) + s.step / 2))} ${f1(y(s.v[i] ?? 0))}`);
      const [only] = points;
      return points.length === 1 ? `M${only}h2` : `M${points.join("L")}`;
    })
    .join("");
}

/** Area between the values and an edge, on the far side of that edge only. */
function beyond(s: Series, x: (t: number) => number, y: (v: number) => number, edge: number, above: boolean): string {
  return runs(s)
    .map((run) => {
      if (!run.some((i) => (above ? (s.v[i] ?? 0) > edge : (s.v[i] ?? 0) < edge))) return "";
      const p = run.map((i) => [x((s.t[i] ?? 0) + s.step / 2), y(above ? Math.max(edge, s.v[i] ?? 0) : Math.min(edge, s.v[i] ?? 0))] as const);
      const last = p[p.length - 1];
      const first = p[0];
      if (!first || !last) return "";
      return `M${p.map(([a, b]) => `${f1(a)} ${f1(b)}`).join("L")}L${f1(last[0])} ${f1(y(edge))}L${f1(first[0])} ${f1(y(edge))}Z`;
    })
    .join("");
}

function wash(s: Series, x: (t: number) => number, y: (v: number) => number): string {
  const { low, high } = s;
  if (!low || !high) return "";
  return runs({ ...s, v: s.v.map((v, i) => (v !== null && low[i] != null && high[i] != null ? v : null)) })
    .filter((run) => run.length > 1)
    .map((run) => {
      const at = (i: number, v: number | null | undefined) => `${f1(x((s.t[i] ?? 0) + s.step / 2))} ${f1(y(v ?? 0))}`;
      return `M${run.map((i) => at(i, high[i])).join("L")}L${[...run].reverse().map((i) => at(i, low[i])).join("L")}Z`;
    })
    .join("");
}

export function maskOf(f: Finding): number {
  if (f.kind === "restarts") return 0x20;
  if (f.kind === "configuration-change") return 0x40;
  const said = `${String(f.evidence["bits"] ?? "")} ${String(f.evidence["bit"] ?? "")}`;
  const mask = STATUS_BITS.filter(([, name]) => said.includes(name)).reduce((m, [bit]) => m | bit, 0);
  return mask === 0 ? 0xbf : mask;
}

interface Props {
  axis: Axis;
  traces: Trace[];
  finding: Finding | undefined;
  quantity: Quantity;
  /** % of span; for the difference. */
  tolerance: number;
  name: string;
}

export function RowTrace({ axis, traces, finding, quantity, tolerance, name }: Props) {
  const x = (t: number) => xOf(axis, t);
  const onset = ms(finding?.onset);
  const series = traces.map((t) => pick(t, quantity));
  let y = (v: number): number => MID - (HALF * v) / tolerance;
  let band: [number, number] | null = [-tolerance, tolerance];
  if (quantity === "failed" || quantity === "scatter") {
    const first = series[0];
    band = first ? usual(first, onset) : null;
    const top = Math.max(1e-9, ...series.flatMap((s) => s.v.map((v) => v ?? 0)), band ? 2 * band[1] : 0);
    y = (v) => 74 - (60 * v) / top;
  }
  const cut = (v: number): number => Math.min(90, Math.max(-12, y(v)));
  return (
    <svg class="tr" viewBox={`0 0 ${W} 78`} preserveAspectRatio="none" role="img" aria-label={name}>
      {quantity === "bits" ? (
        <Bits traces={traces} x={x} mask={finding ? maskOf(finding) : 0xff} />
      ) : (
        <>
          {band && <rect class="band" x="0" y={f1(y(band[1]))} width={quantity === "difference" ? W : NOW} height={f1(Math.max(1.5, y(band[0]) - y(band[1])))} />}
          {quantity === "difference" && <path class="zero" d={`M0 ${MID}H${W}`} />}
          {series.length === 1 && series.map((s, i) => <path class="env" key={i} d={wash(s, x, cut)} />)}
          {band && series.map((s, i) => <path class="exc" key={i} d={beyond(s, x, cut, band[1], true) + (quantity === "failed" ? "" : beyond(s, x, cut, band[0], false))} />)}
        </>
      )}
      {finding && <Onset finding={finding} x={x} axis={axis} />}
      {quantity !== "bits" && series.map((s, i) => <path class={series.length > 1 ? "dif2" : "dif"} key={i} d={lines(s, x, cut)} />)}
      {quantity === "difference" && finding && <Forecast finding={finding} x={x} y={cut} tolerance={tolerance} axis={axis} />}
    </svg>
  );
}

function Onset({ finding, x, axis }: { finding: Finding; x: (t: number) => number; axis: Axis }) {
  const at = ms(finding.onset);
  if (at < axis.from - DAY / 24) return null;
  const low = Math.max(0, x(ms(finding.onset_low)));
  const high = Math.min(NOW, x(ms(finding.onset_high)));
  return (
    <>
      {high > low && <rect class="ons" x={f1(low)} y="6" width={f1(high - low)} height="66" />}
      <path class="onl" d={`M${f1(Math.max(0, x(at)))} 2V76`} />
    </>
  );
}

function Forecast({ finding, x, y, tolerance, axis }: { finding: Finding; x: (t: number) => number; y: (v: number) => number; tolerance: number; axis: Axis }) {
  const { deviation_pct: dev, rate_pct_per_day: rate } = finding;
  if (dev === null || rate === null || finding.ended !== null || rate === 0) return null;
  const end = axis.now + ((W - NOW) / NOW) * (axis.now - axis.from);
  const to = dev + (rate * (end - axis.now)) / DAY;
  const edge = Math.sign(rate) * tolerance;
  const low = ms(finding.reaches_tolerance_low);
  const high = ms(finding.reaches_tolerance_high);
  const fan = fanOf(dev, rate, edge, low, high, axis.now, end);
  return (
    <>
      {fan && <path class="fan" d={`M${NOW} ${f1(y(dev))}L${W} ${f1(y(fan[0]))}V${f1(y(fan[1]))}Z`} />}
      <path class="fwd" d={`M${NOW} ${f1(y(dev))}L${W} ${f1(y(to))}`} />
      {Number.isFinite(low) && Number.isFinite(high) && x(low) < W && <path class="hit" d={`M${f1(Math.max(NOW, x(low)))} ${f1(y(edge))}H${f1(Math.min(W, x(high)))}`} />}
    </>
  );
}

/** Values at `end` of the two lines that reach the edge at the ends of the 80 % interval. */
export function fanOf(dev: number, rate: number, edge: number, low: number, high: number, now: number, end: number): [number, number] | null {
  if (!Number.isFinite(low) || !Number.isFinite(high) || low <= now || Math.abs(dev) >= Math.abs(edge)) return null;
  const at = (t: number) => dev + ((edge - dev) * (end - now)) / (t - now);
  return rate === 0 ? null : [at(low), at(high)];
}

function Bits({ traces, x, mask }: { traces: Trace[]; x: (t: number) => number; mask: number }) {
  let d = "";
  for (const t of traces) {
    t.columns.time.forEach((time, i) => {
      if (((t.columns.device_status[i] ?? 0) & mask) === 0) return;
      const a = x(time);
      const b = Math.min(NOW, x(time + t.step_s * 1000));
      d += `M${f1(a)} 39H${f1(Math.max(a + 1.5, b))}`;
    });
  }
  return (
    <>
      <path class="hair" d={`M0 39H${NOW}`} />
      <path class="bits" d={d} />
    </>
  );
}
