// Fig. 2, the twin trace: both copies on one axis, their difference beneath with tolerance band, onset and
// forecast, then status and failed exchanges. Drawn at the width it has.

import { useState } from "preact/hooks";
import { DAY, clock, day, dayStart, HOUR, interval, ms, num, signed, signedPct, unitWords } from "../format";
import { differencePct, quantile, ticks, valueOf } from "../scale";
import type { Finding, LoopEntry, Trace, Work } from "../types";
import { STATUS_BITS } from "../words";
import type { Reading } from "../traces";
import { type Series, fanOf, pick, runs, usual } from "./rowtrace";
import { EventStrip } from "./events";
import { useWidth } from "./width";

export type Poll = Reading;

export interface Props {
  loop: LoopEntry;
  polls: Poll[];
  trace: Trace | null;
  work: Work[];
  /** Draw the difference poll by poll instead of by bins. */
  fine: boolean;
  finding: Finding | undefined;
  from: number;
  /** End of the time shown; the time ahead is drawn where it is the end of the record. */
  to: number;
  now: number;
  cursor: number | null;
  onCursor: (t: number) => void;
  onView: (from: number, to: number) => void;
}

const TWIN = 120;
const DIFF = 190;
/** A status bit: its name above its bar. */
const BIT = 27;
const f1 = (v: number): string => v.toFixed(1);

export interface Frame {
  left: number;
  right: number;
  from: number;
  /** End of what was seen: now, or the end of an earlier time. */
  now: number;
  live: boolean;
  end: number;
  x: (t: number) => number;
}

export function Twin(p: Props) {
  const [ref, width] = useWidth<HTMLDivElement>();
  const phone = width < 600;
  const left = 46;
  const right = phone ? 34 : 92;
  const live = p.to >= p.now;
  const seen = Math.min(p.to, p.now);
  const ahead = !live ? 0 : p.finding?.rate_pct_per_day != null && p.finding.ended === null && !p.fine ? (seen - p.from) / 3 : (seen - p.from) * 0.02;
  const end = seen + ahead;
  const frame: Frame = { left, right: width - right, from: p.from, now: seen, live, end, x: (t) => left + ((t - p.from) / (end - p.from)) * (width - left - right) };
  const bits = bitLines(p);
  const top2 = 26 + TWIN + 40;
  const top3 = top2 + DIFF + 44;
  const top4 = top3 + Math.max(1, bits.length) * BIT + (bits.length === 0 ? 16 : 28);
  const top5 = top4 + 56;
  const bottom = top5 + 16;
  const height = bottom + 24;
  const timeAt = (e: PointerEvent): number => {
    const box = (e.currentTarget as SVGElement).getBoundingClientRect();
    return Math.min(end, Math.max(p.from, p.from + ((e.clientX - box.left - left) / (width - left - right)) * (end - p.from)));
  };
  // A mouse drags a stretch to look at; a finger scrolls the sheet, and the buttons do the same for it.
  const [drag, setDrag] = useState<{ from: number; to: number; move: boolean } | null>(null);
  const onMove = (e: PointerEvent): void => {
    p.onCursor(timeAt(e));
    if (drag) setDrag({ ...drag, to: timeAt(e) });
  };
  const onDown = (e: PointerEvent): void => {
    p.onCursor(timeAt(e));
    if (e.pointerType !== "mouse" || e.button !== 0) return;
    (e.currentTarget as SVGElement).setPointerCapture(e.pointerId);
    setDrag({ from: timeAt(e), to: timeAt(e), move: e.shiftKey });
  };
  const onUp = (): void => {
    setDrag(null);
    if (!drag || Math.abs(frame.x(drag.to) - frame.x(drag.from)) < 8) return;
    if (drag.move) p.onView(p.from + drag.from - drag.to, seen + drag.from - drag.to);
    else p.onView(Math.min(drag.from, drag.to), Math.min(seen, Math.max(drag.from, drag.to)));
  };
  return (
    <div ref={ref}>
      {width > 0 && (
        <svg class="fig twin" width={width} height={height} viewBox={`0 0 ${width} ${height}`} role="img" aria-label={`Twin trace of ${p.loop.tag}: digital value and analog current, their difference, status and failed exchanges; the numbers stand in the table beneath`} onPointerMove={onMove} onPointerDown={onDown} onPointerUp={onUp} onPointerCancel={() => setDrag(null)}>
          <defs>
            <clipPath id="twin-in">
              <rect x={left} y="0" width={Math.max(0, width - left - right)} height={height} />
            </clipPath>
          </defs>
          {drag && !drag.move && <rect class="ons" x={Math.min(frame.x(drag.from), frame.x(drag.to))} y="26" width={Math.abs(frame.x(drag.to) - frame.x(drag.from))} height={bottom - 26} />}
          {live && <rect class="fut" x={frame.x(seen)} y="26" width={Math.max(0, frame.right - frame.x(seen))} height={bottom - 26} />}
          <TimeAxis frame={frame} top={26} bottom={bottom} />
          <TwinStrip {...p} frame={frame} top={26} phone={phone} />
          <DifferenceStrip {...p} frame={frame} top={top2} phone={phone} />
          <StatusStrip lines={bits} frame={frame} top={top3} phone={phone} seen={p.trace !== null || p.polls.length > 0} />
          <FailedStrip {...p} frame={frame} top={top4} phone={phone} />
          <EventStrip {...p} frame={frame} top={top5} />
          {live && <path class="nowl" d={`M${frame.x(seen)} 26V${bottom}`} />}
          {p.cursor !== null && p.cursor >= p.from && p.cursor <= end && <path class="cursor" d={`M${frame.x(p.cursor)} 26V${bottom}`} />}
        </svg>
      )}
    </div>
  );
}

/** Instants for the time axis: whole hours or whole local days. */
export function timeTicks(from: number, to: number, room: number): { t: number; text: string }[] {
  const most = Math.max(2, Math.floor(room / 90));
  const hours = [1, 2, 3, 6, 12].find((h) => (to - from) / (h * HOUR) <= most);
  const out: { t: number; text: string }[] = [];
  if (hours !== undefined) {
    for (let t = dayStart(from); t <= to; t += hours * HOUR) if (t >= from) out.push({ t, text: clock(t) });
    return out;
  }
  const days = [1, 2, 7, 14, 28, 56].find((d) => (to - from) / (d * DAY) <= most) ?? 56;
  for (let t = dayStart(to + 1); t >= from; t -= days * DAY) if (t <= to) out.push({ t, text: day(t, to) });
  return out;
}

function TimeAxis({ frame, top, bottom }: { frame: Frame; top: number; bottom: number }) {
  const { x, from, now, end } = frame;
  return (
    <>
      {timeTicks(from, end, frame.right - frame.left).map(({ t, text }) => (
        <g key={t}>
          <path class="wkl" d={`M${f1(x(t))} ${top}V${bottom}`} />
          {(!frame.live || Math.abs(x(t) - x(now)) > 44) && (
            <text class="t" x={x(t)} y={bottom + 16} text-anchor="middle">
              {text}
            </text>
          )}
        </g>
      ))}
      <path class="axis" d={`M${frame.left} ${bottom}H${frame.right}`} />
      {frame.live && (
        <text class="t b" x={x(now)} y={bottom + 16} text-anchor="middle">
          now
        </text>
      )}
    </>
  );
}

function gapOf(polls: readonly Poll[]): number {
  const d = polls.slice(1).map((q, i) => q.t - (polls[i]?.t ?? q.t));
  return Math.max(3 * quantile(d, 0.5), 4 * quantile(d, 0.9));
}

function TwinStrip({ loop, polls, frame, top, phone }: Props & { frame: Frame; top: number; phone: boolean }) {
  const readBack = loop.transfer === "linear" || loop.transfer === "square-root";
  const analog = (q: Poll): number | null => (q.analog === null || !readBack ? null : valueOf(loop, q.analog));
  const values = polls.flatMap((q) => [q.pv, analog(q)]).filter((v): v is number => v !== null && Number.isFinite(v));
  const span = Math.abs(loop.urv - loop.lrv);
  const lo0 = values.length > 0 ? Math.max(Math.min(...values.map((v) => v)), Math.min(loop.lrv, loop.urv) - 0.1 * span) : Math.min(loop.lrv, loop.urv);
  const hi0 = values.length > 0 ? Math.min(Math.max(...values), Math.max(loop.lrv, loop.urv) + 0.1 * span) : Math.max(loop.lrv, loop.urv);
  const pad = Math.max(0.04 * (hi0 - lo0), 0.002 * span, 1e-9);
  const lo = lo0 - pad;
  const hi = hi0 + pad;
  const y = (v: number) => top + TWIN * (1 - (Math.min(hi, Math.max(lo, v)) - lo) / (hi - lo));
  const gap = gapOf(polls);
  let line = "";
  let last = Number.NEGATIVE_INFINITY;
  let dots = "";
  let dotX = Number.NEGATIVE_INFINITY;
  for (const q of polls) {
    const px = frame.x(q.t);
    if (q.pv !== null) {
      line += `${q.t - last > gap ? "M" : "L"}${f1(px)} ${f1(y(q.pv))}`;
      last = q.t;
    }
    const v = analog(q);
    if (v !== null && px - dotX >= 4.6) {
      dots += `M${f1(px)} ${f1(y(v))}h0`;
      dotX = px;
    }
  }
  const marks = ticks(lo, hi, 4);
  const decimals = Math.max(0, Math.min(6, Math.ceil(-Math.log10((marks[1] ?? 1) - (marks[0] ?? 0) || 1) - 1e-9)));
  const maAt = (v: number) => 4 + 16 * ((v - loop.lrv) / (loop.urv - loop.lrv));
  const edges = loop.transfer === "linear" ? [maAt(lo), maAt(hi)].sort((a, b) => a - b) : [3.6, 21];
  const maMarks = readBack ? ticks(edges[0] ?? 4, edges[1] ?? 20, 4).filter((m) => valueOf(loop, m) >= lo && valueOf(loop, m) <= hi) : [];
  const maDecimals = Math.max(0, Math.min(3, Math.ceil(-Math.log10((maMarks[1] ?? 1) - (maMarks[0] ?? 0) || 1) - 1e-9)));
  return (
    <g>
      <text class="t" x={frame.left - 6} y={top - 10} text-anchor="end">
        {unitWords(loop.pv_unit).slice(0, 6)}
      </text>
      <text class="t b halo" x={frame.left} y={top - 10}>
        Digital and analog
        {!phone && (
          <tspan class="t" dx="10" font-weight="400">
            line: value that the device says. Dots: current at the input{readBack ? ", read back through the registered range" : ` (transfer function code ${loop.transfer}: not read back)`}.
          </tspan>
        )}
      </text>
      <text class="t" x={frame.right + 6} y={top - 10}>
        mA
      </text>
      <path class="axis" d={`M${frame.left} ${top}V${top + TWIN}`} />
      {marks.map((v) => (
        <text class="t" key={v} x={frame.left - 6} y={y(v) + 4} text-anchor="end">
          {num(v, decimals)}
        </text>
      ))}
      {maMarks.map((m) => (
        <text class="t" key={m} x={frame.right + 6} y={y(valueOf(loop, m)) + 4}>
          {num(m, maDecimals)}
        </text>
      ))}
      <path class="dig" d={line} />
      <path class="dots" d={dots} />
      {values.length === 0 && (
        <text class="t lb" x={frame.left + 8} y={top + TWIN / 2}>
          no reading with a value in this time
        </text>
      )}
    </g>
  );
}

/** The difference as a series: bins, or every poll. */
function seriesOf(p: Props): Series {
  if (!p.fine && p.trace) {
    const s = pick(p.trace, "difference");
    const keep = s.t.map((t) => t + s.step > p.from && t < p.to);
    const cut = <T,>(v: T[]): T[] => v.filter((_, i) => keep[i]);
    return { ...s, t: cut(s.t), v: cut(s.v), low: cut(s.low ?? []), high: cut(s.high ?? []) };
  }
  const gap = gapOf(p.polls);
  return { t: p.polls.map((q) => q.t), v: p.polls.map((q) => (p.loop.multidrop ? null : differencePct(p.loop, q.pv, q.analog))), step: Number.isFinite(gap) ? gap / 1.5 : 60_000 };
}

function DifferenceStrip(p: Props & { frame: Frame; top: number; phone: boolean }) {
  const { frame, top, finding: f, loop } = p;
  const s = seriesOf(p);
  const tol = loop.tolerance_pct;
  const values = s.v.filter((v): v is number => v !== null);
  const most = Math.max(quantile(values.map(Math.abs), 0.985) || 0, Math.abs(f?.deviation_pct ?? 0));
  const washed = [...(s.low ?? []), ...(s.high ?? [])].filter((v): v is number => v !== null).map(Math.abs);
  const wanted = Math.max(1.4 * tol, 1.2 * most, 1.05 * (quantile(washed, 0.8) || 0));
  // Short excursions are cut and printed as a number; a lasting one gets its room.
  const reach = quantile(values.map(Math.abs), 0.5) > 4 * tol ? wanted : Math.min(wanted, 8 * tol);
  const y = (v: number) => top + DIFF * (0.5 - Math.min(reach, Math.max(-reach, v)) / (2 * reach));
  const at = (i: number) => frame.x((s.t[i] ?? 0) + (p.fine ? 0 : s.step / 2));
  const parts = runs(s);
  const line = parts.map((r) => (r.length === 1 ? `M${f1(at(r[0] ?? 0))} ${f1(y(s.v[r[0] ?? 0] ?? 0))}h1.5` : `M${r.map((i) => `${f1(at(i))} ${f1(y(s.v[i] ?? 0))}`).join("L")}`)).join("");
  const beyond = [1, -1]
    .map((sign) =>
      parts
        .filter((r) => r.some((i) => sign * (s.v[i] ?? 0) > tol))
        .map((r) => {
          const a = r[0] ?? 0;
          const b = r[r.length - 1] ?? 0;
          return `M${r.map((i) => `${f1(at(i))} ${f1(y(sign * Math.max(tol, sign * (s.v[i] ?? 0))))}`).join("L")}L${f1(at(b))} ${f1(y(sign * tol))}L${f1(at(a))} ${f1(y(sign * tol))}Z`;
        })
        .join(""),
    )
    .join("");
  const env = s.low?.length
    ? parts
        .filter((r) => r.length > 1)
        .map((r) => `M${r.map((i) => `${f1(at(i))} ${f1(y(s.high?.[i] ?? s.v[i] ?? 0))}`).join("L")}L${[...r].reverse().map((i) => `${f1(at(i))} ${f1(y(s.low?.[i] ?? s.v[i] ?? 0))}`).join("L")}Z`)
        .join("")
    : "";
  const marks = ticks(-reach, reach, 5);
  const decimals = (marks[1] ?? 1) - (marks[0] ?? 0) < 1 ? ((marks[1] ?? 1) - (marks[0] ?? 0) < 0.1 ? 2 : 1) : 0;
  const high = Math.max(...values);
  const low = Math.min(...values);
  const drift = f?.kind === "analog-digital-drift";
  return (
    <g>
      <text class="t b halo" x={frame.left} y={top - 12}>
        Difference
        <tspan class="t" dx="10" font-weight="400">
          {p.phone ? "% of span" : `analog minus digital, % of span.${p.fine ? " Poll by poll." : " Wash: the middle 80 % of samples. Line: means of "}${p.fine ? "" : s.step >= DAY ? "days." : `${Math.round(s.step / HOUR)} h.`}`}
        </tspan>
      </text>
      <rect class="band" x={frame.left} y={y(tol)} width={frame.right - frame.left} height={y(-tol) - y(tol)} />
      <path class="edge" d={`M${frame.left} ${y(tol)}H${frame.right}M${frame.left} ${y(-tol)}H${frame.right}`} />
      <path class="zero" d={`M${frame.left} ${y(0)}H${frame.right}`} />
      <path class="axis" d={`M${frame.left} ${top}V${top + DIFF}`} />
      {marks.map((v) => (
        <text class="t" key={v} x={frame.left - 6} y={y(v) + 4} text-anchor="end">
          {signed(Math.abs(v) < 1e-9 ? 0 : v, decimals)}
        </text>
      ))}
      {!p.phone && (
        <text class="t" x={frame.right + 6} y={y(tol) + 4}>
          tolerance
        </text>
      )}
      <path class="env" d={env} clip-path="url(#twin-in)" />
      <path class="exc" d={beyond} clip-path="url(#twin-in)" />
      {f && <OnsetMark f={f} frame={frame} top={top} drop={values.length > 0 && high > reach ? 18 : 0} />}
      <path class="dif" d={line} clip-path="url(#twin-in)" />
      {f && drift && !p.fine && frame.live && <Forecast f={f} frame={frame} y={y} tol={tol} phone={p.phone} />}
      {values.length > 0 && high > reach && (
        <text class="t val halo" x={frame.left + 6} y={top + 12}>
          cut: up to {signedPct(high)}
        </text>
      )}
      {values.length > 0 && low < -reach && (
        <text class="t val halo" x={frame.left + 6} y={top + DIFF - 4}>
          cut: down to {signedPct(low)}
        </text>
      )}
      {values.length === 0 && (
        <text class="t lb halo" x={frame.left + 8} y={y(0) - 6}>
          nothing to compare in this time
        </text>
      )}
    </g>
  );
}

function OnsetMark({ f, frame, top, drop }: { f: Finding; frame: Frame; top: number; drop: number }) {
  const at = ms(f.onset);
  const low = Math.max(frame.from, ms(f.onset_low));
  const high = Math.min(frame.now, ms(f.onset_high));
  if (!(high >= frame.from) || at > frame.end || low > frame.now) return null;
  const x = frame.x(Math.max(frame.from, at));
  const flip = x > frame.right - 150;
  const range = interval(ms(f.onset_low), ms(f.onset_high), frame.now);
  const ended = ms(f.ended);
  return (
    <>
      {high > low && <rect class="ons" x={frame.x(low)} y={top} width={Math.max(1, frame.x(high) - frame.x(low))} height={DIFF} />}
      <path class="onl" d={`M${f1(x)} ${top}V${top + DIFF}`} />
      <text class="t b halo" x={x + (flip ? -5 : 5)} y={top + 14 + drop} text-anchor={flip ? "end" : "start"}>
        {at < frame.from ? "onset before this time, " : "onset "}
        {day(at, frame.now)}
      </text>
      {range !== "" && (
        <text class="t halo" x={x + (flip ? -5 : 5)} y={top + 29 + drop} text-anchor={flip ? "end" : "start"}>
          80 %: {range}
        </text>
      )}
      {Number.isFinite(ended) && ended >= frame.from && <path class="onl" d={`M${f1(frame.x(ended))} ${top}V${top + DIFF}`} />}
      {Number.isFinite(ended) && ended >= frame.from && (
        <text class="t b halo" x={frame.x(ended) + 5} y={top + DIFF - 8}>
          ended {day(ended, frame.now)}
        </text>
      )}
    </>
  );
}

function Forecast({ f, frame, y, tol, phone }: { f: Finding; frame: Frame; y: (v: number) => number; tol: number; phone: boolean }) {
  const { deviation_pct: dev, rate_pct_per_day: rate } = f;
  if (dev === null || f.ended !== null) return null;
  const x0 = frame.x(frame.now);
  const label = (
    <text class="t val halo" x={x0 + 6} y={y(dev) + (rate !== null && rate > 0 && dev < tol ? 18 : -7)}>
      {signedPct(dev)}
    </text>
  );
  if (rate === null || rate === 0) return label;
  const edge = Math.sign(rate) * tol;
  const low = ms(f.reaches_tolerance_low);
  const high = ms(f.reaches_tolerance_high);
  const at = ms(f.reaches_tolerance_at);
  const fan = fanOf(dev, rate, edge, low, high, frame.now, frame.end);
  const to = dev + (rate * (frame.end - frame.now)) / DAY;
  // Beyond the edge the forecast goes on; where it gets there early, the band beneath the label is free.
  const early = frame.x(at) < frame.right - 170;
  const under = edge < 0 === early ? y(edge) - 34 : y(edge) + 24;
  return (
    <>
      {fan && <path class="fan" d={`M${f1(x0)} ${f1(y(dev))}L${f1(frame.right)} ${f1(y(fan[0]))}V${f1(y(fan[1]))}Z`} />}
      <path class="fwd" d={`M${f1(x0)} ${f1(y(dev))}L${f1(frame.right)} ${f1(y(to))}`} />
      {label}
      {Number.isFinite(low) && Number.isFinite(high) && frame.x(low) < frame.right && <path class="hit" d={`M${f1(frame.x(Math.max(frame.now, low)))} ${f1(y(edge))}H${f1(Math.min(frame.right, frame.x(high)))}`} />}
      {Number.isFinite(at) && !phone && (
        <>
          <text class="t b halo" x={frame.right} y={under} text-anchor="end">
            tolerance {day(at, frame.now)}
          </text>
          <text class="t halo" x={frame.right} y={under + 15} text-anchor="end">
            80 %: {interval(low, high, frame.now)}
          </text>
        </>
      )}
    </>
  );
}

interface BitLine {
  name: string;
  spans: [number, number][];
}

/** Only bits ever set in this time get a line. */
function bitLines(p: Props): BitLine[] {
  const step = p.trace ? p.trace.step_s * 1000 : 0;
  const seen: [number, number, number][] =
    p.fine || !p.trace
      ? p.polls.filter((q) => q.status !== null).map((q, i, all) => [q.t, Math.min(all[i + 1]?.t ?? q.t, q.t + 600_000), q.status ?? 0])
      : p.trace.columns.time.map((t, i) => [t, t + step, p.trace?.columns.device_status[i] ?? 0]);
  const out: BitLine[] = [];
  for (const [bit, name] of STATUS_BITS) {
    const spans: [number, number][] = [];
    for (const [a, b, bits] of seen) {
      if ((bits & bit) === 0 || b < p.from || a > p.to) continue;
      const last = spans[spans.length - 1];
      if (last && a - last[1] < 1_000) last[1] = b;
      else spans.push([Math.max(a, p.from), b]);
    }
    if (spans.length > 0) out.push({ name, spans });
  }
  return out;
}

function StatusStrip({ lines, frame, top, phone, seen }: { lines: BitLine[]; frame: Frame; top: number; phone: boolean; seen: boolean }) {
  return (
    <g>
      <text class="t b halo" x={frame.left} y={top - 10}>
        Device status
        <tspan class="t" dx="10" font-weight="400">
          {!seen ? "not read" : lines.length === 0 ? phone ? "no bit set" : "no bit was set in this time" : phone ? "bits that were set" : `bits that were set; the other ${8 - lines.length} stayed clear`}
        </tspan>
      </text>
      {lines.map((l, i) => (
        <g key={l.name}>
          <path class="hair" d={`M${frame.left} ${top + i * BIT + 21}H${frame.x(frame.now)}`} />
          <path class="bits" d={l.spans.map(([a, b]) => `M${f1(frame.x(a))} ${top + i * BIT + 21}H${f1(Math.max(frame.x(a) + 1.5, Math.min(frame.x(frame.now), frame.x(b))))}`).join("")} />
          <text class="t halo" x={frame.left} y={top + i * BIT + 11}>
            {l.name}
          </text>
        </g>
      ))}
      {lines.length === 0 && <path class="hair" d={`M${frame.left} ${top + 6}H${frame.x(frame.now)}`} />}
    </g>
  );
}

function FailedStrip({ trace, frame, top, finding, fine, phone }: Props & { frame: Frame; top: number; phone: boolean }) {
  if (!trace) return null;
  const s = pick(trace, "failed");
  const band = usual(s, finding ? ms(finding.onset) : frame.now);
  const inside = s.v.filter((v, i): v is number => v !== null && (s.t[i] ?? 0) + s.step > frame.from && (s.t[i] ?? 0) < frame.now);
  const most = Math.max(1, ...inside, band ? 1.5 * band[1] : 0);
  const y = (v: number) => top + 30 * (1 - Math.min(1, v / most));
  const xl = (t: number) => Math.max(frame.left, Math.min(frame.x(frame.now), frame.x(t)));
  let d = "";
  let open = false;
  s.v.forEach((v, i) => {
    const t = s.t[i] ?? 0;
    if (v === null || t + s.step <= frame.from || t >= frame.now) {
      open = false;
      return;
    }
    const gap = i > 0 && t - (s.t[i - 1] ?? t) > 1.5 * s.step;
    d += `${open && !gap ? "L" : "M"}${f1(xl(t))} ${f1(y(v))}H${f1(xl(t + s.step))}`;
    open = true;
  });
  const last = inside[inside.length - 1];
  return (
    <g>
      <text class="t b halo" x={frame.left} y={top - 10}>
        Failed exchanges
        <tspan class="t" dx="10" font-weight="400">
          % in {fine ? "an hour" : s.step >= DAY ? "a day" : `${Math.round(s.step / HOUR)} h`}{phone ? "" : "; band: usual for this loop"}
        </tspan>
      </text>
      {band && <rect class="band" x={frame.left} y={y(band[1])} width={frame.x(frame.now) - frame.left} height={Math.max(1.5, y(band[0]) - y(band[1]))} />}
      <path class="step" d={d} />
      <path class="axis" d={`M${frame.left} ${top}V${top + 30}`} />
      <text class="t" x={frame.left - 6} y={top + 8} text-anchor="end">
        {num(most, most < 10 ? 1 : 0)}
      </text>
      <text class="t" x={frame.left - 6} y={top + 30} text-anchor="end">
        0
      </text>
      {last !== undefined && (
        <text class="t halo" x={frame.x(frame.now) + 6} y={Math.max(top + 8, y(last) + 4)}>
          {num(last, 1)} %
        </text>
      )}
    </g>
  );
}
