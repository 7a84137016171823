// Fig. 3: agreement by eighths of range. A bar for the mean in each eighth that the loop ran through, a whisker for its
// expanded uncertainty (k = 2); eighths never visited are hatched.

import { count, day, ma, ms, num, pct, signedPct } from "../format";
import { ticks } from "../scale";
import type { Agreement, Eighth } from "../types";
import { useWidth } from "./width";

const TOP = 14;
const PLOT = 132;
const LEFT = 54;

export function AgreementFigure({ a, now }: { a: Agreement; now: number }) {
  const [ref, width] = useWidth<HTMLElement>();
  const seen = a.eighths.filter((e) => e.deviation_pct !== null);
  const reach = seen.map((e) => Math.abs(e.deviation_pct ?? 0) + (e.expanded_uncertainty_pct ?? 0));
  const top = 1.15 * Math.max(1.3 * a.tolerance_pct, ...reach);
  const w = width - LEFT - 2;
  const x = (p: number) => LEFT + (w * p) / 100;
  const y = (v: number) => TOP + (PLOT * (top - v)) / (2 * top);
  const narrow = width < 520;
  return (
    <section class="agree" aria-label="Agreement over the range">
      <figure ref={ref}>
        {width > 0 && (
          <svg class="fig" width={width} height={TOP + PLOT + 62} viewBox={`0 0 ${width} ${TOP + PLOT + 62}`} role="img" aria-label={words(a, now)}>
            <defs>
              <pattern id="unseen" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
                <path class="hatch" d="M0 0V7" />
              </pattern>
            </defs>
            {ticks(-top, top, 4).map((t) => (
              <g key={t}>
                <path class={t === 0 ? "zero" : "hair"} d={`M${LEFT} ${y(t)}H${width - 2}`} />
                <text class="t" x={LEFT - 6} y={y(t) + 4} text-anchor="end">
                  {num(t, top < 1 ? 1 : 0)}
                </text>
              </g>
            ))}
            {a.eighths.map((e) => (
              <OneEighth key={e.from_pct} e={e} a={a} x={x} y={y} narrow={narrow} now={now} />
            ))}
            <text class="t" x={LEFT - 6} y={TOP + PLOT + 16} text-anchor="end">
              mA
            </text>
            <text class="t" x={LEFT - 6} y={TOP + PLOT + 34} text-anchor="end">
              days
            </text>
            <text class="t" x={LEFT - 6} y={TOP + PLOT + 52} text-anchor="end">
              {narrow ? "" : "newest"}
            </text>
            {[4, 8, 12, 16, 20].map((m) => (
              <text key={m} class="t" x={x((100 * (m - 4)) / 16)} y={TOP + PLOT + 16} text-anchor={m === 20 ? "end" : m === 4 ? "start" : "middle"}>
                {m}
              </text>
            ))}
          </svg>
        )}
        <figcaption>
          <b>Fig. 3</b>
          {words(a, now)}
        </figcaption>
      </figure>
    </section>
  );
}

interface OneProps {
  e: Eighth;
  a: Agreement;
  x: (p: number) => number;
  y: (v: number) => number;
  narrow: boolean;
  now: number;
}

function OneEighth({ e, a, x, y, narrow, now }: OneProps) {
  const [l, r] = [x(e.from_pct) + 1, x(e.to_pct) - 1];
  const mid = (l + r) / 2;
  if (e.deviation_pct === null) {
    return (
      <>
        <rect x={l} y={TOP} width={r - l} height={PLOT} fill="url(#unseen)" />
        {!narrow && (
          <text class="t" x={mid} y={TOP + PLOT + 34} text-anchor="middle">
            not visited
          </text>
        )}
      </>
    );
  }
  const u = e.expanded_uncertainty_pct;
  return (
    <>
      <rect class="band" x={l} y={y(a.tolerance_pct)} width={r - l} height={y(-a.tolerance_pct) - y(a.tolerance_pct)} />
      <path class={e.counts ? "mean" : "mean few"} d={`M${l} ${y(e.deviation_pct)}H${r}`} />
      {u !== null && <path class={e.counts ? "whisk" : "whisk few"} d={`M${mid} ${y(e.deviation_pct - u)}V${y(e.deviation_pct + u)}M${mid - 5} ${y(e.deviation_pct - u)}h10M${mid - 5} ${y(e.deviation_pct + u)}h10`} />}
      <text class={e.counts ? "t b" : "t"} x={mid} y={TOP + PLOT + 34} text-anchor="middle">
        {e.days}
      </text>
      {!narrow && e.newest !== null && (
        <text class="t" x={mid} y={TOP + PLOT + 52} text-anchor="middle">
          {day(ms(e.newest), now)}
        </text>
      )}
    </>
  );
}

/** What the figure says, for the caption and for those who do not see it. */
export function words(a: Agreement, now: number): string {
  const seen = a.eighths.filter((e) => e.deviation_pct !== null);
  if (seen.length === 0) return "Nothing has been seen of the agreement yet: it needs readings with both channels.";
  const counted = seen.filter((e) => e.counts);
  const parts: string[] = [];
  if (counted.length === 0) {
    parts.push(`No eighth of the range has ${count(a.days_to_count)} days of running yet, so none counts; thin bars show what there is.`);
  } else {
    const means = counted.map((e) => e.deviation_pct ?? 0);
    const worst = Math.max(...counted.map((e) => e.expanded_uncertainty_pct ?? 0));
    const [low, high] = [Math.min(...means), Math.max(...means)];
    parts.push(
      `In ${count(counted.length)} of 8 eighths the current arrives ${low === high ? signedPct(low) : `${signedPct(low)} to ${signedPct(high)}`} of span from the digital value, with at most ±${pct(worst)} (k = 2${a.input_accuracy_pct === null ? ", statistical part only" : `, the input's ${pct(a.input_accuracy_pct)} included`}).`,
    );
  }
  const unseen = 8 - seen.length;
  if (unseen > 0) parts.push(`${count(unseen)} of 8 eighths ${unseen === 1 ? "was" : "were"} not visited and nothing is known of ${unseen === 1 ? "it" : "them"}.`);
  if (a.from !== null && a.to !== null) parts.push(`Evidence from ${day(ms(a.from), now)} to ${day(ms(a.to), now)}${a.from_because === null ? "" : `; none from before, because ${a.from_because}`}.`);
  if (a.highest !== null && a.highest.current_ma < 21) parts.push(`The highest current ever seen at the input is ${ma(a.highest.current_ma)}, on ${day(ms(a.highest.at), now)}: an alarm current of 21.5\u202fmA is not shown to pass.`);
  return parts.join(" ");
}
