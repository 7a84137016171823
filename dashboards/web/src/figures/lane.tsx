// One case on the shared time axis: dotted from the onset until somebody was told, solid while it is open, a tick for each
// thing that a person did, a bar ahead for what is due.

import { DAY, ms, plainInstant } from "../format";
import { stateWords } from "../casewords";
import type { Case, CaseEvent } from "../types";
import { NOW, xOf } from "./rowtrace";

const MID = 17;
const f1 = (v: number): string => v.toFixed(1);

interface Props {
  c: Case;
  history?: readonly CaseEvent[] | undefined;
  from: number;
  now: number;
}

export function Lane({ c, history, from, now }: Props) {
  const axis = { from, now };
  const x = (t: number): number => Math.max(0, Math.min(900, xOf(axis, t)));
  const onset = ms(c.onset);
  const opened = ms(c.opened);
  const closed = ms(c.closed?.at);
  const end = Number.isFinite(closed) ? closed : now;
  const aside = ms(c.suppression?.until);
  const due = ms(c.plan?.due);
  const attended = ms(c.attended?.at);
  const people = (history ?? []).filter((e) => e.who !== "loopwitness" && e.what !== "noted").map((e) => ms(e.at));
  const gone = ms(c.gone_since);
  const label = `Case of ${c.tag ?? c.name ?? c.id}: began ${plainInstant(onset, now)}, opened ${plainInstant(opened, now)}, ${stateWords(c.state)}`;
  return (
    <svg class="lane" viewBox="0 0 900 34" preserveAspectRatio="none" role="img" aria-label={label}>
      <path class="hair" d="M0 33.5H900" />
      <path class="void" d={`M${f1(x(onset))} ${MID}H${f1(x(Math.min(opened, end)))}`} />
      <path class="open" d={`M${f1(x(opened))} ${MID}H${f1(Math.max(x(opened) + 3, x(end)))}`} />
      {Number.isFinite(gone) && <path class="gone" d={`M${f1(x(gone))} ${MID}H${f1(x(end))}`} />}
      {Number.isFinite(aside) && <path class="void" d={`M${NOW} ${MID}H${f1(x(aside))}M${f1(x(aside))} ${MID - 6}v12`} />}
      {people.map((t) => (
        <path key={t} class="did" d={`M${f1(x(t))} ${MID - 8}v16`} />
      ))}
      {Number.isFinite(attended) && <path class="did" d={`M${f1(x(attended))} ${MID - 12}v24`} />}
      {Number.isFinite(due) && c.state === "planned" && <path class="hit" d={`M${f1(x(due) - 4)} ${MID}h8M${f1(x(due))} ${MID - 9}v18`} />}
      {Number.isFinite(closed) && now - closed < 400 * DAY && <path class="did" d={`M${f1(x(closed))} ${MID - 5}v10`} />}
    </svg>
  );
}
