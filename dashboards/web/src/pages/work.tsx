// Announced work: what it explains is no finding.

import { useEffect, useState } from "preact/hooks";
import { get, loopPath, said, send } from "../api";
import { HOUR, count, fromInput, ms, span, toInput } from "../format";
import { Author, author } from "../me";
import { query } from "../route";
import { When } from "../said";
import { loops, wall } from "../state";
import type { Work } from "../types";
import { countWord, plural } from "../words";
import { RegisterParts } from "./registerparts";

export function WorkPage() {
  const [work, set] = useState<Work[] | null>(null);
  const [why, setWhy] = useState("");
  const read = async () => {
    try {
      set((await get<{ work: Work[] }>("work?limit=1000")).work);
      setWhy("");
    } catch (e) {
      setWhy(said(e));
    }
  };
  useEffect(() => {
    document.title = "Announced work, Loopwitness";
    void read();
  }, []);
  const t = wall.value;
  const ahead = (work ?? []).filter((w) => ms(w.to) > t);
  const past = (work ?? []).filter((w) => ms(w.to) <= t).reverse();
  return (
    <>
      <section class="lead">
        <h1 tabIndex={-1}>{work === null ? (why === "" ? "Reading announced work." : "Announced work cannot be shown.") : ahead.length === 0 ? "No work is announced for now or later." : `${countWord(ahead.length, count)} ${plural(ahead.length, "piece of work is", "pieces of work are")} announced.`}</h1>
        <p class="sub">{why || "Say before what will be touched: a configuration change, a fixed current or a silence within that time is then explained, and no finding."}</p>
        <RegisterParts here="/register/work" />
      </section>
      <Announce onDone={() => void read()} />
      <List title="Now and later" list={ahead} />
      <List title="Before" list={past} />
    </>
  );
}

function Announce({ onDone }: { onDone: () => void }) {
  const start = toInput(Math.ceil(wall.peek() / HOUR) * HOUR);
  const [f, set] = useState({ tag: query.peek().get("tag") ?? "", from: start, to: toInput(fromInput(start) + 8 * HOUR), note: "" });
  const [told, tell] = useState("");
  const [busy, setBusy] = useState(false);
  const type = (key: keyof typeof f) => (e: Event) => set({ ...f, [key]: (e.currentTarget as HTMLInputElement).value });
  const [a, b] = [fromInput(f.from), fromInput(f.to)];
  const submit = async (e: Event) => {
    e.preventDefault();
    if (!(b > a)) {
      tell("The end is not after the begin.");
      return;
    }
    setBusy(true);
    try {
      await send("POST", "work", { tag: f.tag.trim(), from: new Date(a).toISOString(), to: new Date(b).toISOString(), note: f.note.trim(), by: author.value.trim() });
      tell(`Announced for ${f.tag.trim() === "*" ? "every loop" : f.tag.trim()}, ${span(b - a)}.`);
      set({ ...f, note: "" });
      onDone();
    } catch (err) {
      tell(said(err));
    } finally {
      setBusy(false);
    }
  };
  return (
    <section class="plain act" aria-label="Announce work">
      <h2>Announce work</h2>
      <form onSubmit={(e) => void submit(e)}>
        <div class="fields">
          <label class="fld" for="wk-tag">
            <span>Loop (* for every loop)</span>
            <input id="wk-tag" type="text" required maxLength={32} list="wk-tags" autocomplete="off" value={f.tag} onInput={type("tag")} />
          </label>
          <label class="fld" for="wk-from">
            <span>From (site time)</span>
            <input id="wk-from" type="datetime-local" required value={f.from} onInput={type("from")} />
          </label>
          <label class="fld" for="wk-to">
            <span>To (site time)</span>
            <input id="wk-to" type="datetime-local" required value={f.to} onInput={type("to")} />
          </label>
          <label class="fld" for="wk-note">
            <span>What is done</span>
            <input id="wk-note" type="text" required maxLength={500} value={f.note} onInput={type("note")} />
          </label>
          <Author id="wk-who" />
        </div>
        <datalist id="wk-tags">
          {f.tag.length > 1 &&
            [...loops.value.keys()]
              .filter((t) => t.toLowerCase().includes(f.tag.toLowerCase()))
              .slice(0, 20)
              .map((t) => <option key={t} value={t} />)}
        </datalist>
        <button type="submit" class="do" disabled={busy}>
          Announce
        </button>
      </form>
      <p role="status" class="told">
        {told}
      </p>
    </section>
  );
}

function List({ title, list }: { title: string; list: Work[] }) {
  if (list.length === 0) return null;
  return (
    <section class="plain scroll" tabIndex={0} aria-label={title}>
      <h2>{title}</h2>
      <table>
        <thead>
          <tr>
            <th scope="col">loop</th>
            <th scope="col">from</th>
            <th scope="col">to</th>
            <th scope="col">what</th>
          </tr>
        </thead>
        <tbody>
          {list.slice(0, 200).map((w) => (
            <tr key={`${w.tag} ${w.from} ${w.note}`}>
              <th scope="row" class="tag">
                {w.tag === "*" ? "every loop" : <a href={loopPath(w.tag)}>{w.tag}</a>}
              </th>
              <td>
                <When t={w.from} />
              </td>
              <td>
                <When t={w.to} />
              </td>
              <td class="say">{w.note}</td>
            </tr>
          ))}
        </tbody>
      </table>
    </section>
  );
}
