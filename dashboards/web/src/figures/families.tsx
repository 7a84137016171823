// Marks of a family: by itself and drawn towards the fleet, each with its interval, against the fleet's own mean; and the
// share of its loops with an open finding by week.

import { day, ms, num } from "../format";
import { ticks } from "../scale";
import type { Family, Interval } from "../types";

export interface Axis {
  low: number;
  high: number;
  /** Of a value on the axis, with its unit. */
  label: (v: number) => string;
}

const PAD = 8;
const place = (axis: Axis, width: number) => (v: number) => PAD + ((Math.min(axis.high, Math.max(axis.low, v)) - axis.low) / (axis.high - axis.low)) * (width - 2 * PAD);

/** The axis above the rows, once for all of them. */
export function MarkAxis({ axis, fleet, width }: { axis: Axis; fleet: Interval | null; width: number }) {
  if (width <= 0) return null;
  const x = place(axis, width);
  const all = ticks(axis.low, axis.high, width < 300 ? 3 : 5);
  return (
    <svg class="fig" width={width} height="34" aria-hidden="true">
      {all.map((t) => (
        <text class="t" key={t} x={x(t)} y="13" text-anchor={x(t) < 24 ? "start" : x(t) > width - 24 ? "end" : "middle"}>
          {axis.label(t)}
        </text>
      ))}
      {fleet !== null && (
        <text class="t b" x={x(fleet.value)} y="29" text-anchor={x(fleet.value) < 30 ? "start" : x(fleet.value) > width - 30 ? "end" : "middle"}>
          fleet
        </text>
      )}
    </svg>
  );
}

interface MarksProps {
  name: string;
  axis: Axis;
  raw: Interval | null;
  pooled: Interval | null;
  fleet: Interval | null;
  width: number;
}

export const MARKS_HEIGHT = 44;

export function Marks({ name, axis, raw, pooled, fleet, width }: MarksProps) {
  if (width <= 0) return null;
  const x = place(axis, width);
  const span = (i: Interval) => `${axis.label(i.value)}, ${axis.label(i.low)} to ${axis.label(i.high)}`;
  const said = raw === null && pooled === null ? `${name}: not known` : `${name}: ${pooled === null ? "" : `drawn towards the fleet ${span(pooled)}`}${pooled !== null && raw !== null ? "; " : ""}${raw === null ? "" : `by itself ${span(raw)}`}`;
  return (
    <svg class="fig marks" width={width} height={MARKS_HEIGHT} viewBox={`0 0 ${width} ${MARKS_HEIGHT}`} role="img" aria-label={said}>
      {ticks(axis.low, axis.high, width < 300 ? 3 : 5).map((t) => (
        <path class="hair" key={t} d={`M${x(t)} 0V${MARKS_HEIGHT}`} />
      ))}
      {fleet !== null && <rect class="band" x={x(fleet.low)} y="0" width={Math.max(1, x(fleet.high) - x(fleet.low))} height={MARKS_HEIGHT} />}
      {fleet !== null && <path class="nowl" d={`M${x(fleet.value)} 0V${MARKS_HEIGHT}`} />}
      {raw !== null && (
        <>
          <path class="rawline" d={`M${x(raw.low)} 13H${x(raw.high)}`} />
          <path class="rawmark" d={`M${x(raw.value)} 8V18`} />
        </>
      )}
      {pooled !== null && (
        <>
          <path class="hit" d={`M${x(pooled.low)} 29H${x(pooled.high)}`} />
          <circle class="ana" cx={x(pooled.value)} cy="29" r="5" />
        </>
      )}
      {raw === null && pooled === null && (
        <text class="t" x={PAD} y="26">
          not known
        </text>
      )}
    </svg>
  );
}

const TOP = 8;
const PLOT = 52;

/** Share of loops with an open finding by week, with its interval; a change, where one is evidenced, with its own. */
export function Weeks({ f, top, now, width }: { f: Family; top: number; now: number; width: number }) {
  if (width <= 0) return null;
  const known = f.weeks.filter((w) => w.share !== null);
  const [first, last] = [f.weeks[0], f.weeks[f.weeks.length - 1]];
  if (known.length === 0 || !first || !last) {
    return (
      <svg class="fig" width={width} height={TOP + PLOT} role="img" aria-label={`${f.name}: no whole week yet`}>
        <text class="t" x="0" y={TOP + 24}>
          no whole week yet
        </text>
      </svg>
    );
  }
  const left = 38;
  const [from, to] = [ms(first.from), ms(last.to)];
  const x = (t: number) => left + ((Math.min(to, Math.max(from, t)) - from) / (to - from)) * (width - left - 4);
  const y = (v: number) => TOP + PLOT * (1 - Math.min(1, v / top));
  const c = f.change?.evidenced ? f.change : null;
  const newest = known[known.length - 1];
  const oldest = known[0];
  const said = `${f.name}: share of loops with an open finding by week, from ${num(100 * (oldest?.share?.value ?? 0), 0)} % to ${num(100 * (newest?.share?.value ?? 0), 0)} %${c === null ? "" : `, ${c.direction} since ${day(ms(c.since), now)}`}`;
  return (
    <svg class="fig" width={width} height={TOP + PLOT + 18} viewBox={`0 0 ${width} ${TOP + PLOT + 18}`} role="img" aria-label={said}>
      {c !== null && <rect class="ons" x={x(ms(c.since_low))} y={TOP} width={Math.max(2, x(ms(c.since_high)) - x(ms(c.since_low)))} height={PLOT} />}
      {c !== null && <path class="onl" d={`M${x(ms(c.since))} ${TOP}V${TOP + PLOT}`} />}
      <path class="axis" d={`M${left} ${TOP + PLOT}H${width - 4}`} />
      <path class="hair" d={`M${left} ${TOP}H${width - 4}`} />
      <text class="t" x={left - 5} y={TOP + 9} text-anchor="end">
        {num(100 * top, 0)}
      </text>
      <text class="t" x={left - 5} y={TOP + PLOT} text-anchor="end">
        0
      </text>
      {f.weeks.map((w) => {
        if (w.share === null) return null;
        const mid = (x(ms(w.from)) + x(ms(w.to))) / 2;
        return (
          <g key={w.from}>
            <path class="whisk" d={`M${mid} ${y(w.share.low)}V${y(w.share.high)}`} />
            <path class="hit" d={`M${x(ms(w.from)) + 1} ${y(w.share.value)}H${x(ms(w.to)) - 1}`} />
          </g>
        );
      })}
      <text class="t" x={left} y={TOP + PLOT + 14}>
        {day(from, now)}
      </text>
      <text class="t" x={width - 4} y={TOP + PLOT + 14} text-anchor="end">
        {day(to, now)}
      </text>
    </svg>
  );
}
