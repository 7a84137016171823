// The trade's terms, each with the standard it comes from.

import { useEffect } from "preact/hooks";
import { TERMS, slug } from "../glossary";
import { byName, count, tied } from "../format";
import { query, setParam } from "../route";

export function Glossary() {
  const find = (query.value.get("find") ?? "").trim().toLowerCase();
  useEffect(() => {
    document.title = "Glossary, Loopwitness";
    if (location.hash !== "") document.getElementById(location.hash.slice(1))?.scrollIntoView();
  }, []);
  const list = TERMS.filter((t) => find === "" || [t.word, ...t.also, t.text, t.source].some((x) => x.toLowerCase().includes(find))).toSorted((a, b) => byName(a.word, b.word));
  // The word itself first, then where it is only spoken of.
  const named = list.filter((t) => t.word.toLowerCase() === find);
  const sorted = [...named, ...list.filter((t) => !named.includes(t))];
  return (
    <>
      <section class="lead">
        <h1 tabIndex={-1}>The words of these sheets.</h1>
        <p class="sub">Each with the standard that it comes from; where it is this program's own word, that stands there. A standard's text decides, not this list.</p>
      </section>
      <form class="filt open" role="search" aria-label="Which words" onSubmit={(e) => e.preventDefault()}>
        <label>
          Find
          <input id="find" type="search" value={query.value.get("find") ?? ""} placeholder="word" onInput={(e) => setParam("find", e.currentTarget.value)} />
        </label>
        <span aria-live="polite">
          {count(list.length)} of {count(TERMS.length)}
        </span>
      </form>
      <dl class="gloss">
        {sorted.map((t) => (
          <div key={t.word} id={slug(t.word)}>
            <dt>{t.word}</dt>
            <dd>{tied(t.text)}</dd>
            <dd class="src">
              {t.source}
              {t.also.length > 0 && <span>also: {t.also.join(", ")}</span>}
            </dd>
          </div>
        ))}
      </dl>
      {list.length === 0 && <p class="none">No entry has that word. {count(TERMS.length)} without the filter.</p>}
    </>
  );
}
