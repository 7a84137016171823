// The register as a file and back: the difference is shown first, and only what was shown is taken.

import { useEffect, useState } from "preact/hooks";
import { Refusal, loopPath, said, send } from "../api";
import { count } from "../format";
import { Author, author } from "../me";
import { When } from "../said";
import { readRegister, refresh } from "../state";
import type { Difference } from "../types";
import { countWord, plural } from "../words";
import { RegisterParts } from "./registerparts";

const MOST = 300;

export function RegisterFile() {
  const [name, setName] = useState("");
  const [text, setText] = useState("");
  const [diff, setDiff] = useState<Difference | null>(null);
  const [why, setWhy] = useState("");
  const [told, tell] = useState("");
  const [busy, setBusy] = useState(false);
  useEffect(() => {
    document.title = "Register as a file, Loopwitness";
  }, []);
  const propose = async (body: string) => {
    setBusy(true);
    setDiff(null);
    try {
      setDiff(await send<Difference>("POST", "register", body));
      tell("");
    } catch (e) {
      tell(said(e));
    } finally {
      setBusy(false);
    }
  };
  const choose = async (e: Event) => {
    const file = (e.currentTarget as HTMLInputElement).files?.[0];
    if (!file) return;
    try {
      const body = await file.text();
      setName(file.name);
      setText(body);
      await propose(body);
    } catch {
      tell("This file cannot be read.");
    }
  };
  const take = async (e: Event) => {
    e.preventDefault();
    if (!diff?.token) return;
    setBusy(true);
    const query = new URLSearchParams({ confirm: diff.token, by: author.value.trim(), why: why.trim() });
    try {
      const done = await send<Difference>("POST", `register?${query}`, text);
      setDiff(done);
      tell(`Taken: ${words(done)}.`);
      await readRegister();
      void refresh();
    } catch (err) {
      tell(err instanceof Refusal && err.status === 409 ? `${said(err)} Choose the file again to see the difference as it is now.` : said(err));
    } finally {
      setBusy(false);
    }
  };
  const changes = diff ? diff.added.length + changedLoops(diff) + diff.retired.length + diff.returned.length : 0;
  return (
    <>
      <section class="lead">
        <h1 tabIndex={-1}>{diff === null ? "The register as a file, and back." : diff.applied ? "The register was taken." : changes === 0 ? `${name} says what the register says already.` : `${name} would change ${count(changes)} ${plural(changes, "loop", "loops")}.`}</h1>
        <p class="sub">Take the register as loops.csv, change it where you like to work, and give it back. Nothing is taken before its difference was shown here.</p>
        <RegisterParts here="/register/csv" />
      </section>
      <section class="plain act">
        <p class="choices">
          <a href="/api/v1/register" download="loops.csv">
            loops.csv of now
          </a>
        </p>
        <label class="fld" for="file">
          <span>A loops.csv to hold against it</span>
          <input id="file" type="file" accept=".csv,text/csv" disabled={busy} onChange={(e) => void choose(e)} />
        </label>
        <p role="status" class="told">
          {busy ? "Reading." : told}
        </p>
      </section>
      {diff && !diff.applied && changes > 0 && (
        <>
          <Shown diff={diff} />
          <section class="plain act">
            <form onSubmit={(e) => void take(e)}>
              <label class="fld" for="csv-why">
                <span>Why</span>
                <input id="csv-why" type="text" required maxLength={500} value={why} onInput={(e) => setWhy(e.currentTarget.value)} />
              </label>
              <Author id="csv-who" />
              <button type="submit" class="do" disabled={busy}>
                Take it: {words(diff)}
              </button>
            </form>
          </section>
        </>
      )}
    </>
  );
}

/** A loop's entry of each time is a line of its own. */
const changedLoops = (d: Difference): number => new Set(d.changed.map((l) => l.tag)).size;

function words(d: Difference): string {
  const parts = [
    d.added.length > 0 ? `${count(d.added.length)} added` : "",
    d.changed.length > 0 ? `${count(changedLoops(d))} changed` : "",
    d.retired.length > 0 ? `${count(d.retired.length)} retired` : "",
    d.returned.length > 0 ? `${count(d.returned.length)} taken up again` : "",
  ].filter((t) => t !== "");
  return parts.length === 0 ? "nothing changed" : parts.join(", ");
}

function Shown({ diff }: { diff: Difference }) {
  const cells = diff.changed.flatMap((l) => l.cells.map((c) => ({ tag: l.tag, from: l.valid_from, ...c })));
  const list = (title: string, about: string, tags: readonly string[]) =>
    tags.length > 0 && (
      <section class="plain">
        <h2>
          {countWord(tags.length, count)} {title}
        </h2>
        <p class="nt">{about}</p>
        <ul class="tags">
          {tags.slice(0, MOST).map((t) => (
            <li key={t}>{t}</li>
          ))}
        </ul>
        {tags.length > MOST && <p class="nt">and {count(tags.length - MOST)} more</p>}
      </section>
    );
  return (
    <>
      {cells.length > 0 && (
        <section class="plain scroll" tabIndex={0} aria-label="Cells that change">
          <h2>
            {countWord(changedLoops(diff), count)} {plural(changedLoops(diff), "loop changes", "loops change")}
          </h2>
          <table>
            <thead>
              <tr>
                <th scope="col">loop</th>
                <th scope="col">holds from</th>
                <th scope="col">column</th>
                <th scope="col">is</th>
                <th scope="col">would be</th>
              </tr>
            </thead>
            <tbody>
              {cells.slice(0, MOST).map((c) => (
                <tr key={`${c.tag} ${c.column} ${c.from ?? ""}`}>
                  <th scope="row" class="tag">
                    <a href={loopPath(c.tag)}>{c.tag}</a>
                  </th>
                  <td>{c.from === null ? "the beginning" : <When t={c.from} />}</td>
                  <td>{c.column}</td>
                  <td>{c.before || "empty"}</td>
                  <td>
                    <b>{c.after || "empty"}</b>
                  </td>
                </tr>
              ))}
            </tbody>
          </table>
          {cells.length > MOST && <p class="nt">and {count(cells.length - MOST)} more cells</p>}
        </section>
      )}
      {list("added", "New tags.", diff.added)}
      {list("retired", "Missing from the file: kept with all readings, and marked.", diff.retired)}
      {list("taken up again", "Were retired, and are in the file.", diff.returned)}
    </>
  );
}
