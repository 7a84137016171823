// One loop: the sentence, cautions before checks, where the copies part, the twin trace, the register.

import { useEffect, useState } from "preact/hooks";
import { get, said } from "../api";
import { entriesOf, leadFinding } from "../entries";
import { BaselineList } from "./baselines";
import { AgreementFigure } from "../figures/agreement";
import { Circuit } from "../figures/circuit";
import { Companions } from "../figures/companions";
import { Parts, meansOf, type Means } from "../figures/parts";
import type { Poll } from "../figures/twin";
import { LoopWatch } from "../figures/watch";
import { DAY, HOUR, count, instant, ms, num, pct, confidenceWords, unitWords } from "../format";
import { Said, When } from "../said";
import { Term } from "../term";
import { assessment, now } from "../state";
import { getReadings, getTraces } from "../traces";
import type { Agreement, Finding, LoopEntry, Row, Trace, Work } from "../types";
import { findingWords, ne107Words, purposeWords, whatWords } from "../words";
import { LoopCases } from "./loopcases";
import { Figure, useView } from "./loopfigure";

const POINTS = 2_000;
const HELD = new Set(["stuck-value", "fixed-current", "current-out-of-range"]);
const SHORT = HOUR / 6;
/** How much before the view is read for what is usual, where bins are short. */
const BEFORE = 30 * DAY;

function usePolls(tag: string, from: number, to: number): { polls: Poll[]; why: string } {
  const [state, set] = useState<{ polls: Poll[]; why: string }>({ polls: [], why: "" });
  useEffect(() => {
    if (!Number.isFinite(to)) return undefined;
    const stop = new AbortController();
    const iso = (t: number) => encodeURIComponent(new Date(t).toISOString());
    getReadings(`loops/${encodeURIComponent(tag)}/readings?from=${iso(from)}&to=${iso(to + 1)}&points=${POINTS}`, stop.signal)
      .then((polls) => set({ polls, why: "" }))
      .catch((e: unknown) => {
        if (!stop.signal.aborted) set((s) => ({ polls: s.polls, why: said(e) }));
      });
    return () => stop.abort();
  }, [tag, from, to]);
  return state;
}

function useTrace(tag: string, step: string, from: number, to: number, version: string): Trace | null {
  const [trace, set] = useState<Trace | null>(null);
  // Hours of a whole record are many: only those of the view and of some time before it. Longer bins are read once.
  const begin = step === "1h" ? Math.floor((from - BEFORE) / DAY) * DAY : Number.NaN;
  const end = step === "1h" ? Math.ceil(to / DAY) * DAY : Number.NaN;
  useEffect(() => {
    const stop = new AbortController();
    const iso = (t: number) => encodeURIComponent(new Date(t).toISOString());
    const part = Number.isFinite(begin) ? `&from=${iso(begin)}&to=${iso(end)}` : "";
    getTraces(`loops/${encodeURIComponent(tag)}/trace?step=${step}${part}`, stop.signal)
      .then(([t]) => set(t ?? null))
      .catch(() => undefined);
    return () => stop.abort();
  }, [tag, step, begin, end, version]);
  return trace;
}

function useAgreement(tag: string, version: string): Agreement | null {
  const [agreement, set] = useState<Agreement | null>(null);
  useEffect(() => {
    const stop = new AbortController();
    get<Agreement>(`loops/${encodeURIComponent(tag)}/agreement`, stop.signal)
      .then(set)
      .catch(() => undefined);
    return () => stop.abort();
  }, [tag, version]);
  return agreement;
}

/** Work announced for this loop, or for all. */
function useWork(tag: string, version: string): Work[] {
  const [work, set] = useState<Work[]>([]);
  useEffect(() => {
    const stop = new AbortController();
    get<{ work: Work[] }>("work?limit=1000", stop.signal)
      .then((a) => set(a.work.filter((w) => w.tag === tag || w.tag === "*")))
      .catch(() => undefined);
    return () => stop.abort();
  }, [tag, version]);
  return work;
}

export function Loop({ tag }: { tag: string }) {
  const [loop, setLoop] = useState<LoopEntry | null>(null);
  const [why, setWhy] = useState("");
  const a = assessment.value;
  const to = now.value;
  const version = a?.assessed_at ?? "";
  useEffect(() => {
    document.title = `${tag}, Loopwitness`;
    const stop = new AbortController();
    get<LoopEntry>(`loops/${encodeURIComponent(tag)}`, stop.signal)
      .then((l) => {
        setLoop(l);
        setWhy("");
      })
      .catch((e: unknown) => {
        if (!stop.signal.aborted) setWhy(said(e));
      });
    return () => stop.abort();
  }, [tag, version]);
  const record = a?.from ? to - ms(a.from) : 0;
  const view = useView(record, to);
  const { polls, why: whyPolls } = usePolls(tag, view.from, a?.to ? view.to : Number.NaN);
  const { polls: newest } = usePolls(tag, to - DAY, a?.to ? to : Number.NaN);
  const trace = useTrace(tag, view.step, view.from, view.to, version);
  const agreement = useAgreement(tag, version);
  const work = useWork(tag, version);
  const row = a?.attention.find((r) => r.tag === tag);
  if (loop === null) {
    return (
      <section class="lead">
        <h1 tabIndex={-1}>
          <span class="tagh">{tag}</span>
          {why === "" ? "Reading this loop." : "There is nothing to show."}
        </h1>
        {why !== "" && (
          <p class="sub">
            {why} <a href="/">Attention</a> lists the loops that ask for it.
          </p>
        )}
      </section>
    );
  }
  const f = row ? leadFinding(row, a?.common_causes.find((c) => c.id === row.common_cause) ?? null) : undefined;
  // A parked current parts from the digital value by design.
  // A day's mean can hide a held signal: the value passes it now and then.
  const held = f !== undefined && f.ended === null && HELD.has(f.kind);
  const at = loop.multidrop ? null : (meansOf(loop, newest, to - (held ? SHORT : DAY)) ?? meansOf(loop, polls, to));
  return (
    <>
      <div class="loop">
        <section class="lead">
          <Crumb tag={tag} row={row} />
          <h1 tabIndex={-1}>
            <span class="tagh">{tag}</span>
            {loop.service ?? (loop.area ? `in ${loop.area}` : "")}
          </h1>
          <Verdict loop={loop} row={row} f={f} at={at} />
          {at && <Parts loop={loop} at={at} now={to} span={held ? "10 min" : "24 h"} driftPct={f?.kind === "analog-digital-drift" && f.ended === null ? f.deviation_pct : null} />}
        </section>
        {f ? <Beside purpose={loop.criticality} f={f} /> : <div class="beside"><NotProved /></div>}
      </div>
      <Figure loop={loop} polls={polls} trace={trace} work={work} f={f} view={view} now={to} why={whyPolls} />
      {!loop.multidrop && (
        <div class="pair">
          {agreement && <AgreementFigure a={agreement} now={to} />}
          <Companions loop={loop} />
        </div>
      )}
      <Circuit tag={tag} version={version} now={to} />
      <LoopWatch tag={tag} version={version} />
      <OwnStatus bits={loop.own_status} />
      {row && <Also row={row} f={f} />}
      <Columns loop={loop} version={version} quiet={f === undefined} />
    </>
  );
}

function Crumb({ tag, row }: { tag: string; row: Row | undefined }) {
  const a = assessment.value;
  if (!a) return null;
  if (!row) return <p class="crumb">not on <a href="/">Attention</a></p>;
  const list = entriesOf(a);
  const place = list.findIndex((e) => e.rows.some((r) => r.tag === tag)) + 1;
  const t = row.terms;
  return (
    <p class="crumb">
      {place} of {count(list.length)} on <a href="/">Attention</a>, {num(row.score, 2)}
      {t && ` = ${num(t.real, 2)} real × ${num(t.purpose, 2)} ${row.criticality ?? "purpose"} × ${num(t.soon, 2)} soon${t.lasting < 1 ? ` × ${num(t.lasting, 2)} ended` : ""}`}
    </p>
  );
}

function Verdict({ loop, row, f, at }: { loop: LoopEntry; row: Row | undefined; f: Finding | undefined; at: Means | null }) {
  const a = assessment.value;
  const cause = a?.common_causes.find((c) => c.id === (f?.common_cause ?? row?.common_cause));
  const not = (a?.not_judged ?? []).filter((n) => n.tag === loop.tag);
  const v = at !== null && at.n > 1 && at.analog !== null && at.registered !== null ? (100 * (at.analog - at.registered)) / 16 : null;
  return (
    <>
      {f ? (
        <p class="verdict">
          <Said text={f.summary} of={f} terms />
        </p>
      ) : (
        <p class="verdict">
          No finding on this loop{not.some((n) => n.what === "all") ? ", because it is not judged" : ""}.
          {v !== null && ` Over the newest 24 h the current arrived ${pct(Math.abs(v))} of span ${v < 0 ? "below" : "above"} the digital value on average; the tolerance is ${pct(loop.tolerance_pct)}.`}
        </p>
      )}
      {cause && cause.summary && (
        <p class="sub">
          <Said text={cause.summary} of={cause} /> <a href="/wiring">The wiring</a> shows what they share.
        </p>
      )}
      {not.length > 0 && <p class="sub">Not judged: {not.map((n) => `${whatWords(n.what)} (${n.why})`).join("; ")}.</p>}
      {!loop.confirmed && <p class="sub">The register entry comes from the device itself and was not confirmed by a person.</p>}
      {loop.retired && <p class="sub">This loop is retired: the newest register no longer lists it.</p>}
    </>
  );
}

/** Cautions, then what to look at; the numbers last. */
export function Beside({ purpose, f }: { purpose: string; f: Finding }) {
  return (
    <div class="beside">
      {f.cautions.length > 0 && (
        <section class="caut">
          <h2>First, caution</h2>
          <ul>
            {f.cautions.map((c, i) => (
              <li key={c} class={purpose === "safety" && i === 0 ? "first" : ""}>
                <Said text={c} of={f} />
              </li>
            ))}
          </ul>
        </section>
      )}
      {f.checks.length > 0 && (
        <section class="todo">
          <h2>What to look at, in order of what it tells</h2>
          <ol>
            {f.checks.map((c) => (
              <li key={c}>
                <Said text={c} of={f} terms />
              </li>
            ))}
          </ol>
        </section>
      )}
      <details class="evid">
        <summary>the numbers behind the sentence</summary>
        <dl>
          <dt>kind</dt>
          <dd>{findingWords(f)}</dd>
          <dt>confidence</dt>
          <dd>{confidenceWords(f.confidence)}</dd>
          {f.ne107 && (
            <>
              <dt>NE 107</dt>
              <dd>{ne107Words(f.ne107)}</dd>
            </>
          )}
          {Object.entries(f.evidence).map(([k, v]) => (
            <>
              <dt>{evidenceName(k)}</dt>
              <dd>{typeof v === "string" && ISO.test(v) ? <When t={v} /> : evidenceWords(v)}</dd>
            </>
          ))}
        </dl>
      </details>
    </div>
  );
}

/** An evidence key in words: `full_scale_pct` is `full scale, %`. */
function evidenceName(key: string): string {
  const unit = /_(pct|ma|h|min|s|v|ohm)$/.exec(key);
  const names: Record<string, string> = { pct: "%", ma: "mA", v: "V", ohm: "Ω" };
  const stem = unit ? key.slice(0, unit.index) : key;
  return stem.replaceAll("_", " ") + (unit ? `, ${names[unit[1] ?? ""] ?? unit[1]}` : "");
}

const ISO = /^\d{4}-\d\d-\d\dT/;

function evidenceWords(v: unknown): string {
  if (typeof v === "number") return Number.isInteger(v) ? count(v) : num(v, Math.abs(v) >= 100 ? 1 : Math.abs(v) >= 1 ? 2 : 4);
  if (typeof v === "boolean") return v ? "yes" : "no";
  if (Array.isArray(v)) return v.map(evidenceWords).join(", ");
  return String(v);
}

/** Bits that only this device type has: named by the site's notes, else by number. */
function OwnStatus({ bits }: { bits: string[] }) {
  if (bits.length === 0) return null;
  return (
    <section class="also" aria-label="What the device says in bits of its own">
      <h2>What the device says in bits of its own</h2>
      <p>Device-specific part of additional status (command 48), as last read. Names come from the site's device notes; a bit without one is known by number only, and its maker's manual says what it means.</p>
      <ul>
        {bits.map((b) => (
          <li key={b}>{b}</li>
        ))}
      </ul>
    </section>
  );
}

function Also({ row, f }: { row: Row; f: Finding | undefined }) {
  const others = row.findings.filter((x) => x !== f);
  if (others.length === 0) return null;
  return (
    <section class="also">
      <h2>Also found on this loop</h2>
      <ul>
        {others.map((o) => (
          <li key={o.id}>
            <b>
              {findingWords(o)}
              {o.ended ? `, ended ${instant(ms(o.ended), now.value)}` : ""}
            </b>
            <Said text={o.summary} of={o} /> <Said text={o.checks[0] ?? ""} of={o} />
          </li>
        ))}
      </ul>
    </section>
  );
}

function NotProved() {
  return (
    <section class="todo">
      <h2>What this does not prove</h2>
      <p>That the sensor measures what it should: both copies come from it. That a current outside the range visited can pass: only what ordinary running has shown is witnessed.</p>
      <p>
        That a calibration, an inspection or a <Term word="proof test">proof test</Term> is not due: the site's procedures, local codes and licensed practice decide.
      </p>
    </section>
  );
}

function Columns({ loop, version, quiet }: { loop: LoopEntry; version: string; quiet: boolean }) {
  const decimals = Math.max(0, Math.min(4, (String(loop.urv).split(".")[1] ?? "").length, 4));
  const modem = loop.modem && loop.gateway && !loop.modem.startsWith(loop.gateway) ? `${loop.gateway}/${loop.modem}` : (loop.modem ?? loop.gateway);
  const wired = [loop.junction_box, loop.supply, loop.input_card, modem].filter(Boolean).join(", ");
  const lines: [string, string][] = [
    ["Range", `${num(loop.lrv, decimals)} to ${num(loop.urv, decimals)}\u202f${unitWords(loop.pv_unit)}, ${loop.transfer}${loop.confirmed ? "" : ", not confirmed"}`],
    ["Damping", loop.damping_s === null ? "not in the register" : `${num(loop.damping_s, 1)}\u202fs`],
    ["Tolerance", `${pct(loop.tolerance_pct)} of span`],
    ["Purpose", purposeWords(loop.criticality)],
    ["Area", loop.area ?? "not in the register"],
    ["Wired", wired === "" ? "not in the register" : `${wired}${loop.channel ? ` channel ${loop.channel}` : ""}`],
    ["Device", [loop.device_type, loop.device_revision === null ? null : `revision ${loop.device_revision}`, loop.device_id ? `ID ${loop.device_id}` : null].filter(Boolean).join(", ") || "not in the register"],
    ["Watches same", loop.redundancy_group ?? "none in the register"],
  ];
  if (loop.multidrop) lines.push(["Multi-drop", "the current is parked and carries no measurement"]);
  return (
    <section class={quiet ? "cols two" : "cols"}>
      {!quiet && (
        <div>
          <NotProved />
        </div>
      )}
      <div>
        <h2>Register</h2>
        <dl>
          {lines.map(([k, v]) => (
            <>
              <dt>
                <Term.Text text={k} />
              </dt>
              <dd>{v}</dd>
            </>
          ))}
        </dl>
        <BaselineList tag={loop.tag} version={assessment.value?.assessed_at ?? ""} />
      </div>
      <div>
        <LoopCases tag={loop.tag} version={version} />
        <h2>Elsewhere</h2>
        <p>
          <a href={`/api/v1/reports?tag=${encodeURIComponent(loop.tag)}`} target="_blank" rel="noopener">
            Sheet to print
          </a>
          , <a href={`/register?find=${encodeURIComponent(loop.tag)}`}>change the register entry</a>, <a href={`/register/work?tag=${encodeURIComponent(loop.tag)}`}>announce work</a>.
        </p>
        <p>
          The same numbers for another program: <a href={`/api/v1/loops/${encodeURIComponent(loop.tag)}/readings`}>readings</a>, <a href={`/api/v1/loops/${encodeURIComponent(loop.tag)}/trace?step=6h`}>trace</a>, <a href={`/api/v1/loops/${encodeURIComponent(loop.tag)}`}>register entry</a>.
        </p>
      </div>
    </section>
  );
}
