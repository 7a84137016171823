// Fig. 4: those who share something with this loop, one stroke each at its newest daily difference. If a group moves with
// the loop, what it shares is suspect.

import { useEffect } from "preact/hooks";
import { loopPath } from "../api";
import { count, num, signedPct } from "../format";
import { go } from "../route";
import { quantile } from "../scale";
import { assessment, loops } from "../state";
import type { LoopEntry } from "../types";
import { means, readMeans } from "./fleet";
import { useWidth } from "./width";

const SHARED: readonly (readonly [string, (l: LoopEntry) => string | null])[] = [
  ["input card", (l) => l.input_card],
  ["junction box", (l) => l.junction_box],
  ["supply", (l) => l.supply],
  ["modem", (l) => l.modem],
  ["device type", (l) => l.device_type],
];
const STEP = 26;

export function Companions({ loop }: { loop: LoopEntry }) {
  const [ref, width] = useWidth<HTMLElement>();
  const all = loops.value;
  const known = means.value;
  const result = assessment.value;
  useEffect(() => {
    if (result !== null) void readMeans();
  }, [result]);
  const own = known.get(loop.tag);
  const listed = new Set((result?.attention ?? []).filter((r) => r.findings.some((f) => f.ended === null)).map((r) => r.tag));
  const rows = SHARED.flatMap(([what, of]) => {
    const name = of(loop);
    if (name === null || name === undefined) return [];
    const others = [...all.values()].flatMap((l) => {
      const v = l.tag === loop.tag || l.retired || of(l) !== name ? undefined : known.get(l.tag);
      return v === undefined ? [] : [{ tag: l.tag, v }];
    });
    return others.length === 0 ? [] : [{ what, name, others }];
  });
  if (own === undefined || rows.length === 0) return <figure ref={ref} class="comp" />;
  const values = rows.flatMap((r) => r.others.map((o) => o.v));
  const reach = 1.15 * Math.max(loop.tolerance_pct, Math.abs(own), quantile(values.map(Math.abs), 0.95) || 0);
  const phone = width < 430;
  const left = phone ? 108 : 190;
  const x = (v: number) => left + ((Math.max(-reach, Math.min(reach, v)) + reach) / (2 * reach)) * (width - left - 10);
  const height = rows.length * STEP + 24;
  // Half of what this loop has, on its side: then the group moves with it.
  const with_ = rows.map((r) => ({ ...r, median: quantile(r.others.map((o) => o.v), 0.5) })).filter((r) => Math.abs(own) > loop.tolerance_pct && r.median / own > 0.5);
  const verdict =
    Math.abs(own) <= loop.tolerance_pct
      ? `${loop.tag} itself lies within its tolerance.`
      : with_.length === 0
        ? `No group moves with ${loop.tag}: what they share is not the cause.`
        : `${with_.map((r) => `${r.what} ${r.name}`).join(" and ")} ${with_.length === 1 ? "moves" : "move"} with it: look at what is shared first.`;
  return (
    <figure ref={ref} class="comp">
      {width > 0 && (
        <svg class="fig" width={width} height={height} viewBox={`0 0 ${width} ${height}`} role="img" aria-label={`Companions of ${loop.tag}, which has ${signedPct(own)}. ${rows.map((r) => `${r.what} ${r.name}: ${count(r.others.length)} others, middle ${signedPct(quantile(r.others.map((o) => o.v), 0.5))}`).join("; ")}. ${verdict}`}>
          <rect class="band" x={x(-loop.tolerance_pct)} y="0" width={x(loop.tolerance_pct) - x(-loop.tolerance_pct)} height={rows.length * STEP} />
          <path class="zero" d={`M${x(0)} 0V${rows.length * STEP}`} />
          {rows.map((r, i) => (
            <g key={r.what}>
              {!phone && (
                <text class="t" x="0" y={i * STEP + 17}>
                  {r.what}
                </text>
              )}
              <text class="t b" x={left - 10} y={i * STEP + 17} text-anchor="end">
                {r.name.length > 14 ? `${r.name.slice(0, 13)}…` : r.name}
              </text>
              <path class="hair" d={`M${left} ${(i + 1) * STEP}H${width}`} />
              {r.others.map((o) => (
                <path key={o.tag} class={listed.has(o.tag) ? "stk dif" : "stk qu"} d={`M${x(o.v).toFixed(1)} ${i * STEP + (listed.has(o.tag) ? 5 : 9)}v${listed.has(o.tag) ? 16 : 9}`} onClick={() => go(loopPath(o.tag))}>
                  <title>{`${o.tag} ${signedPct(o.v)}`}</title>
                </path>
              ))}
              <path class="stk self" d={`M${x(own).toFixed(1)} ${i * STEP + 2}V${(i + 1) * STEP - 2}`} />
            </g>
          ))}
          {[-loop.tolerance_pct, 0, loop.tolerance_pct].filter((v) => v !== 0 || x(loop.tolerance_pct) - x(0) > 40).map((v) => (
            <text class="t" key={v} x={x(v)} y={height - 6} text-anchor="middle">
              {v === 0 ? "0" : `${v > 0 ? "+" : "−"}${num(Math.abs(v), 1)}`}
            </text>
          ))}
          {Math.abs(x(own) - x(Math.sign(own) * loop.tolerance_pct)) > 60 && Math.abs(x(own) - x(0)) > 40 && (
            <text class="t val" x={Math.min(x(own), width - 30)} y={height - 6} text-anchor="middle">
              {signedPct(own)}
            </text>
          )}
        </svg>
      )}
      <figcaption>
        <b>Fig. 4</b>
        Those who share something with it: the newest daily difference, % of span, one stroke a loop, tall with a finding; the heavy one is {loop.tag}. {verdict}
      </figcaption>
    </figure>
  );
}
