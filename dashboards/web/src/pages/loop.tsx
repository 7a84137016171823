// One loop: the sentence, cautions before checks, where the copies part, the twin trace, the register.

import { useEffect, useMemo, useState } from "preact/hooks";
import { get, said } from "../api";
import { findingWords, ne107Words, purposeWords, whatWords } from "../words";
import { entriesOf, leadFinding, since } from "../entries";
import { AgreementFigure } from "../figures/agreement";
import { Circuit } from "../figures/circuit";
import { type Means, Parts, meansOf } from "../figures/parts";
import { type Poll, Twin } from "../figures/twin";
import { LoopWatch } from "../figures/watch";
import { DAY, HOUR, clock, count, day, instant, ma, ms, num, pct, rangeDecimals, signedPct, span, tied, utc } from "../format";
import { query, setParam } from "../route";
import { differencePct, registeredMa } from "../scale";
import { assessment, now } from "../state";
import type { Agreement, Finding, LoopEntry, Readings, Row, Trace } from "../types";

const RANGES: readonly (readonly [string, string, number, string])[] = [
  ["6h", "6 h", 6 * HOUR, "1h"],
  ["7d", "7 d", 7 * DAY, "1h"],
  ["30d", "30 d", 30 * DAY, "6h"],
  ["60d", "60 d", 60 * DAY, "6h"],
];
const POINTS = 2_000;
const HELD = new Set(["stuck-value", "fixed-current", "current-out-of-range"]);
const SHORT = HOUR / 6;

function usePolls(tag: string, from: number, to: number): { polls: Poll[]; why: string } {
  const [state, set] = useState<{ polls: Poll[]; why: string }>({ polls: [], why: "" });
  useEffect(() => {
    if (!Number.isFinite(to)) return undefined;
    const stop = new AbortController();
    const iso = (t: number) => encodeURIComponent(new Date(t).toISOString());
    get<Readings>(`loops/${encodeURIComponent(tag)}/readings?from=${iso(from)}&to=${iso(to + 1)}&points=${POINTS}`, stop.signal)
      .then(({ columns: c }) => {
        const polls = c.time.map((t, i) => {
          const code = c.response_code[i] ?? null;
          return { t: ms(t), pv: c.pv[i] ?? null, analog: c.analog_ma[i] ?? null, reported: c.reported_ma[i] ?? null, status: code !== null && code >= 0x80 ? null : (c.device_status[i] ?? null), replied: code !== null && code < 0x80 };
        });
        set({ polls, why: "" });
      })
      .catch((e: unknown) => {
        if (!stop.signal.aborted) set((s) => ({ polls: s.polls, why: said(e) }));
      });
    return () => stop.abort();
  }, [tag, from, to]);
  return state;
}

function useTrace(tag: string, step: string, version: string): Trace | null {
  const [trace, set] = useState<Trace | null>(null);
  useEffect(() => {
    const stop = new AbortController();
    get<Trace>(`loops/${encodeURIComponent(tag)}/trace?step=${step}`, stop.signal)
      .then(set)
      .catch(() => undefined);
    return () => stop.abort();
  }, [tag, step, version]);
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
  const fallback = record > 10 * DAY ? "30d" : record > 1.5 * DAY ? "7d" : "6h";
  const asked = query.value.get("range") ?? fallback;
  const range = RANGES.find(([k]) => k === asked) ?? RANGES[2];
  const [key, , length, step] = range ?? ["30d", "30 d", 30 * DAY, "6h"];
  // A record shorter than the range fills the figure.
  const from = record > 0 ? Math.max(to - length, Math.min(to - record, to - 6 * HOUR)) : to - length;
  const { polls, why: whyPolls } = usePolls(tag, from, a?.to ? to : Number.NaN);
  const { polls: newest } = usePolls(tag, to - DAY, a?.to ? to : Number.NaN);
  const trace = useTrace(tag, step, version);
  const agreement = useAgreement(tag, version);
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
        <Beside loop={loop} f={f} />
      </div>
      <Figure loop={loop} polls={polls} trace={trace} f={f} from={from} to={to} range={key} record={record} why={whyPolls} />
      {agreement && !loop.multidrop && <AgreementFigure a={agreement} now={to} />}
      <Circuit tag={tag} version={version} now={to} />
      <LoopWatch tag={tag} version={version} />
      {row && <Also row={row} f={f} />}
      <Columns loop={loop} />
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
        <p class="verdict">{tied(f.summary)}</p>
      ) : (
        <p class="verdict">
          No finding on this loop{not.some((n) => n.what === "all") ? ", because it is not judged" : ""}.
          {v !== null && ` Over the newest 24 h the current arrived ${pct(Math.abs(v))} of span ${v < 0 ? "below" : "above"} the digital value on average; the tolerance is ${pct(loop.tolerance_pct)}.`}
        </p>
      )}
      {cause && cause.summary && <p class="sub">{tied(cause.summary)}</p>}
      {not.length > 0 && <p class="sub">Not judged: {not.map((n) => `${whatWords(n.what)} (${n.why})`).join("; ")}.</p>}
      {!loop.confirmed && <p class="sub">The register entry comes from the device itself and was not confirmed by a person.</p>}
      {loop.retired && <p class="sub">This loop is retired: the newest register no longer lists it.</p>}
    </>
  );
}

function Beside({ loop, f }: { loop: LoopEntry; f: Finding | undefined }) {
  if (!f) return null;
  return (
    <div class="beside">
      {f.cautions.length > 0 && (
        <section class="caut">
          <h2>First, caution</h2>
          <ul>
            {f.cautions.map((c, i) => (
              <li key={c} class={loop.criticality === "safety" && i === 0 ? "first" : ""}>
                {c}
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
              <li key={c}>{c}</li>
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
          <dd>{num(f.confidence, 3)}</dd>
          {f.ne107 && (
            <>
              <dt>NE 107</dt>
              <dd>{ne107Words(f.ne107)}</dd>
            </>
          )}
          {Object.entries(f.evidence).map(([k, v]) => (
            <>
              <dt>{k}</dt>
              <dd>{evidenceWords(v)}</dd>
            </>
          ))}
        </dl>
      </details>
    </div>
  );
}

function evidenceWords(v: unknown): string {
  if (typeof v === "number") return Number.isInteger(v) ? count(v) : num(v, Math.abs(v) >= 100 ? 1 : Math.abs(v) >= 1 ? 2 : 4);
  if (typeof v === "boolean") return v ? "yes" : "no";
  if (Array.isArray(v)) return v.map(evidenceWords).join(", ");
  return String(v);
}

interface FigureProps {
  loop: LoopEntry;
  polls: Poll[];
  trace: Trace | null;
  f: Finding | undefined;
  from: number;
  to: number;
  range: string;
  /** Length of the record, ms. */
  record: number;
  why: string;
}

function Figure({ loop, polls, trace, f, from, to, range, record, why }: FigureProps) {
  const [at, setAt] = useState<number | null>(null);
  const nearest = useMemo(() => {
    if (polls.length === 0) return -1;
    if (at === null) return polls.length - 1;
    return polls.reduce((best, q, i) => (Math.abs(q.t - at) < Math.abs((polls[best]?.t ?? 0) - at) ? i : best), 0);
  }, [polls, at]);
  const q = polls[nearest];
  const words = q ? cursorWords(loop, q, to) : "";
  return (
    <section class="big" aria-label="Twin trace">
      <p class="read">
        {q ? <Cursor loop={loop} q={q} now={to} /> : <span>{why || "No reading in this time."}</span>}
        <span class="rng">
          Show
          {RANGES.filter((_, i) => i === 0 || record > (RANGES[i - 1]?.[2] ?? 0)).map(([k, name]) => (
            <a
              key={k}
              href={`?range=${k}`}
              aria-current={k === range ? "true" : undefined}
              onClick={(e) => {
                e.preventDefault();
                setAt(null);
                setParam("range", k);
              }}
            >
              {name}
            </a>
          ))}
        </span>
      </p>
      <Twin loop={loop} polls={polls} trace={trace} fine={range === "6h"} finding={f} from={from} now={to} cursor={at === null ? null : (q?.t ?? null)} onCursor={setAt} />
      {polls.length > 1 && (
        <input class="walk" type="range" min={0} max={polls.length - 1} step={1} value={nearest} aria-label="Reading at the cursor" aria-valuetext={words} onInput={(e) => setAt(polls[Number(e.currentTarget.value)]?.t ?? null)} />
      )}
      <figcaption>
        <b>Fig. 2</b>
        {caption(loop, trace, f, from, to)}
      </figcaption>
      <Numbers trace={trace} from={from} now={to} />
    </section>
  );
}

function cursorWords(loop: LoopEntry, q: Poll, to: number): string {
  const d = differencePct(loop, q.pv, q.analog);
  return `${instant(q.t, to)}: digital ${q.pv === null ? "none" : `${num(q.pv, rangeDecimals(loop.lrv, loop.urv))} ${loop.pv_unit}`}, at the input ${q.analog === null ? "none" : ma(q.analog, 3)}, difference ${d === null ? "not known" : signedPct(d)}`;
}

function Cursor({ loop, q, now: to }: { loop: LoopEntry; q: Poll; now: number }) {
  const d = loop.multidrop ? null : differencePct(loop, q.pv, q.analog);
  const f = registeredMa(loop, q.pv);
  return (
    <>
      <b title={utc(q.t)}>
        {day(q.t, to)} {clock(q.t, true)}
      </b>
      <span>digital {q.pv === null ? (q.replied ? "not available" : "no reply") : `${num(q.pv, rangeDecimals(loop.lrv, loop.urv))}\u202f${loop.pv_unit}`}</span>
      {f !== null && <span>registered {ma(f, 3)}</span>}
      {q.reported !== null && <span>reported {ma(q.reported, 3)}</span>}
      <span>at the input {q.analog === null ? "not known" : ma(q.analog, 3)}</span>
      {d !== null && <span class="dv">difference {signedPct(d)}</span>}
    </>
  );
}

function caption(loop: LoopEntry, trace: Trace | null, f: Finding | undefined, from: number, to: number): string {
  const c = trace?.columns;
  if (!c) return "The difference is being read.";
  const inside = c.time.map((t, i) => [ms(t) + (trace?.step_s ?? 0) * 1000 > from, c.difference_pct[i] ?? null] as const).filter((x) => x[0]);
  const values = inside.map((x) => x[1]).filter((v): v is number => v !== null);
  if (values.length === 0) return "There is no stretch in which both copies were seen, so nothing can be said about their difference.";
  const outside = values.filter((v) => Math.abs(v) > loop.tolerance_pct).length;
  const parts = [`Mean differences run from ${signedPct(Math.min(...values))} to ${signedPct(Math.max(...values))}; ${outside === 0 ? "none lies" : `${count(outside)} of ${count(values.length)} lie`} beyond the tolerance of ${pct(loop.tolerance_pct)}.`];
  if (f) parts.push(`${findingWords(f).replace(/^./, (x) => x.toUpperCase())}, since ${since(f, to)}${f.ended ? `, ended ${instant(ms(f.ended), to)}` : ""}.`);
  parts.push("Gaps stay gaps.");
  return parts.join(" ");
}

const MOST_LINES = 120;

function Numbers({ trace, from, now: to }: { trace: Trace | null; from: number; now: number }) {
  const [open, setOpen] = useState(false);
  if (!trace) return null;
  const c = trace.columns;
  const index = c.time.map((_, i) => i).filter((i) => ms(c.time[i]) + trace.step_s * 1000 > from);
  const every = Math.max(1, Math.ceil(index.length / MOST_LINES));
  return (
    <details onToggle={(e) => setOpen((e.currentTarget as HTMLDetailsElement).open)}>
      <summary>
        the numbers of Fig. 2, by {trace.step_s >= 86_400 ? "day" : span(trace.step_s * 1000).replace("60\u202fmin", "hour")}
        {every > 1 ? `, every ${every}th` : ""}
      </summary>
      {open && (
        <div class="scroll" tabIndex={0} role="region" aria-label="The numbers of Fig. 2">
          <table>
            <thead>
              <tr>
                <th scope="col">from</th>
                <th scope="col" class="r">difference, %</th>
                <th scope="col" class="r">middle 80 %</th>
                <th scope="col" class="r">failed, %</th>
                <th scope="col" class="r">replies</th>
                <th scope="col" class="r">status bits</th>
              </tr>
            </thead>
            <tbody>
              {index
                .filter((_, n) => n % every === 0)
                .map((i) => (
                  <tr key={i}>
                    <td>{instant(ms(c.time[i]), to)}</td>
                    <td class="r">{num(c.difference_pct[i], 3)}</td>
                    <td class="r">
                      {num(c.difference_low_pct[i], 3)} to {num(c.difference_high_pct[i], 3)}
                    </td>
                    <td class="r">{num(c.failed_share[i] == null ? null : 100 * (c.failed_share[i] ?? 0), 1)}</td>
                    <td class="r">{num(c.replies[i], 0)}</td>
                    <td class="r">0x{(c.device_status[i] ?? 0).toString(16).padStart(2, "0").toUpperCase()}</td>
                  </tr>
                ))}
            </tbody>
          </table>
        </div>
      )}
    </details>
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
            {tied(o.summary)} {o.checks[0] ?? ""}
          </li>
        ))}
      </ul>
    </section>
  );
}

function Columns({ loop }: { loop: LoopEntry }) {
  const decimals = Math.max(0, Math.min(4, (String(loop.urv).split(".")[1] ?? "").length, 4));
  const modem = loop.modem && loop.gateway && !loop.modem.startsWith(loop.gateway) ? `${loop.gateway}/${loop.modem}` : (loop.modem ?? loop.gateway);
  const wired = [loop.junction_box, loop.supply, loop.input_card, modem].filter(Boolean).join(", ");
  const lines: [string, string][] = [
    ["Range", `${num(loop.lrv, decimals)} to ${num(loop.urv, decimals)}\u202f${loop.pv_unit}, ${loop.transfer}${loop.confirmed ? "" : ", not confirmed"}`],
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
    <section class="cols">
      <div>
        <h2>What this does not prove</h2>
        <p>That the sensor measures what it should: both copies come from it. That a current outside the range visited can pass: only what ordinary running has shown is witnessed.</p>
        <p>That a calibration, an inspection or a proof test is not due: the site's procedures, local codes and licensed practice decide.</p>
      </div>
      <div>
        <h2>Register</h2>
        <dl>
          {lines.map(([k, v]) => (
            <>
              <dt>{k}</dt>
              <dd>{v}</dd>
            </>
          ))}
        </dl>
      </div>
      <div>
        <h2>Readings</h2>
        <p>
          The same numbers for another program: <a href={`/api/v1/loops/${encodeURIComponent(loop.tag)}/readings`}>readings</a>, <a href={`/api/v1/loops/${encodeURIComponent(loop.tag)}/trace?step=6h`}>trace</a>, <a href={`/api/v1/loops/${encodeURIComponent(loop.tag)}`}>register entry</a>.
        </p>
      </div>
    </section>
  );
}
