// Every judged loop as one stroke by area, in multiples of its own tolerance.

import { signal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import { get, loopPath } from "../api";
import { byName, count, num } from "../format";
import { go } from "../route";
import { assessment, loops } from "../state";
import type { Differences } from "../types";
import { useWidth } from "./width";

const REACH = 3.2;
/** More strokes than this in a row are drawn as one path, without a name each. */
const NAMED = 1_200;
export const means = signal<ReadonlyMap<string, number>>(new Map());
let readAt = 0;

/** The newest daily difference of every loop, at most every five minutes. */
export async function readMeans(): Promise<void> {
  if (Date.now() - readAt < 300_000) return;
  readAt = Date.now();
  try {
    const got = await get<Differences>("differences");
    means.value = new Map(got.tags.map((tag, i) => [tag, got.difference_pct[i] ?? Number.NaN] as const).filter(([, v]) => Number.isFinite(v)));
  } catch {
    readAt = 0;
  }
}

export function Fleet() {
  const known = loops.value;
  const result = assessment.value;
  const [ref, width] = useWidth<HTMLElement>();
  useEffect(() => {
    if (result && known.size > 0) void readMeans();
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
  const rows = [...areas].sort(([a], [b]) => byName(a, b)).slice(0, 24);
  // Capitals are wide; a name that is cut is of little use.
  const left = Math.min(0.4 * width, 12 + 8.1 * Math.max(8, ...rows.map(([area]) => area.length)));
  const step = 21;
  const height = rows.length * step + 26;
  const px = (x: number) => left + ((Math.max(-REACH, Math.min(REACH, x)) + REACH) / (2 * REACH)) * (width - left - 4);
  const rug = values.size > NAMED;
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
                {area.length > left / 8 ? `${area.slice(0, Math.floor(left / 8) - 1)}…` : area}
              </text>
              <path class="hair" d={`M${left} ${(i + 1) * step}H${width}`} />
              {rug && <path class="stk qu rug" d={list.filter((l) => !l.listed && Math.abs(l.x) < REACH).map((l) => `M${px(l.x).toFixed(1)} ${i * step + 7}v8`).join("")} />}
              {list.filter((l) => l.listed || !rug || Math.abs(l.x) >= REACH).map((l) =>
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
        {count(values.size)} loops with both values, one stroke each: the mean difference of the newest day, as a multiple of the loop's own tolerance. Tall: on the list. Angle: off the scale.
      </figcaption>
    </figure>
  );
}
