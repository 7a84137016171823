// A number for every silence: on one loop as sentences, over the fleet as a table by sort of fault.

import { useEffect, useState } from "preact/hooks";
import { get, loopPath, said } from "../api";
import { count, day, ms, num, pct, tied } from "../format";
import { now } from "../state";
import type { Detectable, FaultSummary, Watch } from "../types";
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
          <p>Known faults were added to this loop's own record and the detectors asked. Those below would be found in 9 of 10 cases; smaller ones may be there unseen.</p>
          <Sentences numbers={numbers} within={7} />
          <details>
            <summary>the same within 30 days</summary>
            <Sentences numbers={numbers} within={30} />
          </details>
        </>
      )}
    </section>
  );
}

/** One line a fault; those that nothing is known of for one reason are one line. */
function Sentences({ numbers, within }: { numbers: readonly Detectable[]; within: number }) {
  const asked = numbers.filter((n) => n.within_days === within);
  const lines = new Map<string, string[]>();
  for (const n of asked) {
    const why = n.size === null ? n.says.slice(n.says.indexOf(":") + 1).trim() : n.fault;
    lines.set(why, [...(lines.get(why) ?? []), n.fault]);
  }
  const name = (fault: string): string => FAULTS.find(([f]) => f === fault)?.[1] ?? fault;
  return (
    <ul class="watched">
      {[...lines].map(([why, faults]) => {
        const one = faults.length === 1 ? asked.find((n) => n.fault === faults[0]) : undefined;
        const names = `${faults.slice(0, -1).map(name).join(", ")} and ${name(faults[faults.length - 1] ?? "")}`;
        return <li key={why}>{tied(one ? one.says.replace(" in 9 of 10 cases", "") : `${names.charAt(0).toUpperCase()}${names.slice(1)}: ${why}`)}</li>;
      })}
    </ul>
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

function size(d: FaultSummary, v: number | null): string {
  if (v === null) return "–";
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
    get<Watch>("detectable/summary", stop.signal)
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
          <div class="scroll tight" tabIndex={0} role="region" aria-label="Smallest faults that would be found">
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

function Line({ watch, fault, name }: { watch: Watch; fault: string; name: string }) {
  const [week, month] = [7, 30].map((days) => watch.faults.find((f) => f.fault === fault && f.within_days === days));
  const one = week ?? month;
  if (!one) return null;
  // The time after which a held signal is told from a moving one is the number itself.
  const hours = one.measure === "hours";
  return (
    <tr>
      <td>{hours ? `${name}, told after` : name}</td>
      <td>{size(one, one.half)}</td>
      <td>{hours || !month ? "" : size(month, month.half)}</td>
      <td>{size(one, one.worst)}</td>
      <td>{hours || !month ? "" : size(month, month.worst)}</td>
      <td>
        {one.worst_on && (
          <a class="tag" href={loopPath(one.worst_on)}>
            {one.worst_on}
          </a>
        )}
      </td>
      <td class="r">{one.blind === 0 ? "–" : `${count(one.blind)} ${plural(one.blind, "loop", "loops")}`}</td>
    </tr>
  );
}
