// Where a loop's history begins anew, in its register section: reason, who, when. Nothing is ever removed from this list.

import { useEffect, useState } from "preact/hooks";
import { get } from "../api";
import { instant, ms, utc } from "../format";
import { now } from "../state";
import type { Baselines as Answer, Baseline } from "../types";

const REASONS: Record<string, string> = {
  exchanged: "device exchanged",
  "re-ranged": "range changed",
  accepted: "accepted as it is",
  replaced: "device replaced",
};

function words(b: Baseline): string {
  const cells = b.changed.map((c) => `${c.column} ${c.before === "" ? "not known" : c.before} → ${c.after === "" ? "not known" : c.after}`);
  const own = b.own_tag === null ? [] : [`until then ${b.own_tag}`];
  return [REASONS[b.reason] ?? b.reason, ...cells, ...own].join(", ");
}

export function BaselineList({ tag, version }: { tag: string; version: string }) {
  const [answer, set] = useState<Answer | null>(null);
  useEffect(() => {
    const stop = new AbortController();
    get<Answer>(`loops/${encodeURIComponent(tag)}/baselines`, stop.signal)
      .then(set)
      .catch(() => undefined);
    return () => stop.abort();
  }, [tag, version]);
  if (answer === null) return null;
  const to = now.value;
  return (
    <div class="bases">
      <h2>Baselines</h2>
      {answer.baselines.length === 0 && <p>None: the whole record counts.</p>}
      {answer.baselines.length > 0 && (
        <ol>
          {[...answer.baselines].reverse().map((b) => (
            <li key={b.from}>
              <b title={utc(ms(b.from))}>{instant(ms(b.from), to)}</b>
              {b.from === answer.counts_from ? ", from which the record counts now" : ""}
              <br />
              {words(b)}
              {b.until !== null && <span title={utc(ms(b.until))}>, until {instant(ms(b.until), to)}</span>}
              {b.by !== null && (
                <>
                  <br />
                  {b.by}: {b.why}
                </>
              )}
            </li>
          ))}
        </ol>
      )}
      {answer.baselines.length > 0 && answer.counts_from === null && <p>None counts now: the whole record does.</p>}
    </div>
  );
}
