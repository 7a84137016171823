// A number for every silence: on one loop as sentences, over the fleet as a table by sort of fault.

import { useEffect, useState } from "preact/hooks";
import { get, loopPath, said } from "../api";
import { count, day, ms, num, pct } from "../format";
import { now } from "../state";
import type { Detectable, Watch } from "../types";
import { plural } from "../words";

/** The sentences of one loop, those for a week first; the rest on demand. */
export function LoopWatch({ tag, version }: { tag: string; version: string }) {
  const [numbers, set] = useState<Detectable[] | null>(null);
  const [why, setWhy] = useState("");
  useEffect(() => {
    const stop = new AbortController();
    get<{ numbers: Detectable[] }>(`loops/${encodeURIComponent(tag)}/detectable`, stop.signal)
      .then((a) => {
        set(a.numbers);
        setWhy("");
      })
      .catch((e: unknown) => {
        if (!stop.signal.aborted) setWhy(said(e));
      });
    return () => stop.abort();
  }, [tag, version]);
  if (numbers === null && why === "") return null;
  return (
    <section class="also" aria-label="What would be found here">
      <h2>What would be found here</h2>
      {numbers === null ? (
        <p>{why}</p>
      ) : numbers.length === 0 ? (
        <p>Not worked out yet: that follows the first assessment, then once a day.</p>
      ) : (
        <>
          <p>Known faults were added to this loop's own record and the detectors asked. Smaller ones may be there unseen.</p>
          <ul class="watched">
            {numbers.filter((n) => n.within_days === 7).map((n) => (
              <li key={n.fault}>{n.says}</li>
            ))}
          </ul>
          <details>
            <summary>the same within 30 days</summary>
            <ul class="watched">
              {numbers.filter((n) => n.within_days === 30).map((n) => (
                <li key={n.fault}>{n.says}</li>
              ))}
            </ul>
          </details>
        </>
      )}
    </section>
  );
}

export const FAULTS: readonly (readonly [string, string])[] = [
  ["offset-growing", "an offset that grows"],
  ["offset-step", "an offset at once"],
  ["span-growing", "a span error that grows"],
  ["span-step", "a span error at once"],
  ["stuck-digital", "a digital value that stops"],
  ["stuck-analog", "a current that stops"],
  ["stuck-both", "both stopping together"],
  ["more-errors", "a rise of failed exchanges"],
  ["noise-rise", "a rise of scatter"],
  ["noise-collapse", "a fall of scatter"],
];

function size(d: Detectable, v: number): string {
  if (d.measure === "pct-of-span") return pct(v);
  if (d.measure === "hours") return `${num(v, 0)}\u202fh`;
  if (d.measure === "failed-share") return pct(100 * v, 1);
  return `${num(v, 2)}×`;
}

/** The fleet: middle and worst number of each sort, and the loop that has the worst. */
export function FleetWatch({ version }: { version: string }) {
  const [watch, set] = useState<Watch | null>(null);
  const [why, setWhy] = useState("");
  useEffect(() => {
    const stop = new AbortController();
    get<Watch>("detectable", stop.signal)
      .then((w) => {
        set(w);
        setWhy("");
      })
      .catch((e: unknown) => {
        if (!stop.signal.aborted) setWhy(said(e));
      });
    return () => stop.abort();
  }, [version]);
  if (watch === null && why === "") return null;
  return (
    <section class="plain" aria-label="What would be found on the others">
      <h2>What would be found on the others</h2>
      {watch === null ? (
        <p>{why}</p>
      ) : (
        <>
          <p class="nt">
            The smallest fault of each sort that would be found in 9 of 10 cases, {watch.as_of === null ? "not worked out yet: that follows the first assessment, then once a day" : `worked out on the record up to ${day(ms(watch.as_of), now.value)}`}. {watch.limits}
          </p>
          <div class="scroll" tabIndex={0} role="region" aria-label="Smallest faults that would be found">
            <table>
              <thead>
                <tr>
                  <th scope="col" rowSpan={2}>
                    fault
                  </th>
                  <th scope="colgroup" colSpan={2}>
                    found on half of the loops
                  </th>
                  <th scope="colgroup" colSpan={3}>
                    found on each loop that has a number
                  </th>
                  <th scope="col" rowSpan={2} class="r">
                    no number
                  </th>
                </tr>
                <tr>
                  <th scope="col">within 7 days</th>
                  <th scope="col">within 30 days</th>
                  <th scope="col">within 7 days</th>
                  <th scope="col">within 30 days</th>
                  <th scope="col">hardest on</th>
                </tr>
              </thead>
              <tbody>
                {FAULTS.map(([fault, name]) => (
                  <Line key={fault} watch={watch} fault={fault} name={name} />
                ))}
              </tbody>
            </table>
          </div>
        </>
      )}
    </section>
  );
}

function ofFault(watch: Watch, fault: string, within: number) {
  const all = watch.loops.flatMap((l) => l.numbers.filter((n) => n.fault === fault && n.within_days === within).map((n) => ({ tag: l.tag, n })));
  const falls = fault === "noise-collapse";
  const sized = all.filter((x) => x.n.size !== null).sort((a, b) => (falls ? -1 : 1) * ((a.n.size ?? 0) - (b.n.size ?? 0)));
  const words = (x: { n: Detectable } | undefined): string => (x ? size(x.n, x.n.size ?? 0) : "–");
  const worst = sized[sized.length - 1];
  return { all, blind: all.length - sized.length, half: words(sized[Math.floor((sized.length - 1) / 2)]), worst: words(worst), on: worst?.tag };
}

function Line({ watch, fault, name }: { watch: Watch; fault: string; name: string }) {
  const week = ofFault(watch, fault, 7);
  const month = ofFault(watch, fault, 30);
  if (week.all.length + month.all.length === 0) return null;
  // The time after which a held signal is told from a moving one is the number itself.
  const hours = [...week.all, ...month.all][0]?.n.measure === "hours";
  const one = hours && week.all.length === 0 ? month : week;
  return (
    <tr>
      <td>{hours ? `${name}, told after` : name}</td>
      <td>{one.half}</td>
      <td>{hours ? "" : month.half}</td>
      <td>{one.worst}</td>
      <td>{hours ? "" : month.worst}</td>
      <td>
        {one.on && (
          <a class="tag" href={loopPath(one.on)}>
            {one.on}
          </a>
        )}
      </td>
      <td class="r">{one.blind === 0 ? "–" : `${count(one.blind)} ${plural(one.blind, "loop", "loops")}`}</td>
    </tr>
  );
}
