// Who acts: asked once, remembered by this browser and nowhere else.

import { signal } from "@preact/signals";

const KEY = "loopwitness.author";
const WHO_MAX = 80;

/** Reads what the browser kept; a browser that keeps nothing is as good as an empty one. */
export function kept(key: string): string {
  try {
    return localStorage.getItem(key) ?? "";
  } catch {
    return "";
  }
}

export function keep(key: string, value: string): void {
  try {
    localStorage.setItem(key, value);
  } catch {
    // It is asked for again next time.
  }
}

export const author = signal(kept(KEY));

export function Author({ id }: { id: string }) {
  return (
    <label class="fld" for={id}>
      <span>Your name</span>
      <input
        id={id}
        type="text"
        required
        maxLength={WHO_MAX}
        autocomplete="name"
        value={author.value}
        onInput={(e) => {
          author.value = e.currentTarget.value;
          keep(KEY, author.value);
        }}
      />
    </label>
  );
}
