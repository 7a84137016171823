// Loops that gateways showed, confirmed together: first what would be confirmed, held against what they read now, then the
// word of a person.

import { signal } from "@preact/signals";
import { loopPath, said, send } from "../api";
import { THIN, count, num, pct, signedPct, unitWords } from "../format";
import { Author, author } from "../me";
import { setParam } from "../route";
import { readRegister, refresh } from "../state";
import type { LoopEntry } from "../types";
import { countWord, plural } from "../words";
import { nowPct, rangeText } from "./registercolumns";

/** The difference is shown for so many; more are counted. */
const SHOWN = 200;
export const picked = signal<ReadonlySet<string>>(new Set());
const looked = signal(false);
const told = signal("");
const busy = signal(false);
const why = signal("");

export function pick(tag: string, on: boolean): void {
  const next = new Set(picked.peek());
  if (on) next.add(tag);
  else next.delete(tag);
  choose(next);
}

function choose(tags: ReadonlySet<string>): void {
  picked.value = tags;
  // What is confirmed is what was looked at.
  looked.value = false;
}

async function confirm(chosen: readonly LoopEntry[]): Promise<void> {
  busy.value = true;
  const failed: string[] = [];
  let done = 0;
  const left = new Set(picked.peek());
  for (const l of chosen) {
    try {
      await send("PATCH", `loops/${encodeURIComponent(l.tag)}`, { by: author.value.trim(), why: why.value.trim(), confirmed: true });
      done += 1;
      left.delete(l.tag);
      told.value = `${count(done)} of ${count(chosen.length)} confirmed.`;
    } catch (err) {
      failed.push(`${l.tag}: ${said(err)}`);
    }
  }
  choose(left);
  busy.value = false;
  told.value = [`${countWord(done, count)} ${plural(done, "loop", "loops")} confirmed.`, ...failed.slice(0, 5)].join(" ");
  await readRegister();
  void refresh();
}

export function Confirm({ open, seen }: { open: LoopEntry[]; seen: readonly LoopEntry[] }) {
  const chosen = open.filter((l) => picked.value.has(l.tag));
  const inList = seen.filter((l) => !l.confirmed && !l.retired);
  const step = (e: Event) => {
    e.preventDefault();
    if (!looked.value) looked.value = true;
    else void confirm(chosen);
  };
  return (
    <section class="plain act" aria-label="Confirm">
      <h2>To be confirmed</h2>
      <p>
        A gateway showed {plural(open.length, "this loop", `these ${count(open.length)} loops`)}; range, unit and transfer function are what the device says of itself. Confirm after holding them against the site's own documents: a wrong range makes every difference wrong.
      </p>
      <div class="choices" role="group" aria-label="Choose">
        <button type="button" onClick={() => setParam("state", "unconfirmed")}>
          show only these
        </button>
        <button type="button" onClick={() => choose(new Set([...picked.value, ...inList.map((l) => l.tag)]))}>
          choose the {count(inList.length)} in the list
        </button>
        <button type="button" onClick={() => choose(new Set())}>
          choose none
        </button>
      </div>
      <form onSubmit={step}>
        {!looked.value && (
          <button type="submit" class="do" disabled={chosen.length === 0}>
            See what {count(chosen.length)} {plural(chosen.length, "loop", "loops")} would be
          </button>
        )}
        {looked.value && chosen.length > 0 && (
          <>
            <Difference chosen={chosen} />
            <label class="fld" for="conf-why">
              <span>Held against</span>
              <input id="conf-why" type="text" required maxLength={500} value={why.value} placeholder="loop sheets, revision" onInput={(e) => (why.value = e.currentTarget.value)} />
            </label>
            <Author id="conf-who" />
            <p class="choices">
              <button type="submit" class="do" disabled={busy.value}>
                Confirm {count(chosen.length)} {plural(chosen.length, "loop", "loops")}
              </button>
              <button type="button" onClick={() => (looked.value = false)}>
                back
              </button>
            </p>
          </>
        )}
      </form>
      <p role="status" class="told">
        {told.value}
      </p>
    </section>
  );
}

/** What would hold, and what the loop reads now: a range that is not the one in use shows as a difference. */
function Difference({ chosen }: { chosen: readonly LoopEntry[] }) {
  const apart = chosen.filter((l) => Math.abs(nowPct(l) ?? 0) > l.tolerance_pct).length;
  const unread = chosen.filter((l) => nowPct(l) === null).length;
  return (
    <>
      <p>
        Each goes from not confirmed to confirmed, with these values. {apart === 0 ? "None" : countWord(apart, count)} of them {plural(apart, "reads", "read")} further apart than {plural(apart, "its", "their")} tolerance now{unread > 0 ? `; of ${count(unread)} the two values are not both known` : ""}.
      </p>
      <div class="scroll" tabIndex={0} role="region" aria-label="What would be confirmed">
        <table>
          <thead>
            <tr>
              <th scope="col">tag</th>
              <th scope="col">service</th>
              <th scope="col">range</th>
              <th scope="col">transfer</th>
              <th scope="col" class="r">damping</th>
              <th scope="col">device</th>
              <th scope="col" class="r">reads now</th>
              <th scope="col" class="r">apart now</th>
            </tr>
          </thead>
          <tbody>
            {chosen.slice(0, SHOWN).map((l) => {
              const d = nowPct(l);
              return (
                <tr key={l.tag} class={Math.abs(d ?? 0) > l.tolerance_pct ? "hot" : ""}>
                  <th scope="row" class="tag">
                    <a href={loopPath(l.tag)}>{l.tag}</a>
                  </th>
                  <td>{l.service ?? ""}</td>
                  <td>{rangeText(l)}</td>
                  <td>{l.transfer}</td>
                  <td class="r">{l.damping_s === null ? "–" : `${num(l.damping_s, 1)}${THIN}s`}</td>
                  <td>{[l.device_type, l.device_revision === null ? null : `revision ${l.device_revision}`].filter(Boolean).join(", ")}</td>
                  <td class="r">{l.last?.pv === null || l.last?.pv === undefined ? "–" : `${num(l.last.pv, 2)}${THIN}${unitWords(l.pv_unit)}`}</td>
                  <td class="r">{d === null ? "–" : `${signedPct(d)} of ${pct(l.tolerance_pct)}`}</td>
                </tr>
              );
            })}
          </tbody>
        </table>
      </div>
      {chosen.length > SHOWN && <p class="nt">and {count(chosen.length - SHOWN)} more.</p>}
    </>
  );
}
