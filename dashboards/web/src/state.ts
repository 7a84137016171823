// What all pages share: the newest assessment, the register, whether the service still answers.

import { computed, signal } from "@preact/signals";
import { Refusal, get, said } from "./api";
import { DAY, ms, setZone } from "./format";
import { getTraces } from "./traces";
import type { Assessment, LoopEntry, Trace } from "./types";

export const assessment = signal<Assessment | null>(null);
/** Why there is no newer answer; null while the service answers. */
export const trouble = signal<string | null>(null);
/** The service wants a token that this browser does not have. */
export const shutOut = signal(false);
/** When the service last answered, ms. */
export const answeredAt = signal(Number.NaN);
/** Wall clock, ms, once a second; for ages in words. */
export const wall = signal(Date.now());
/** The register was read at least once. */
export const registerRead = signal(false);
export const loops = signal<ReadonlyMap<string, LoopEntry>>(new Map());

/** "now" of every figure: the end of what was assessed. */
export const now = computed(() => {
  const t = ms(assessment.value?.to);
  return Number.isFinite(t) ? t : wall.value;
});
/** Start of the shared axis: the record, at most 60 days, at least one. */
export const axisFrom = computed(() => {
  const from = ms(assessment.value?.from);
  const start = Number.isFinite(from) ? from : now.value - DAY;
  return Math.min(Math.max(start, now.value - 60 * DAY), now.value - DAY);
});
export const traceStep = computed(() => (now.value - axisFrom.value <= 6 * DAY ? "1h" : "6h"));

const POLL_MS = 10_000;
/** Asked this often even while events stream: a connection that died without a word looks like a quiet one. */
const SURE_MS = 60_000;
/** No answer within this is none. */
const ANSWER_MS = 30_000;
const REGISTER_MS = 120_000;
const UNHURRIED_MS = 1_500;
let under = false;

export async function refresh(): Promise<void> {
  if (under) return;
  under = true;
  try {
    const next = await get<Assessment>("attention", AbortSignal.timeout(ANSWER_MS));
    if (next.site) setZone(next.site.timezone);
    answeredAt.value = Date.now();
    trouble.value = null;
    shutOut.value = false;
    // The same result again draws nothing again.
    const old = assessment.peek();
    if (!old || !next.assessed_at || next.assessed_at !== old.assessed_at || next.attention.length !== old.attention.length) assessment.value = next;
  } catch (e) {
    trouble.value = e instanceof Refusal ? said(e) : "The service does not answer.";
    shutOut.value = e instanceof Refusal && e.status === 401;
    if (e instanceof Refusal && e.status > 0) answeredAt.value = Date.now();
  } finally {
    under = false;
  }
}

export async function readRegister(): Promise<void> {
  try {
    const all = new Map<string, LoopEntry>();
    let after: string | null = null;
    do {
      const more: string = after === null ? "" : `&after=${encodeURIComponent(after)}`;
      const page: { loops: LoopEntry[]; next: string | null } = await get(`loops?limit=10000${more}`);
      for (const l of page.loops) all.set(l.tag, l);
      after = page.next;
    } while (after !== null);
    loops.value = all;
    registerRead.value = true;
  } catch {
    // The list stands without tolerances; the next round tries again.
  }
}

/** Starts reading and keeps at it: an event stream says when there is a new result, polling covers its absence. */
export function begin(): void {
  // The list first: the register of a large fleet takes longer to read than most sheets to draw. Two sheets need it at once, three hardly at all.
  if (/^\/(wiring|register)/.test(location.pathname)) void Promise.all([refresh(), readRegister()]);
  else if (/^\/(collection|families|glossary)/.test(location.pathname)) void refresh().then(() => setTimeout(() => void readRegister(), UNHURRIED_MS));
  else void refresh().then(() => readRegister());
  let streaming = false;
  const stream = new EventSource("/api/v1/events");
  let list = "";
  let later = 0;
  stream.addEventListener("assessed", (e) => {
    const told = JSON.parse(String(e.data)) as { assessed_at: string; list: string };
    const changed = told.list !== list;
    list = told.list;
    // The stream begins with the result that the sheet has already.
    if (told.assessed_at === assessment.peek()?.assessed_at) return;
    // A finding that came or went is shown at once; numbers that moved are drawn every ten seconds.
    const since = Date.now() - answeredAt.peek();
    if (changed || !(since < POLL_MS)) void refresh();
    else if (later === 0)
      later = window.setTimeout(() => {
        later = 0;
        void refresh();
      }, POLL_MS - since);
  });
  stream.addEventListener("register", () => void readRegister());
  stream.onopen = () => {
    streaming = true;
    if (trouble.peek() !== null) void refresh();
  };
  stream.onerror = () => {
    streaming = false;
  };
  setInterval(() => {
    if (!document.hidden && (!streaming || trouble.peek() !== null || !(Date.now() - answeredAt.peek() < SURE_MS))) void refresh();
  }, POLL_MS);
  setInterval(() => {
    if (!document.hidden) void readRegister();
  }, REGISTER_MS);
  setInterval(() => {
    if (!document.hidden) wall.value = Date.now();
  }, 1_000);
}

// ---- traces of the list, asked for as rows come near the window ---------------------------------------------

const BATCH = 40;
const FRESH_MS = 60_000;
export const traces = signal<ReadonlyMap<string, Trace>>(new Map());
const askedAt = new Map<string, number>();
const wanted = new Set<string>();
let timer = 0;

/** Wants the traces of these loops; answers arrive in `traces`. */
export function wantTraces(tags: readonly string[]): void {
  const t = Date.now();
  for (const tag of tags) {
    if (t - (askedAt.get(tag) ?? 0) > FRESH_MS) wanted.add(tag);
  }
  if (wanted.size > 0 && timer === 0) timer = window.setTimeout(() => void askTraces(), 50);
}

async function askTraces(): Promise<void> {
  const tags = [...wanted].slice(0, BATCH);
  for (const tag of tags) {
    wanted.delete(tag);
    askedAt.set(tag, Date.now());
  }
  try {
    const list = tags.map(encodeURIComponent).join(",");
    const got = await getTraces(`traces?tags=${list}&step=${traceStep.peek()}`);
    const next = new Map(traces.peek());
    for (const t of got) next.set(t.tag, t);
    traces.value = next;
  } catch {
    for (const tag of tags) askedAt.delete(tag);
  }
  timer = wanted.size > 0 ? window.setTimeout(() => void askTraces(), 50) : 0;
}
