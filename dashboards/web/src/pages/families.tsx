// Device types and revisions compared: which family is getting worse, and since when.

import { useEffect, useRef, useState } from "preact/hooks";
import { get, loopPath, said } from "../api";
import { type Axis, MarkAxis, Marks, Weeks } from "../figures/families";
import { useWidth } from "../figures/width";
import { DAY, chance, count, day, interval, ms, num, pct, signed, utc } from "../format";
import { query, setParam } from "../route";
import { assessment, now } from "../state";
import type { Compared, Families as Answer, Family, FleetMean, Interval } from "../types";
import { KIND_NAMES, countWord, kindWords, plural } from "../words";

interface Measure {
  name: string;
  words: string;
  of: (f: Family) => Compared;
  fleet: (m: FleetMean) => Interval | null;
  label: (v: number) => string;
  /** Share: the axis begins at nothing. Rate: it holds zero. */
  share: boolean;
}

const percent = (decimals: number) => (v: number) => pct(100 * v, decimals);
const rateText = (v: number) => `${signed(v, 3)}\u202f%/d`;

const MEASURES: readonly Measure[] = [
  { name: "findings", words: "loops with an open finding", of: (f) => f.findings.share, fleet: (m) => m.finding_share, label: percent(0), share: true },
  { name: "rate", words: "drift rate", of: (f) => f.rate.mean, fleet: (m) => m.rate_pct_per_day, label: rateText, share: false },
  { name: "errors", words: "failed exchanges", of: (f) => f.errors.share, fleet: (m) => m.failed_share, label: percent(1), share: true },
];
const SCOPES: readonly (readonly [string, string])[] = [
  ["device_revision", "type and revision"],
  ["device_type", "type"],
];

function useFamilies(kind: string, version: string): { answer: Answer | null; why: string } {
  const [state, set] = useState<{ answer: Answer | null; why: string }>({ answer: null, why: "" });
  // The first version is the one that this sheet was asked for with: it needs no second answer.
  const first = useRef(version);
  if (first.current === "") first.current = version;
  const newer = version === first.current ? "" : version;
  useEffect(() => {
    const stop = new AbortController();
    get<Answer>(`families?loops=false${kind === "" ? "" : `&kind=${encodeURIComponent(kind)}`}`, stop.signal)
      .then((answer) => set({ answer, why: "" }))
      .catch((e: unknown) => {
        if (!stop.signal.aborted) set((s) => ({ answer: s.answer, why: said(e) }));
      });
    return () => stop.abort();
  }, [kind, newer]);
  return state;
}

export function Families() {
  useEffect(() => {
    document.title = "Families, Loopwitness";
  }, []);
  const asked = query.value.get("kind") ?? "";
  const kind = KIND_NAMES.includes(asked) ? asked : "";
  const { answer, why } = useFamilies(kind, assessment.value?.assessed_at ?? "");
  if (answer === null) {
    return (
      <section class="lead">
        <h1 tabIndex={-1}>{why === "" ? "Reading the families." : "The families cannot be shown."}</h1>
        {why !== "" && <p class="sub">{why}</p>}
      </section>
    );
  }
  const scope = SCOPES.find(([s]) => s === query.value.get("by"))?.[0] ?? "device_revision";
  const measure = MEASURES.find((m) => m.name === query.value.get("show")) ?? MEASURES[0];
  if (!measure) return null;
  const size = (f: Family) => {
    const c = measure.of(f);
    const v = (c.pooled ?? c.raw)?.value;
    return v === undefined ? -1 : Math.abs(v);
  };
  const families = answer.families.filter((f) => f.scope === scope).sort((a, b) => size(b) - size(a) || a.name.localeCompare(b.name));
  const fleet = answer.fleet.find((m) => m.scope === scope) ?? null;
  return (
    <>
      <section class="lead">
        <h1 tabIndex={-1}>{head(answer, families)}</h1>
        <p class="sub">{below(answer, families, why)}</p>
      </section>
      {answer.families.length > 0 && (
        <>
          <Controls scope={scope} measure={measure} kind={kind} />
          <Rows families={families} fleet={fleet} measure={measure} kind={kind} />
          <Numbers families={families} fleet={fleet} />
          <section class="plain">
            <h2>How it is reckoned</h2>
            <ul class="method">
              {answer.method.map((m) => (
                <li key={m}>{m}</li>
              ))}
            </ul>
          </section>
        </>
      )}
    </>
  );
}

const span = (i: Interval | null, text: (v: number) => string) => (i === null ? "not known" : `${text(i.value)} (${text(i.low)} to ${text(i.high)})`);

function head(a: Answer, families: Family[]): string {
  const to = now.value;
  if (families.length === 0) return a.families.length === 0 ? "No loop's device type is known, so there are no families to compare." : "No loop's device revision is known.";
  const worse = families.filter((f) => f.change?.evidenced && f.change.direction === "worse");
  const first = worse[0];
  if (first?.change) {
    const others = worse.length > 1 ? `, and so ${plural(worse.length - 1, "has", "have")} ${count(worse.length - 1)} more` : "";
    return `${first.name} has been getting worse since ${day(ms(first.change.since), to)}${others}.`;
  }
  return `No family is shown to be getting worse over these ${count(Math.round((ms(a.to) - ms(a.from)) / DAY))} days.`;
}

function below(a: Answer, families: Family[], why: string): string {
  const parts: string[] = [];
  const share = (f: Family) => (f.findings.share.pooled ?? f.findings.share.raw)?.value ?? -1;
  const top = families.reduce<Family | undefined>((best, f) => (best === undefined || share(f) > share(best) ? f : best), undefined);
  if (top && top.findings.loops > 0) parts.push(`${countWord(top.findings.loops, count)} of ${count(top.findings.of)} loops of ${top.name} have an open finding${top.findings.share.pooled === null ? "" : `; drawn towards the fleet that is ${span(top.findings.share.pooled, percent(0))}`}.`);
  if (a.explained_elsewhere > 0) parts.push(`${countWord(a.explained_elsewhere, count)} open ${plural(a.explained_elsewhere, "finding is", "findings are")} left out, because a gateway, box, card, supply or area that loops share explains ${plural(a.explained_elsewhere, "it", "them")}.`);
  if (a.without_type > 0) parts.push(`Of ${count(a.without_type)} ${plural(a.without_type, "loop", "loops")} the register knows no device type.`);
  parts.push("A difference between families can come from where they are used, not only from what they are.");
  if (why !== "") parts.push(`${why} These figures do not change until it answers.`);
  return parts.join(" ");
}

function Controls({ scope, measure, kind }: { scope: string; measure: Measure; kind: string }) {
  return (
    <p class="filt open">
      <label>
        Compare
        <select value={measure.name} onChange={(e) => setParam("show", e.currentTarget.value === "findings" ? "" : e.currentTarget.value)}>
          {MEASURES.map((m) => (
            <option key={m.name} value={m.name}>
              {m.words}
            </option>
          ))}
        </select>
      </label>
      <label>
        By
        <select value={scope} onChange={(e) => setParam("by", e.currentTarget.value === "device_revision" ? "" : e.currentTarget.value)}>
          {SCOPES.map(([s, words]) => (
            <option key={s} value={s}>
              {words}
            </option>
          ))}
        </select>
      </label>
      <label>
        Findings
        <select value={kind} onChange={(e) => setParam("kind", e.currentTarget.value)}>
          <option value="">all kinds</option>
          {KIND_NAMES.map((k) => (
            <option key={k} value={k}>
              {kindWords(k)}
            </option>
          ))}
        </select>
      </label>
      <span class="as">
        <a href={`/api/v1/families?format=csv${kind === "" ? "" : `&kind=${encodeURIComponent(kind)}`}`} download="families.csv">
          these figures as CSV
        </a>
      </span>
    </p>
  );
}

/** From all intervals of a share; of a rate from the pooled ones and the raw values, and a raw interval that reaches farther is cut by the frame. */
function axisOf(families: Family[], measure: Measure, fleet: Interval | null): Axis {
  const all = families.flatMap((f) => {
    const c = measure.of(f);
    return [c.pooled?.low, c.pooled?.high, c.raw?.value, ...(c.pooled === null || measure.share ? [c.raw?.low, c.raw?.high] : [])];
  });
  const known = [...all, fleet?.low, fleet?.high].filter((v): v is number => v !== undefined && Number.isFinite(v));
  let [low, high] = [Math.min(0, ...known), Math.max(0, ...known)];
  if (!(high > low)) high = low + (measure.share ? 0.01 : 0.001);
  const room = 0.06 * (high - low);
  low = measure.share ? 0 : low - room;
  high = measure.share ? Math.min(1, high + room) : high + room;
  return { low, high, label: measure.label };
}

function Rows({ families, fleet, measure, kind }: { families: Family[]; fleet: FleetMean | null; measure: Measure; kind: string }) {
  const [box, width] = useWidth<HTMLDivElement>();
  const [weekBox, weekWidth] = useWidth<HTMLDivElement>();
  const mean = fleet === null ? null : measure.fleet(fleet);
  const axis = axisOf(families, measure, mean);
  const reach = Math.max(0.05, ...families.flatMap((f) => f.weeks.map((w) => w.share?.value ?? 0)));
  const top = Math.min(1, Math.ceil(reach * 10) / 10);
  return (
    <div class="fams">
      <div class="famh">
        <span class="fn">family</span>
        <div class="fm" ref={box}>
          {measure.words}
          <MarkAxis axis={axis} fleet={mean} width={width} />
        </div>
        <div class="fw" ref={weekBox}>
          with an open finding, % of loops by week
        </div>
      </div>
      {families.map((f) => (
        <Row key={f.name} f={f} measure={measure} axis={axis} fleet={mean} width={width} weekWidth={weekWidth} top={top} kind={kind} />
      ))}
      <p class="key">
        <span class="kp">Upper thin line: the family by itself, its mark and 95 % interval.</span> <span class="kp">Lower thick line with dot: drawn towards the fleet, which a small family is more.</span>{" "}
        <span class="kp">Upright line in the band: the fleet's mean and its interval.</span> <span class="kp">By week: heavy stroke the share, upright stroke its 95 % interval; grey: since when it changed.</span>
      </p>
    </div>
  );
}

interface RowProps {
  f: Family;
  measure: Measure;
  axis: Axis;
  fleet: Interval | null;
  width: number;
  weekWidth: number;
  top: number;
  kind: string;
}

function Row({ f, measure, axis, fleet, width, weekWidth, top, kind }: RowProps) {
  const to = now.value;
  const c = measure.of(f);
  return (
    <section class="fam" aria-label={f.name}>
      <div class="fn">
        <h2>
          <span class="tag">{f.name}</span>
        </h2>
        <p class="nt">{basis(f, measure)}</p>
      </div>
      <div class="fm">
        <p class="val">{c.pooled ? span(c.pooled, axis.label) : span(c.raw, axis.label)}</p>
        <Marks name={f.name} axis={axis} raw={c.raw} pooled={c.pooled} fleet={fleet} width={width} />
      </div>
      <div class="fw">
        <Weeks f={f} top={top} now={to} width={weekWidth} />
      </div>
      <p class="trend">{trend(f, to)}</p>
      <Members f={f} kind={kind} to={to} />
    </section>
  );
}

function basis(f: Family, measure: Measure): string {
  if (measure.name === "rate") return `${count(f.rate.loops)} of ${count(f.members)} ${plural(f.members, "loop has", "loops have")} a rate${f.rate.p10 === null ? "" : `, 8 of 10 between ${signed(f.rate.p10, 3)} and ${signed(f.rate.p90, 3)}`}`;
  if (measure.name === "errors") return `${count(f.errors.failed)} of ${count(f.errors.polls)} exchanges of ${count(f.errors.loops)} ${plural(f.errors.loops, "loop", "loops")}`;
  return `${count(f.findings.loops)} of ${count(f.findings.of)} ${plural(f.findings.of, "loop", "loops")}`;
}

function trend(f: Family, to: number) {
  const c = f.change;
  if (c === null) return f.begun === 0 ? "No loop got its first finding in this time." : `${countWord(f.begun, count)} first ${plural(f.begun, "finding", "findings")}, too few or too late to tell a change.`;
  const rates = `${num(c.before_per_100_loop_weeks, 1)} first findings in 100 loops a week before, ${num(c.after_per_100_loop_weeks, 1)} since`;
  if (!c.evidenced) return `No change is shown: ${count(f.begun)} first ${plural(f.begun, "finding", "findings")}, no more uneven than a steady rate brings${c.p_value > 0.5 ? "" : ` with a chance of ${chance(c.p_value)}`}.`;
  const within = interval(ms(c.since_low), ms(c.since_high), to);
  return (
    <>
      <b>
        Getting {c.direction} since <span title={utc(ms(c.since))}>{day(ms(c.since), to)}</span>
      </b>
      {within === "" ? "" : `, ${within}`}: {rates}. Chance with a steady rate {chance(c.p_value)}, all families and days counted.
    </>
  );
}

/** Of a large family those with a finding and the fastest. */
const MOST_LOOPS = 200;

function Members({ f, kind, to }: { f: Family; kind: string; to: number }) {
  const [open, setOpen] = useState(false);
  const [list, setList] = useState<Family["loops"] | null>(null);
  const [why, setWhy] = useState("");
  // The loops of a family are read when somebody unfolds them: of a large fleet they are most of the answer.
  useEffect(() => {
    if (!open) return undefined;
    const stop = new AbortController();
    get<Answer>(`families?family=${encodeURIComponent(f.name)}${kind === "" ? "" : `&kind=${encodeURIComponent(kind)}`}`, stop.signal)
      .then((a) => setList(a.families.find((x) => x.scope === f.scope)?.loops ?? []))
      .catch((e: unknown) => {
        if (!stop.signal.aborted) setWhy(said(e));
      });
    return () => stop.abort();
  }, [open, f, kind]);
  return (
    <details class="fold" onToggle={(e) => setOpen(e.currentTarget.open)}>
      <summary>
        its {count(f.members)} {plural(f.members, "loop", "loops")}
      </summary>
      {open && list === null && <p>{why === "" ? "Reading them." : why}</p>}
      {open && list !== null && (
        <div class="scroll" tabIndex={0} role="region" aria-label={`Loops of ${f.name}`}>
          <table>
            <thead>
              <tr>
                <th scope="col">loop</th>
                <th scope="col" class="r">
                  rate, %/d
                </th>
                <th scope="col" class="r">
                  failed, %
                </th>
                <th scope="col">open findings</th>
              </tr>
            </thead>
            <tbody>
              {list.slice(0, MOST_LOOPS).map((m) => (
                <tr key={m.tag}>
                  <th scope="row">
                    <a class="tag" href={loopPath(m.tag)}>
                      {m.tag}
                    </a>
                  </th>
                  <td class="r">{signed(m.rate_pct_per_day, 3)}</td>
                  <td class="r">{num(m.failed_share === null ? null : 100 * m.failed_share, 1)}</td>
                  <td>{m.kinds.length === 0 ? "none" : `${m.kinds.map(kindWords).join("; ")}, since ${day(ms(m.since), to)}`}</td>
                </tr>
              ))}
            </tbody>
          </table>
          {list.length > MOST_LOOPS && <p class="nt">{count(list.length - MOST_LOOPS)} more without a finding, and slower.</p>}
        </div>
      )}
    </details>
  );
}

function Numbers({ families, fleet }: { families: Family[]; fleet: FleetMean | null }) {
  const [open, setOpen] = useState(false);
  const share = percent(1);
  return (
    <details class="fold fnum" onToggle={(e) => setOpen(e.currentTarget.open)}>
      <summary>the numbers of the figure</summary>
      {open && (
        <div class="scroll" tabIndex={0} role="region" aria-label="The numbers of the figure">
          <table>
            <thead>
              <tr>
                <th scope="col">family</th>
                <th scope="col">open findings, by itself</th>
                <th scope="col">drawn towards the fleet</th>
                <th scope="col">drift rate, by itself</th>
                <th scope="col">drawn towards the fleet</th>
                <th scope="col">failed exchanges, by itself</th>
                <th scope="col">drawn towards the fleet</th>
              </tr>
            </thead>
            <tbody>
              {families.map((f) => (
                <tr key={f.name}>
                  <th scope="row" class="tag">
                    {f.name}
                  </th>
                  {([[f.findings.share, share], [f.rate.mean, rateText], [f.errors.share, percent(2)]] as const).flatMap(([c, text], i) => [<td key={`r${i}`}>{span(c.raw, text)}</td>, <td key={`p${i}`}>{span(c.pooled, text)}</td>])}
                </tr>
              ))}
              {fleet !== null && (
                <tr>
                  <th scope="row">fleet's mean</th>
                  {([[fleet.finding_share, share], [fleet.rate_pct_per_day, rateText], [fleet.failed_share, percent(2)]] as const).flatMap(([c, text], i) => [<td key={`r${i}`} />, <td key={`p${i}`}>{span(c, text)}</td>])}
                </tr>
              )}
            </tbody>
          </table>
        </div>
      )}
    </details>
  );
}
