// Marks of the Collection sheet: planned as a mark that the achieved line should meet, lateness on a log axis, failed
// polls by day as steps.

import { DAY, THIN, count, day, num, pct, span } from "../format";
import { useWidth } from "./width";

const W = 150;
const ROW = 18;

/** Achieved as a line from zero, planned as a mark; `most` is the end of the axis. */
export function Pace({ planned, achieved, most, unit, thin = false }: { planned: number; achieved: number; most: number; unit: string; thin?: boolean }) {
  const x = (v: number) => ((W - 3) * Math.min(v, most)) / most;
  return (
    <svg class="pace" viewBox={`0 0 ${W} ${ROW}`} role="img" aria-label={`planned ${num(planned, 2)}, achieved ${num(achieved, 2)} ${unit}`}>
      <path class="hair" d={`M0 9H${W}`} />
      <path class={thin ? "got thin" : "got"} d={`M0 9H${x(achieved).toFixed(1)}`} />
      <path class="plan" d={`M${x(planned).toFixed(1)} 2V16`} />
    </svg>
  );
}

const LATE = [0.1, 1, 10, 100];

/** How far behind its plan, on a log axis from 0.1 s to 1000 s. */
export function Late({ seconds }: { seconds: number }) {
  const x = (s: number) => ((W - 3) * (Math.log10(Math.min(1000, Math.max(0.1, s))) + 1)) / 4;
  return (
    <svg class="pace" viewBox={`0 0 ${W} ${ROW}`} role="img" aria-label={lateWords(seconds)}>
      <path class="hair" d={`M0 9H${W}${LATE.map((s) => `M${x(s).toFixed(1)} 5V13`).join("")}`} />
      {seconds >= 0.1 && <path class="got" d={`M${x(0.1)} 9H${x(seconds).toFixed(1)}`} />}
      {seconds >= 0.1 && <path class="plan" d={`M${x(seconds).toFixed(1)} 4V14`} />}
    </svg>
  );
}

export const lateWords = (s: number): string => (s < 0.1 ? "in time" : s < 10 ? `${num(s, 1)}${THIN}s late` : `${span(1000 * s)} late`);

/** Share of failed polls a day, as steps from zero; days without a poll stay empty. */
export function FailedSteps({ polls, failed, first, most, label }: { polls: readonly number[]; failed: readonly number[]; first: number; most: number; label: string }) {
  const [ref, width] = useWidth<HTMLDivElement>();
  const step = width / Math.max(1, polls.length);
  const y = (v: number) => 21 - 18 * Math.min(1, v / most);
  let d = "";
  let open = false;
  polls.forEach((n, i) => {
    if (n === 0) {
      open = false;
      return;
    }
    d += `${open ? "L" : "M"}${(i * step).toFixed(1)} ${y((100 * (failed[i] ?? 0)) / n).toFixed(1)}H${((i + 1) * step).toFixed(1)}`;
    open = true;
  });
  return (
    <div ref={ref} class="fsteps">
      {width > 0 && (
        <svg width={width} height="24" viewBox={`0 0 ${width} 24`} role="img" aria-label={`${label}: ${stepsWords(polls, failed, first)}`}>
          <path class="hair" d={`M0 21.5H${width}`} />
          <path class="step" d={d} />
        </svg>
      )}
    </div>
  );
}

function stepsWords(polls: readonly number[], failed: readonly number[], first: number): string {
  const shares = polls.map((n, i) => ({ i, v: n === 0 ? null : (100 * (failed[i] ?? 0)) / n })).filter((s): s is { i: number; v: number } => s.v !== null);
  const worst = shares.reduce<{ i: number; v: number } | null>((a, b) => (a === null || b.v > a.v ? b : a), null);
  const end = first + (polls.length - 1) * DAY;
  return worst === null ? "no poll in this time" : `failed polls of ${count(shares.length)} days, most on ${day(first + worst.i * DAY, end)} with ${pct(worst.v, 1)}`;
}
