// Cases: what somebody has to do, by what it waits for. One list, one time axis, as on the first sheet.

import { signal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import { casePath, get, said } from "../api";
import { STATES, caseName, closedWords, dueOf } from "../casewords";
import { Lane } from "../figures/lane";
import { DAY, count, ms } from "../format";
import { query, setParam } from "../route";
import { Said, When } from "../said";
import { assessment, axisFrom, loops, now, wall } from "../state";
import type { Case } from "../types";
import { countWord, kindWords, plural, purposeWords, scopeWords } from "../words";
import { AxisHead } from "./axishead";

const open = signal<Case[] | null>(null);
const done = signal<Case[] | null>(null);
const why = signal("");
const WEEK = 7 * DAY;

async function readAll(state: string): Promise<Case[]> {
  const out: Case[] = [];
  let after: string | null = null;
  do {
    const more: string = after === null ? "" : `&after=${encodeURIComponent(after)}`;
    const page: { cases: Case[]; next: string | null } = await get(`cases?state=${state}&limit=2000${more}`);
    out.push(...page.cases);
    after = page.next;
  } while (after !== null);
  return out;
}

export async function readCases(): Promise<void> {
  try {
    open.value = await readAll("open");
    if (done.peek() !== null || query.peek().get("state") === "done") await readDone();
    why.value = "";
  } catch (e) {
    why.value = said(e);
  }
}

async function readDone(): Promise<void> {
  try {
    const all = [...(await readAll("proved")), ...(await readAll("closed"))];
    done.value = all.sort((a, b) => ms(b.closed?.at) - ms(a.closed?.at));
  } catch (e) {
    why.value = said(e);
  }
}

const holds = (text: string | null | undefined, needle: string): boolean => (text ?? "").toLowerCase().includes(needle);

export function Cases() {
  const version = assessment.value?.assessed_at ?? "";
  const first = useRef(version);
  if (first.current === "") first.current = version;
  useEffect(() => {
    document.title = "Cases, Loopwitness";
    void readCases();
  }, [version === first.current ? "" : version]);
  const all = open.value;
  const q = query.value;
  if (all === null) {
    return (
      <section class="lead">
        <h1 tabIndex={-1}>{why.value === "" ? "Reading the cases." : "The cases cannot be shown."}</h1>
        {why.value !== "" && <p class="sub">{why.value}</p>}
      </section>
    );
  }
  const find = (q.get("find") ?? "").trim().toLowerCase();
  const state = q.get("state") ?? "";
  const area = q.get("area") ?? "";
  const takes = (c: Case): boolean =>
    (area === "" || c.areas.includes(area)) && (find === "" || holds(caseName(c), find) || c.tags.some((t) => holds(t, find)) || holds(c.summary, find) || holds(kindWords(c.kind), find) || holds(c.plan?.note, find));
  const shown = all.filter(takes);
  const unread = all.filter((c) => c.state === "unacknowledged" || c.state === "returned").length;
  const due = all.filter((c) => c.state === "planned" && ms(c.plan?.due) < wall.value + WEEK).length;
  const head =
    all.length === 0
      ? "No case is open."
      : `${countWord(all.length, count)} ${plural(all.length, "case is", "cases are")} open. ${unread === 0 ? "Each has been read by a person" : unread === all.length ? "Nobody has read any of them yet" : `${countWord(unread, count)} ${plural(unread, "waits", "wait")} for a person to read ${plural(unread, "it", "them")}`}${due > 0 ? `; ${count(due)} ${plural(due, "is", "are")} due this week` : ""}.`;
  const areas = [...new Set(all.flatMap((c) => c.areas))].sort();
  const groups = STATES.filter(([s]) => state === "" || state === s).map(([s, name, about]) => ({ s, name, about, list: shown.filter((c) => c.state === s) }));
  const listed = groups.reduce((n, g) => n + g.list.length, 0);
  return (
    <>
      <section class="lead">
        <h1 tabIndex={-1}>{head}</h1>
        <p class="sub">
          A finding that persists opens a case; it stays until a person or the evidence closes it. After work the detectors watch, and close it with a stated confidence, or mark it returned.
          {why.value !== "" && ` ${why.value} What you see does not change until it answers.`}
        </p>
      </section>
      <form class="filt open" role="search" aria-label="Which cases" onSubmit={(e) => e.preventDefault()}>
        <label>
          Find
          <input id="find" type="search" value={q.get("find") ?? ""} placeholder="tag or word" onInput={(e) => setParam("find", e.currentTarget.value)} />
        </label>
        <label>
          State
          <select value={state} onChange={(e) => setParam("state", e.currentTarget.value)}>
            <option value="">every open state</option>
            {STATES.map(([s, name]) => (
              <option key={s} value={s}>
                {name.toLowerCase()}
              </option>
            ))}
            <option value="done">closed ones</option>
          </select>
        </label>
        <label>
          Area
          <select value={area} onChange={(e) => setParam("area", e.currentTarget.value)}>
            <option value="">every area</option>
            {areas.map((x) => (
              <option key={x} value={x}>
                {x}
              </option>
            ))}
          </select>
        </label>
        <span class="as">
          <a href={`/api/v1/cases?state=${state === "done" ? "all" : state || "open"}`}>JSON</a>
        </span>
      </form>
      {state === "done" ? (
        <Done takes={takes} />
      ) : (
        <section class="list book" aria-label="Open cases">
          <AxisHead line={`${count(listed)} of ${count(all.length)} open`} last="due" />
          {groups.map((g) => g.list.length > 0 && <Group key={g.s} name={g.name} about={g.about} list={g.list} />)}
          {listed === 0 && <p class="none">{all.length === 0 ? "Findings that last open cases here." : `No open case fits. ${count(all.length)} without the filter.`}</p>}
        </section>
      )}
    </>
  );
}

function Done({ takes }: { takes: (c: Case) => boolean }) {
  useEffect(() => {
    void readDone();
  }, []);
  const list = done.value?.filter(takes);
  return (
    <section class="list book" aria-label="Closed cases">
      <AxisHead line={list ? `${count(list.length)} closed` : "reading"} last="how" />
      {list && <Group name="Closed" about="By a person, by proof after work, or because the evidence went." list={list} />}
      {list?.length === 0 && <p class="none">No closed case fits.</p>}
    </section>
  );
}

const MANY = 150;

function Group({ name, about, list }: { name: string; about: string; list: Case[] }) {
  const t = wall.value;
  const sorted = [...list].sort((a, b) => (dueOf(a, t).at || Number.POSITIVE_INFINITY) - (dueOf(b, t).at || Number.POSITIVE_INFINITY) || b.score - a.score);
  return (
    <>
      <h2 class="sect">
        {name} <span>{count(list.length)}. {about}</span>
      </h2>
      {sorted.slice(0, MANY).map((c) => (
        <Line key={c.id} c={c} />
      ))}
      {sorted.length > MANY && <p class="none">{count(sorted.length - MANY)} more; a word in the field above narrows them.</p>}
    </>
  );
}

function Line({ c }: { c: Case }) {
  const due = dueOf(c, wall.value);
  const service = c.tag === null ? (c.scope === null ? "" : scopeWords(c.scope)) : (loops.value.get(c.tag)?.service ?? "");
  return (
    <article class={c.open ? "crow" : "crow ended"}>
      <div class="tx">
        <h3>
          <a class="tag" href={casePath(c.id)}>
            {caseName(c)}
          </a>{" "}
          {service} <span class={c.criticality === "safety" ? "cr saf" : "cr"}>{c.tag === null ? `${count(c.tags.length)} loops` : purposeWords(c.criticality)}</span>
        </h3>
        <p class="why">
          <Said text={c.summary} of={{ onset: c.onset }} />
        </p>
        <p class="meta">
          <span>
            <b>since</b> <When t={c.onset} />
          </span>
          <span>
            <b>opened</b> <When t={c.opened} />
          </span>
          {c.plan?.note && (
            <span>
              <b>plan</b> {c.plan.note}
            </span>
          )}
          {c.suppression && (
            <span>
              <b>put aside by</b> {c.suppression.who}: {c.suppression.why}
            </span>
          )}
          {c.attended && (
            <span>
              <b>done by</b> {c.attended.who}: {c.attended.done}
            </span>
          )}
          {c.returned > 0 && (
            <span>
              <b>came back</b> {count(c.returned)} {plural(c.returned, "time", "times")}
            </span>
          )}
        </p>
      </div>
      <div class="fg">
        <Lane c={c} from={axisFrom.value} now={now.value} />
      </div>
      <p class={due.late ? "due late" : "due"}>
        {c.open ? due.words : closedWords(c)}
        {Number.isFinite(due.at) && (
          <span>
            <When t={due.at} />
          </span>
        )}
      </p>
    </article>
  );
}
