// Reading the service. Every failure becomes a sentence; nothing here throws anything else.

export class Refusal extends Error {
  readonly status: number;
  constructor(message: string, status: number) {
    super(message);
    this.status = status;
  }
}

function sentence(text: string): string {
  const t = text.trim();
  if (t === "") return t;
  const first = t.charAt(0).toUpperCase() + t.slice(1);
  return /[.!?]$/.test(first) ? first : `${first}.`;
}

/** GET an address below /api/v1 and read its JSON. */
export const get = <T>(path: string, signal?: AbortSignal): Promise<T> => ask<T>(path, signal ? { signal } : {});

/** Sends JSON, or CSV as it is, and reads the JSON that comes back. */
export function send<T>(method: "POST" | "PATCH", path: string, body: object | string): Promise<T> {
  const csv = typeof body === "string";
  return ask<T>(path, { method, headers: { "content-type": csv ? "text/csv" : "application/json" }, body: csv ? body : JSON.stringify(body) });
}

/** The answer of an address below /api/v1, or a Refusal in the service's own words. */
export async function fetched(path: string, how: RequestInit): Promise<Response> {
  let answer: Response;
  try {
    answer = await fetch(`/api/v1/${path}`, how);
  } catch (e) {
    if (how.signal?.aborted) throw e;
    throw new Refusal("The service does not answer.", 0);
  }
  if (answer.ok) return answer;
  let body: unknown;
  try {
    body = await answer.json();
  } catch {
    body = null;
  }
  const p = (typeof body === "object" && body !== null ? body : {}) as Record<string, unknown>;
  const title = typeof p["title"] === "string" ? sentence(p["title"]) : `The service answered with status ${answer.status}.`;
  const detail = typeof p["detail"] === "string" ? sentence(p["detail"]) : "";
  throw new Refusal([title, detail].filter((t) => t !== "").join(" "), answer.status);
}

async function ask<T>(path: string, how: RequestInit): Promise<T> {
  const answer = await fetched(path, { ...how, headers: { accept: "application/json", ...how.headers } });
  try {
    return (await answer.json()) as T;
  } catch {
    throw new Refusal("The service answered something that is not JSON.", answer.status);
  }
}

export const said = (e: unknown): string => (e instanceof Error ? e.message : String(e));

export const loopPath = (tag: string): string => `/loop/${encodeURIComponent(tag)}`;
export const casePath = (id: string): string => `/cases/${encodeURIComponent(id)}`;
