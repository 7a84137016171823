// The head of a list whose rows share one time axis: dates of the record, now, and where the drawn time ends.

import { DAY, count, day } from "../format";
import { axisFrom, now } from "../state";
import { plural } from "../words";

/** About five dates of the record. */
export function axisTicks(from: number, to: number): { x: number; text: string }[] {
  const days = (to - from) / DAY;
  const step = [1, 2, 7, 14, 28].find((s) => days / s <= 6) ?? 28;
  const out: { x: number; text: string }[] = [];
  for (let t = to - step * DAY; t >= from + 0.04 * (to - from); t -= step * DAY) {
    if ((to - t) / (to - from) > 0.12) out.push({ x: (200 / 3) * ((t - from) / (to - from)), text: day(t, to) });
  }
  return out;
}

export function AxisHead({ line, last }: { line: string; last: string }) {
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
      <span class="at">{last}</span>
    </div>
  );
}
