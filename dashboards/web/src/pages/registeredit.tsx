// One entry of the register, changed by a person: what is to change is said before it is kept.

import { useEffect, useRef, useState } from "preact/hooks";
import { loopPath, said, send } from "../api";
import { fromInput, toInput } from "../format";
import { Author, author } from "../me";
import { setParam } from "../route";
import { readRegister, refresh, wall } from "../state";
import type { LoopEntry } from "../types";
import { PURPOSE_NAMES, purposeWords } from "../words";

type Kind = "number" | "text" | "purpose" | "transfer";
const FIELDS: readonly (readonly [keyof LoopEntry & string, string, Kind])[] = [
  ["service", "Service", "text"],
  ["pv_unit", "Unit", "text"],
  ["lrv", "Value at 4 mA", "number"],
  ["urv", "Value at 20 mA", "number"],
  ["transfer", "Transfer function", "transfer"],
  ["host_lrv", "Control system's value at 4 mA", "number"],
  ["host_urv", "Control system's value at 20 mA", "number"],
  ["damping_s", "Damping, s", "number"],
  ["tolerance_pct", "Tolerance, % of span", "number"],
  ["input_accuracy_pct", "Accuracy of the input, % of span", "number"],
  ["criticality", "Purpose", "purpose"],
  ["area", "Area", "text"],
  ["junction_box", "Junction box", "text"],
  ["supply", "Supply", "text"],
  ["input_card", "Input card", "text"],
];
const TRANSFERS = ["linear", "square-root"];

const text = (v: unknown): string => (v === null || v === undefined ? "" : String(v));

/** What was typed as the value to send; null empties a cell, NaN cannot be used. */
function valueOf(kind: Kind, typed: string): string | number | null {
  const t = typed.trim();
  if (t === "") return null;
  return kind === "number" ? Number(t.replace("−", "-").replace(",", ".")) : t;
}

export function Edit({ loop }: { loop: LoopEntry }) {
  const [values, set] = useState<Record<string, string>>(() => Object.fromEntries(FIELDS.map(([k]) => [k, text(loop[k])])));
  const [why, setWhy] = useState("");
  const [from, setFrom] = useState("");
  const [told, tell] = useState("");
  const [busy, setBusy] = useState(false);
  const head = useRef<HTMLHeadingElement>(null);
  useEffect(() => head.current?.focus(), [loop.tag]);
  const changed = FIELDS.filter(([k]) => (values[k] ?? "").trim() !== text(loop[k]));
  const wrong = changed.filter(([k, , kind]) => Number.isNaN(valueOf(kind, values[k] ?? "")));
  const type = (key: string) => (e: Event) => {
    set({ ...values, [key]: (e.currentTarget as HTMLInputElement).value });
    tell("");
  };
  const submit = async (e: Event) => {
    e.preventDefault();
    const t = fromInput(from);
    const body: Record<string, unknown> = { by: author.value.trim(), why: why.trim() };
    for (const [k, , kind] of changed) body[k] = valueOf(kind, values[k] ?? "");
    if (Number.isFinite(t)) body["valid_from"] = new Date(t).toISOString();
    setBusy(true);
    try {
      await send("PATCH", `loops/${encodeURIComponent(loop.tag)}`, body);
      tell("Kept. The next result uses it.");
      setWhy("");
      await readRegister();
      void refresh();
    } catch (err) {
      tell(said(err));
    } finally {
      setBusy(false);
    }
  };
  return (
    <section class="act edit" aria-label={`Change ${loop.tag}`}>
      <h2 tabIndex={-1} ref={head}>
        Change the entry of <a href={loopPath(loop.tag)}>{loop.tag}</a>
      </h2>
      <form onSubmit={(e) => void submit(e)}>
        <div class="fields">
          {FIELDS.map(([k, name, kind]) => (
            <label class="fld" for={`ed-${k}`} key={k}>
              <span>{name}</span>
              {kind === "purpose" || kind === "transfer" ? (
                <select id={`ed-${k}`} value={values[k] ?? ""} onChange={type(k)}>
                  {[...new Set([...(kind === "purpose" ? PURPOSE_NAMES : TRANSFERS), text(loop[k])])].map((v) => (
                    <option key={v} value={v}>
                      {kind === "purpose" ? purposeWords(v) : v}
                    </option>
                  ))}
                </select>
              ) : (
                <input id={`ed-${k}`} type="text" inputMode={kind === "number" ? "decimal" : "text"} maxLength={200} value={values[k] ?? ""} onInput={type(k)} aria-invalid={Number.isNaN(valueOf(kind, values[k] ?? ""))} />
              )}
            </label>
          ))}
          <label class="fld" for="ed-from">
            <span>Holds from (site time; now if empty)</span>
            <input id="ed-from" type="datetime-local" max={toInput(wall.value)} value={from} onInput={(e) => setFrom(e.currentTarget.value)} />
          </label>
        </div>
        <p class="told">
          {wrong.length > 0
            ? `${wrong.map(([, n]) => n).join(", ")}: not a number.`
            : changed.length === 0
              ? "Nothing is changed yet."
              : `To change: ${changed.map(([k, n]) => `${n} from ${text(loop[k]) || "empty"} to ${(values[k] ?? "").trim() || "empty"}`).join("; ")}.`}
        </p>
        <label class="fld" for="ed-why">
          <span>Why</span>
          <input id="ed-why" type="text" required maxLength={500} value={why} onInput={(e) => setWhy(e.currentTarget.value)} />
        </label>
        <Author id="ed-who" />
        <p class="choices">
          <button type="submit" class="do" disabled={busy || changed.length === 0 || wrong.length > 0}>
            Keep {changed.length === 1 ? "the change" : `${changed.length} changes`}
          </button>
          <button type="button" onClick={() => setParam("edit", "")}>
            leave it
          </button>
        </p>
      </form>
      <p role="status" class="told">
        {told}
      </p>
    </section>
  );
}
