// One case: what it is about, what it waits for, what was done, and what a person may do next.

import { useEffect, useState } from "preact/hooks";
import { get, loopPath, said } from "../api";
import { caseName, closedWords, dueOf, eventWords, particulars, stateWords } from "../casewords";
import { QUANTITY_NAMES, quantityOf, valueWords } from "../entries";
import { Lane } from "../figures/lane";
import { RowTrace } from "../figures/rowtrace";
import { confidenceWords, count, day, pct, signedPct } from "../format";
import { Said, When } from "../said";
import { assessment, axisFrom, loops, now, traces, wall, wantTraces } from "../state";
import type { CaseEvent, Finding, Trace, WholeCase } from "../types";
import { kindWords, plural, purposeWords, scopeWords } from "../words";
import { Acting } from "./acting";
import { Beside } from "./loop";

export function CasePage({ id }: { id: string }) {
  const [c, set] = useState<WholeCase | null>(null);
  const [why, setWhy] = useState("");
  const version = assessment.value?.assessed_at ?? "";
  useEffect(() => {
    const stop = new AbortController();
    get<WholeCase>(`cases/${encodeURIComponent(id)}`, stop.signal)
      .then((got) => {
        set(got);
        setWhy("");
        document.title = `Case of ${caseName(got)}, Loopwitness`;
      })
      .catch((e: unknown) => {
        if (!stop.signal.aborted) setWhy(said(e));
      });
    return () => stop.abort();
  }, [id, version]);
  if (c === null) {
    return (
      <section class="lead">
        <h1 tabIndex={-1}>{why === "" ? "Reading this case." : "There is no such case."}</h1>
        {why !== "" && (
          <p class="sub">
            {why} <a href="/cases">Cases</a> lists what is open.
          </p>
        )}
      </section>
    );
  }
  const due = dueOf(c, wall.value);
  const f = findingOf(c);
  const service = c.tag === null ? (c.scope === null ? "" : scopeWords(c.scope)) : (loops.value.get(c.tag)?.service ?? "");
  return (
    <>
      <div class="loop">
        <section class="lead">
          <p class="crumb">
            <a href="/cases">Cases</a>, {c.open ? stateWords(c.state) : closedWords(c)}
          </p>
          <h1 tabIndex={-1}>
            <span class="tagh">{caseName(c)}</span>
            {service || purposeWords(c.criticality)}
          </h1>
          <p class="verdict">
            <Said text={c.summary} of={{ onset: c.onset }} />
          </p>
          <p class="sub">
            {c.criticality === "safety" && <b>{c.tag === null ? "A safety loop is among them. " : "This is a safety loop. "}</b>}
            {(c.open ? due.words : closedWords(c)).replace(/^./, (x) => x.toUpperCase())}
            {Number.isFinite(due.at) ? (
              <>
                , <When t={due.at} />
              </>
            ) : (
              ""
            )}
            . {c.present ? "The evidence is there." : c.gone_since ? "The evidence is gone since " : "The evidence is not there."}
            {!c.present && c.gone_since && (
              <>
                <When t={c.gone_since} />.
              </>
            )}
            {c.returned > 0 && ` It came back ${count(c.returned)} ${plural(c.returned, "time", "times")}.`}
          </p>
          <figure class="lanefig">
            <Evidence c={c} />
            <Lane c={c} history={c.history} from={axisFrom.value} now={now.value} />
            <figcaption>
              {day(axisFrom.value, now.value)} to now, and half as long ahead. Beneath, the course of the case. Dotted: it was there, and nobody was told. Solid: open. Ticks: what people did{c.plan?.due ? "; the bar: work is due" : ""}.
            </figcaption>
          </figure>
          <dl class="facts">
            <dt>{plural(c.tags.length, "Loop", "Loops")}</dt>
            <dd>
              {c.tags.map((t, i) => (
                <>
                  {i > 0 && " "}
                  <a class="tag" href={loopPath(t)}>
                    {t}
                  </a>
                </>
              ))}
            </dd>
            <dt>{plural(c.kinds.length, "Kind", "Kinds")}</dt>
            <dd>{c.kinds.map(kindWords).join("; ")}</dd>
            <dt>Began</dt>
            <dd>
              <When t={c.onset} />, told <When t={c.opened} />
            </dd>
            {c.deviation_pct !== null && (
              <>
                <dt>Difference</dt>
                <dd>{signedPct(c.deviation_pct)} of span when last told</dd>
              </>
            )}
            <dt>Confidence</dt>
            <dd>{confidenceWords(c.confidence)}</dd>
            {c.adopted.length > 0 && (
              <>
                <dt>Taken over</dt>
                <dd>{c.adopted.join(", ")}</dd>
              </>
            )}
          </dl>
          <p class="links">
            <a href={`/api/v1/reports?case=${encodeURIComponent(c.id)}`} target="_blank" rel="noopener">
              Sheet to print
            </a>
          </p>
        </section>
        <div class="beside">
          <Acting c={c} onDone={set} />
          <Proof c={c} />
          {f && c.open && <Beside purpose={c.criticality} f={f} />}
        </div>
      </div>
      <History list={c.history} />
    </>
  );
}

/** The newest finding that the case stands for. */
const findingOf = (c: WholeCase): Finding | undefined =>
  assessment.value?.attention
    .filter((r) => c.tags.includes(r.tag))
    .flatMap((r) => r.findings)
    .find((x) => c.findings.includes(x.id));

/** The quantity that the case is about, of its first loops, on the time axis of the course beneath. */
function Evidence({ c }: { c: WholeCase }) {
  const tags = c.tags.slice(0, 12);
  const key = tags.join(",");
  const a = assessment.value;
  useEffect(() => wantTraces(tags), [key, a]);
  const f = findingOf(c);
  const quantity = quantityOf(f ?? { kind: c.kind });
  const drawn = tags.map((t) => traces.value.get(t)).filter((t): t is Trace => t !== undefined);
  const name = `${QUANTITY_NAMES[quantity]}${drawn.length > 1 ? `, ${count(drawn.length)} loops` : ""}`;
  if (drawn.length === 0) return null;
  return (
    <div class="bx casetrace">
      <span class="fut" />
      <span class="ql">{name}</span>
      <RowTrace axis={{ from: axisFrom.value, now: now.value }} traces={drawn} finding={f} quantity={quantity} tolerance={loops.value.get(tags[0] ?? "")?.tolerance_pct ?? 0.5} name={`${caseName(c)}: ${name}`} />
      {f && valueWords(f) !== "" && <span class="nv">{valueWords(f)}</span>}
    </div>
  );
}

/** As found, as left, and what the watch says since. */
export function Proof({ c }: { c: WholeCase | Omit<WholeCase, "history" | "adopted"> }) {
  const a = c.attended;
  if (!a) return null;
  const tolerance = c.tag === null ? null : (loops.value.get(c.tag)?.tolerance_pct ?? null);
  return (
    <section class="proof">
      <h2>Proof after work</h2>
      <dl>
        <dt>Done</dt>
        <dd>
          <When t={a.at} />, {a.who}
        </dd>
        <dt>As found</dt>
        <dd>{a.as_found_pct === null ? "not measured" : signedPct(a.as_found_pct)}</dd>
        <dt>As left</dt>
        <dd>{a.as_left_pct === null ? "not measured" : signedPct(a.as_left_pct)}</dd>
        {tolerance !== null && (
          <>
            <dt>Tolerance</dt>
            <dd>{pct(tolerance)}</dd>
          </>
        )}
        <dt>Found</dt>
        <dd>{a.found}</dd>
        <dt>Done</dt>
        <dd>{a.done}</dd>
      </dl>
      <p>{c.closed?.how === "proved" ? `It stayed away: ${closedWords(c)}.` : c.closed ? `${closedWords(c).replace(/^./, (x) => x.toUpperCase())}.` : c.present ? "The evidence is still there: the work has not removed it." : "The evidence is gone. The watch goes on until enough running has been seen; then the case closes itself and says with which confidence."}</p>
    </section>
  );
}

function History({ list }: { list: readonly CaseEvent[] }) {
  const end = now.value;
  return (
    <section class="plain" aria-label="What happened">
      <h2>What happened, newest first</h2>
      <ol class="hist">
        {[...list].reverse().map((e, i) => (
          <li key={`${e.at} ${i}`}>
            <span class="at0">
              <When t={e.at} />
            </span>
            <span class="who">{e.who === "loopwitness" ? "the watch" : e.who}</span>
            <span class="what">
              <b>{eventWords(e)}</b> {e.who === "loopwitness" ? <Said text={e.why ?? ""} /> : e.why}
              {particulars(e, end).map((p) => (
                <span class="pt" key={p}>
                  {e.who === "loopwitness" ? <Said text={p} /> : p}
                </span>
              ))}
            </span>
          </li>
        ))}
      </ol>
    </section>
  );
}
