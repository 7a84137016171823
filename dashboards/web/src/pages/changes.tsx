// What people changed in the register, with who and why; the newest first.

import { useEffect, useState } from "preact/hooks";
import { get, loopPath, said } from "../api";
import { count, instant, ms } from "../format";
import { When } from "../said";
import { now } from "../state";
import type { Change } from "../types";
import { plural } from "../words";
import { RegisterParts } from "./registerparts";

/** Details as phrases: changed cells, counts, times. */
export function detailWords(c: Change): string {
  const d = c.detail;
  // Announced work: its begin and its end.
  if (Array.isArray(d) && d.every((x) => typeof x === "string")) return d.map(shown).join(" to ");
  if (Array.isArray(d)) return d.map(cellWords).join("; ");
  if (typeof d !== "object" || d === null) return "";
  const o = d as Record<string, unknown>;
  if (Array.isArray(o["cells"])) return o["cells"].map(cellWords).join("; ");
  return Object.entries(o)
    .filter(([, v]) => v !== null && v !== 0 && !(Array.isArray(v) && v.length === 0))
    .map(([k, v]) => `${k.replaceAll("_", " ")} ${Array.isArray(v) ? count(v.length) : shown(v)}`)
    .join(", ");
}

/** A time as site time, everything else as it came. */
function shown(v: unknown): string {
  const text = String(v);
  return /^\d{4}-\d\d-\d\dT/.test(text) ? instant(ms(text), now.value) : text;
}

const WHATS: Record<string, string> = {
  loop: "",
  register: "register as a file",
  work: "work announced",
  baseline: "accepted as it is",
  "baseline-ended": "baseline ended",
  replaced: "device replaced",
};

function cellWords(v: unknown): string {
  const o = (typeof v === "object" && v !== null ? v : {}) as Record<string, unknown>;
  return `${String(o["column"] ?? "")} from ${String(o["before"] ?? "") || "empty"} to ${String(o["after"] ?? "") || "empty"}`;
}

export function Changes() {
  const [list, set] = useState<Change[] | null>(null);
  const [next, setNext] = useState<number | null>(null);
  const [why, setWhy] = useState("");
  const read = async (before: number | null) => {
    try {
      const page = await get<{ changes: Change[]; next: number | null }>(`changes?limit=200${before === null ? "" : `&before=${before}`}`);
      set((old) => (before === null ? page.changes : [...(old ?? []), ...page.changes]));
      setNext(page.next);
    } catch (e) {
      setWhy(said(e));
    }
  };
  useEffect(() => {
    document.title = "What people changed, Loopwitness";
    void read(null);
  }, []);
  return (
    <>
      <section class="lead">
        <h1 tabIndex={-1}>{list === null ? (why === "" ? "Reading what people changed." : "It cannot be shown.") : list.length === 0 ? "Nobody has changed the register here yet." : `${count(list.length)}${next === null ? "" : " and more"} ${plural(list.length, "change", "changes")} by people.`}</h1>
        <p class="sub">{why || "Nothing is deleted: what held before still holds for the time before."}</p>
        <RegisterParts here="/register/changes" />
      </section>
      {list && list.length > 0 && (
        <section class="plain">
          <ol class="hist">
            {list.map((c) => (
              <li key={c.id}>
                <span class="at0">
                  <When t={c.at} />
                </span>
                <span class="who">{c.by || "nobody said"}</span>
                <span class="what">
                  {c.tag !== null && (c.tag === "*" ? "every loop" : <a href={loopPath(c.tag)}>{c.tag}</a>)} {(WHATS[c.what] ?? c.what) !== "" && <b>{WHATS[c.what] ?? c.what}</b>} {c.why}
                  <span class="pt">{detailWords(c)}</span>
                </span>
              </li>
            ))}
          </ol>
          {next !== null && (
            <button type="button" onClick={() => void read(next)}>
              earlier ones
            </button>
          )}
        </section>
      )}
    </>
  );
}
