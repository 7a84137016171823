// Words of the trade: each leads to its place in the glossary.

import type { ComponentChildren } from "preact";
import { TERMS, slug } from "./glossary";

const FORMS = TERMS.flatMap((t) => [t.word, ...t.also].map((form) => [form, t.word] as const)).sort((a, b) => b[0].length - a[0].length);
const BY_FORM = new Map(FORMS.map(([form, word]) => [form.toLowerCase(), word]));
const escape = (t: string): string => t.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");
const ANY = new RegExp(`(?<![\\p{L}\\p{N}-])(${FORMS.map(([f]) => escape(f)).join("|")})(?![\\p{L}\\p{N}-])`, "giu");

function One({ word, children }: { word: string; children: ComponentChildren }) {
  return (
    <a class="term" href={`/glossary?find=${encodeURIComponent(word)}#${slug(word)}`}>
      {children}
    </a>
  );
}

const TAG = /\b([A-Z][A-Z0-9]*(?:-[A-Z0-9]+)+)\b/;

/** A name never breaks at its hyphen. */
export function Tags({ text }: { text: string }) {
  return <>{text.split(TAG).map((t, i) => (i % 2 === 1 ? <span key={i} class="nb">{t}</span> : t))}</>;
}

/** A text with the first use of each term linked. */
function Text({ text }: { text: string }) {
  const seen = new Set<string>();
  const out: ComponentChildren[] = [];
  let at = 0;
  for (const m of text.replace(/\u00a0/g, " ").matchAll(ANY)) {
    const word = BY_FORM.get(m[0].toLowerCase());
    if (word === undefined || seen.has(word)) continue;
    seen.add(word);
    out.push(<Tags text={text.slice(at, m.index)} />, <One word={word}>{text.slice(m.index, m.index + m[0].length)}</One>);
    at = m.index + m[0].length;
  }
  out.push(<Tags text={text.slice(at)} />);
  return <>{out}</>;
}

export const Term = Object.assign(One, { Text });
