// The lowest strip of the twin trace: what was done to the loop or happened to its device.

import { clock, day, ms } from "../format";
import type { Frame, Props } from "./twin";

const f1 = (v: number): string => v.toFixed(1);
const NEW_CONFIGURATION = 0x40;
const COLD_START = 0x20;

/** Announced work as stretches with its note; a configuration that changed and a cold start as marks. */
export function EventStrip(p: Props & { frame: Frame; top: number }) {
  const { frame, top } = p;
  const marks: { t: number; to: number; words: string }[] = p.work.map((w) => ({ t: ms(w.from), to: ms(w.to), words: w.note === null || w.note === "" ? "announced work" : `${w.note}, announced` })).filter((w) => w.to > frame.from && w.t < frame.end);
  let before = 0;
  const step = (p.trace?.step_s ?? 0) * 1000;
  const bits = p.fine || !p.trace ? p.polls.map((q) => [q.t, q.status ?? 0] as const) : p.trace.columns.time.map((t, i) => [t + step / 2, p.trace?.columns.device_status[i] ?? 0] as const);
  for (const [t, status] of bits) {
    const begun = status & ~before;
    if (t > frame.from && t < frame.now) {
      if ((begun & NEW_CONFIGURATION) !== 0) marks.push({ t, to: t, words: "configuration" });
      if ((begun & COLD_START) !== 0) marks.push({ t, to: t, words: "cold start" });
    }
    before = status;
  }
  marks.sort((a, b) => a.t - b.t);
  let free = frame.left;
  return (
    <g>
      <text class="t b halo" x={frame.left} y={top - 8}>
        Events
        <tspan class="t" dx="10" font-weight="400">
          {marks.length === 0 ? "none in this time" : ""}
        </tspan>
      </text>
      {marks.map((m) => {
        const x = Math.max(frame.left, frame.x(m.t));
        const end = Math.min(frame.right, frame.x(m.to));
        const shown = x >= free && x + 7 * m.words.length < frame.right + 60;
        if (shown) free = x + 7.2 * m.words.length + 14;
        return (
          <g key={`${m.t} ${m.words}`}>
            <path class="ana" d={`M${f1(x - 4)} ${top + 7}h8l-4 7Z`} />
            {end > x + 4 && <path class="bits thin" d={`M${f1(x)} ${top + 14}H${f1(end)}`} />}
            {shown && (
              <text class="t halo" x={x + 7} y={top + 8}>
                {m.words}
              </text>
            )}
            <title>{`${m.words}, ${day(m.t, frame.now)} ${clock(m.t)}`}</title>
          </g>
        );
      })}
    </g>
  );
}
