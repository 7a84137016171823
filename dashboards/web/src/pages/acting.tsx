// What a person does to a case: one line of choices, then only the fields that the choice needs.

import { useState } from "preact/hooks";
import { said, send } from "../api";
import { ACTIONS, actionsOf } from "../casewords";
import { DAY, fromInput, toInput } from "../format";
import { Author, author } from "../me";
import { wall } from "../state";
import type { WholeCase } from "../types";

const TEXT_MAX = 2_000;
const SHELF_DAYS = 31;

type Fields = Record<string, string>;

function bodyOf(action: string, f: Fields): object {
  const time = (key: string): string | undefined => {
    const t = fromInput(f[key] ?? "");
    return Number.isFinite(t) ? new Date(t).toISOString() : undefined;
  };
  const text = (key: string): string | undefined => (f[key] ?? "").trim() || undefined;
  const number = (key: string): number | undefined => {
    const typed = (f[key] ?? "").trim().replace("−", "-").replace(",", ".");
    return typed === "" ? undefined : Number(typed);
  };
  const base = { who: author.value.trim(), why: (f["why"] ?? "").trim() };
  switch (action) {
    case "shelve":
      return { ...base, until: time("until") };
    case "plan":
      return { ...base, due: time("due"), note: text("note") };
    case "note":
      return { ...base, note: text("note") };
    case "attend":
      return { ...base, at: time("at"), found: text("found"), done: text("done"), as_found_pct: number("as_found_pct"), as_left_pct: number("as_left_pct") };
    default:
      return base;
  }
}

export function Acting({ c, onDone }: { c: WholeCase; onDone: (c: WholeCase) => void }) {
  const [action, choose] = useState("");
  const [fields, setFields] = useState<Fields>({});
  const [told, tell] = useState("");
  const [busy, setBusy] = useState(false);
  const may = actionsOf(c);
  const set = (key: string) => (e: Event) => setFields({ ...fields, [key]: (e.currentTarget as HTMLInputElement).value });
  const chosen = may.includes(action) ? action : "";
  const act = ACTIONS[chosen];
  const submit = async (e: Event) => {
    e.preventDefault();
    setBusy(true);
    try {
      const after = await send<WholeCase>("POST", `cases/${encodeURIComponent(c.id)}/${chosen}`, bodyOf(chosen, fields));
      onDone(after);
      choose("");
      setFields({});
      tell(`Kept: ${act?.done ?? chosen}.`);
    } catch (err) {
      tell(said(err));
    } finally {
      setBusy(false);
    }
  };
  return (
    <section class="act">
      <h2>What you do</h2>
      <div class="choices" role="group" aria-label="Action">
        {may.map((a) => (
          <button
            key={a}
            type="button"
            aria-pressed={a === chosen}
            onClick={() => {
              choose(a === chosen ? "" : a);
              tell("");
            }}
          >
            {ACTIONS[a]?.name ?? a}
          </button>
        ))}
      </div>
      {act && (
        <form onSubmit={(e) => void submit(e)} aria-label={act.name}>
          <p class="nt">{act.says}</p>
          <Particular action={chosen} fields={fields} set={set} />
          <label class="fld" for="act-why">
            <span>{chosen === "shelve" || chosen === "out-of-service" || chosen === "close" ? "Reason" : "Why"}</span>
            <input id="act-why" type="text" required maxLength={TEXT_MAX} value={fields["why"] ?? ""} onInput={set("why")} />
          </label>
          <Author id="act-who" />
          <p>
            <button type="submit" class="do" disabled={busy}>
              {act.name}
            </button>
          </p>
        </form>
      )}
      <p role="status" class="told">
        {told}
      </p>
    </section>
  );
}

interface PartProps {
  action: string;
  fields: Fields;
  set: (key: string) => (e: Event) => void;
}

function Particular({ action, fields, set }: PartProps) {
  const at = wall.value;
  const field = (key: string, name: string, type: "text" | "datetime-local", more: Record<string, unknown> = {}) => (
    <label class="fld" for={`act-${key}`} key={key}>
      <span>{name}</span>
      {type === "text" ? (
        <input id={`act-${key}`} type="text" value={fields[key] ?? ""} onInput={set(key)} {...more} />
      ) : (
        <input id={`act-${key}`} type="datetime-local" value={fields[key] ?? ""} onInput={set(key)} {...more} />
      )}
    </label>
  );
  switch (action) {
    case "shelve":
      return field("until", "Until (site time, at most 31 days)", "datetime-local", { required: true, min: toInput(at), max: toInput(at + SHELF_DAYS * DAY) });
    case "plan":
      return (
        <>
          {field("due", "Due (site time)", "datetime-local")}
          {field("note", "What is planned", "text", { maxLength: TEXT_MAX })}
        </>
      );
    case "note":
      return field("note", "Note", "text", { maxLength: TEXT_MAX });
    case "attend":
      return (
        <>
          {field("at", "When (site time; now if empty)", "datetime-local", { max: toInput(at) })}
          {field("found", "What was found", "text", { required: true, maxLength: TEXT_MAX })}
          {field("done", "What was done", "text", { required: true, maxLength: TEXT_MAX })}
          {field("as_found_pct", "As found, % of span", "text", { inputMode: "decimal", pattern: "[+\\-−]?[0-9]*[.,]?[0-9]+" })}
          {field("as_left_pct", "As left, % of span", "text", { inputMode: "decimal", pattern: "[+\\-−]?[0-9]*[.,]?[0-9]+" })}
        </>
      );
    default:
      return null;
  }
}
