// Where a loop's history begins anew, in its register section: reason, who, when. Nothing is ever removed from this list.
// A person may accept the loop as it is; what is accepted until a date is looked at again after it.

import { useEffect, useState } from "preact/hooks";
import { get, said, send } from "../api";
import { fromInput, instant, ms, toInput, utc } from "../format";
import { Author, author } from "../me";
import { now, refresh, wall } from "../state";
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
  const [asked, ask] = useState(0);
  useEffect(() => {
    const stop = new AbortController();
    get<Answer>(`loops/${encodeURIComponent(tag)}/baselines`, stop.signal)
      .then(set)
      .catch(() => undefined);
    return () => stop.abort();
  }, [tag, version, asked]);
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
              {b.ended !== null && (
                <>
                  <br />
                  ended <span title={utc(ms(b.ended.from))}>{instant(ms(b.ended.from), to)}</span> by {b.ended.by}: {b.ended.why}
                </>
              )}
              {b.reason === "accepted" && b.from === answer.counts_from && b.ended === null && <End tag={tag} from={b.from} onDone={() => ask((n) => n + 1)} />}
            </li>
          ))}
        </ol>
      )}
      {answer.baselines.length > 0 && answer.counts_from === null && <p>None counts now: the whole record does.</p>}
      <Accept tag={tag} onDone={() => ask((n) => n + 1)} />
    </div>
  );
}

function Accept({ tag, onDone }: { tag: string; onDone: () => void }) {
  const [f, set] = useState({ from: "", until: "", why: "" });
  const [told, tell] = useState("");
  const [busy, setBusy] = useState(false);
  const type = (key: keyof typeof f) => (e: Event) => {
    set({ ...f, [key]: (e.currentTarget as HTMLInputElement).value });
    tell("");
  };
  const [a, b] = [fromInput(f.from), fromInput(f.until)];
  const submit = async (e: Event) => {
    e.preventDefault();
    if (f.until !== "" && !(b > (Number.isFinite(a) ? a : wall.peek()))) {
      tell("Until is not after from.");
      return;
    }
    setBusy(true);
    try {
      await send("POST", `loops/${encodeURIComponent(tag)}/baseline`, {
        by: author.value.trim(),
        why: f.why.trim(),
        ...(Number.isFinite(a) ? { from: new Date(a).toISOString() } : {}),
        ...(Number.isFinite(b) ? { until: new Date(b).toISOString() } : {}),
      });
      tell("Kept: from then on the record begins anew. The next result goes by it.");
      set({ from: "", until: "", why: "" });
      onDone();
      void refresh();
    } catch (err) {
      tell(said(err));
    } finally {
      setBusy(false);
    }
  };
  return (
    <details class="accept">
      <summary>accept this loop as it is</summary>
      <p>The detectors start afresh from a time on and hold it as the loop's usual state. What they found before goes from the list; nothing is removed from the record, and a fault that stands already is no longer told. Give an end where it is accepted only until work is done.</p>
      <form class="act" aria-label="Accept as it is" onSubmit={(e) => void submit(e)}>
        <label class="fld" for="base-from">
          <span>From (site time; now if empty)</span>
          <input id="base-from" type="datetime-local" max={toInput(wall.value)} value={f.from} onInput={type("from")} />
        </label>
        <label class="fld" for="base-until">
          <span>Until (then what counted before counts again; may stay empty)</span>
          <input id="base-until" type="datetime-local" value={f.until} onInput={type("until")} />
        </label>
        <label class="fld" for="base-why">
          <span>Why it is accepted</span>
          <input id="base-why" type="text" required maxLength={500} value={f.why} placeholder="card exchanged, offset known" onInput={type("why")} />
        </label>
        <Author id="base-who" />
        <button type="submit" class="do" disabled={busy}>
          Accept from {f.from === "" ? "now" : "then"} on
        </button>
      </form>
      <p role="status" class="told">
        {told}
      </p>
    </details>
  );
}

/** What was accepted counts no longer from now on. */
function End({ tag, from, onDone }: { tag: string; from: string; onDone: () => void }) {
  const [why, setWhy] = useState("");
  const [told, tell] = useState("");
  const [busy, setBusy] = useState(false);
  const submit = async (e: Event) => {
    e.preventDefault();
    setBusy(true);
    try {
      await send("POST", `loops/${encodeURIComponent(tag)}/baseline/end`, { by: author.value.trim(), why: why.trim(), baseline: from });
      onDone();
      void refresh();
    } catch (err) {
      tell(said(err));
    } finally {
      setBusy(false);
    }
  };
  return (
    <details class="accept">
      <summary>end it now</summary>
      <form class="act" aria-label="End this baseline" onSubmit={(e) => void submit(e)}>
        <label class="fld" for="end-why">
          <span>Why it ends</span>
          <input id="end-why" type="text" required maxLength={500} value={why} onInput={(e) => setWhy(e.currentTarget.value)} />
        </label>
        <Author id="end-who" />
        <button type="submit" class="do" disabled={busy}>
          End it
        </button>
      </form>
      <p role="status" class="told">
        {told}
      </p>
    </details>
  );
}
