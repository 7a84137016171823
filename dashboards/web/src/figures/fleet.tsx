// Every judged loop as one stroke by area, in multiples of its own tolerance.

import { signal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import { get, loopPath } from "../api";
import { DAY, count, ms, num } from "../format";
import { go } from "../route";
import { assessment, loops, now } from "../state";
import type { Trace } from "../types";
import { useWidth } from "./width";

/** Beyond so many loops the day means would be too much to fetch for one figure. */
const MOST = 600;
const BATCH = 100;
const REACH = 3.2;
const NEW_DAYS = 3;
const means = signal<ReadonlyMap<string, number>>(new Map());
let readAt = 0;

async function read(): Promise<void> {
  if (Date.now() - readAt < 300_000) return;
  readAt = Date.now();
  const tags = [...loops.peek().keys()];
  const found = new Map<string, number>();
  try {
    for (let i = 0; i < tags.length; i += BATCH) {
      const list = tags.slice(i, i + BATCH).map(encodeURIComponent).join(",");
      for (const t of (await get<{ traces: Trace[] }>(`traces?tags=${list}&step=1d`)).traces) {
        const k = t.columns.difference_pct.findLastIndex((v) => v !== null);
        const v = t.columns.difference_pct[k];
        if (v != null && now.peek() - ms(t.columns.time[k]) < (NEW_DAYS + 1) * DAY) found.set(t.tag, v);
      }
    }
    means.value = found;
  } catch {
    readAt = 0;
  }
}

export function Fleet() {
  const known = loops.value;
  const result = assessment.value;
  const [ref, width] = useWidth<HTMLElement>();
  useEffect(() => {
    if (result && known.size > 0 && known.size <= MOST) void read();
  }, [known, result]);
  const values = means.value;
  if (values.size === 0) return <figure ref={ref} class="fleet" />;
  const listed = new Set((result?.attention ?? []).filter((r) => r.findings.some((f) => f.ended === null)).map((r) => r.tag));
  const areas = new Map<string, { tag: string; x: number; listed: boolean }[]>();
  for (const [tag, v] of values) {
    const loop = known.get(tag);
    if (!loop || !(loop.tolerance_pct > 0)) continue;
    const area = loop.area ?? "no area given";
    const at = areas.get(area) ?? [];
    at.push({ tag, x: v / loop.tolerance_pct, listed: listed.has(tag) });
    areas.set(area, at);
  }
  const rows = [...areas].sort(([a], [b]) => a.localeCompare(b)).slice(0, 24);
  const left = width < 440 ? 92 : 150;
  const step = 21;
  const height = rows.length * step + 26;
  const px = (x: number) => left + ((Math.max(-REACH, Math.min(REACH, x)) + REACH) / (2 * REACH)) * (width - left - 4);
  const beyond = [...values].filter(([tag, v]) => Math.abs(v) > (known.get(tag)?.tolerance_pct ?? Number.POSITIVE_INFINITY)).length;
  const axis: [number, string][] = [[-3, "−3"], [-1, "−tolerance"], [0, "0"], [1, "+tolerance"], [3, "+3"]];
  return (
    <figure class="fleet" ref={ref}>
      {width > 0 && (
        <svg class="fig" width={width} height={height} viewBox={`0 0 ${width} ${height}`} role="img" aria-label={`Difference of ${values.size} loops by area, ${beyond} beyond their tolerance`}>
          <rect class="band" x={px(-1)} y="0" width={px(1) - px(-1)} height={rows.length * step + 2} />
          <path class="zero" d={`M${px(0)} 0V${rows.length * step + 2}`} />
          {rows.map(([area, list], i) => (
            <g key={area}>
              <text class="t lb" x="0" y={i * step + 15}>
                {area.length > left / 7 ? `${area.slice(0, Math.floor(left / 7) - 1)}…` : area}
              </text>
              <path class="hair" d={`M${left} ${(i + 1) * step}H${width}`} />
              {list.map((l) =>
                Math.abs(l.x) >= REACH ? (
                  <path key={l.tag} class="stk dif nofill" d={l.x < 0 ? `M${left + 6} ${i * step + 5}l-5 5l5 5` : `M${width - 10} ${i * step + 5}l5 5l-5 5`} />
                ) : (
                  <path key={l.tag} class={l.listed ? "stk dif" : "stk qu"} d={`M${px(l.x).toFixed(1)} ${i * step + (l.listed ? 3 : 7)}v${l.listed ? 15 : 8}`} onClick={() => go(loopPath(l.tag))}>
                    <title>{`${l.tag} ${num(l.x, 1)}`}</title>
                  </path>
                ),
              )}
            </g>
          ))}
          {axis.map(([x, words]) => (
            <text class="t" key={words} x={px(x)} y={height - 6} text-anchor={x === 3 ? "end" : "middle"}>
              {width < 440 ? words.replace("tolerance", "tol.") : words}
            </text>
          ))}
        </svg>
      )}
      <figcaption>
        {count(values.size)} loops with both values, one stroke each: the mean difference of the newest day, as a multiple of the loop's own tolerance. Tall: on the list below. Angle: off the scale.
      </figcaption>
    </figure>
  );
}
