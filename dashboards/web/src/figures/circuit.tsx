// The wire beneath the agreement: which currents have arrived, what resistance and leakage would explain them, and by hour
// of day and by day of the junction box how much more arrived than the device sent. Sentences are the service's.

import { useEffect, useState } from "preact/hooks";
import { get } from "../api";
import { HOUR, count, day, ms, num, offsetAt, pct, signedPct } from "../format";
import { Said } from "../said";
import type { CircuitTerms } from "../types";
import { useWidth } from "./width";

export function useCircuit(tag: string, version: string): CircuitTerms | null {
  const [terms, set] = useState<CircuitTerms | null>(null);
  useEffect(() => {
    const stop = new AbortController();
    get<CircuitTerms>(`loops/${encodeURIComponent(tag)}/circuit`, stop.signal)
      .then(set)
      .catch(() => undefined);
    return () => stop.abort();
  }, [tag, version]);
  return terms;
}

export function Circuit({ tag, version, now }: { tag: string; version: string; now: number }) {
  const c = useCircuit(tag, version);
  if (c === null) return null;
  const box = c.junction_box;
  const days = box?.leakage?.by_day.slice(-30) ?? [];
  return (
    <section class="also wire" aria-label="The wire">
      <div>
      <h2>The wire</h2>
      {c.says.map((s) => (
        <p key={s}>
          <Said text={s} />
        </p>
      ))}
      {c.cannot_tell.length > 0 && (
        <>
          <h2>What the wire does not tell</h2>
          <ul>
            {c.cannot_tell.map((s) => (
              <li key={s}>
                <Said text={s} />
              </li>
            ))}
          </ul>
        </>
      )}
      </div>
      <div>
      {c.leakage && (
        <Bars
          label="current beyond what the device sent, by hour of the site's day"
          values={siteHours(c, now).map((h) => h?.excess_pct ?? null)}
          ends={["00 h", "24 h"]}
          words={hourWords(c, now)}
        />
      )}
      {box && days.length > 1 && (
        <Bars
          label={`${box.name}: the same, mean of its loops, by day`}
          values={days.map((d) => d.excess_pct)}
          ends={[day(ms(days[0]?.day), now), day(ms(days[days.length - 1]?.day), now)]}
          words={boxWords(c, now)}
        />
      )}
      </div>
    </section>
  );
}

/** UTC hours in the order of the site's day; a zone off by half an hour is shown by the hour that holds its begin. */
function siteHours(c: CircuitTerms, now: number) {
  const hours = c.leakage?.by_hour_of_day ?? [];
  const shift = Math.floor(offsetAt(now) / HOUR);
  return Array.from({ length: 24 }, (_, h) => hours.find((x) => x.hour_utc === (((h - shift) % 24) + 24) % 24));
}

function hourWords(c: CircuitTerms, now: number): string {
  const seen = siteHours(c, now).flatMap((h, local) => (h && h.excess_pct !== null ? [{ ...h, local }] : []));
  const top = seen.reduce((a, b) => ((b.excess_pct ?? 0) > (a?.excess_pct ?? -Infinity) ? b : a), seen[0]);
  if (!top) return "No hour of the day has been seen.";
  if ((top.excess_pct ?? 0) <= 0) return "At no hour of the day does more arrive than the device sent.";
  return `Highest at ${String(top.local).padStart(2, "0")}:00 with ${signedPct(top.excess_pct)} of span above the loop's own lowest level, a mean of ${count(top.days)} days${top.resistance_ohm === null ? "; not told from temperature and scatter" : ""}.`;
}

function boxWords(c: CircuitTerms, now: number): string {
  const days = c.junction_box?.leakage?.by_day.slice(-30) ?? [];
  const top = days.reduce((a, b) => (b.excess_pct > (a?.excess_pct ?? -Infinity) ? b : a), days[0]);
  if (!top || !c.junction_box) return "";
  const wet = days.filter((d) => d.leaking > 0).length;
  return `${c.junction_box.name} with ${count(c.junction_box.loops)} loops: highest on ${day(ms(top.day), now)} with ${signedPct(top.excess_pct)} of span, where it stands out on ${count(top.leaking)} of ${count(top.loops)}; on ${count(wet)} of ${count(days.length)} days it stands out on any.`;
}

interface BarsProps {
  label: string;
  values: (number | null)[];
  ends: [string, string];
  words: string;
}

const TALL = 64;

function Bars({ label, values, ends, words }: BarsProps) {
  const [ref, width] = useWidth<HTMLElement>();
  const top = Math.max(0.1, ...values.map((v) => v ?? 0));
  const some = values.some((v) => v !== null && v > 0);
  const left = 54;
  const step = (width - left - 2) / Math.max(1, values.length);
  const y = (v: number) => 8 + TALL * (1 - Math.max(0, Math.min(1, v / top)));
  return (
    <figure ref={ref}>
      {width > 0 && some && (
        <svg class="fig" width={width} height={TALL + 30} viewBox={`0 0 ${width} ${TALL + 30}`} role="img" aria-label={`${label}. ${words}`}>
          <path class="hair" d={`M${left} ${y(top)}H${width - 2}`} />
          <path class="zero" d={`M${left} ${y(0)}H${width - 2}`} />
          <text class="t" x={left - 6} y={y(top) + 4} text-anchor="end">
            {num(top, top < 1 ? 2 : 1)}
          </text>
          <text class="t" x={left - 6} y={y(0) + 4} text-anchor="end">
            0{"\u202f"}%
          </text>
          {values.map((v, i) => v !== null && v > 0 && <rect key={i} class="exc" x={left + i * step + 1} width={Math.max(1, step - 2)} y={y(v)} height={y(0) - y(v)} />)}
          <text class="t" x={left} y={TALL + 26}>
            {ends[0]}
          </text>
          <text class="t" x={width - 2} y={TALL + 26} text-anchor="end">
            {ends[1]}
          </text>
        </svg>
      )}
      <figcaption>
        <b>{label.charAt(0).toUpperCase() + label.slice(1)}</b> {words} {pct(0.1)} and less is what temperature does.
      </figcaption>
    </figure>
  );
}
