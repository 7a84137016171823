// Cases in words: states, what is due, which actions a state allows, what an event says.

import { DAY, confidenceWords, ms, plainInstant, signedPct, span } from "./format";
import type { Case, CaseEvent } from "./types";
import { plural } from "./words";

/** In the order in which they want a person. */
export const STATES: readonly (readonly [string, string, string])[] = [
  ["returned", "Came back after work", "The work did not hold. Look again before planning the same once more."],
  ["unacknowledged", "Nobody has seen it", "Acknowledging says that a person has read it; nothing more."],
  ["acknowledged", "Acknowledged", "Seen, and nothing decided. It clears by itself if the evidence goes."],
  ["planned", "Planned", "Work is arranged."],
  ["attended", "Attended, being proved", "The work is done. The detectors watch, and close it when the difference stayed away."],
  ["shelved", "Shelved", "Put aside with an end; then it comes back by itself."],
  ["out-of-service", "Out of service", "Put aside until a person puts it back."],
];
const STATE_WORDS = new Map(STATES.map(([s, w]) => [s, w.toLowerCase()]));
export const stateWords = (s: string): string => STATE_WORDS.get(s) ?? s;

export const caseName = (c: Case): string => c.tag ?? c.name ?? c.id;

export interface Due {
  words: string;
  /** Instant it hangs on, ms; NaN = none. */
  at: number;
  late: boolean;
}

/** What a case waits for, at the wall clock `t`. */
export function dueOf(c: Case, t: number): Due {
  const none = Number.NaN;
  const by = ms(c.plan?.due);
  switch (c.state) {
    case "returned":
      return { words: "look again", at: ms(c.onset), late: true };
    case "unacknowledged":
      return { words: `unread for ${span(t - ms(c.opened))}`, at: none, late: t - ms(c.opened) > 7 * DAY };
    case "acknowledged":
      return c.present ? { words: "to be planned, shelved or closed", at: none, late: false } : { words: "the evidence is gone; it clears by itself", at: none, late: false };
    case "planned":
      if (!Number.isFinite(by)) return { words: "planned, no day given", at: none, late: false };
      return by < t ? { words: `${span(t - by)} overdue`, at: by, late: true } : { words: `due in ${span(by - t)}`, at: by, late: false };
    case "attended":
      return { words: c.present ? "worked on, and it is still there" : "worked on, being proved", at: ms(c.attended?.at), late: c.present };
    case "shelved": {
      const until = ms(c.suppression?.until);
      return { words: `comes back in ${span(until - t)}`, at: until, late: false };
    }
    case "out-of-service":
      return { words: "until a person puts it back", at: none, late: false };
    default:
      return { words: closedWords(c), at: ms(c.closed?.at), late: false };
  }
}

export function closedWords(c: Case): string {
  const how = c.closed;
  if (!how) return c.state;
  if (how.how === "proved") return `proved, confidence ${confidenceWords(how.confidence ?? 0)}, over ${Math.round(how.watched_h ?? 0)} h of running`;
  if (how.how === "cleared") return "the evidence went by itself";
  if (how.how === "adopted") return "goes on in the case of a common cause";
  return "closed by a person";
}

export const ACTIONS: Record<string, { name: string; done: string; says: string }> = {
  acknowledge: { name: "Acknowledge", done: "acknowledged", says: "I have read it. Nothing is decided by that." },
  plan: { name: "Plan work", done: "planned", says: "Work is arranged." },
  attend: { name: "Attended", done: "attended", says: "Somebody was there. What was found and done is written down; then the detectors watch." },
  shelve: { name: "Shelve", done: "shelved", says: "Out of sight until a given end, at most 31 days." },
  "out-of-service": { name: "Out of service", done: "taken out of service", says: "Out of sight until a person puts it back." },
  unshelve: { name: "Put back", done: "put back", says: "Ends shelving or out of service." },
  note: { name: "Note", done: "noted", says: "Something worth knowing; the state stays." },
  close: { name: "Close", done: "closed", says: "No more to do, on a person's word. What persists opens a new case." },
};

/** The service has the last word; this leaves out what it would refuse in that state. */
export function actionsOf(c: Case): string[] {
  if (!c.open) return ["note"];
  const aside = c.suppression !== null;
  const out: string[] = [];
  if (aside) out.push("unshelve");
  if (!aside && (c.state === "unacknowledged" || c.state === "returned")) out.push("acknowledge");
  out.push("plan", "attend");
  if (c.state !== "out-of-service" && c.state !== "attended") out.push("shelve");
  if (c.state !== "out-of-service") out.push("out-of-service");
  out.push("note", "close");
  return out;
}

const EVENTS: Record<string, string> = {
  opened: "opened",
  seen: "seen again, or changed",
  gone: "the evidence is gone",
  adopted: "taken over by the case of a common cause",
  acknowledged: "acknowledged",
  shelved: "shelved",
  unshelved: "put back",
  "shelf-ended": "shelving ended",
  "out-of-service": "out of service",
  planned: "planned",
  attended: "attended",
  proved: "proved",
  returned: "came back",
  cleared: "cleared",
  noted: "note",
  closed: "closed",
};
export const eventWords = (e: CaseEvent): string => EVENTS[e.what] ?? e.what;

/** Particulars of an event as short phrases. */
export function particulars(e: CaseEvent, now: number): string[] {
  const p = e.particulars as Record<string, unknown>;
  const text = (key: string, name: string): string[] => (typeof p[key] === "string" && p[key] !== "" ? [`${name}${p[key]}`] : []);
  const time = (key: string, name: string): string[] => (typeof p[key] === "string" && Number.isFinite(ms(p[key])) ? [`${name} ${plainInstant(ms(p[key]), now)}`] : []);
  const pct = (key: string, name: string): string[] => (typeof p[key] === "number" ? [`${name} ${signedPct(p[key])}`] : []);
  const sighting = p["sighting"] as { summary?: unknown } | undefined;
  const confidence = typeof p["confidence"] === "number" ? [`confidence ${confidenceWords(p["confidence"])}`] : [];
  const hours = typeof p["watched_h"] === "number" ? [`over ${Math.round(p["watched_h"])} h of running`] : [];
  return [
    ...(typeof sighting?.summary === "string" ? [sighting.summary] : []),
    ...time("until", "until"),
    ...time("due", "due"),
    ...time("when", "on"),
    ...time("since", "since"),
    ...text("found", "Found: "),
    ...text("done", "Done: "),
    ...pct("as_found_pct", "as found"),
    ...pct("as_left_pct", "as left"),
    ...text("note", ""),
    ...text("into", "in "),
    ...confidence,
    ...hours,
  ];
}

/** `three days` of cases in a sentence. */
export const casesWords = (n: number, count: (n: number) => string): string => `${count(n)} ${plural(n, "case", "cases")}`;
