// What the watch could not judge, and why: silence must not read as health.

import { useEffect } from "preact/hooks";
import { loopPath } from "../api";
import { FleetWatch } from "../figures/watch";
import { count } from "../format";
import { assessment } from "../state";
import { countWord, plural, whatWords } from "../words";
import { Waiting } from "./attention";

export function NotJudged() {
  useEffect(() => {
    document.title = "Not judged, Loopwitness";
  }, []);
  const a = assessment.value;
  if (a === null) return <Waiting />;
  const groups = new Map<string, { what: string; why: string; tags: string[] }>();
  for (const n of a.not_judged) {
    const key = JSON.stringify([n.what, n.why]);
    const g = groups.get(key) ?? { what: n.what, why: n.why, tags: [] };
    g.tags.push(n.tag);
    groups.set(key, g);
  }
  const sorted = [...groups.values()].sort((x, y) => Number(y.what === "all") - Number(x.what === "all") || y.tags.length - x.tags.length);
  const all = new Set(a.not_judged.filter((n) => n.what === "all").map((n) => n.tag)).size;
  const some = new Set(a.not_judged.map((n) => n.tag)).size - all;
  return (
    <>
      <section class="lead">
        <h1 tabIndex={-1}>
          {a.not_judged.length === 0
            ? a.loops === 0
              ? "No loops yet."
              : `Each of the ${count(a.loops)} loops is judged for every kind.`
            : all === 0
              ? `${countWord(some, count)} ${plural(some, "loop is", "loops are")} judged only in part; each of the others for every kind.`
              : `${countWord(all, count)} ${plural(all, "loop is", "loops are")} not judged at all, ${count(some)} only in part.`}
        </h1>
        <p class="sub">Nothing found on these loops says nothing about them. What is missing stands beside each; where it is added, the next result takes it in.</p>
      </section>
      {sorted.map((g) => (
        <section class="plain" key={`${g.what} ${g.why}`}>
          <h2>
            {whatWords(g.what)}: {g.why}
          </h2>
          <p class="nt">
            {count(g.tags.length)} {plural(g.tags.length, "loop", "loops")}
          </p>
          <Tags tags={g.tags} />
        </section>
      ))}
      <FleetWatch version={a.assessed_at ?? ""} />
    </>
  );
}

const MANY = 200;

function Tags({ tags }: { tags: string[] }) {
  const link = (t: string) => (
    <li key={t}>
      <a class="tag" href={loopPath(t)}>
        {t}
      </a>
    </li>
  );
  if (tags.length <= MANY) return <ul class="tags">{tags.map(link)}</ul>;
  return (
    <details>
      <summary>their tags</summary>
      <ul class="tags">{tags.map(link)}</ul>
    </details>
  );
}
