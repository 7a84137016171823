// What changed since this browser last looked at the list. The look before stays the one to compare with until the list has
// not been open for a while, so that opening a page again does not wipe what was new.

import { signal } from "@preact/signals";
import type { Entry } from "./entries";
import { keep, kept } from "./me";

interface Look {
  at: number;
  /** Place in the list by entry; 0 = ended. */
  places: Record<string, number>;
}
interface Kept {
  before: Look | null;
  last: Look | null;
}

const KEY = "loopwitness.look";
const AWAY_MS = 30 * 60_000;

function read(): Kept {
  try {
    const k = JSON.parse(kept(KEY) || "{}") as Partial<Kept>;
    const whole = (l: Look | null | undefined): Look | null => (l && Number.isFinite(l.at) && typeof l.places === "object" && l.places !== null ? l : null);
    return { before: whole(k.before), last: whole(k.last) };
  } catch {
    return { before: null, last: null };
  }
}

/** The look to compare with; null on the first one. */
export const before = signal<Look | null>(null);
let begun = false;

export function looked(entries: readonly Entry[], at: number): void {
  const old = read();
  if (!begun) {
    begun = true;
    before.value = old.last && at - old.last.at > AWAY_MS ? old.last : old.before;
  }
  const places = Object.fromEntries(entries.map((e) => [e.key, e.lasting ? e.place : 0]));
  keep(KEY, JSON.stringify({ before: before.peek(), last: { at, places } } satisfies Kept));
}

/** "new", "up 4", "down 2", or nothing. */
export function movedWords(e: Entry, look: Look | null): string {
  if (!look || !e.lasting) return "";
  const was = look.places[e.key];
  if (was === undefined || was === 0) return "new";
  const up = was - e.place;
  return up >= 3 ? `up ${up}` : up <= -3 ? `down ${-up}` : "";
}

export interface Since {
  fresh: Entry[];
  risen: { entry: Entry; was: number }[];
  ended: string[];
}

export function sinceLook(entries: readonly Entry[], look: Look): Since {
  const now = new Map(entries.map((e) => [e.key, e]));
  return {
    fresh: entries.filter((e) => e.lasting && !look.places[e.key]),
    risen: entries.flatMap((e) => {
      const was = look.places[e.key] ?? 0;
      return e.lasting && was - e.place >= 3 ? [{ entry: e, was }] : [];
    }),
    ended: Object.entries(look.places)
      .filter(([key, place]) => place > 0 && !now.get(key)?.lasting)
      .map(([key]) => key),
  };
}
