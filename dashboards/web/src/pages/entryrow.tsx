// One entry: a loop, or a common cause with its loops folded beneath.

import { useEffect, useRef, useState } from "preact/hooks";
import { loopPath } from "../api";
import { type Entry, QUANTITY_NAMES, leadFinding, quantityOf, since, timeLeft, valueWords } from "../entries";
import { useNear } from "../figures/near";
import { RowTrace } from "../figures/rowtrace";
import { DAY, count, instant, ms, num, utc } from "../format";
import { before, movedWords } from "../look";
import { Said } from "../said";
import { assessment, axisFrom, loops, now, traces, wantTraces } from "../state";
import type { Row, Trace } from "../types";
import { findingWords, purposeWords, scopeWords } from "../words";

const OVERLAID = 12;
const OPEN_AT_ONCE = 40;

function Purpose({ of, among }: { of: string | undefined; among: boolean }) {
  if (!of) return null;
  const words = among && of === "safety" ? "a safety loop among them" : among ? `${purposeWords(of)}${of === "indication" ? "" : "s"}` : purposeWords(of);
  return <span class={of === "safety" ? "cr saf" : "cr"}>{words}</span>;
}

export function EntryRow({ entry }: { entry: Entry }) {
  const ref = useRef<HTMLElement>(null);
  const near = useNear(ref);
  const first = entry.rows[0];
  const a = assessment.value;
  const tags = entry.rows.slice(0, OVERLAID).map((r) => r.tag);
  const key = tags.join(",");
  useEffect(() => {
    if (near) wantTraces(tags);
  }, [near, key, a]);
  if (!first) return null;
  const { cause } = entry;
  const moved = movedWords(entry, before.value);
  const f = leadFinding(first, cause);
  const loop = loops.value.get(first.tag);
  const to = now.value;
  const quantity = quantityOf(f);
  const drawn = near ? tags.map((t) => traces.value.get(t)).filter((t): t is Trace => t !== undefined) : [];
  const empty = drawn.length > 0 && quantity === "difference" && drawn.every((t) => t.columns.difference_pct.every((v) => v === null));
  const value = f && !cause ? valueWords(f) : cause ? `${count(cause.affected)} of ${count(cause.members)} loops` : "";
  const why = cause?.summary ?? first.why;
  const label = `${cause?.name ?? first.tag}: ${f ? findingWords(f) : why}. ${QUANTITY_NAMES[quantity]}${value ? `, ${value}` : ""}.`;
  // Over in a moment: a change, not a state.
  const atOnce = f !== undefined && f.ended !== null && ms(f.ended) - ms(f.onset) < DAY / 1440;
  const others = cause ? [] : first.findings.filter((x) => x !== f);
  return (
    <article ref={ref} class={`row${cause ? " grp" : ""}${entry.lasting ? "" : " ended"}`}>
      <div class="rk">
        <span class="nb">{entry.place}</span>
        {moved !== "" && <span class="mv">{moved}</span>}
      </div>
      <div class="tx">
        <h2>
          {cause ? (
            <span class="tag" tabIndex={-1}>
              {cause.name}
            </span>
          ) : (
            <a class="tag" href={loopPath(first.tag)}>
              {first.tag}
            </a>
          )}{" "}
          {cause ? scopeWords(cause.scope) : (first.service ?? first.area ?? "")} <Purpose of={cause?.criticality ?? first.criticality} among={cause !== null} />
        </h2>
        <p class="why">
          <Said text={why} of={f} />
        </p>
        {f && (
          <p class="meta">
            <span title={utc(ms(f.onset))}>
              <b>{atOnce ? "on" : "since"}</b> {since(f, to)}
            </span>
            {atOnce ? null : f.ended !== null ? (
              <span title={utc(ms(f.ended))}>
                <b>ended</b> {instant(ms(f.ended), to)}
              </span>
            ) : (
              !cause && (
                <span>
                  <b>time left</b> {timeLeft(f, loop, to)}
                </span>
              )
            )}
            {others.length > 0 && (
              <span>
                <b>also</b> {[...new Set(others.map((o) => findingWords(o)))].join("; ")}
              </span>
            )}
          </p>
        )}
      </div>
      <div class="fg">
        <div class="bx">
          <span class="fut" />
          <span class="ql">{empty ? "no analog current in the record" : `${QUANTITY_NAMES[quantity]}${drawn.length > 1 ? `, ${count(drawn.length)} loops` : ""}`}</span>
          {drawn.length > 0 && !empty && <RowTrace axis={{ from: axisFrom.value, now: to }} traces={drawn} finding={f} quantity={quantity} tolerance={loop?.tolerance_pct ?? 0.5} name={label} />}
          {value && <span class="nv">{value}</span>}
        </div>
      </div>
      <div class="at">
        <span class="sc">{num(cause ? Math.max(cause.score, first.score) : first.score, 2)}</span>
        <Terms row={first} />
      </div>
      {cause && <Members rows={entry.rows} />}
    </article>
  );
}

function Terms({ row }: { row: Row }) {
  const t = row.terms;
  if (!t) return null;
  return (
    <span class="terms">
      {num(t.real, 2)} real
      <br />× {num(t.purpose, 2)} {row.criticality ?? "purpose"}
      <br />× {num(t.soon, 2)} soon
      {t.lasting < 1 && (
        <>
          <br />× {num(t.lasting, 2)} ended
        </>
      )}
    </span>
  );
}

function Members({ rows }: { rows: Row[] }) {
  // A large group's lines are made when they are unfolded.
  const [open, setOpen] = useState(rows.length <= OPEN_AT_ONCE);
  return (
    <details class="fold" onToggle={() => setOpen(true)}>
      <summary>{count(rows.length)} loops beneath</summary>
      {open && (
        <ul>
          {rows.map((r) => (
            <li key={r.tag}>
              <a class="tag" href={loopPath(r.tag)}>
                {r.tag}
              </a>{" "}
              {r.service ?? ""} <Purpose of={r.criticality} among={false} />
              <br />
              <Said text={r.why} of={r.findings[0]} />
            </li>
          ))}
        </ul>
      )}
    </details>
  );
}
